"""A body's known moments, and the offset between and beside them.

An *anchor* is a moment at which somebody knew the true time: a row of the clock notes or a photographed clock.
Neighbouring anchors that differ by no more than a clock drifts are joined by a straight line.  Where they
differ by more the clock was set in between: the offset is constant on both sides, and the moment is sought
in the order of files against the times shown.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from ingest.records.clocks import ClockSource
from ingest.records.frames import Frame

REACH_S = 18 * 3600.0  # an anchor speaks for frames this near in shown time (CONTRACT section 1)
DRIFT_S_PER_DAY = 5.0  # what a camera's clock may gain or lose (common practice, no source)
READ_OFF_S = 2.0  # two people reading two clocks
DAY_S = 86400.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Anchor:
    """At ``shown_s`` (the body's wall clock as seconds) true local time was ``shown_s + offset_s``."""

    shown_s: float
    offset_s: float
    sigma_s: float
    source: ClockSource


@dataclass(frozen=True, kw_only=True, slots=True)
class Stretch:
    """Anchors between two settings of the clock, in order of true time."""

    anchors: tuple[Anchor, ...]

    @property
    def drift_s_per_day(self) -> float:
        """Slope of the offset over the stretch; 0 with one anchor, or with anchors under an hour apart."""
        first, last = self.anchors[0], self.anchors[-1]
        days = (last.shown_s - first.shown_s) / DAY_S
        return (last.offset_s - first.offset_s) / days if days > 1 / 24 else 0.0

    def at(self, shown_s: float) -> tuple[float, float] | None:
        """Offset and its uncertainty (one sigma) in seconds; None out of every anchor's reach."""
        near = min(self.anchors, key=lambda a: abs(a.shown_s - shown_s))
        distance = abs(near.shown_s - shown_s)
        if distance > REACH_S:
            return None
        for a, b in pairwise(self.anchors):
            if a.shown_s <= shown_s <= b.shown_s:
                share = (shown_s - a.shown_s) / max(b.shown_s - a.shown_s, 1e-9)
                return a.offset_s + share * (b.offset_s - a.offset_s), max(a.sigma_s, b.sigma_s)
        return near.offset_s, near.sigma_s + DRIFT_S_PER_DAY / 2 * distance / DAY_S


def stretches(anchors: Sequence[Anchor]) -> list[Stretch]:
    """Cut anchors, in order of true time, where the clock must have been set in between."""
    ordered = sorted(anchors, key=lambda a: (a.shown_s + a.offset_s, a.shown_s))
    parts: list[list[Anchor]] = []
    for anchor in ordered:
        if parts and _drifts(parts[-1][-1], anchor):
            parts[-1].append(anchor)
        else:
            parts.append([anchor])
    return [Stretch(anchors=tuple(p)) for p in parts]


def _drifts(a: Anchor, b: Anchor) -> bool:
    """Whether drift alone explains two offsets."""
    days = abs(b.shown_s + b.offset_s - a.shown_s - a.offset_s) / DAY_S
    return abs(b.offset_s - a.offset_s) <= READ_OFF_S + DRIFT_S_PER_DAY * days


@dataclass(frozen=True, kw_only=True, slots=True)
class Setting:
    """Where the clock was set between two stretches: frames from ``first`` to before ``last`` (places in the
    order of shooting) are left open; equal where the moment is known between two frames."""

    first: int
    last: int


def sought(frames: Sequence[Frame], before: Stretch, after: Stretch, start: int = 0) -> Setting:
    """Where in the order of shooting, from ``start`` on, the clock was set, as far as the files tell.

    A place is possible where time never runs backwards under both offsets: the first holds up to it, the second
    from it, no frame before it lies behind the later anchor and none after it before the earlier one.
    """
    old, new = before.anchors[-1], after.anchors[0]
    slack = READ_OFF_S
    shown = [(k, f.shown_s) for k, f in enumerate(frames) if k >= start and f.shown_s is not None]
    if not shown:
        return Setting(first=start, last=len(frames))
    rising_from = len(shown) - 1
    while rising_from > 0 and shown[rising_from][1] >= shown[rising_from - 1][1] - slack:
        rising_from -= 1
    rising_to = 0
    while rising_to + 1 < len(shown) and shown[rising_to + 1][1] >= shown[rising_to][1] - slack:
        rising_to += 1
    possible = []
    for i in range(max(0, rising_from), min(len(shown), rising_to + 1) + 1):
        last_old = shown[i - 1][1] + old.offset_s if i else None
        first_new = shown[i][1] + new.offset_s if i < len(shown) else None
        if last_old is not None and last_old > new.shown_s + new.offset_s + slack:
            continue
        if first_new is not None and first_new < old.shown_s + old.offset_s - slack:
            continue
        if last_old is not None and first_new is not None and last_old > first_new + slack:
            continue
        possible.append(shown[i][0] if i < len(shown) else len(frames))
    if not possible:
        return Setting(first=start, last=len(frames))
    return Setting(first=possible[0], last=possible[-1])
