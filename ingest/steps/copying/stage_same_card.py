"""Is what lies under a card's path still that card?  A slot's next card has the same device and root folder."""

from __future__ import annotations

from collections.abc import Sequence

from ingest.errors import CardGone
from ingest.machinery.disk.files import Disk
from ingest.machinery.disk.folders import Folders
from ingest.machinery.disk.volumes import volume_of
from ingest.records.cards import CardFile, FileRecord, PresentCard

GLANCE = 8  # files looked at before the first is read


def check_same(disk: Disk, folders: Folders, present: PresentCard, wanted: Sequence[FileRecord]) -> None:
    """Raises CardGone where another card lies there: another folder or volume, or none of the first few ``wanted``
    files is there as it was listed."""
    root, gone = folders.root, CardGone("another volume is mounted there now.", item=present.root)
    if (root.device, root.inode) != (present.device, present.inode):
        raise gone
    id, volume = present.card.volume_id, volume_of(present.root)
    told = {name.partition(":")[0]: name for name in (volume.own, volume.id)}  # udev's names come and go
    if id and (volume.path != present.root or told.get(id.partition(":")[0], id) != id):
        raise gone
    first = {f.path for f in wanted[:GLANCE]}
    listed = [f for f in present.inventory.files if f.path in first]
    if first and not any(is_as_listed(disk, folders, f) for f in listed):
        raise gone


def is_as_listed(disk: Disk, folders: Folders, listed: CardFile) -> bool:
    """Whether the file is there with the size and time that it was listed with; also where that cannot be told, for
    whoever reads it then meets the same."""
    parent, _, name = listed.path.rpartition("/")
    try:
        with folders.hold(parent) as folder:
            seen = disk.look_at(folder, name)
    except (FileNotFoundError, NotADirectoryError):
        return False
    except OSError:
        return True
    return seen is not None and (seen.size_bytes, seen.mtime_ns) == (listed.size_bytes, listed.mtime_ns)
