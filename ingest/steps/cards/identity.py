"""Is this a card we know?  By its volume's identity and by its content, never by its name alone.

The listing (path, size, time) and samples of the content (head and tail of some files) decide which
card it is.  That is recognition, not proof: what is already held is confirmed by reading it whole.
"""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum

from ingest.records.cards import CardFile, FileKind
from ingest.records.names import token
from ingest.steps.cards.inventory import kind_of

NO_LABELS = frozenset({"no name", "untitled", "no_name", "new volume", "disk", "removable disk", "usb"})
SAMPLES = 16
_FAT_STEP_NS = 2_000_000_000
_QUARTER_NS = 900_000_000_000
_ZONES_NS = 26 * 3600 * 1_000_000_000


class Meeting(StrEnum):
    """How a card and a known one relate."""

    SAME = "same"  # nothing new on it
    FURTHER = "shot on further"  # the known files, and more
    OTHER = "other"  # another card, or the same one formatted anew


@dataclass(frozen=True, kw_only=True, slots=True)
class Known:
    """A card in the ledger: newest generation of each path, samples as first taken."""

    id: str
    volume_id: str
    files: Mapping[str, CardFile]
    samples: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True, slots=True)
class Recognised:
    """Which card, and what of it is new: paths not known yet or with another content."""

    meeting: Meeting
    id: str = ""
    fresh: tuple[str, ...] = ()


def same_time(a_ns: int, b_ns: int) -> bool:
    """FAT keeps local time in steps of 2 s: equal within a step, or off by whole quarter hours up to 26 h
    (step: Microsoft Learn, File Times)."""
    off = abs(a_ns - b_ns)
    rest = off % _QUARTER_NS
    return off <= _ZONES_NS and min(rest, _QUARTER_NS - rest) <= _FAT_STEP_NS


def same_listing(a: CardFile, b: CardFile) -> bool:
    return a.size_bytes == b.size_bytes and same_time(a.mtime_ns, b.mtime_ns)


def recognise(
    volume_id: str, files: Sequence[CardFile], samples: Mapping[str, str], known: Sequence[Known]
) -> Recognised:
    """The best match among known cards; OTHER with no id if there is none.

    ``samples`` are those of the present card, for every path that a known card sampled.  Another volume
    is another card, even with equal files (a clone is worth a copy of its own); a plain folder has no
    volume identity ("") and is known by content alone.
    """
    best = Recognised(meeting=Meeting.OTHER)
    best_score = 0
    for card in known:
        if card.volume_id != volume_id:
            continue
        meeting, fresh, score = _meet(files, samples, card)
        if meeting is not Meeting.OTHER and score > best_score:
            best, best_score = Recognised(meeting=meeting, id=card.id, fresh=fresh), score
    return best


def _meet(files: Sequence[CardFile], samples: Mapping[str, str], card: Known) -> tuple[Meeting, tuple[str, ...], int]:
    equal = media_equal = media_other = 0
    fresh: list[str] = []
    for file in files:
        before = card.files.get(file.path)
        media = kind_of(file.path) in (FileKind.STILL, FileKind.CLIP)
        if before is None:
            fresh.append(file.path)
        elif same_listing(file, before) and card.samples.get(file.path, "") in ("", samples.get(file.path, "")):
            equal += 1
            media_equal += media
        else:
            fresh.append(file.path)
            media_other += media
    if equal == 0 or media_other > media_equal:
        return Meeting.OTHER, (), 0
    if media_other and any(card.samples.get(f.path, "") not in ("", samples.get(f.path, "")) for f in files
                           if f.path in card.files and same_listing(f, card.files[f.path])):
        return Meeting.OTHER, (), 0  # same names, sizes and times, other pictures: formatted and numbered anew
    return (Meeting.FURTHER if fresh else Meeting.SAME), tuple(fresh), equal


def to_sample(files: Sequence[CardFile]) -> tuple[str, ...]:
    """Paths worth sampling: pictures and clips spread over the card, else whatever there is."""
    media = [f.path for f in files if kind_of(f.path) in (FileKind.STILL, FileKind.CLIP) and f.size_bytes > 0]
    paths = sorted(media or [f.path for f in files if f.size_bytes > 0])
    if len(paths) <= SAMPLES:
        return tuple(paths)
    return tuple(paths[i * (len(paths) - 1) // (SAMPLES - 1)] for i in range(SAMPLES))


def card_id(volume_id: str, files: Sequence[CardFile], samples: Mapping[str, str]) -> str:
    """Twelve hex digits from what the card is and holds, the same however often the first look is repeated."""
    hash = hashlib.blake2b(digest_size=6)
    hash.update(volume_id.encode() + b"\0")
    for f in files:
        hash.update(f"{f.path!a}\0{f.size_bytes}\0{f.mtime_ns}\n".encode())
    for path, digest in sorted(samples.items()):
        hash.update(f"{path!a}\0{digest}\n".encode())
    return hash.hexdigest()


def label_of(volume_label: str, folder_name: str) -> str:
    """What the card calls itself; "" if that says nothing.

    >>> label_of("NO NAME", ""), label_of("", "B002_dump")
    ('', 'B002_dump')
    """
    for text in (volume_label, folder_name):
        if text.strip() and text.strip().lower() not in NO_LABELS:
            return text.strip()
    return ""


def folder_for(day: str, roll: str, label: str, taken: Collection[str]) -> str:
    """``cards/<day>/<name>``, never one that is taken, also not by another case."""
    name = token(roll) or token(label) or "card"
    folder = f"cards/{day}/{name}"
    used = {t.lower() for t in taken}
    n = 1
    while folder.lower() in used:
        n += 1
        folder = f"cards/{day}/{name}-{n}"
    return folder
