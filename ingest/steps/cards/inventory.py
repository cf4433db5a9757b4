"""What is on a card: files to be kept, what is left out and why, in which order they are wanted."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Sequence

from ingest.records.cards import CardFile, EntryKind, FileKind, Inventory, LeftOut, ListedEntry
from ingest.records.names import is_text, shown

# The operating systems' own caches and indexes: a closed list.  Everything else is kept, trash folders
# and ``._`` files too, for they may hold what somebody misses.
LITTER = frozenset({
    ".ds_store", ".spotlight-v100", ".fseventsd", ".documentrevisions-v100", ".temporaryitems",
    "system volume information", "thumbs.db", "desktop.ini", ".thumbnails",
})
_STILLS = frozenset(
    """jpg jpeg jpe heic heif avif tif tiff dng png webp jxl exr hdr cr2 cr3 crw nef nrw arw srf sr2 raf orf rw2 rwl pef
    srw 3fr fff iiq mos mef mrw erf kdc dcr x3f gpr insp raw""".split()  # noqa: SIM905
)
_CLIPS = frozenset(
    """mov mp4 m4v mxf avi mts m2ts mkv mpg mpeg mod webm 3gp r3d braw ari arx crm rmf cine nev mcraw insv lrv
    360""".split()  # noqa: SIM905
)
_SIDECARS = frozenset(
    """xmp xml json txt csv tsv log pdf cdl cc ccc ale edl fdl thm ctg ind bdm cpi idx inf bin cube 3dl lut aaf otio mhl
    md5 sha1 xxh html htm rtf doc docx xls xlsx ods srt bim smi ppn""".split()  # noqa: SIM905
)
SMALL_BYTES = 16 << 20

_WHY = {
    EntryKind.LINK: "a link, never followed",
    EntryKind.PIPE: "a pipe, never opened",
    EntryKind.SOCKET: "a socket, never opened",
    EntryKind.DEVICE: "a device, never opened",
    EntryKind.MOUNT: "another volume is mounted here",
}
NEVER_OPENED = frozenset(_WHY.values())


def kind_of(path: str) -> FileKind:
    """By its extension; ``._x.jpg`` is the system's companion of a file, not a picture."""
    name = path.rpartition("/")[2]
    extension = name.rpartition(".")[2].lower() if "." in name.lstrip(".") else ""
    if name.startswith("._"):
        return FileKind.OTHER
    if extension in _STILLS:
        return FileKind.STILL
    if extension in _CLIPS:
        return FileKind.CLIP
    return FileKind.SIDECAR if extension in _SIDECARS else FileKind.OTHER


def is_litter(path: str) -> bool:
    """Whether it is, or lies in, something of the closed list."""
    return any(part.lower() in LITTER for part in path.split("/"))


def take(listing: Iterable[ListedEntry]) -> Inventory:
    """An inventory from a raw listing.  Litter folders stand once, with how many files they hold."""
    files: list[CardFile] = []
    left_out: list[LeftOut] = []
    problems: list[tuple[str, str]] = []
    litter: dict[str, int] = {}
    folders: list[str] = []
    changed_ns = 0
    for entry in listing:
        if is_litter(entry.path):
            head = _litter_head(entry.path)
            litter[head] = litter.get(head, 0) + (entry.path != head and entry.kind is EntryKind.FILE)
        elif entry.kind is EntryKind.FILE:
            files.append(CardFile(path=entry.path, size_bytes=entry.size_bytes, mtime_ns=entry.mtime_ns))
            changed_ns = max(changed_ns, entry.ctime_ns)
        elif entry.kind is EntryKind.FOLDER:
            folders.append(entry.path)
        elif entry.kind is EntryKind.UNREADABLE:
            problems.append((entry.path, entry.trouble or "cannot be read"))
        else:
            left_out.append(LeftOut(path=entry.path, reason=_WHY[entry.kind]))
    for path, count in litter.items():
        words = "the operating system's own cache or index"
        inside = f", {count} file{'s' * (count != 1)} in it" if count else ""
        left_out.append(LeftOut(path=path, reason=words + inside))
    kept = {p for f in files for p in _parents(f.path)}
    bare = [f for f in folders if f not in kept]
    inner = {p for f in bare for p in _parents(f)}
    return Inventory(
        files=tuple(sorted(files, key=lambda f: f.path)), left_out=tuple(sorted(left_out, key=lambda x: x.path)),
        empty_folders=tuple(sorted(f for f in bare if f not in inner)), problems=tuple(sorted(problems)),
        changed_ns=changed_ns,
    )


def in_trash(path: str) -> bool:
    """Whether it lies in a folder to which a system moves what was deleted: kept, but no take any more.

    >>> in_trash(".Trashes/501/A.MOV"), in_trash(".Trash-1000/files/A.MOV"), in_trash("DCIM/trash.MOV")
    (True, True, False)
    """
    return any(p in ("$recycle.bin", "recycler") or p.startswith(".trash") for p in path.lower().split("/")[:-1])


def _litter_head(path: str) -> str:
    parts = path.split("/")
    first = next(i for i, part in enumerate(parts) if part.lower() in LITTER)
    return "/".join(parts[: first + 1])


def _parents(path: str) -> list[str]:
    parts = path.split("/")[:-1]
    return ["/".join(parts[: i + 1]) for i in range(len(parts))]


def _natural(path: str) -> tuple[tuple[int, int | str], ...]:
    return tuple((0, int(p)) if p.isdecimal() and p.isascii() else (1, p) for p in re.split(r"(\d{1,18})", path) if p)


def perishable_first(files: Sequence[CardFile]) -> tuple[CardFile, ...]:
    """Stills, then sidecars and small files, then clips and whatever is large; within each by path,
    numbers in counting order.  What a probe needs comes first: the set may still be lit."""

    def rank(file: CardFile) -> int:
        kind = kind_of(file.path)
        if kind is FileKind.STILL:
            return 0
        if kind is FileKind.SIDECAR or (kind is FileKind.OTHER and file.size_bytes < SMALL_BYTES):
            return 1
        return 2

    return tuple(sorted(files, key=lambda f: (rank(f), _natural(f.path), f.path)))


def fold(name: str) -> str:
    """What a folding disk may take for the same name: NFC, case folded, no trailing dots or spaces."""
    return "/".join(
        unicodedata.normalize("NFC", unicodedata.normalize("NFC", p).casefold()).rstrip(". ") or p
        for p in name.split("/")
    )


def twins(files: Iterable[CardFile]) -> tuple[tuple[str, ...], ...]:
    """Paths that differ only in case or Unicode form, in groups."""
    groups: dict[str, list[str]] = {}
    for file in files:
        groups.setdefault(fold(file.path), []).append(file.path)
    return tuple(tuple(sorted(g)) for g in groups.values() if len(g) > 1)


def odd_names(files: Iterable[CardFile]) -> tuple[tuple[str, str], ...]:
    """Paths a person should know of, each with why."""
    found = []
    for file in files:
        if not is_text(file.path):
            found.append((file.path, "its name is no proper text (bytes that are no UTF-8)"))
        elif shown(file.path) != file.path:
            found.append((file.path, "its name holds control or direction signs"))
    return tuple(found)
