"""Setups entered on the page: its own log as bytes, with a row opened, corrected or closed.

The page's file is read by :mod:`ingest.steps.setups.page` beside the person's; nothing here ever touches
the person's.  A row is the same when day, unit, setup and start are, so that an entry sent twice (the
network dropped before the answer came) stands once.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

COLUMNS = ("day", "unit", "shot", "setup", "start", "end", "camera", "lens", "notes")
LONGEST = {"notes": 1000}
LONGEST_H = 12.0  # an end further on is a slip, not a setup
_LONGEST_CELL = 120
_TIME = re.compile(r"(?:(\d{4}-\d\d-\d\d) )?((?:[01]\d|2[0-3]):[0-5]\d(?::[0-5]\d)?)")
_FORMULA = re.compile(r"[=+\-@]")
_NUMBER = re.compile(r"[+-]?\d+([.,]\d+)?")


@dataclass(frozen=True, kw_only=True, slots=True)
class Entry:
    """One row as entered.  ``start`` and ``end`` are local, ``YYYY-MM-DD HH:MM``: with the date, because a
    file of its own does not show that 01:00 follows another file's 23:00.  "" is an end still to come."""

    day: str
    unit: str = ""
    shot: str = ""
    setup: str
    start: str
    end: str = ""
    camera: str = ""
    lens: str = ""
    notes: str = ""

    @property
    def key(self) -> tuple[str, str, str, str]:
        return (self.day, self.unit.casefold(), self.setup.casefold(), self.start[:16])


def entry_of(said: Mapping[str, str], *, day_starts: str = "06:00") -> tuple[Entry | None, Mapping[str, str]]:
    """The entry, or None and what is wrong: column -> words.  Any text gives an answer.

    A time without a date before ``day_starts`` is of the night after the shoot day, and so is an end that follows the
    start within ``LONGEST_H`` only then: a setup may run past that hour.

    >>> entry_of({"day": "2031-05-17", "setup": "27A", "start": "9"})[1]
    {'start': 'a time such as 09:05'}
    >>> entry_of({"day": "2031-05-17", "setup": "27A", "start": "01:10"})[0].start
    '2031-05-18 01:10'
    >>> entry_of({"day": "2031-05-17", "setup": "27A", "start": "05:50", "end": "06:10"})[0].end
    '2031-05-18 06:10'
    """
    cells = {c: tidy(said.get(c, ""), LONGEST.get(c, _LONGEST_CELL)) for c in COLUMNS}
    wrong: dict[str, str] = {}
    if not cells["setup"]:
        wrong["setup"] = "needed: what stands on the slate"
    if not _is_day(cells["day"]):
        wrong["day"] = "a day such as 2031-05-17"
    for column in ("start", "end"):
        if not cells[column] and column == "end":
            continue
        time = _TIME.fullmatch(cells[column])
        if time is None or (time[1] and not _is_day(time[1])):
            wrong[column] = "a time such as 09:05"
        elif not wrong:
            cells[column] = f"{time[1] or _date_of(cells['day'], time[2], day_starts)} {time[2]}"
            if column == "end" and not time[1]:
                cells["end"] = _past_the_hour(cells["start"], cells["end"])
    if not wrong and cells["end"] and cells["end"] <= cells["start"]:
        wrong["end"] = "after the start"
    return (None, wrong) if wrong else (Entry(**cells), {})


def tidy(text: str, longest: int = _LONGEST_CELL) -> str:
    """One line without control characters, white space joined, cut to ``longest`` characters."""
    kept = "".join(ch if ch.isprintable() or ch.isspace() else "" for ch in text)
    kept = kept.encode("utf-8", "ignore").decode("utf-8")
    return " ".join(kept.split())[:longest].strip()


def entries(data: bytes) -> list[Entry]:
    """The rows of the page's log in the order they were entered; what is no row of ours is left out."""
    reader = csv.DictReader(io.StringIO(data.decode("utf-8-sig", "replace"), newline=""))
    found = []
    for row in reader:
        entry, _ = entry_of({k: v for k, v in row.items() if isinstance(k, str) and isinstance(v, str)})
        if entry is not None:
            found.append(entry)
    return found


def with_entry(data: bytes, entry: Entry) -> bytes:
    """The log with this row: a new one at the end, or in place of the row it corrects."""
    rows = entries(data)
    at = next((n for n, row in enumerate(rows) if row.key == entry.key), None)
    if at is None:
        rows.append(entry)
    else:
        rows[at] = entry
    return render(rows)


def render(rows: Sequence[Entry]) -> bytes:
    """CSV, UTF-8, LF.  A cell that a spreadsheet would take for a formula gets a space before it."""
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(COLUMNS)
    writer.writerows([_cell(getattr(row, c)) for c in COLUMNS] for row in rows)
    return out.getvalue().encode("utf-8")


def _cell(text: str) -> str:
    return f" {text}" if _FORMULA.match(text) and not _NUMBER.fullmatch(text) else text


def _date_of(day: str, time: str, day_starts: str) -> str:
    night = time[:5] < day_starts
    try:
        return (date.fromisoformat(day) + timedelta(days=int(night))).isoformat()
    except OverflowError:  # the calendar's last day
        return day


def _past_the_hour(start: str, end: str) -> str:
    began, ended = datetime.fromisoformat(start), datetime.fromisoformat(end)
    try:
        later = ended + timedelta(days=1)
    except OverflowError:
        return end
    if ended <= began < later <= began + timedelta(hours=LONGEST_H):
        return f"{later.date().isoformat()}{end[10:]}"
    return end


def _is_day(text: str) -> bool:
    try:
        return len(text) == 10 and date.fromisoformat(text).isoformat() == text
    except ValueError:
        return False
