"""Decoded frames within a memory bound: in memory while they fit, then in one unnamed temporary file.

The file has no name, so a worker that dies leaves nothing behind.  Frames in it are memory maps; their
pages go back to the system with :meth:`FrameStore.forget`.
"""

from __future__ import annotations

import mmap
import tempfile
from types import TracebackType
from typing import Any

import numpy as np
import numpy.typing as npt


class FrameStore:
    """Keeps arrays; ``limit_bytes`` is what may stay in memory."""

    def __init__(self, limit_bytes: int) -> None:
        self._left = limit_bytes
        self._files: list[Any] = []
        self._maps: list[np.memmap[Any, Any]] = []
        self.spilled_bytes = 0

    def limit(self, limit_bytes: int) -> None:
        """Set anew what may stay in memory, once the frames' size is known."""
        self._left = limit_bytes

    def __enter__(self) -> FrameStore:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self._maps.clear()
        for file in self._files:
            file.close()

    def keep(self, codes: npt.NDArray[Any]) -> npt.NDArray[Any]:
        """The same array, or a read-only map of its copy on disk once the limit is reached."""
        if codes.nbytes <= self._left:
            self._left -= codes.nbytes
            return codes
        file = tempfile.TemporaryFile()  # noqa: SIM115  closed when the store is left
        self._files.append(file)
        np.ascontiguousarray(codes).tofile(file)
        file.flush()
        mapped = np.memmap(file, dtype=codes.dtype, mode="r", shape=codes.shape)
        self._maps.append(mapped)
        self.spilled_bytes += codes.nbytes
        return mapped

    def forget(self) -> None:
        """Give the mapped pages back; they are read again when needed."""
        if not hasattr(mmap, "MADV_DONTNEED"):
            return  # only Linux and macOS have it; elsewhere the system reclaims clean pages by itself
        for m in self._maps:
            handle = getattr(m, "_mmap", None)
            if handle is not None:
                handle.madvise(mmap.MADV_DONTNEED)
