"""Findings about a bracket from its headers alone: what it can hold, missing steps, unequal views, mixed settings."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from itertools import pairwise
from typing import Any

from ingest.records.findings import finding
from ingest.records.merges import MergeFrame

_SETTINGS = (
    ("f_number", "aperture"), ("white_balance", "white balance"), ("make", "camera make"), ("model", "camera"),
    ("serial", "camera body"), ("lens", "lens"), ("colour_space", "colour space"), ("orientation", "orientation"),
)  # fmt: skip
SUN_CD_M2 = 1.6e9  # the sun's disc (from memory; TRADE section 3)


def can_hold(frames: Sequence[MergeFrame]) -> dict[str, float] | None:
    """The bracket's ceiling and how far the sun stands over it, None where a header is silent."""
    known = [c for f in frames if (c := f.ceiling_cd_m2) is not None]
    if len(known) < len(frames) or not frames:
        return None
    top = max(known)
    return {"ceiling_cd_m2": top, "sun_over_stops": max(0.0, math.log2(SUN_CD_M2 / top))}


def judge(frames: Sequence[MergeFrame]) -> list[dict[str, Any]]:
    """Missing steps and mixed settings of one view's frames, in any order."""
    return [*_missing(frames), *_mixed(frames)]


def unequal_views(views: Sequence[Sequence[MergeFrame]]) -> list[dict[str, Any]]:
    """Views of a position that do not carry the exposures most of them carry; ``frames`` are view indices."""
    if len(views) < 2:
        return []
    ladders = [tuple(sorted(_stop(f) for f in view)) for view in views]
    usual, votes = Counter(ladders).most_common(1)[0]
    if votes == len(views):
        return []
    odd = [i for i, ladder in enumerate(ladders) if ladder != usual]
    gap = max(abs(sum(ladders[i]) / len(ladders[i]) - sum(usual) / len(usual)) for i in odd if ladders[i])
    return [finding(
        "unequal_views", "person",
        f"Of {len(views)} views {len(odd)} do not carry the exposures of the others: light will step between them.",
        "Shoot these views again with the same manual exposures.", confidence=1.0, frames=odd, amount=gap, unit="stops",
    )]  # fmt: skip


def _stop(frame: MergeFrame) -> float:
    """Exposure in sixths of a stop, so that one mark's spellings are equal."""
    return round(6 * math.log2(frame.units)) / 6


def _missing(frames: Sequence[MergeFrame]) -> list[dict[str, Any]]:
    order = sorted(range(len(frames)), key=lambda i: frames[i].units)
    levels = [math.log2(frames[i].units) for i in order]
    steps = [b - a for a, b in pairwise(levels) if b - a > 0.2]
    if len(steps) < 3:
        return []
    usual = sorted(steps)[(len(steps) - 1) // 2]
    found = []
    for place, (a, b) in enumerate(pairwise(levels)):
        if b - a > 1.5 * usual + 0.2:
            count = round((b - a) / usual) - 1
            found.append(finding(
                "missing_step", "person",
                f"Between two exposures lie {b - a:.1f} stops, elsewhere {usual:.1f}: {count} frame(s) missing.",
                "Look for the frame on the card; else shoot the bracket again.", confidence=1.0,
                frames=[order[place], order[place + 1]], amount=b - a - usual, unit="stops",
            ))  # fmt: skip
    return found


def _mixed(frames: Sequence[MergeFrame]) -> list[dict[str, Any]]:
    found = []
    for name, words in _SETTINGS:
        values = [getattr(f, name) for f in frames]
        told = [v for v in values if v not in (None, "")]
        if len(set(told)) > 1:
            usual = Counter(told).most_common(1)[0][0]
            odd = [i for i, v in enumerate(values) if v not in (None, "", usual)]
            found.append(finding(
                "mixed_settings", "person", f"The {words} changes within the bracket.",
                "Shoot brackets with everything manual but the shutter.", confidence=1.0, frames=odd,
            ))  # fmt: skip
    if any(f.white_balance == 0 for f in frames) and not found:
        auto = [i for i, f in enumerate(frames) if f.white_balance == 0]
        found.append(finding(
            "mixed_settings", "note", "White balance was on auto.", "Set it by hand: JPEGs may drift in colour.",
            confidence=0.5, frames=auto,
        ))  # fmt: skip
    return found
