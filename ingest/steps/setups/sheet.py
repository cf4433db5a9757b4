"""The camera sheet inside a log row: heights, lens, stop, rate, as numbers, or questions."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from fractions import Fraction
from typing import Any, TypeVar

from ingest.records.findings import Finding, Severity
from ingest.records.setups import Question, SetupLog, SetupRow, Sheet
from ingest.steps.setups.camera_words import (
    Focal,
    parse_focal,
    parse_frame_rate,
    parse_lens,
    parse_nd,
    parse_sensor,
    parse_shutter,
    parse_stop,
    parse_tilt,
)
from ingest.steps.setups.lengths import Units, parse_length
from ingest.steps.setups.moments import Unclear

T = TypeVar("T")
ENDLESS = ("inf", "infinity", "∞")
# Usual ranges on a set, metres (common practice, no source): outside them a person should look again.
USUAL_M = {
    "camera_height": (0.05, 12.0), "probe_height": (0.05, 6.0), "object_height": (0.0, 30.0), "focus": (0.1, 300.0),
}


@dataclass(kw_only=True, slots=True)
class _Cells:
    """Reads the cells of one row, keeping the questions."""

    row: SetupRow
    questions: list[Question] = field(default_factory=list)
    approximate: list[str] = field(default_factory=list)

    def get(self, column: str, parse: Callable[[str], T]) -> T | None:
        written = self.row.cells.get(column, "").strip()
        if written.lower() in ("", "-", "–", "—", "n/a", "na", "?"):
            return None
        try:
            value = parse(written)
        except Unclear as unclear:
            self.questions.append(Question(file=self.row.file, line=self.row.line, column=column, written=written,
                                           asks=str(unclear)))
            return None
        if getattr(value, "about", False):
            self.approximate.append(column)
        return value


def read_sheet(row: SetupRow, log: SetupLog, *, units: Units = "ask") -> Sheet:
    """The numbers of one row.  ``units`` is the show's setting; a header's own unit wins over it.

    A focal length or stop that its own column does not name is looked for in ``lens``, where nothing is asked (a lens
    is named in many ways); ``stop_in`` says so, for a lens may be named by its widest stop.
    """
    cells = _Cells(row=row)

    def length(column: str) -> tuple[float | None, float | None]:
        if row.cells.get(column, "").strip().lower() in ENDLESS and column == "focus":
            return float("inf"), None
        span = cells.get(column, lambda w: parse_length(w, units=units, unit=log.units.get(column, "")))
        return (None, None) if span is None else (span.metres, None if span.to_m is None else float(span.to_m))

    rate = cells.get("frame_rate", parse_frame_rate)
    in_lens = parse_lens(row.lens)
    own_stop = cells.get("stop", parse_stop)
    focal = cells.get("focal_length", _focal) or in_lens.focal
    stop = own_stop or (None if row.cells.get("stop", "").strip() else in_lens.stop)
    camera, focus = length("camera_height"), length("focus")
    recorded: Fraction | None = rate.recorded if rate else None
    more: dict[str, Any] = {"tilt_deg": cells.get("tilt", parse_tilt), "nd_stops": cells.get("filter", parse_nd),
                            "sensor_mm": cells.get("sensor", parse_sensor),
                            "shutter_deg": cells.get("shutter", lambda w: parse_shutter(w, recorded))}
    return Sheet(
        line=row.line, camera_height_m=camera[0], camera_height_to_m=camera[1], focus_m=focus[0], focus_to_m=focus[1],
        object_height_m=length("object_height")[0], probe_height_m=length("probe_height")[0],
        focal_mm=focal.mm if focal else None, stop=stop.number if stop else None,
        stop_kind=stop.kind if stop else "", stop_in="" if stop is None else "stop" if own_stop else "lens",
        frame_rate=recorded, approximate=tuple(cells.approximate),
        questions=tuple(cells.questions), **more,
    )


def _focal(written: str) -> Focal:
    """A focal length, also with a stop behind it."""
    try:
        return parse_focal(written)
    except Unclear:
        found = parse_lens(written).focal
        if found is None:
            raise
        return found


_LENGTHS = {
    "camera_height": ("camera_height_m", "camera_height_to_m"), "probe_height": ("probe_height_m",),
    "object_height": ("object_height_m",), "focus": ("focus_m", "focus_to_m"),
}


def believable(row: SetupRow, sheet: Sheet) -> tuple[Sheet, dict[str, str]]:
    """The sheet without the lengths that :func:`unusual` asks about, and why for each column left out: what is in
    question must not pass for a figure."""
    why = {str(f.more["column"]): f.what.removeprefix(f"{row.setup}: ") for f in unusual(row, sheet)
           if f.kind == "unusual_value"}
    gone: dict[str, Any] = {name: None for column in why for name in _LENGTHS[column]}
    return (replace(sheet, **gone) if gone else sheet), why


def unusual(row: SetupRow, sheet: Sheet) -> list[Finding]:
    """Values no set is likely to have: a camera 60 m up, a focus nearer than the lens; and a focal length that was
    only guessed, for undistortion and camera solve start from it."""
    found = []
    for column, names in _LENGTHS.items():
        low, high = USUAL_M[column]
        written = (getattr(sheet, name) for name in names)
        for value in [v for v in written if v not in (None, float("inf")) and not low <= v <= high][:1]:
            found.append(Finding(
                kind="unusual_value", item=f"{row.file} line {row.line}, {column}", severity=Severity.PERSON,
                what=f"{row.setup}: {row.cells.get(column, '')!r} is {value:.4g} m; usual is {low:g} to {high:g} m",
                next="Check the figure and its unit in the log.", more={"line": row.line, "column": column, "m": value},
            ))
    if "focal_length" in sheet.approximate or "lens" in sheet.approximate:
        column = "focal_length" if "focal_length" in sheet.approximate else "lens"
        found.append(Finding(
            kind="approximate_value", item=f"{row.file} line {row.line}, {column}", severity=Severity.PERSON,
            what=f"{row.setup}: the focal length is written {row.cells.get(column, '')!r}: which was it?",
            next="Read it off the lens, or ask the camera department, and mend the cell.",
            more={"line": row.line, "column": column},
        ))
    return found
