"""How the audit puts figures, times and cautions.  No word here promises more than the facts."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence
from datetime import UTC, datetime
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

CAUTION = (
    "A card is not cleared for formatting by this tool alone: the production's own data policy and the person "
    "responsible decide.",
    "A digest shows equal bytes, not a playable or complete recording.",
)


def number_word(count: int, one: str, many: str = "") -> str:
    """
    >>> number_word(1, "card"), number_word(2381, "file"), number_word(0, "entry", "entries")
    ('1 card', '2,381 files', '0 entries')
    """
    return f"{count:,} {one if count == 1 else many or one + 's'}"


def about(item: str, what: str) -> str:
    """``what`` with the item before it, unless the words name it already or it is an id that tells nothing.

    >>> about("cards/2026-04-14/ORBE-02/a.JPG", "it cannot be decoded"), about("p17b0bb40c5", "7 frames")
    ('cards/2026-04-14/ORBE-02/a.JPG: it cannot be decoded', 'p17b0bb40c5: 7 frames')
    >>> about("p17b0bb40c5: picture", "the picture is clipped")
    'p17b0bb40c5: the picture is clipped'
    """
    id = item.partition(":")[0]
    if id != item and re.fullmatch(r"[pscf][0-9a-f]{8,20}", id):
        return what if id in what else f"{id}: {what}"
    last = item.rpartition("/")[2].rpartition(":")[2].strip()
    return what if not item or last in what or re.match(r"[0-9a-f]{12}", item) else f"{item}: {what}"


def bytes_word(size_bytes: int) -> str:
    """Bytes in figures, since GB and GiB are quarrelled about, and in decimal units to read.

    >>> bytes_word(3_421_118_220_544), bytes_word(900)
    ('3,421,118,220,544 bytes (3.42 TB)', '900 bytes')
    """
    for unit, factor in (("TB", 10**12), ("GB", 10**9), ("MB", 10**6)):
        if size_bytes >= factor:
            return f"{size_bytes:,} bytes ({size_bytes / factor:.3g} {unit})"
    return number_word(size_bytes, "byte")


def clock_word(utc: str, time_zone: str, *, day: bool = False) -> str:
    """``02:14`` in the show's zone, with the date before it if asked; "at an unknown time" if it is none.

    >>> clock_word("2026-04-02T00:14:00Z", "Europe/Oslo"), clock_word("2026-04-02T00:14:00Z", "UTC", day=True)
    ('02:14', '2026-04-02 00:14')
    """
    try:
        moment = datetime.fromisoformat(utc)
    except ValueError:
        return "an unknown time"
    if moment.tzinfo is None:
        moment = moment.replace(tzinfo=UTC)
    try:
        moment = moment.astimezone(ZoneInfo(time_zone))
        suffix = ""
    except (ZoneInfoNotFoundError, ValueError, OSError, OverflowError):
        suffix = " UTC"
    return moment.strftime("%Y-%m-%d %H:%M" if day else "%H:%M") + suffix


def join_words(words: Sequence[str]) -> str:
    """
    >>> join_words(["a", "b", "c"]), join_words(["a"]), join_words([])
    ('a, b and c', 'a', '')
    """
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} and {words[-1]}"


def columns(text: str) -> int:
    """Columns of a terminal that a text takes (Unicode Standard Annex 11: wide letters take two).

    >>> columns("abc"), columns("日本"), columns("e\u0301")
    (3, 4, 1)
    """
    return sum(
        0 if unicodedata.combining(c) else 2 if unicodedata.east_asian_width(c) in "WF" else 1 for c in text
    )


def folded(text: str, width: int, *, indent: str = "    ") -> list[str]:
    """``text`` in lines of at most ``width`` columns, the first with the text's own indent; a word that is longer
    than a line is cut.

    >>> folded("  a card of seven letters", 16, indent="    ")
    ['  a card of', '    seven', '    letters']
    """
    lines, line, empty = [], text[: len(text) - len(text.lstrip(" "))], True
    for word in text.split():
        for piece in _cut(word, max(1, width - len(indent))):
            if not empty and columns(line) + 1 + columns(piece) > width:
                lines.append(line)
                line, empty = indent, True
            line += piece if empty else f" {piece}"
            empty = False
    return [*lines, line]


def _cut(word: str, width: int) -> list[str]:
    pieces = [""]
    for letter in word:
        if pieces[-1] and columns(pieces[-1] + letter) > width:
            pieces.append("")
        pieces[-1] += letter
    return pieces
