"""What changed since the previous probe: the lights that stayed are paired first, then the one that moved.

Strongest against strongest would call it a move of 80 degrees when the key merely fell below another lamp.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence

import numpy as np

from ingest.records.lights import Difference, Light, LightSummary
from ingest.steps.light.flux import LUMINANCE

STAYED_DEG, STAYED_STOPS = 1.0, 0.3


def compare(now: LightSummary, before: LightSummary) -> Difference:
    """How the previous probe's key moved and changed; both probes must share one scale for the stops."""
    total = _stops(_luminance(now.total_rgb), _luminance(before.total_rgb))
    if not now.lights or not before.lights:
        return Difference(key_moved_deg=None, key_stops=None, total_stops=total,
                          sentence="One of the probes has no light of its own to compare.")  # fmt: skip
    pairs = pair(before.lights, now.lights)
    first = key_of(before.lights)
    partner = pairs.get(first)
    other = _other(now.lights, partner, pairs.values())
    if partner is None:
        return Difference(key_moved_deg=None, key_stops=None, total_stops=total, sentence="The key is gone.",
                          gone=True, other=other)  # fmt: skip
    key, new = before.lights[first], now.lights[partner]
    moved = angle_deg(key, new)
    # a source that clips in every frame was measured to be "at least" that strong: two such figures tell no change
    stops = None if key.at_least or new.at_least else _stops(strength(new), strength(key))
    return Difference(key_moved_deg=moved, key_stops=stops, total_stops=total, sentence=sentence(moved, stops),
                      other=other)  # fmt: skip


def _other(now: Sequence[Light], partner: int | None, paired: Collection[int]) -> str:
    """What to say of the key of now, where it is not the one from before (``partner``)."""
    key = key_of(now)
    if key == partner:
        return ""
    came = "Another light is" if key in paired else "A light that was not there before is"
    return f"{came} the key now, {100 * now[key].share:.0f} % of the light."


def pair(before: Sequence[Light], now: Sequence[Light]) -> dict[int, int]:
    """Index of a light before -> index of the same light now; a light that went or came has no partner."""
    found: dict[int, int] = {}
    for stayed in (True, False):
        costs = sorted(
            (_cost(a, b), i, j) for i, a in enumerate(before) for j, b in enumerate(now) if not stayed or _stayed(a, b)
        )
        for cost, i, j in costs:
            if i not in found and j not in found.values() and math.isfinite(cost):
                found[i] = j
    return found


def key_of(lights: Sequence[Light]) -> int:
    """Which light is the key: the strongest; one that clips in every frame is stronger than was measured."""
    return next((i for i, light in enumerate(lights) if light.at_least), 0)


def strength(light: Light) -> float:
    """Luminance of the irradiance on a plane facing the light."""
    return _luminance(light.irradiance_rgb)


def angle_deg(a: Light, b: Light) -> float:
    """Angle between two lights' directions, degrees."""
    cross = np.cross(a.direction, b.direction)
    return float(np.degrees(np.arctan2(np.linalg.norm(cross), np.dot(a.direction, b.direction))))


def _stayed(a: Light, b: Light) -> bool:
    stops = _stops(strength(b), strength(a))
    return angle_deg(a, b) < STAYED_DEG and stops is not None and abs(stops) < STAYED_STOPS


def _cost(a: Light, b: Light) -> float:
    """A light that clips is no light that does not, unless it moved far less than others.  20 degrees weigh
    like a stop, and like a chromaticity difference of .05 and a size ratio of 4."""
    stops = _stops(strength(b), strength(a))
    if stops is None:
        return math.inf
    colour = 0.0 if a.xy is None or b.xy is None else math.dist(a.xy, b.xy) / 0.05
    size = abs(math.log2(b.solid_angle_sr / a.solid_angle_sr)) / 2
    return angle_deg(a, b) / 20 + abs(stops) + colour + min(size, 2.0) + (1.0 if a.at_least != b.at_least else 0.0)


def key_rose_deg(now: LightSummary, before: LightSummary) -> float | None:
    """By how many degrees the previous probe's key stands higher now, whichever way the probes looked."""
    first = key_of(before.lights)
    partner = pair(before.lights, now.lights).get(first) if before.lights else None
    if partner is None:
        return None
    new, old = now.lights[partner].direction[1], before.lights[first].direction[1]
    return math.degrees(math.asin(max(-1.0, min(1.0, new))) - math.asin(max(-1.0, min(1.0, old))))


def _luminance(rgb: Sequence[float]) -> float:
    return float(np.dot(rgb, LUMINANCE))


def _stops(new: float, old: float) -> float | None:
    return math.log2(new / old) if new > 0 and old > 0 else None


def sentence(moved: float, stops: float | None, *, what: str = "moved") -> str:
    """``moved`` degrees and the change of strength in words."""
    whose = "The key" if what == "moved" else "The key's"
    turned = f"{whose} {what} {moved:.0f} degrees" if moved >= 1 else "The key stayed where it was"
    if stops is None:
        return f"{turned}; it clips in every frame, so how strong it is was not measured."
    if abs(stops) < 0.1:
        return f"{turned} and kept its strength."
    word = "rose" if stops > 0 else "dropped"
    return f"{turned} and {word} {abs(stops):.1f} stops."
