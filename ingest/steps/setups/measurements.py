"""measurements.csv: named lengths and boxes, who measured with what; and what cannot be true of them."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Mapping
from itertools import combinations

from ingest.records.findings import Finding, Severity
from ingest.records.measurements import Length, Measurement
from ingest.records.setups import Question
from ingest.steps.setups.cells import CellRow, read_table
from ingest.steps.setups.lengths import Units, parse_length
from ingest.steps.setups.moments import DateOrder, Unclear, parse_day

FIRST = ("day", "shot", "setup", "name", "value", "length", "width", "height", "by", "with", "notes")
SYNONYMS: dict[str, tuple[str, ...]] = {
    "day": ("date", "shoot day"),
    "unit": ("shooting unit",),
    "shot": ("vfx shot", "shots"),
    "setup": ("set-up", "slate", "set up"),
    "name": ("what", "item", "object", "measurement", "description"),
    "value": ("distance", "measured", "size", "reading"),
    "length": ("l", "depth", "long"),
    "width": ("w", "wide"),
    "height": ("h", "high"),
    "by": ("who", "measured by", "person"),
    "with": ("tool", "instrument", "method", "using"),
    "notes": ("note", "comment", "comments", "remarks"),
}
SIDES = ("value", "length", "width", "height")
# Usual sizes on a set, metres, by a word in the name (common practice, no source); the last is for any.
USUAL_M: tuple[tuple[str, float, float], ...] = (
    ("camera height", 0.05, 12.0), ("lens height", 0.05, 12.0), ("probe height", 0.05, 6.0),
    ("marker height", 0.0, 12.0), ("", 0.001, 500.0),
)
FEET = 0.3048


def read_measurements(
    data: bytes | str, *, units: Units = "ask", date_order: str = "ask", file: str = "measurements.csv"
) -> tuple[tuple[Measurement, ...], tuple[Question, ...]]:
    """Measurements and questions of a file in the columns of ``FIRST`` (other headings as in ``SYNONYMS``).

    A length that is unclear costs that cell, a row without name or any length costs the row.  Any bytes
    give an answer.
    """
    table = read_table(data, synonyms=SYNONYMS, needed=("name", "value"))
    questions: list[Question] = []

    def ask(line: int, column: str, written: str, asks: str) -> None:
        questions.append(Question(file=file, line=line, column=column, written=written[:200], asks=asks))

    for line, written, words in table.problems:
        ask(line, "", written, words)
    if not table.header_line and table.first_line:
        ask(1, "", table.first_line, f"no row names the columns; expected {','.join(FIRST)}")
    found = []
    for row in table.rows:
        lengths: dict[str, Length] = {}
        for side in SIDES:
            written = row.cells.get(side, "")
            if not written:
                continue
            try:
                span = parse_length(written, units=units, unit=table.units.get(side, "") or row.cells.get("units", ""))
            except Unclear as unclear:
                ask(row.line, side, written, str(unclear))
                continue
            to_m = None if span.to_m is None else float(span.to_m)
            lengths[side] = Length(written=written, m=span.metres, to_m=to_m, about=span.about)
        day = _day(row, date_order, ask)
        if not row.cells.get("name"):
            ask(row.line, "name", "", "no name; expected what was measured, such as table top height")
        elif lengths and day is not None:
            found.append(_measurement(row, day, lengths, file))
        elif not any(row.cells.get(side) for side in SIDES):
            ask(row.line, "value", "", "nothing measured; expected a value, or length, width and height")
    return tuple(found), tuple(questions)


def _day(row: CellRow, date_order: str, ask: object) -> str | None:
    """The day as written, "" for none, None for one that was asked about."""
    written = row.cells.get("day", "")
    if not written:
        return ""
    try:
        return parse_day(written, DateOrder(date_order)).isoformat()
    except Unclear as unclear:
        ask(row.line, "day", written, str(unclear))  # type: ignore[operator]
        return None


def _measurement(row: CellRow, day: str, lengths: Mapping[str, Length], file: str) -> Measurement:
    cells = row.cells
    return Measurement(
        line=row.line, file=file, name=cells["name"], day=day, unit=cells.get("unit", ""), shot=cells.get("shot", ""),
        setup=cells.get("setup", ""), by=cells.get("by", ""), tool=cells.get("with", ""), notes=cells.get("notes", ""),
        cells=dict(cells), **lengths,
    )


def suspicious(measurements: Iterable[Measurement]) -> list[Finding]:
    """Values that cannot be, or hardly: zero or huge lengths, a camera 60 m up, two readings of one thing
    that differ by the factor between feet and metres, or disagree."""
    measured = tuple(measurements)
    found = [f for m in measured for f in _unusual(m)]
    same: dict[tuple[str, str, str, str], list[tuple[Measurement, Length]]] = defaultdict(list)
    for m in measured:
        for side in SIDES:
            length: Length | None = getattr(m, side)
            if length is not None and length.to_m is None:
                same[m.day, m.setup.casefold(), _words(m.name), side].append((m, length))
    for group in same.values():
        for (first, a), (second, b) in combinations(group, 2):
            found += _compared(first, a, second, b)
    return found


def _words(name: str) -> str:
    return " ".join(re.findall(r"[a-z0-9]+", name.casefold()))


def _finding(
    kind: str, m: Measurement, what: str, next: str, severity: Severity = Severity.PERSON
) -> Finding:
    return Finding(kind=kind, item=f"{m.file} line {m.line}", severity=severity, what=what, next=next,
                   more={"line": m.line, "setup": m.setup, "name": m.name})


def _unusual(m: Measurement) -> Iterable[Finding]:
    name = _words(m.name)
    low, high = next((low, high) for word, low, high in USUAL_M if word in name)
    for side in SIDES:
        length: Length | None = getattr(m, side)
        for value in () if length is None else (length.m, length.to_m):
            if value is not None and not low <= value <= high:
                yield _finding("unusual_value", m, f"{m.name}: {getattr(m, side).written!r} is {value:.4g} m; usual is "
                               f"{low:g} to {high:g} m", "Check the figure and its unit.")


def _compared(first: Measurement, a: Length, second: Measurement, b: Length) -> Iterable[Finding]:
    low, high = sorted((a.m, b.m))
    if low <= 0 or high / low < 1.02:
        return
    both = f"{a.written!r} (line {first.line}) and {b.written!r} (line {second.line})"
    if abs(high / low * FEET - 1) < 0.02:
        yield _finding("feet_for_metres", second, f"{second.name}: {both} differ by the factor of feet to metres",
                       "One of them is in the other unit; mend it.")
    elif high / low < 1.2:  # further apart they are two things of one name
        yield _finding("measurements_differ", second, f"{second.name}: {both} are {high - low:.3g} m apart",
                       "Measure again while the set stands, name them apart, or strike one out.", Severity.NOTE)
