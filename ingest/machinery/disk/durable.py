"""Files of our own making at a destination: merged pictures (never overwritten) and papers (replaced whole).

The same order as for originals: temporary file -> sync -> read back -> rename -> sync file -> sync folder.
``planned`` is called with the folder and temporary name before the file is made and must make the plan
durable; ``ended`` when it is certainly gone or named.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from dataclasses import dataclass

from ingest.errors import NameTaken, ReadBackDiffers
from ingest.machinery.disk.destinations import OpenDestination
from ingest.machinery.disk.files import POSIX, Disk, Folder, write_all
from ingest.machinery.disk.hashing import digest_of
from ingest.machinery.disk.readback import read_from_device
from ingest.machinery.disk.temporary import remove_temps, temp_name
from ingest.records.cards import Proof

Hook = Callable[[str, str], None]  # (folder relative to the destination's root, temporary name)


def _nothing(_folder: str, _temp: str) -> None:
    return


@dataclass(frozen=True, kw_only=True, slots=True)
class Written:
    """What lies at the destination now: size, XXH128 (hex) as read back, and how far that is proven."""

    size_bytes: int
    digest: str
    proof: Proof
    folder_synced: bool


@dataclass(eq=False, kw_only=True, slots=True)
class OpenTemp:
    """A temporary file open for writing; ``fd`` may be handed to a worker process."""

    folder: str
    name: str
    final: str
    fd: int


def open_temp(disk: Disk, destination: OpenDestination, path: str, *, planned: Hook = _nothing) -> OpenTemp:
    """A temporary file beside ``path`` (relative to the destination's root); folders are made.

    Raises OSError.  End it with :func:`commit` or :func:`abandon`.
    """
    folder, _, final = path.rpartition("/")
    temp = temp_name()
    planned(folder, temp)
    with destination.folders.hold(folder, make=True) as held:
        return OpenTemp(folder=folder, name=temp, final=final, fd=disk.create(held, temp))


def commit(
    disk: Disk, destination: OpenDestination, temp: OpenTemp, *, replace: bool = False, digest: str = "",
    ended: Hook = _nothing,
) -> Written:
    """Flush, read back, name, flush again; closes the descriptor.

    ``digest`` (XXH128 hex) is what it must give back, "" where only the reader knows what was written (a
    worker process): then what comes back from the device is the record.  ``replace`` is for papers only.
    Raises NameTaken if a file lies there and ``replace`` is false (unless it is equal: that one is kept),
    ReadBackDiffers, OSError; the temporary file is removed then.
    """
    try:
        return _commit(disk, destination, temp, replace, digest, ended)
    except BaseException:
        abandon(disk, destination, temp, ended=ended)
        raise


def _commit(
    disk: Disk, destination: OpenDestination, temp: OpenTemp, replace: bool, digest: str, ended: Hook
) -> Written:
    volume = destination.volume
    disk.sync(temp.fd)
    with destination.folders.hold(temp.folder) as folder:
        back, proof = read_from_device(disk, folder, temp.name, filesystem=volume.filesystem, device=volume.device)
        if digest and back.digest != digest:
            raise ReadBackDiffers("what the disk gave back is not what was written.", item=temp.final, retry=True)
        if not POSIX:  # an open file cannot be renamed there
            disk.close(temp.fd)
        if replace:
            disk.replace(folder, temp.name, temp.final)
        else:
            try:
                disk.rename_new(folder, temp.name, temp.final)
            except FileExistsError as error:
                return _keep_equal(disk, destination, folder, temp, back.digest, ended, error)
        try:
            disk.sync(temp.fd if POSIX else _reopen(disk, folder, temp))
        finally:
            _close(disk, temp)
        synced = disk.sync_folder(folder)
    ended(temp.folder, temp.name)
    return Written(size_bytes=back.size_bytes, digest=back.digest, proof=proof, folder_synced=synced)


def _keep_equal(
    disk: Disk, destination: OpenDestination, folder: Folder, temp: OpenTemp, digest: str, ended: Hook,
    error: FileExistsError,
) -> Written:
    """The name is taken: by the same content (a stop before its fact was stored) or by something foreign."""
    volume = destination.volume
    fd = disk.open_source(folder, temp.final)
    try:
        disk.sync(fd)
    finally:
        disk.close(fd)
    there, proof = read_from_device(disk, folder, temp.final, filesystem=volume.filesystem, device=volume.device)
    if there.digest != digest:
        raise NameTaken("a different file lies under this name; it stays as it is.", item=temp.final,
                        next="Move it away if it is not wanted.") from error
    synced = disk.sync_folder(folder)
    abandon(disk, destination, temp, ended=ended)
    return Written(size_bytes=there.size_bytes, digest=there.digest, proof=proof, folder_synced=synced)


def _reopen(disk: Disk, folder: Folder, temp: OpenTemp) -> int:
    temp.fd = disk.open_source(folder, temp.final)
    return temp.fd


def _close(disk: Disk, temp: OpenTemp) -> None:
    if temp.fd >= 0:
        with contextlib.suppress(OSError):  # all that counts was flushed, or the file is given up
            disk.close(temp.fd)
        temp.fd = -1


def abandon(disk: Disk, destination: OpenDestination, temp: OpenTemp, *, ended: Hook = _nothing) -> None:
    """Close and remove it; the plan lists it until that is flushed."""
    _close(disk, temp)
    try:
        remove_temps(disk, destination.folders, temp.folder, [temp.name])
    except OSError:
        return
    ended(temp.folder, temp.name)


def make_durable_file(
    disk: Disk, destination: OpenDestination, path: str, data: bytes, *, replace: bool = False,
    planned: Hook = _nothing, ended: Hook = _nothing,
) -> Written:
    """Write bytes to ``path`` (relative to the destination's root), proven and durable when it returns.

    A file with the same content that lies there already is read back and kept.  Raises NameTaken (a
    different file lies there and ``replace`` is false), ReadBackDiffers, OSError.
    """
    temp = open_temp(disk, destination, path, planned=planned)
    try:
        write_all(disk, temp.fd, memoryview(data))
    except BaseException:
        abandon(disk, destination, temp, ended=ended)
        raise
    return commit(disk, destination, temp, replace=replace, digest=digest_of(data), ended=ended)
