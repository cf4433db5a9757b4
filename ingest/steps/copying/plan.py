"""Under which name a file lies at a destination, and whether there is room for it.

Names are kept exactly wherever the destination can hold them.  What FAT, exFAT and NTFS cannot hold is
percent-escaped; what would fall together with another name there is numbered.  Rules from Microsoft
Learn, "Naming Files, Paths, and Namespaces"; that Linux itself would allow more on such a disk does not
help whoever plugs it into another system.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from ingest.records.cards import FileRecord
from ingest.steps.cards.inventory import fold

FAT_LARGEST = (1 << 32) - 1  # Microsoft, FAT32 File System Specification 1.03: the size field has 32 bits
_FORBIDDEN = frozenset('<>:"\\|?*')
_DEVICES = frozenset(
    {"con", "prn", "aux", "nul", *(f"com{i}" for i in range(1, 10)), *(f"lpt{i}" for i in range(1, 10))}
)
_LONGEST = 255
_WINDOWS_LIKE = frozenset(
    {"vfat", "msdos", "exfat", "ntfs", "ntfs3", "fuseblk", "fat", "fat32", "cifs", "smb3", "smbfs"}
)


class Twice(StrEnum):
    """Which files of a card are read a second time from the card."""

    NONE = "none"
    STILLS = "stills"
    ALL = "all"


@dataclass(frozen=True, kw_only=True, slots=True)
class CopySettings:
    """The copier's knobs.  ``digests`` are computed beside XXH128; ``reserve_bytes`` stay free on every
    destination; ``reserved_names`` are top-level names of a card's folder that are the papers' own;
    ``hang_s`` is how long a card or disk may stand still inside one call; ``patience_s`` how long a
    slow destination may hold up the others; ``tries`` counts per file and destination in one run."""

    digests: tuple[str, ...] = ()
    read_twice: Twice = Twice.STILLS
    reserve_bytes: int = 256 << 20
    reserved_names: frozenset[str] = frozenset({"ascmhl"})
    workers: int = 3
    cards_at_once: int = 2
    pieces: int = 8
    tries: int = 3
    pause_s: float = 0.5
    hang_s: float = 60.0
    patience_s: float = 8.0
    batch: int = 256


@dataclass(frozen=True, kw_only=True, slots=True)
class Holds:
    """What a destination can hold: ``escapes`` (names by Windows' rules), ``folds`` (case or Unicode
    forms are one name), the largest file."""

    escapes: bool
    folds: bool
    largest_bytes: int | None


def holds(filesystem: str, folds: bool) -> Holds:
    """By the file system's name; ``folds`` is what was seen there."""
    windows = filesystem in _WINDOWS_LIKE
    fat = filesystem in ("vfat", "msdos", "fat", "fat32")
    return Holds(escapes=windows, folds=folds or windows or filesystem in ("apfs", "hfs", "hfsplus"),
                 largest_bytes=FAT_LARGEST if fat else None)


def escaped(part: str) -> str:
    """One name as a Windows-like disk can hold it, percent-escaped where it cannot.

    >>> escaped("a:b?.mov"), escaped("con.txt"), escaped("trail. "), escaped("fine.jpg")
    ('a%3Ab%3F.mov', 'co%6E.txt', 'trail.%20', 'fine.jpg')
    """
    out = []
    for ch in part:
        code = ord(ch)
        if ch in _FORBIDDEN or code < 0x20 or code == 0x7F:
            out.append(f"%{code:02X}")
        elif 0xDC80 <= code <= 0xDCFF:
            out.append(f"%{code - 0xDC00:02X}")
        elif 0xD800 <= code <= 0xDFFF:
            out.append("".join(f"%{b:02X}" for b in ch.encode("utf-8", "surrogatepass")))
        else:
            out.append(ch)
    text = "".join(out)
    if text[-1:] in (".", " "):
        text = f"{text[:-1]}%{ord(text[-1]):02X}"
    stem = text.split(".")[0]
    if stem.rstrip(" ").lower() in _DEVICES:
        last = len(stem.rstrip(" ")) - 1
        text = f"{text[:last]}%{ord(text[last]):02X}{text[last + 1:]}"
    return text


def _length(name: str, windows: bool) -> int:
    if windows:
        return len(name.encode("utf-16-le", "surrogatepass")) // 2
    return len(name.encode("utf-8", "surrogateescape"))


def _numbered(path: str, n: int, windows: bool) -> str:
    """``a/b.jpg`` -> ``a/b_(2).jpg``, cut where the name would grow too long."""
    folder, slash, name = path.rpartition("/")
    stem, dot, ending = name.rpartition(".")
    if not stem:
        stem, dot, ending = name, "", ""
    tail = f"_({n}){dot}{ending}"
    while stem and _length(stem + tail, windows) > _LONGEST:
        stem = stem[:-1]
    return f"{folder}{slash}{stem}{tail}"


def _shortened(part: str, windows: bool) -> str:
    """Escaping can make a long name too long: cut the stem, keep the ending."""
    if _length(part, windows) <= _LONGEST:
        return part
    stem, dot, ending = part.rpartition(".")
    if not stem or len(ending) > 16:
        stem, dot, ending = part, "", ""
    while stem and _length(f"{stem}~{dot}{ending}", windows) > _LONGEST:
        stem = stem[:-1]
    return f"{stem}~{dot}{ending}"


def stored_paths(
    files: Sequence[FileRecord], can: Holds, *, card_folder: str, reserved: Collection[str],
    settled: Mapping[int, str], taken: Iterable[str] = (),
) -> dict[int, str]:
    """Where each file (by ``row``) lies, relative to the card's folder.

    ``settled`` are those already copied, which keep their place.  ``taken`` are paths at this destination
    that something foreign holds.  If the card's first listing has a top-level name that is ``reserved``
    for papers, the whole card lies one folder deeper, in ``<card>/``; one that comes later alone.
    The answer depends on the files, not on their order.
    """
    name = card_folder.rpartition("/")[2]
    first = [f for f in files if f.generation == 1]
    deeper = any(_top(f.path) in reserved for f in first)
    key = fold if can.folds else str
    used = {key(p) for p in settled.values()} | {key(p) for p in taken}
    parts: dict[tuple[str, str], str] = {}
    out = dict(settled)
    for file in sorted(files, key=lambda f: (f.generation, f.path)):
        if file.row in out:
            continue
        path = "/".join(_part(p, can) for p in file.path.split("/"))
        if deeper or _top(file.path) in reserved:
            path = f"{name}/{path}"
        wanted, n = path, 1
        while key(path) in used:
            n += 1
            path = _numbered(wanted, n, can.escapes)
        used.add(key(path))
        parts[(file.path, path)] = path
        out[file.row] = path
    return out


def _part(part: str, can: Holds) -> str:
    return _shortened(escaped(part), True) if can.escapes else part


def _top(path: str) -> str:
    return path.split("/")[0].lower()


def is_renamed(file: FileRecord, stored: str, card_folder: str) -> bool:
    """Whether the stored name is another than the card's (lying one folder deeper is not)."""
    name = card_folder.rpartition("/")[2]
    return stored not in (file.path, f"{name}/{file.path}")


@dataclass(frozen=True, kw_only=True, slots=True)
class Fit:
    """What goes to a destination now, what waits for room, and what can never lie there."""

    now: tuple[FileRecord, ...] = ()
    waiting: tuple[FileRecord, ...] = ()
    never: tuple[FileRecord, ...] = ()


def fit(
    files: Sequence[FileRecord], can: Holds, *, free_bytes: int, reserve_bytes: int, total_bytes: int | None = None
) -> Fit:
    """In the order given, as far as there is room; what is too large for the file system never goes."""
    left = free_bytes - reserve_bytes
    now, waiting, never = [], [], []
    for file in files:
        if (can.largest_bytes is not None and file.size_bytes > can.largest_bytes) or (
            total_bytes is not None and file.size_bytes > total_bytes
        ):
            never.append(file)
        elif file.size_bytes <= left:
            left -= file.size_bytes
            now.append(file)
        else:
            waiting.append(file)
    return Fit(now=tuple(now), waiting=tuple(waiting), never=tuple(never))
