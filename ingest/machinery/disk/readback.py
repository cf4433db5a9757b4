"""Reading a file back from its device, and how far that can be proven.

An unbuffered read reaches the device on the file systems named below; on others it is accepted and
answered from memory all the same (tmpfs and FUSE drivers, measured), so the file system's name decides
and not the success of the call.  The pages are dropped first even where the unbuffered read alone would
do: it leaves the memory free and is faster (measured).  Flush before calling: dirty pages stay.
"""

from __future__ import annotations

import errno
import mmap
import os
from collections.abc import Callable, Iterable

from ingest.machinery.disk.files import Disk, Folder
from ingest.machinery.disk.hashing import Digests
from ingest.records.cards import Proof

PIECE = 4 << 20
# Measured: ext4, xfs, overlay, vfat.  From memory: the rest (kernel drivers over a block device).
_UNBUFFERED = {"ext2", "ext3", "ext4", "xfs", "overlay", "vfat", "msdos", "exfat", "f2fs", "jfs", "ntfs3"}
# Kernel drivers whose unbuffered reads may be answered from memory (compression), but which drop pages; macOS's.
_DROPS = {"btrfs", "hfsplus", "hfs", "apfs", "udf", "nilfs2"}


class Buffer:
    """Page-aligned memory for unbuffered reads."""

    def __init__(self, size: int = PIECE) -> None:
        self._memory = mmap.mmap(-1, size)
        self.view = memoryview(self._memory)

    def close(self) -> None:
        self.view.release()
        self._memory.close()


def best_proof(filesystem: str) -> Proof:
    """What a read-back on this file system can prove at best."""
    if filesystem in _UNBUFFERED:
        return Proof.DEVICE
    return Proof.CACHE_DROPPED if filesystem in _DROPS else Proof.NOT_PROVABLE


def drop_device_cache(device: str) -> bool:
    """Drop the pages of a block device (FUSE drivers read through it); False where not permitted."""
    if not device.startswith("/dev/") or not hasattr(os, "posix_fadvise"):
        return False
    try:
        fd = os.open(device, os.O_RDONLY | getattr(os, "O_CLOEXEC", 0))
    except OSError:
        return False
    try:
        os.posix_fadvise(fd, 0, 0, os.POSIX_FADV_DONTNEED)
    finally:
        os.close(fd)
    return True


def read_from_device(
    disk: Disk, folder: Folder, name: str, *, filesystem: str, device: str = "", more: Iterable[str] = (),
    buffer: Buffer | None = None, go_on: Callable[[int], None] = lambda _: None,
) -> tuple[Digests, Proof]:
    """Digests of a file as its device returns it, with the proof.

    ``go_on`` is called with the bytes of each piece and may raise to end it.  Raises OSError.
    """
    own = buffer or Buffer()
    try:
        proof = best_proof(filesystem)
        fd = disk.open_source(folder, name)
        try:
            disk.drop_cache(fd)
            if filesystem == "fuseblk" and drop_device_cache(device):
                proof = Proof.CACHE_DROPPED
            if proof is Proof.DEVICE:
                try:
                    return _read(disk, folder, name, fd, True, more, own, go_on), proof
                except OSError as error:
                    if error.errno not in (errno.EINVAL, errno.ENOTSUP):
                        raise
                    proof = Proof.CACHE_DROPPED  # this kernel or volume has no unbuffered reads after all
            return _read(disk, folder, name, fd, False, more, own, go_on), proof
        finally:
            disk.close(fd)
    finally:
        if buffer is None:
            own.close()


def _read(
    disk: Disk, folder: Folder, name: str, plain: int, direct: bool, more: Iterable[str], buffer: Buffer,
    go_on: Callable[[int], None],
) -> Digests:
    digests = Digests(more)
    fd = disk.open_source(folder, name, direct=True) if direct else plain
    try:
        if not direct:
            disk.read_ahead(fd)
        while (n := disk.read_into(fd, buffer.view)) > 0:
            go_on(n)
            digests.update(buffer.view[:n])
            if direct and n % 512:  # an unaligned tail: the file's end, a further read would be refused
                break
        if not direct:
            disk.drop_cache(fd)
    finally:
        if direct:
            disk.close(fd)
    return digests
