"""Commands on given files: open them, let a worker do the job, keep what it wrote only when it is whole.

No show, no ledger.  An output is written under a temporary name beside its final one, flushed, and only
then named; a name that is taken is refused unless the person said to replace it.
"""

from __future__ import annotations

import contextlib
import os
import secrets
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any

from ingest.errors import NameTaken, SourceUnreadable, Unreadable, UsageError

MEMORY_BYTES = 4 << 30
TIMEOUT_S = 1800.0
_BINARY = getattr(os, "O_BINARY", 0)


@contextlib.contextmanager
def opened(paths: Sequence[Path]) -> Iterator[list[int]]:
    """Descriptors of the files, for reading; closed at the end."""
    with contextlib.ExitStack() as stack:
        found = []
        for path in paths:
            if path.is_dir():  # most systems open one, and only its first read fails, far from here
                raise UsageError("is a folder.", item=str(path), next="Give the files in it by name.")
            try:
                fd = os.open(path, os.O_RDONLY | _BINARY)
            except OSError as error:
                raise SourceUnreadable(f"cannot be opened ({error.strerror}).", item=str(path),
                                       next="Check the name.") from error  # fmt: skip
            stack.callback(os.close, fd)
            found.append(fd)
        yield found


class Outputs:
    """Files to be made, each under a temporary name until :meth:`keep`."""

    def __init__(self, paths: Sequence[Path], *, replace: bool = False) -> None:
        self._paths = tuple(paths)
        self._replace = replace
        self._temporary: list[Path] = []
        self.descriptors: list[int] = []

    def __enter__(self) -> Outputs:
        if len(set(self._paths)) < len(self._paths):
            raise UsageError("two outputs have one name.", next="Give each its own.")
        try:
            for path in self._paths:
                self._open(path)
        except BaseException:
            self._drop()
            raise
        return self

    def _open(self, path: Path) -> None:
        if path.exists() and not self._replace:
            raise NameTaken("is there already.", item=str(path), next="Give another name, or --replace.")
        if not path.parent.is_dir():
            raise UsageError("its folder does not exist.", item=str(path), next="Make the folder first.")
        temporary = path.with_name(f".nl-{secrets.token_hex(8)}.tmp")
        self._temporary.append(temporary)  # first: Ctrl-C may come right behind the opening
        self.descriptors.append(os.open(temporary, os.O_RDWR | os.O_CREAT | os.O_EXCL | _BINARY, 0o666))

    def keep(self) -> None:
        """Flush every file and give it its name; without --replace one that appeared meanwhile stays."""
        for fd in self.descriptors:
            os.fsync(fd)
        for temporary, path in zip(list(self._temporary), self._paths, strict=True):
            if self._replace:
                temporary.replace(path)
            else:
                _named(temporary, path)
            self._temporary.remove(temporary)

    def _drop(self) -> None:
        for fd in self.descriptors:
            with contextlib.suppress(OSError):  # closing after a failed flush: the file is dropped anyway
                os.close(fd)
        for temporary in self._temporary:
            temporary.unlink(missing_ok=True)
        self.descriptors, self._temporary = [], []

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self._drop()


def _named(temporary: Path, path: Path) -> None:
    try:
        path.hardlink_to(temporary)
    except FileExistsError as error:
        raise NameTaken("is there already.", item=str(path), next="Give another name, or --replace.") from error
    except OSError:  # FAT and some network systems have no links; the moment between look and rename stays
        if path.exists():
            raise NameTaken("is there already.", item=str(path), next="Give another name.") from None
        temporary.rename(path)
        return
    temporary.unlink()


def worker_answer(
    job: str, ask: dict[str, Any], files: Sequence[int], *, item: str,
    on_progress: Callable[[float], None] | None = None,
) -> dict[str, Any]:
    """The answer of a worker of our own; its refusal names the file."""
    from ingest.machinery.worker.host import WorkerPool

    with WorkerPool(1, memory_bytes=MEMORY_BYTES, nice=0) as pool:
        try:
            return pool.run(job, ask, files, timeout_s=TIMEOUT_S, on_progress=on_progress)
        except Unreadable as error:
            raise Unreadable(error.what, item=error.item or item, next=error.next) from error
