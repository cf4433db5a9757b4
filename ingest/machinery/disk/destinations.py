"""A destination's identity file, and opening a destination only if it is the one that was meant.

``.nightloader-destination.json`` lies in the destination's root and is never rewritten.  A path without
it is an absent destination, whatever else lies there: a mount point whose disk was pulled is a plain
folder of the system disk, and nothing must be written into it.
"""

from __future__ import annotations

import contextlib
import errno
import json
import threading
import uuid
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, TypeVar

from ingest.errors import DestinationUnavailable
from ingest.machinery.disk.files import Disk, Folder, read_small, write_all
from ingest.machinery.disk.folders import Folders
from ingest.machinery.disk.patience import Ask, Hung
from ingest.machinery.disk.readback import read_from_device
from ingest.machinery.disk.volumes import UNIX_LIKE, Volume, volume_of
from ingest.records.cards import DestinationRecord

IDENTITY = ".nightloader-destination.json"
FORMAT = 1
HANG_S = 20.0  # a disk that spins up takes ten


T = TypeVar("T")
_STUCK: dict[str, list[Ask[Any]]] = {}  # looks that stood still, by the destination's path
_GUARD = threading.Lock()


@dataclass(frozen=True, kw_only=True, slots=True)
class Identity:
    """Who a destination is."""

    id: str
    show: str
    created_utc: str


@dataclass(eq=False, kw_only=True, slots=True)
class OpenDestination:
    """A destination that was there when it was opened.  ``folds`` is true where names that differ only in
    case are one name."""

    identity: Identity
    path: str
    folders: Folders
    volume: Volume
    folds: bool

    @property
    def id(self) -> str:
        return self.identity.id

    @property
    def mark(self) -> str:
        """What a copy of this destination would not share, "" where the system names nothing: the volume, and on a
        file system whose numbers stay, the folder's own."""
        folder = f":{self.root.inode}" if self.volume.filesystem in UNIX_LIKE else ""
        return self.volume.own and f"{self.volume.own}{folder}"

    @property
    def root(self) -> Folder:
        return self.folders.root

    def close(self) -> None:
        self.folders.close()


def read_identity(disk: Disk, path: str) -> Identity | None:
    """The identity at a path; None if there is none.  Raises DestinationUnavailable if it cannot be read."""
    return _in_time(path, lambda: _read(disk, path))


def _read(disk: Disk, path: str) -> Identity | None:
    try:
        root = disk.open_root(path)
    except OSError:
        return None
    try:
        return _identity(disk, root)
    finally:
        disk.close_folder(root)


def _identity(disk: Disk, root: Folder) -> Identity | None:
    try:
        raw: Any = json.loads(read_small(disk, root, IDENTITY, most=1 << 16))
        return Identity(id=str(raw["id"]), show=str(raw.get("show", "")), created_utc=str(raw.get("created_utc", "")))
    except FileNotFoundError:
        return None
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise DestinationUnavailable(
            f"the identity file {IDENTITY} cannot be read ({error}).", item=root.path,
            next="Check the disk; restore the file from another machine's copy if it is damaged.",
        ) from error


def create_destination(disk: Disk, path: str, *, show: str, utc: str) -> Identity:
    """Make the folder if its parent exists, and its identity file; one that is there is kept and used.

    Durable when it returns.  Raises DestinationUnavailable.
    """
    parent_path, _, name = path.rstrip("/\\").replace("\\", "/").rpartition("/")
    try:
        with contextlib.suppress(FileExistsError):
            parent = disk.open_root(parent_path or "/")
            try:
                disk.make_folder(parent, name)
                disk.sync_folder(parent)
            finally:
                disk.close_folder(parent)
        root = disk.open_root(path)
    except OSError as error:
        raise DestinationUnavailable(
            f"it cannot be made ({error.strerror}).", item=path, next="Check the path and that its disk is mounted.",
        ) from error
    try:
        found = _identity(disk, root)
        if found is not None:
            return found
        identity = Identity(id=uuid.uuid4().hex, show=show, created_utc=utc)
        body = {"format": FORMAT, "id": identity.id, "show": show, "created_utc": utc,
                "about": "This folder is a destination of Nightloader. Without this file its disk counts as absent."}
        temp = f".nl-{uuid.uuid4().hex[:16]}.tmp"
        fd = disk.create(root, temp)
        try:
            write_all(disk, fd, memoryview((json.dumps(body, indent=2) + "\n").encode()))
            disk.sync(fd)
        finally:
            disk.close(fd)
        try:
            disk.rename_new(root, temp, IDENTITY)
        except OSError:
            disk.unlink(root, temp)
            raise
        fd = disk.open_source(root, IDENTITY)
        disk.sync(fd)
        disk.close(fd)
        disk.sync_folder(root)
        return identity
    except OSError as error:
        raise DestinationUnavailable(
            f"its identity file cannot be written ({error.strerror}).", item=path,
            next="Check that the disk is writable.",
        ) from error
    finally:
        disk.close_folder(root)


def find_destination(disk: Disk, path: str, id: str, mark: str = "") -> OpenDestination:
    """Open a destination if the disk at the path is the one with this id, and not a copy of it: its mark is ``mark``
    where both are known.

    Raises DestinationUnavailable with the reason; ``retry`` is true, for it may come back.  One that hangs counts as
    away after ``HANG_S``: no thread that looks at all destinations may stand still for one of them.
    """
    return _in_time(path, lambda: _found(disk, path, id, mark))


def _in_time(path: str, look: Callable[[], T]) -> T:
    """What a look at a destination's path answers.  While an earlier one stands still there no other is begun, and a
    late answer is dropped: the disk may be another one by now."""
    silent = DestinationUnavailable("it does not answer.", item=path, retry=True,
                                    next="Check cable, power and network of this disk.")
    with _GUARD:
        if any(ask.thread.is_alive() for ask in _STUCK.get(path, ())):
            raise silent
        late = _STUCK.pop(path, [])
    for old in late:
        with contextlib.suppress(OSError, DestinationUnavailable):
            if isinstance(found := old.answer(HANG_S), OpenDestination):
                found.close()
    ask: Ask[T] = Ask(lambda _: look())
    try:
        return ask.answer(HANG_S)
    except Hung:
        with _GUARD:
            _STUCK.setdefault(path, []).append(ask)
        raise silent from None


def _found(disk: Disk, path: str, id: str, mark: str) -> OpenDestination:
    try:
        root = disk.open_root(path)
    except OSError as error:
        raise DestinationUnavailable(
            "it is not here.", item=path, retry=True,
            next="Plug the disk in; if it is mounted elsewhere now, say where in the settings and start again.",
        ) from error
    try:
        identity = _identity(disk, root)
        if identity is None:
            raise DestinationUnavailable(
                f"there is a folder but no {IDENTITY} in it: the disk is absent.", item=path,
                next="Plug the disk in, or add this one with `destination add`.", retry=True,
            )
        if identity.id != id:
            raise DestinationUnavailable(
                "another disk is mounted under this path.", item=path,
                next="Plug the right disk in, or add this one with `destination add`.", retry=True,
            )
        twin = disk.look_at(root, IDENTITY.upper())
        found = OpenDestination(identity=identity, path=path, folders=Folders(disk, root), volume=volume_of(path),
                                folds=twin is not None)
        if not disk.same_place(root) or (mark and found.mark and mark != found.mark):
            raise DestinationUnavailable(
                "another volume than the one that was written has just taken its place.", item=path,
                next="Plug the right disk in; a copy of it counts once `watch` has read all of it.", retry=True,
            )
        return found
    except BaseException as error:
        disk.close_folder(root)
        if isinstance(error, OSError):
            raise DestinationUnavailable(
                f"it does not answer ({error.strerror}).", item=path, next="Check cable and disk.", retry=True
            ) from error
        raise


def is_there(disk: Disk, destination: OpenDestination) -> bool:
    """Whether its path still leads to the folder that was opened."""
    return disk.same_place(destination.root)


def answers(disk: Disk, destination: OpenDestination) -> bool:
    """Whether it is there and its device gives the identity file: one that was pulled may stay mounted for a while,
    and every file on it is unreadable then."""
    try:
        read_from_device(disk, destination.root, IDENTITY, filesystem=destination.volume.filesystem,
                         device=destination.volume.device)
    except OSError:
        return False
    return is_there(disk, destination)


NO_ROOM = (errno.ENOSPC, errno.EDQUOT)
GONE = (errno.ENODEV, errno.ENXIO, errno.ENOTCONN, errno.ESTALE, errno.EROFS)


def present_ids(disk: Disk, records: tuple[DestinationRecord, ...]) -> tuple[DestinationRecord, ...]:
    """The records with what is true now: whether each is here, its free room and file system."""
    found = []
    for record in records:
        try:
            opened = find_destination(disk, record.path, record.id)
        except DestinationUnavailable:
            found.append(replace(record, present=False))
            continue
        try:
            free = disk.room(opened.root)
        except OSError:
            free = None
        finally:
            opened.close()
        found.append(replace(record, present=True, free_bytes=free, filesystem=opened.volume.filesystem,
                             encrypted=opened.volume.encrypted, mark=opened.mark))
    return tuple(found)
