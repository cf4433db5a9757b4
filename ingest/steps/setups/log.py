"""The setup log: forgiving to read, strict in meaning.

1. ``day`` is the shoot day.  A time counts as after midnight only if it follows a later time of the
   same day, unit and log by over six hours; nothing else moves a row to the next calendar day.
2. A row without an end lasts until the next row of its day and unit; the last one until the day is over.
3. What cannot be understood, or could mean two things, becomes a question with its place.  It costs that
   cell, or that row, and nothing else.
4. Local times become true time through the zone of that day.  In the hour that clocks repeat, the first
   passing is meant unless the rows before are already in the second; a time that clocks skip is asked.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, time
from itertools import pairwise
from zoneinfo import ZoneInfo

from ingest.records.setups import Question, SetupLog, SetupRow
from ingest.steps.setups.cells import CellRow, Table, read_table
from ingest.steps.setups.columns import FIRST, NEEDED, SYNONYMS
from ingest.steps.setups.moments import DateOrder, TimeOfDay, Unclear, next_day, order_shown, parse_day, parse_time
from ingest.steps.setups.spans import DAY_S, ended, local_to_true

BACK_S = 6 * 3600  # a time this far back on the same day is after midnight
WORKDAY_S = 18 * 3600  # past the roll-over a night is believed only within this span of the day's first row
LONG_ROW_S = 14 * 3600  # a longer row is a slip of the pen
_BETWEEN_SHOTS = re.compile(r"[,;&\n/+]|\s+and\s+", re.I)
_SPACE = re.compile(r"\s+")


@dataclass(kw_only=True, slots=True)
class _Reading:
    """What is gathered while reading one log."""

    file: str
    questions: list[Question] = field(default_factory=list)

    def ask(self, line: int, column: str, written: str, asks: str) -> None:
        question = Question(file=self.file, line=line, column=column, written=written[:200], asks=asks)
        if question not in self.questions:
            self.questions.append(question)


@dataclass(kw_only=True, slots=True)
class _Draft:
    """A row on its way: clock seconds counted from 00:00 of the shoot day, so 25 h is 01:00 after midnight."""

    cells: CellRow
    day: date
    unit: str
    setup: str
    start: int
    coarse_s: int
    end: int | None = None
    doubts: list[str] = field(default_factory=list)


def read_log(
    data: bytes | str,
    *,
    zone: str,
    day_starts: str = "06:00",
    file: str = "setup_log.csv",
    date_order: str = "ask",
    zones: Mapping[str, str] | None = None,
) -> SetupLog:
    """Rows and questions of a setup log.

    ``zone`` is the IANA name of the show's zone, ``zones`` those of single shoot days (YYYY-MM-DD) when
    the unit moves; ``day_starts`` the local HH:MM when a day rolls over; ``date_order`` how dates in
    figures are written (``ask``, ``day-first``, ``month-first``).  Rows stand in order of true time, then
    line.  Any bytes give an answer; nothing is raised but for an unknown zone or a bad ``day_starts``.

    >>> log = read_log("day,shot,setup,start,end\\n2026-04-01,A010,27A,9:05,\\n,,27B,10.30,", zone="Europe/Lisbon")
    >>> [(r.setup, r.end_s and r.end_s - r.start_s) for r in log.rows], log.questions
    ([('27A', 5100.0), ('27B', None)], ())
    """
    table = read_table(data, synonyms=SYNONYMS, needed=NEEDED)
    reading = _Reading(file=file)
    for line, written, words in table.problems:
        reading.ask(line, "", written, words)
    if not table.header_line:
        if table.first_line:
            reading.ask(1, "", table.first_line, f"no row names the columns; expected {','.join(FIRST)}")
        return SetupLog(questions=tuple(reading.questions))
    rolls = time.fromisoformat(day_starts)
    drafts = _drafts(table, reading, DateOrder(date_order), rolls)
    where = {d.day: ZoneInfo((zones or {}).get(d.day.isoformat(), zone)) for d in drafts}
    rows = _timed(drafts, where, reading)
    rows = ended(rows, where, rolls)
    rows = _doubted(_one_spelling(rows), reading)
    return SetupLog(rows=tuple(rows), questions=tuple(reading.questions), units=dict(table.units))


def _tidy(text: str) -> str:
    return _SPACE.sub(" ", text).strip()


def _drafts(table: Table, reading: _Reading, order: DateOrder, rolls: time) -> list[_Draft]:
    """Every row whose day, setup and start are understood, in the order written."""
    if order is DateOrder.ASK:
        order = order_shown(r.cells.get("day", "") for r in table.rows)
    drafts: list[_Draft] = []
    above: _Draft | date | None = None  # a date: a line that holds nothing else
    latest: dict[tuple[date, str], list[int]] = defaultdict(list)
    for cells in table.rows:
        draft = _draft(cells, above, reading, order, rolls, latest)
        if draft:
            drafts.append(draft)
            above = draft
            latest[draft.day, draft.unit].append(draft.start)
            continue
        says_more = any(cells.cells.get(c) for c in ("setup", "slate", "start", "timestamp"))
        if isinstance(above, _Draft) and above.end is None and says_more:
            above.doubts.append(f"line {cells.line} below it could not be read, so its end is not known")
        if cells.cells.get("day"):
            above = None if says_more else _heading(cells, order)
    return drafts


def _heading(row: CellRow, order: DateOrder) -> date | None:
    """The day of a line that holds only a day, for the lines below it."""
    try:
        return parse_day(row.cells["day"], order)
    except Unclear:
        return None


def _draft(
    row: CellRow, above: _Draft | date | None, reading: _Reading, order: DateOrder, rolls: time,
    latest: Mapping[tuple[date, str], list[int]],
) -> _Draft | None:
    cells = row.cells
    setup = _tidy(cells.get("setup", "")) or _tidy(cells.get("slate", ""))
    start_cell = cells.get("start", "") or cells.get("timestamp", "")
    if row.beyond:
        reading.ask(row.line, "", " | ".join(row.beyond),
                    "more cells than columns; put a cell that holds the separator in quotes, or name the column")
    if not setup and not start_cell:
        if cells.get("shot") or (cells.get("day") and _heading(row, order) is None):
            reading.ask(row.line, "setup", "", "no setup and no start; expected both, or an empty row")
        return None
    stamped = "timestamp" in cells and ("start" not in cells or bool(cells["timestamp"] and not cells["start"]))
    start = _time(row, "timestamp" if stamped else "start", start_cell, reading)
    day = _day(row, start, above, reading, order, rolls)
    if not setup:
        reading.ask(row.line, "setup", "", "no setup; expected the slate's setup, such as 27A")
    if start is None or day is None or not setup:
        return None
    unit = _tidy(cells.get("unit", ""))
    draft = _Draft(cells=row, day=day, unit=unit, setup=setup, start=start.seconds, coarse_s=start.coarse_s)
    if not _on_its_night(draft, start, latest.get((day, unit), []), reading, rolls):
        return None
    _read_end(draft, reading)
    return draft


def _time(row: CellRow, column: str, written: str, reading: _Reading) -> TimeOfDay | None:
    if not written:
        reading.ask(row.line, column, "", "no start; expected HH:MM")
        return None
    try:
        return parse_time(written)
    except Unclear as unclear:
        reading.ask(row.line, column, written, str(unclear))
        return None


def _day(
    row: CellRow, start: TimeOfDay | None, above: _Draft | date | None, reading: _Reading, order: DateOrder, rolls: time
) -> date | None:
    """The shoot day: as written; or of the time stamp; or of the row above while time goes on."""
    written = row.cells.get("day", "")
    stamp = start.on if start else None
    running_number = re.fullmatch(r"\D{0,6}\d{1,3}(?:\s*(?:/|of)\s*\d{1,3})?", written)
    if stamp and (not written or running_number):
        assert start
        return next_day(stamp, -1) if start.seconds < rolls.hour * 3600 + rolls.minute * 60 else stamp
    if written:
        try:
            return parse_day(written, order)
        except Unclear as unclear:
            reading.ask(row.line, "day", written, str(unclear))
            return None
    if isinstance(above, date):
        return above
    if above and start:
        unit = _tidy(row.cells.get("unit", ""))
        ahead = start.seconds - above.start % DAY_S
        if unit == above.unit and (ahead >= 0 or ahead < -BACK_S):
            return above.day
    reading.ask(row.line, "day", "", "no day, and the row above does not tell it; expected YYYY-MM-DD")
    return None


def _on_its_night(
    draft: _Draft, start: TimeOfDay, earlier: list[int], reading: _Reading, rolls: time
) -> bool:
    """Move the start past midnight where rule 1 says so; False if the row's own date contradicts its day."""
    if start.on is not None:
        apart = (start.on - draft.day).days
        if apart not in (0, 1):
            reading.ask(draft.cells.line, "start", draft.cells.cells.get("start", ""),
                        f"is {start.on.isoformat()}, but the day column says {draft.day.isoformat()}")
            return False
        draft.start += apart * DAY_S
        return True
    if not earlier or draft.start + BACK_S >= max(earlier):
        return True
    night = draft.start + DAY_S
    if draft.start < rolls.hour * 3600 + rolls.minute * 60 or night - min(earlier) <= WORKDAY_S:
        draft.start = night
        return True
    draft.doubts.append("its time is far before the row above and too late for the same night")
    return True


def _read_end(draft: _Draft, reading: _Reading) -> None:
    written = draft.cells.cells.get("end", "")
    if not written or written in ("-", "–", "—", "?", "...", "…"):
        return
    end = _end_time(draft, written, reading)
    if end is None:
        return
    clock = end.seconds
    if end.on is not None:
        clock += (end.on - draft.day).days * DAY_S
    else:
        while clock + BACK_S < draft.start:
            clock += DAY_S
    if clock <= draft.start:
        reading.ask(draft.cells.line, "end", written, "is not after the start; the row counts until the next one")
        draft.doubts.append("its end is not after its start")
        return
    if clock - draft.start > LONG_ROW_S:
        reading.ask(draft.cells.line, "end", written, "makes the row longer than 14 hours; check start and end")
        draft.doubts.append("it lasts longer than 14 hours")
    draft.end = clock


def _end_time(draft: _Draft, written: str, reading: _Reading) -> TimeOfDay | None:
    try:
        return parse_time(written)
    except Unclear as unclear:
        reading.ask(draft.cells.line, "end", written, f"{unclear}; the row counts until the next one")
        draft.doubts.append("its end could not be read")
        return None


def _timed(drafts: list[_Draft], where: Mapping[date, ZoneInfo], reading: _Reading) -> list[SetupRow]:
    rows: list[SetupRow] = []
    before: dict[tuple[date, str], float] = {}
    for draft in drafts:
        zone = where[draft.day]
        start_s = local_to_true(draft.day, draft.start, zone, not_before=before.get((draft.day, draft.unit)))
        if start_s is None:
            reading.ask(draft.cells.line, "start", draft.cells.cells.get("start", ""),
                        "does not exist on that night: the clocks go forward over it")
            if rows and rows[-1].open_ended:
                rows[-1] = replace(rows[-1], doubts=(*rows[-1].doubts, "the row below it has no legal time"))
            continue
        before[draft.day, draft.unit] = start_s
        end_s = None
        if draft.end is not None:
            end_s = local_to_true(draft.day, draft.end, zone, not_before=start_s)
        rows.append(_row(draft, start_s, end_s, reading.file))
    return sorted(rows, key=lambda r: (r.start_s or 0.0, r.line))


def _row(draft: _Draft, start_s: float, end_s: float | None, file: str) -> SetupRow:
    cells = draft.cells.cells
    shot = _tidy(cells.get("shot", ""))
    shots = tuple(dict.fromkeys(s for part in _BETWEEN_SHOTS.split(cells.get("shot", "")) if (s := _tidy(part))))
    return SetupRow(
        line=draft.cells.line, file=file, day=draft.day.isoformat(), unit=draft.unit, shot=shot, shots=shots,
        setup=draft.setup, start_s=start_s, end_s=end_s, until_s=end_s, open_ended=end_s is None,
        coarse_s=draft.coarse_s, take=_tidy(cells.get("take", "")), lighting=_tidy(cells.get("lighting", "")),
        doubts=tuple(draft.doubts), camera=_tidy(cells.get("camera", "")), lens=_tidy(cells.get("lens", "")),
        notes=cells.get("notes", "").strip(), cells=dict(cells),
    )


def _one_spelling(rows: list[SetupRow]) -> list[SetupRow]:
    """Setups of one day and unit that differ only in case are one, spelled as first written."""
    first: dict[tuple[str, str, str], str] = {}
    for row in sorted(rows, key=lambda r: r.line):
        first.setdefault((row.day, row.unit.casefold(), row.setup.casefold()), row.setup)
    return [replace(r, setup=first[r.day, r.unit.casefold(), r.setup.casefold()]) for r in rows]


def _doubted(rows: list[SetupRow], reading: _Reading) -> list[SetupRow]:
    """Mark rows whose time does not go with the lines around them where that changes what they cover.

    A log is written down the page, so a row that starts before the row above it, and overlaps a row or
    has no end, is either out of place or misread; which of the two rows is wrong nobody can say.  Rows
    without an end that either of them cuts short, or should have, are doubtful with them.
    """
    doubts: dict[int, list[str]] = defaultdict(list)
    by_line: dict[tuple[str, str], list[SetupRow]] = defaultdict(list)
    for row in sorted(rows, key=lambda r: r.line):
        by_line[row.day, row.unit].append(row)
    for written in by_line.values():
        by_time = sorted(written, key=lambda r: (r.start_s or 0.0, r.line))
        for above, row in _with_the_row_above(written):
            if (row.start_s or 0.0) >= (above.start_s or 0.0):
                continue
            if row.setup == above.setup:
                _doubt_what_hangs_on(row, above, by_time, doubts)
                continue
            if not _matters(row, above):
                continue
            doubts[row.line].append("it starts before the row above it")
            doubts[above.line].append("it starts after the row below it")
            reading.ask(row.line, "start", row.cells.get("start", "") or row.cells.get("timestamp", ""),
                        f"is before the start of line {above.line}; check both, or put the rows in order")
            place = written.index(row) - 1
            before = [*written[max(place - 1, 0):place], *(by_time[max(by_time.index(r) - 1, 0)] for r in (row, above))]
            for other in before:
                if other.open_ended and other.line not in (row.line, above.line):
                    doubts[other.line].append(f"its end hangs on line {row.line} or {above.line}, out of order")
    return [replace(r, doubts=(*r.doubts, *dict.fromkeys(doubts[r.line]))) if r.line in doubts else r for r in rows]


def _doubt_what_hangs_on(
    row: SetupRow, above: SetupRow, by_time: Sequence[SetupRow], doubts: dict[int, list[str]]
) -> None:
    """Two rows of one setup that change places move nothing between them; but what ran on until the first of them
    may have ended earlier, or gone on into it."""
    n = by_time.index(row)
    if n and by_time[n - 1].open_ended and by_time[n - 1].setup != row.setup:
        doubts[row.line].append(f"it starts before the row above it, and so ends line {by_time[n - 1].line}")
        doubts[by_time[n - 1].line].append(f"its end hangs on line {row.line} or {above.line}, out of order")


def _with_the_row_above(written: Sequence[SetupRow]) -> Iterable[tuple[SetupRow, SetupRow]]:
    """Each row below another, with the row above it; where that is of a setup of several rows, the one of them that
    starts last: a lens change typed an hour late hides from the row below it otherwise."""
    latest: SetupRow | None = None
    for above, row in pairwise(written):
        if latest is None or latest.setup != above.setup or (above.start_s or 0.0) >= (latest.start_s or 0.0):
            latest = above
        yield (above if row.setup == above.setup else latest), row


def _matters(row: SetupRow, above: SetupRow) -> bool:
    if row.open_ended or above.open_ended:
        return True
    return (row.end_s or 0.0) > (above.start_s or 0.0)
