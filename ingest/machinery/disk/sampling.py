"""A digest of a file's head and tail: enough to recognise a card by, never proof of its content."""

from __future__ import annotations

from ingest.machinery.disk.files import Disk, Folder
from ingest.machinery.disk.folders import Folders
from ingest.machinery.disk.hashing import digest_of

SAMPLE_BYTES = 64 << 10


def head_and_tail(disk: Disk, folders: Folders, path: str) -> str:
    """XXH128 (hex) of the first and last 64 KiB and the size of the file at ``path``.  Raises OSError."""
    parent, _, name = path.rpartition("/")
    with folders.hold(parent) as folder:
        return _ends(disk, folder, name)


def _ends(disk: Disk, folder: Folder, name: str) -> str:
    fd = disk.open_source(folder, name)
    try:
        buffer = memoryview(bytearray(SAMPLE_BYTES))
        head = bytes(buffer[: disk.read_into(fd, buffer)])
        size = disk.stat(fd)[0]
        tail = b""
        if size > 2 * SAMPLE_BYTES:
            disk.seek(fd, size - SAMPLE_BYTES)
            tail = bytes(buffer[: disk.read_into(fd, buffer)])
        return digest_of(head + tail + str(size).encode())
    finally:
        disk.close(fd)
