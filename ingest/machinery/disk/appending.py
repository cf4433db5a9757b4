"""Logs that only ever grow: lines appended and flushed, a torn last line ended first."""

from __future__ import annotations

import os
from collections.abc import Sequence

from ingest.machinery.disk.destinations import OpenDestination
from ingest.machinery.disk.files import Disk, write_all

_TAIL = 1 << 16


def append_lines(disk: Disk, destination: OpenDestination, path: str, lines: Sequence[bytes]) -> None:
    """Append ``lines`` (each with its line end) to ``path``, relative to the destination's root; durable
    when it returns.  Raises OSError.

    A power cut may have torn the last line: it gets an end, and costs that line.  Lines of ``lines`` that
    stand last already, in this order, are not written again: a stop came before their fact.
    """
    folder_path, _, name = path.rpartition("/")
    with destination.folders.hold(folder_path, make=True) as folder:
        fresh = disk.look_at(folder, name) is None
        fd = disk.open_for_append(folder, name)
        try:
            size = disk.stat(fd)[0]
            tail = b""
            if size:
                tail = os.pread(fd, _TAIL, max(0, size - _TAIL)) if hasattr(os, "pread") else _read_tail(fd, size)
            owed = list(lines)
            for known in range(len(owed), 0, -1):
                if tail.endswith(b"".join(owed[:known])):
                    owed = owed[known:]
                    break
            end = b"\n" if tail and not tail.endswith(b"\n") else b""
            if owed:
                write_all(disk, fd, memoryview(end + b"".join(owed)))
            disk.sync(fd)
        finally:
            disk.close(fd)
        if fresh:
            disk.sync_folder(folder)


def _read_tail(fd: int, size: int) -> bytes:
    os.lseek(fd, max(0, size - _TAIL), os.SEEK_SET)
    return os.read(fd, _TAIL)
