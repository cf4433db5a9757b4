"""Figures for people in both systems of units, and the facts of a setup's sheet."""

from __future__ import annotations

import re
from collections.abc import Iterable
from fractions import Fraction

from ingest.records.handover import Fact
from ingest.records.measurements import Measurement
from ingest.records.setups import SetupRow, Sheet

_PER_INCH = Fraction(254, 10000)  # metres; exactly (NIST SP 811)


def metric(metres: float) -> str:
    """Metres to the millimetre.

    >>> metric(1.7018), metric(float("inf"))
    ('1.702 m', 'infinity')
    """
    return "infinity" if metres == float("inf") else f"{metres:.3f} m"


def imperial(metres: float) -> str:
    """Feet and inches to the eighth.

    >>> imperial(1.7018), imperial(1.7145), imperial(0.2794), imperial(3.6576)
    ('5\\' 7"', '5\\' 7 1/2"', '0\\' 11"', '12\\' 0"')
    """
    if metres == float("inf"):
        return "infinity"
    eighths = round(Fraction(metres) / _PER_INCH * 8)
    sign = "-" if eighths < 0 else ""
    feet, rest = divmod(abs(eighths), 96)
    inches, part = divmod(rest, 8)
    return f"{sign}{feet}' {inches}{f' {Fraction(part, 8)}' if part else ''}\""


def length(label: str, start: float | None, end: float | None = None, written: str = "") -> Fact | None:
    """A length, or a move from one to another; None where nothing is known and nothing was written."""
    if start is None:
        return Fact(label=label, value="not clear", written=written) if written else None
    ends = [start] if end is None else [start, end]
    also, value = " to ".join(map(imperial, ends)), " to ".join(map(metric, ends))
    return Fact(label=label, value=value, also="" if also == value else also, written=written)


def facts(row: SetupRow, sheet: Sheet) -> tuple[Fact, ...]:
    """The camera sheet's lines in the order people ask for them; blanks are left out."""
    cells = row.cells

    def number(label: str, column: str, value: str | None) -> Fact | None:
        written = cells.get(column, "").strip()
        if value is None:
            return Fact(label=label, value="not clear", written=written) if written else None
        return Fact(label=label, value=value, written=written)

    tilt = None if sheet.tilt_deg is None else _tilt(sheet.tilt_deg)
    unsaid = "" if sheet.stop_kind else ", T or f not said"
    stop = None if sheet.stop is None else f"{sheet.stop_kind}{sheet.stop:.3g}{unsaid}"
    if stop is not None and sheet.stop_in == "lens":
        stop += " by the lens column"
    rate = None if sheet.frame_rate is None else f"{float(sheet.frame_rate):.3f}".rstrip("0").rstrip(".") + "/s"
    lines = (
        Fact(label="Lens", value=row.lens) if row.lens else None,
        number("Lens serial", "lens_serial", cells.get("lens_serial") or None),
        number("Focal length", "focal_length", None if sheet.focal_mm is None else f"{sheet.focal_mm:g} mm"),
        number("Sensor, active area", "sensor",
               None if sheet.sensor_mm is None else f"{sheet.sensor_mm[0]:g} x {sheet.sensor_mm[1]:g} mm"),
        number("Stop", "stop", stop),
        length("Focus distance", sheet.focus_m, sheet.focus_to_m, cells.get("focus", "")),
        length("Lens height", sheet.camera_height_m, sheet.camera_height_to_m, cells.get("camera_height", "")),
        number("Tilt", "tilt", tilt),
        number("Filter", "filter", None if sheet.nd_stops is None else f"{sheet.nd_stops:.2f} stops neutral"),
        number("Frame rate", "frame_rate", rate),
        number("Shutter", "shutter", None if sheet.shutter_deg is None else f"{sheet.shutter_deg:.2f} degrees"),
        number("White balance", "white_balance", cells.get("white_balance") or None),
        number("Sensitivity", "sensitivity", cells.get("sensitivity") or None),
        length("Probe height", sheet.probe_height_m, None, cells.get("probe_height", "")),
        length("CG object height", sheet.object_height_m, None, cells.get("object_height", "")),
        Fact(label="Lighting", value=row.lighting) if row.lighting else None,
        number("Weather", "weather", cells.get("weather") or None),
        number("Tracking markers", "markers", cells.get("markers") or None),
    )
    return tuple(line for line in lines if line is not None)


def _tilt(degrees: float) -> str:
    if degrees == 0:
        return "level"
    return f"{abs(degrees):g} degrees {'up' if degrees > 0 else 'down'}"


_FROM_LENS = re.compile(
    r"(?:lens|camera|cam)\s+to\s+\w|(?:camera|lens|subject|object)\s+distance|distance\s+to\s+\w", re.I)


def camera_distance(measurements: Iterable[Measurement]) -> tuple[float, str] | None:
    """Metres from the lens to what was measured to, and its name; None where no measurement says so, or several."""
    named = [m for m in measurements if _FROM_LENS.search(m.name)]
    found = [(m.value.m, m.name) for m in named if m.value is not None and m.value.to_m is None and m.value.m > 0]
    return found[0] if len(found) == 1 else None


def stop_words(sheet: Sheet) -> str:
    """What the stop of a sheet rests on, where it is more than a written f-number; for the stage's camera."""
    if sheet.stop is None:
        return ""
    words = [
        f"T{sheet.stop:.3g} as written: a T number, while fStop is an f-number" if sheet.stop_kind == "T" else "",
        "not said whether T or f" if not sheet.stop_kind else "",
        "read in the lens column, where it may be the lens's widest" if sheet.stop_in == "lens" else "",
    ]
    return "; ".join(w for w in words if w)
