"""A setup cut where its light, lens or camera changes: each part owes its own probe."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from ingest.records.setups import SetupRow, Sheet
from ingest.steps.setups.camera_words import without_stop

HEIGHT_CHANGE_M = 0.3  # a camera moved by more stands elsewhere
Key = tuple[str, str, str]


@dataclass(frozen=True, kw_only=True, slots=True)
class Segment:
    """Rows of one setup under one light, lens and camera position.  ``because`` is what changed before it."""

    key: Key
    rows: tuple[SetupRow, ...]
    because: str = ""
    lighting: str = ""

    @property
    def start_s(self) -> float:
        return min(r.start_s for r in self.rows if r.start_s is not None)

    @property
    def until_s(self) -> float:
        return max(r.until_s for r in self.rows if r.until_s is not None)

    def away_s(self, moment_s: float) -> float:
        """Seconds from a moment to the nearest of its rows; 0 inside one."""
        return min(max((r.start_s or 0.0) - moment_s, moment_s - (r.until_s or 0.0), 0.0) for r in self.rows)


def words(text: str) -> str:
    """Letters and figures only, for comparing what people write twice."""
    return " ".join(re.findall(r"[^\W_]+", text.casefold()))


def setups_of(rows: Sequence[SetupRow]) -> dict[Key, tuple[SetupRow, ...]]:
    """Rows by setup, each in order of time; setups in order of their first row."""
    found: dict[Key, list[SetupRow]] = defaultdict(list)
    for row in sorted((r for r in rows if r.start_s is not None), key=lambda r: (r.start_s or 0.0, r.line)):
        found[row.key].append(row)
    return {key: tuple(group) for key, group in found.items()}


def segments(rows: Sequence[SetupRow], sheets: Mapping[tuple[str, int], Sheet]) -> tuple[Segment, ...]:
    """The parts of one setup.  ``rows`` in order of time; ``sheets`` by ``place``.

    A blank cell means unchanged.  What counts as a change: lens, lens serial, focal length, lighting,
    camera letter, the position column, camera height by over 0.3 m (a move's end against the next start).
    """
    parts: list[list[SetupRow]] = []
    reasons: list[str] = []
    lights: list[str] = []
    state: dict[str, str] = {}
    height: float | None = None
    for row in rows:
        told = _told(row)
        changes = [f"{name} {state[name]} to {value}" for name, value in told.items()
                   if name in state and _bare(state[name]) != _bare(value)]
        sheet = sheets.get(row.place)
        if sheet and sheet.camera_height_m is not None:
            if height is not None and abs(sheet.camera_height_m - height) > HEIGHT_CHANGE_M:
                changes.append(f"camera height {height:.2f} m to {sheet.camera_height_m:.2f} m")
            height = sheet.camera_height_m if sheet.camera_height_to_m is None else sheet.camera_height_to_m
        state |= told
        if not parts or changes:
            reasons.append(", ".join(changes))
            parts.append([])
            lights.append("")
        parts[-1].append(row)
        lights[-1] = state.get("lighting", "")
    return tuple(Segment(key=part[0].key, rows=tuple(part), because=why, lighting=light)
                 for part, why, light in zip(parts, reasons, lights, strict=True))


def _bare(text: str) -> str:
    """What tells two entries apart: "35", "35mm" and "35 MM" are one lens, "A+B" and "a b" one pair."""
    return words(text).replace(" ", "").replace("mm", "")


def _told(row: SetupRow) -> dict[str, str]:
    """What a row says about light, lens and camera; blanks say nothing, and a stop beside the lens is no lens."""
    cells = {"lens": without_stop(row.lens), "lens serial": row.cells.get("lens_serial", ""), "lighting": row.lighting,
             "focal length": row.cells.get("focal_length", ""), "camera": row.camera,
             "position": row.cells.get("position", "")}
    return {name: value.strip() for name, value in cells.items() if words(value)}
