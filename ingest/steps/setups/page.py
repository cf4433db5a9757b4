"""The log a person keeps and the one the page keeps, read as one.

The person's file is never rewritten and its row wins; what the page knows beside it fills blank cells, and
a difference is told.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import date, time
from zoneinfo import ZoneInfo

from ingest.records.findings import Finding, Severity
from ingest.records.setups import SetupLog, SetupRow
from ingest.steps.setups.log import read_log
from ingest.steps.setups.spans import ended

PAGE_FILE = "setup_log.page.csv"
COMPARED_OTHERWISE = ("day", "unit", "setup", "slate", "start", "timestamp", "end")  # as what they mean
_Key = tuple[str, str, str, int]


def read_logs(
    own: bytes | str, page: bytes | str, *, zone: str, day_starts: str = "06:00", file: str = "setup_log.csv",
    page_file: str = PAGE_FILE, date_order: str = "ask", zones: Mapping[str, str] | None = None,
) -> tuple[SetupLog, list[Finding]]:
    """Both logs as one, and where they differ.  Rows are the same when day, unit, setup and the minute of
    the start are."""
    first = read_log(own, zone=zone, day_starts=day_starts, file=file, date_order=date_order, zones=zones)
    second = read_log(page, zone=zone, day_starts=day_starts, file=page_file, date_order=date_order, zones=zones)
    if not second.rows:
        return replace(first, questions=(*first.questions, *second.questions)), []
    rows: dict[_Key, SetupRow] = {}
    found: list[Finding] = []
    for row in first.rows:
        rows.setdefault(_key(row), row)  # a row written twice counts once
    for row in second.rows:
        key = _key(row)
        mine = rows.get(key)
        rows[key] = _joined(mine, row, found) if mine is not None and mine.file != row.file else mine or row
    where = {date.fromisoformat(r.day): ZoneInfo((zones or {}).get(r.day, zone)) for r in rows.values()}
    ordered = sorted(rows.values(), key=lambda r: (r.start_s or 0.0, r.file != file, r.line))
    merged = ended([_reopened(r) for r in ordered], where, time.fromisoformat(day_starts))
    return SetupLog(rows=tuple(merged), questions=(*first.questions, *second.questions),
                    units={**second.units, **first.units}), found


def _key(row: SetupRow) -> _Key:
    return (row.day, row.unit.casefold(), row.setup.casefold(), int((row.start_s or 0.0) // 60))


def _reopened(row: SetupRow) -> SetupRow:
    """An open row without the end that its own file gave it, to be ended among all rows."""
    return replace(row, end_s=None, until_s=None) if row.open_ended else row


def _joined(mine: SetupRow, other: SetupRow, found: list[Finding]) -> SetupRow:
    """The person's row with blanks filled from the page's; differences are appended to ``found``."""
    cells = dict(mine.cells)
    for column, said in other.cells.items():
        own = cells.get(column, "")
        if not own.strip():
            cells[column] = said
        elif column not in COMPARED_OTHERWISE and said.strip() and own.split() != said.split():
            found.append(_differ(mine, other, column, own, said))
    if not mine.open_ended and not other.open_ended and mine.end_s != other.end_s:
        found.append(_differ(mine, other, "end", mine.cells.get("end", ""), other.cells.get("end", "")))
    filled = {
        name: getattr(mine, name) or getattr(other, name)
        for name in ("shot", "shots", "camera", "lens", "notes", "take", "lighting")
    }
    if mine.open_ended and not other.open_ended:
        filled |= {"end_s": other.end_s, "until_s": other.until_s, "open_ended": False}
    return replace(mine, cells=cells, **filled)


def _differ(mine: SetupRow, other: SetupRow, column: str, own: str, said: str) -> Finding:
    return Finding(
        kind="logs_differ", item=f"{mine.file} line {mine.line}, {column}", severity=Severity.PERSON,
        what=f"{mine.setup} on {mine.day}: {own!r} here, {said!r} in {other.file} line {other.line}; the first counts",
        next="Mend whichever is wrong.",
        more={"line": mine.line, "column": column, "other_line": other.line},
    )
