"""What a destination's folder holds against what its papers say it should.

Names are compared as written, then (Apple's file systems change the form, or compare normalised) by their
Unicode NFC form.  Litter that desktops drop anywhere is told apart from foreign files; temporary names of our
own that nobody lists are leftovers, pointed out and never deleted unasked.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass

from ingest.records.findings import Finding, Severity
from ingest.records.names import shown

LITTER = frozenset({
    ".DS_Store", ".Spotlight-V100", ".fseventsd", ".DocumentRevisions-V100", ".TemporaryItems",
    "System Volume Information", "Thumbs.db", "desktop.ini", ".thumbnails",
})  # fmt: skip
_OUR_TEMPORARY = re.compile(r"\.nl-[0-9a-f]{16}\.tmp")

_FOREIGN = "It was left alone. Move it out of the show's folder if it does not belong there."
_LEFTOVER = "They hold nothing that counts. Delete them by hand once every card is copied."


@dataclass(frozen=True, kw_only=True, slots=True)
class Difference:
    """One folder at one destination.  ``compared`` counts the files the papers name; each list is sorted."""

    destination_id: str
    of: str  # what was compared, for a person: "card B007", "the show's papers"
    card_id: str = ""
    compared: int = 0
    missing: tuple[str, ...] = ()
    changed: tuple[str, ...] = ()
    foreign: tuple[str, ...] = ()
    leftovers: tuple[str, ...] = ()
    litter: tuple[str, ...] = ()


def compare(
    expected: Mapping[str, int],
    found: Mapping[str, int],
    *,
    papers: Collection[str] = (),
    destination_id: str,
    of: str,
    card_id: str = "",
) -> Difference:
    """Differences between ``expected`` (relative path -> size in bytes) and ``found`` (a listing, the same form).

    ``papers`` are files of ours that may grow: they must be there, their size is not compared.  A file of the
    right size is not yet right: its digest is the re-reading's to judge.
    """
    wanted = {**expected, **dict.fromkeys(papers, -1)}
    left = dict(found)
    missing, changed = [], []
    for path, size in wanted.items():
        if path in left:
            if size not in (-1, left.pop(path)):
                changed.append(path)
        else:
            missing.append(path)
    by_form = {unicodedata.normalize("NFC", p): p for p in left}
    for path in tuple(missing):
        other = by_form.pop(unicodedata.normalize("NFC", path), None)
        if other is not None:
            missing.remove(path)
            if wanted[path] not in (-1, left.pop(other)):
                changed.append(path)
    litter = {p for p in left if LITTER & set(p.split("/"))}
    leftovers = {p for p in left if _OUR_TEMPORARY.fullmatch(p.rpartition("/")[2])} - litter
    return Difference(
        destination_id=destination_id, of=of, card_id=card_id, compared=len(wanted),
        missing=_sorted(missing), changed=_sorted(changed), foreign=_sorted(left.keys() - litter - leftovers),
        leftovers=_sorted(leftovers), litter=_sorted(litter),
    )  # fmt: skip


def findings(difference: Difference, *, destination: str, held_elsewhere: bool) -> tuple[Finding, ...]:
    """What the person should know of it; ``held_elsewhere`` is whether another counting copy stands."""
    item = f"{difference.destination_id}:{difference.card_id or difference.of}"
    severity = Severity.PERSON if held_elsewhere else Severity.LOSS
    mend = (
        "The other copies still count; the missing ones are made again when that disk or the card is here."
        if held_elsewhere
        else "No other counting copy is known: keep the card, leave this disk as it is, and look for the file."
    )
    where = f"{difference.of} at {destination}"
    said = (
        (difference.missing, "file missing", severity, "missing", mend),
        (difference.changed, "file changed", severity, "of another size than was copied", mend),
        (difference.foreign, "foreign file", Severity.PERSON, "not written by Nightloader", _FOREIGN),
        (difference.leftovers, "leftover temporary file", Severity.NOTE, "temporary files no plan lists", _LEFTOVER),
    )
    return tuple(
        Finding(kind=kind, item=item, severity=how_bad, what=f"{where}: {what}: {some(names)}.", next=next_)
        for names, kind, how_bad, what, next_ in said
        if names
    )


def some(names: Iterable[str], most: int = 3) -> str:
    """The first names, escaped, and how many more there are.

    >>> some(["a", "b", "c", "d"])
    'a, b, c and 1 more'
    """
    every = list(names)
    more = f" and {len(every) - most:,} more" if len(every) > most else ""
    return ", ".join(shown(n) for n in every[:most]) + more


def _sorted(paths: Iterable[str]) -> tuple[str, ...]:
    return tuple(sorted(paths, key=lambda p: p.encode("utf-8", "surrogateescape")))
