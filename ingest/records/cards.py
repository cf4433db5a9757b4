"""Cards, the files on them and their copies: facts, no judgements.

Paths on a card are relative to its root, ``/`` between the parts, kept exactly: bytes that are no
UTF-8 stand as surrogate escapes (``os.fsdecode``).  ``records.names`` turns them into words and JSON.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum


class FileKind(StrEnum):
    """What a file is by its name; decides only the order of copying and who reads its header."""

    STILL = "still"
    CLIP = "clip"
    SIDECAR = "sidecar"
    OTHER = "other"


class Proof(StrEnum):
    """How a read-back reached the device."""

    DEVICE = "device"  # unbuffered read of a file system where that reaches the device
    CACHE_DROPPED = "cache dropped"  # flushed, pages dropped, read again
    NOT_PROVABLE = "not provable"  # this file system answers from memory whatever we do


@dataclass(frozen=True, kw_only=True, slots=True)
class CardFile:
    """An ordinary file as a listing of the card saw it."""

    path: str
    size_bytes: int
    mtime_ns: int


@dataclass(frozen=True, kw_only=True, slots=True)
class LeftOut:
    """Something on the card that is listed but not copied, and why (``reason`` is words)."""

    path: str
    reason: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Inventory:
    """One whole listing of a card.  ``problems`` are folders or entries that could not be read:
    (path, words).  A listing with problems never counts as whole.  ``changed_ns`` is the newest time the
    system itself changed one of the files, which no copy tool sets back."""

    files: tuple[CardFile, ...]
    left_out: tuple[LeftOut, ...] = ()
    empty_folders: tuple[str, ...] = ()
    problems: tuple[tuple[str, str], ...] = ()
    changed_ns: int = 0

    @property
    def size_bytes(self) -> int:
        return sum(f.size_bytes for f in self.files)


@dataclass(frozen=True, kw_only=True, slots=True)
class CardRecord:
    """A card as the ledger knows it.

    ``folder`` is its copy's place relative to a destination's show folder (``cards/<day>/<name>``).
    ``label`` is what the volume calls itself ("" if nothing useful), ``roll`` what a person called it.
    ``generation`` counts sightings with new content, from 1.  ``listing_whole`` is false while the
    last sighting's listing failed somewhere or changed between first and last look.
    """

    id: str
    label: str
    roll: str
    day: str
    folder: str
    volume_id: str
    first_seen_utc: str
    last_seen_utc: str
    generation: int
    listing_whole: bool
    read_only: bool | None
    mount: str | None  # where it is now on this machine; None when it is not here


@dataclass(frozen=True, kw_only=True, slots=True)
class FileRecord:
    """One file of a card.  ``digests`` are those of the first whole reading, lower-case hex by
    algorithm (``xxh3_128`` always once read); ``second_digest`` that of the second reading from the
    device, "" if it was not read twice.  ``trouble`` is why it could not be read or copied ("" if
    nothing), in words for the person."""

    card_id: str
    path: str
    size_bytes: int
    mtime_ns: int
    kind: FileKind
    generation: int
    digests: Mapping[str, str] = field(default_factory=dict)
    read_utc: str = ""
    second_digest: str = ""
    second_read_utc: str = ""
    trouble: str = ""
    row: int = 0  # the ledger's number for it; 0 where it is in no ledger

    @property
    def digest(self) -> str:
        """``xxh3_128:<hex>``, or "" while the file has not been read whole."""
        value = self.digests.get("xxh3_128", "")
        return f"xxh3_128:{value}" if value else ""


@dataclass(frozen=True, kw_only=True, slots=True)
class CopyFact:
    """One file at one destination: written, flushed, read back, compared and only then named.

    ``stored_path`` is relative to the card's folder and differs from ``path`` only where the
    destination cannot hold the name.  ``back_digest`` is what the device returned (xxh3_128 hex);
    a fact exists only when it equalled the source's.  ``folder_synced`` is false where the system
    cannot flush a folder entry.  ``reread_utc`` and ``reread_digest`` are those of the last audit.
    """

    card_id: str
    path: str
    destination_id: str
    stored_path: str
    size_bytes: int
    source_digest: str
    back_digest: str
    proof: Proof
    read_back_utc: str
    folder_synced: bool
    reread_utc: str = ""
    reread_digest: str = ""
    reread_proof: str = ""
    generation: int = 1


@dataclass(frozen=True, kw_only=True, slots=True)
class DestinationRecord:
    """A destination by its identity; ``path`` is where the settings say it is, ``present`` whether the
    identity file is there now, ``mark`` what tells that volume and folder from a copy of it ("" if nothing does).
    ``unread_since`` is set where nothing on it counts until it was read after that moment."""

    id: str
    path: str
    required: bool
    present: bool
    one_disk: bool = False
    lost_utc: str = ""
    filesystem: str = ""
    free_bytes: int | None = None
    encrypted: bool | None = None  # the volume, where the system tells
    mark: str = ""
    unread_since: str = ""


class EntryKind(StrEnum):
    """What a folder entry is, without following or opening it."""

    FILE = "file"
    FOLDER = "folder"
    LINK = "link"
    PIPE = "pipe"
    SOCKET = "socket"
    DEVICE = "device"
    MOUNT = "another volume mounted here"
    UNREADABLE = "unreadable"


@dataclass(frozen=True, kw_only=True, slots=True)
class ListedEntry:
    """One entry of a raw listing; ``path`` is relative to the listed root.  ``trouble`` is why it or its
    content could not be read ("" if nothing)."""

    path: str
    kind: EntryKind
    size_bytes: int = 0
    mtime_ns: int = 0
    ctime_ns: int = 0
    trouble: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class PresentCard:
    """A card that is in this machine now and has been quiet.

    ``root`` is where its files are; ``device`` and ``inode`` are those of that folder, so that another
    volume under the same path is noticed.  ``again`` says that it was here before: what is already held
    of it is still to be confirmed by reading.
    """

    card: CardRecord
    root: str
    device: int
    inode: int
    filesystem: str
    sighting: int
    inventory: Inventory
    again: bool = False
