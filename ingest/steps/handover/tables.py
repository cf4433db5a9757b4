"""The hand-over's tables: measurements and clips as CSV and JSON."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Sequence
from typing import Any

from ingest.records.handover import ClipLine
from ingest.records.measurements import Length, Measurement
from ingest.records.names import shown

MEASURED = ("day", "unit", "shot", "setup", "name", "value_m", "value_to_m", "length_m", "width_m", "height_m",
            "written", "by", "with", "notes")
CLIPS = ("name", "role", "take", "start", "duration", "frame_rate", "timecode", "files", "note")


def as_csv(columns: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """RFC 4180 text.  A cell that a spreadsheet would take for a formula gets an apostrophe in front, the
    sign by which spreadsheets mark text (names on a card are untrusted)."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(columns)
    writer.writerows([_inert(shown(cell)) for cell in row] for row in rows)
    return out.getvalue()


def _inert(cell: str) -> str:
    if cell[:1] in ("=", "+", "-", "@") and not cell[1:].replace(".", "", 1).isdigit():
        return f"'{cell}"
    return cell


def measurements_csv(measurements: Iterable[Measurement]) -> str:
    """Metres beside the words they were read from."""
    return as_csv(MEASURED, ([_text(v) for v in _measured(m).values()] for m in measurements))


def measurements_json(measurements: Iterable[Measurement]) -> list[dict[str, Any]]:
    """The same as objects; metres as numbers, null where nothing was measured."""
    return [_measured(m) for m in measurements]


def _text(value: str | float | None) -> str:
    return "" if value is None else value if isinstance(value, str) else f"{value:.6g}"


def _measured(m: Measurement) -> dict[str, Any]:
    def metres(value: Length | None) -> float | None:
        return None if value is None else value.m

    words = " x ".join(p.written for p in (m.value, m.length, m.width, m.height) if p is not None)
    values = (m.day, m.unit, m.shot, m.setup, m.name, metres(m.value), m.value.to_m if m.value else None,
              metres(m.length), metres(m.width), metres(m.height), words, m.by, m.tool, m.notes)
    return dict(zip(MEASURED, values, strict=True))


def clips_csv(clips: Iterable[ClipLine]) -> str:
    """The clip list."""
    return as_csv(CLIPS, (
        (c.name, c.role, c.take, c.start, c.duration, c.frame_rate, c.timecode, " ".join(c.files), c.note)
        for c in clips
    ))
