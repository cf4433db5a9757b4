"""Time-lapses and other regular runs: the rival reading of a row of frames, and none of it a probe.

An interval timer fires at equal distances, and automatic exposure drifts along by a third now and then,
mostly not at all.  A bracket steps every time and steps back.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from ingest.steps.probes.evidence import Steps, exposure_out

SHORTEST = 5
DRIFT_STOPS = 0.78
EVEN = 0.08  # distance between frames is equal within this share, or a tick
BEGINS, REGULAR = -4.0, 1.4
STILL, THIRD, TWO_THIRDS = math.log(0.55), math.log(0.21), math.log(0.03)


@dataclass(frozen=True, kw_only=True, slots=True)
class Run:
    """Frames ``start`` to before ``end`` at one interval, with the gain over loose frames."""

    start: int
    end: int
    gain: float
    interval_s: float


def runs(steps: Steps, still_share: float) -> list[Run]:
    """Every regular run, and each with up to three frames fewer at either end (those may begin a bracket)."""
    n = len(steps.gap_s)
    jump = np.abs(np.nan_to_num(steps.jump))
    price = np.where(jump < 0.1, STILL, np.where(jump < 0.45, THIRD, TWO_THIRDS))
    step = (REGULAR + price - exposure_out(steps, still_share)).tolist()
    # plain numbers: the walk below asks for single values, which arrays are slow at
    walk = _Walk(*(a.tolist() for a in (steps.gap_s, steps.idle_s, steps.tick_s, steps.jump, jump)))
    found = []
    start = 0
    while start + 1 < n:
        end = _reach(walk, start)
        if end - start >= SHORTEST:
            still = int((jump[start + 1 : end] < 0.1).sum())
            if still * 5 >= 2 * (end - start - 1):
                found += _trimmed(step, start, end, float(np.median(steps.gap_s[start + 1 : end])))
        start = max(end - 1, start + 1)
    return found


@dataclass(frozen=True, slots=True)
class _Walk:
    gap_s: list[float]
    idle_s: list[float]
    tick_s: list[float]
    jump: list[float]
    size: list[float]


def _reach(steps: _Walk, start: int) -> int:
    """The end of the regular run that starts here."""
    gap, idle, n = steps.gap_s, steps.idle_s, len(steps.gap_s)
    interval, first = gap[start + 1], idle[start + 1]
    end = start + 1
    while end < n and steps.size[end] <= DRIFT_STOPS and not math.isnan(gap[end]):
        slack = max(EVEN * interval, 1.05 * steps.tick_s[end], 0.1)
        # A timer shorter than the exposure waits for it: then the idle time is even, not the interval.
        even = min(abs(gap[end] - interval), abs(idle[end] - first))
        if not even <= slack or math.isnan(steps.jump[end]):
            break
        end += 1
    return end


def _trimmed(step: list[float], start: int, end: int, interval_s: float) -> list[Run]:
    found = []
    for a in range(start, start + 4):
        for b in range(end - 3, end + 1):
            if b - a >= SHORTEST:
                found.append(Run(start=a, end=b, gain=BEGINS + sum(step[a + 1 : b]), interval_s=interval_s))
    return found
