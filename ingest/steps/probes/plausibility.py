"""Every row of frames that could be a bracket, and how much more plausible that is than loose stills.

A row's *gain* is the log likelihood of everything seen about it (idle times, file numbers, exposures,
pictures, header words) if it is one bracket, minus the same if its frames have nothing to do with each
other.  Nothing is ruled out by a threshold; rows are only left unlisted where their gain is so low that no
partition would take them.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import accumulate

import numpy as np

from ingest.records.probes import GroupingSettings
from ingest.steps.probes.evidence import (
    RHYTHMS_S,
    Array,
    Steps,
    bias_weight,
    brightness_weight,
    drive_weight,
    exposure_out,
    idle_in,
    idle_out,
    number_weight,
)
from ingest.steps.probes.habits import Habits
from ingest.steps.probes.ladders import UNIT, UNKNOWN, Shape, differences, judge
from ingest.steps.probes.stream import Stream

SET_STARTS = -3.2  # one frame in some twenty-five starts a set
OTHER_LADDER = -3.0  # the ladder shows in the shutter alone (automatic sensitivity undid it)
KEEP, GIVE_UP = -6.0, -16.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Candidate:
    """Frames ``start`` to before ``end`` read as one bracket, with the gain in nats and its parts."""

    start: int
    end: int
    gain: float
    shape: Shape
    rhythm: int
    parts: tuple[float, ...]  # start, pattern, exposures, idle, numbers, picture, words


@dataclass(frozen=True, kw_only=True, slots=True)
class Weights:
    """Prefix sums over a stream: the sum over steps a < k <= b is ``x[b] - x[a]``.  ``words`` goes by frame
    and not by step: the sum over frames a to before b is ``words[b] - words[a]``.  ``gone`` counts steps at
    which the file counter skipped or cannot be read, likewise from frame a to b itself."""

    rhythms: tuple[list[float], ...]
    exposure: list[float]
    number: list[float]
    gone: list[int]
    picture: list[float]
    optics: list[float]
    words: list[float]
    lead: list[int]
    breaks: list[bool]


def weights_of(stream: Stream, steps: Steps, habits: Habits, settings: GroupingSettings) -> Weights:
    """Sum up all evidence of a stream's steps once, so that a row's share is one subtraction."""
    out = idle_out(steps)
    rhythms = tuple(_sums(np.maximum(idle_in(steps, r, habits.stamp_costs) - out, -12.0)) for r in RHYTHMS_S)
    words = bias_weight(stream.frames) + drive_weight(stream.frames)
    breaks = (np.nan_to_num(steps.gap_s) - 2 * (steps.before_s + steps.after_s)) > settings.longest_pause_s
    whole_hours = np.abs(steps.gap_s - np.round(steps.gap_s / 3600.0) * 3600.0) < 60.0
    breaks &= ~(whole_hours & (steps.number == 1))
    return Weights(
        rhythms=rhythms,
        exposure=_sums(-exposure_out(steps, habits.still_share)),
        number=_sums(number_weight(steps)),
        gone=[0, *accumulate(int(s > 1 or s != s) for s in steps.number.tolist()), 1 << 30],
        picture=_sums(brightness_weight(steps, habits.picture_trust)),
        optics=_sums(steps.strange),
        words=[0.0, *_sums(words)],
        lead=_leads(steps),
        breaks=[bool(b) for b in breaks],
    )


def _sums(values: Array) -> list[float]:
    return list(accumulate(float(v) for v in values))


def _leads(steps: Steps) -> list[int]:
    """For each frame the first at or after it that has a time: a row that begins with frames without time
    owns no idle time before that one."""
    lead = len(steps.timed)
    found = []
    for k in range(len(steps.timed) - 1, -1, -1):
        lead = k if steps.timed[k] else lead
        found.append(lead)
    return found[::-1]


def candidates(stream: Stream, steps: Steps, settings: GroupingSettings) -> list[tuple[int, int, Shape]]:
    """Rows worth weighing, with their shapes; found once, weighed once per pass."""
    habits = Habits(picture_trust=1.0)
    weights = weights_of(stream, steps, habits, settings)
    shares = [math.log(s) for s in habits.rhythm_share]
    moves = differences(list(steps.grid))
    others = _other_ladders(steps)
    found = []
    n = len(stream.frames)
    for start in range(n):
        for end in range(start + 2, min(n, start + settings.longest_set) + 1):
            if weights.breaks[end - 1]:
                break
            shape = _shape(start, end, moves, others)
            if shape.hopeless:
                break
            gain = weigh(start, end, shape, weights, shares, habits, None).gain
            if gain > 2 * KEEP:
                found.append((start, end, shape))
            elif gain < GIVE_UP and end - start > 2:
                break
    return found


def _other_ladders(steps: Steps) -> list[tuple[int, ...]]:
    """Rows of shutter steps where they differ from the exposure's."""
    moved = np.nan_to_num(np.abs(steps.shutter_jump - steps.jump)) > 0.1
    if not moved.any():
        return []
    grid = [0]
    for jump in np.nan_to_num(steps.shutter_jump[1:]):
        grid.append(grid[-1] + round(float(jump) * UNIT))
    return [differences(list(grid))]


def _shape(start: int, end: int, moves: tuple[int, ...], others: list[tuple[int, ...]]) -> Shape:
    first = moves[start]
    shape = judge((first if first == UNKNOWN else 0, *moves[start + 1 : end]))
    if first == UNKNOWN:
        shape = judge(_from_unknown(moves[start:end]))
    if (shape.step is None or shape.hopeless) and others:
        for other in others:
            second = judge((0, *other[start + 1 : end]))
            if second.regular and not second.hopeless and second.score + OTHER_LADDER > shape.score:
                return _cheaper(second, OTHER_LADDER)
    return shape


def _from_unknown(moves: tuple[int, ...]) -> tuple[int, ...]:
    """A row that begins unknown: its first known exposure is the origin."""
    row = list(moves)
    for k, move in enumerate(row):
        if move != UNKNOWN:
            row[k] = 0
            break
    return tuple(row)


def _cheaper(shape: Shape, price: float) -> Shape:
    values = {name: getattr(shape, name) for name in Shape.__slots__}
    return Shape(**{**values, "score": shape.score + price})


def weigh(
    start: int, end: int, shape: Shape, w: Weights, shares: Sequence[float], habits: Habits, first: int | None
) -> Candidate:
    """The gain of reading ``start`` to ``end`` as one bracket of this shape."""
    last = end - 1
    lead = min(w.lead[start], last)
    rhythm, idle = 0, -math.inf
    for r, sums in enumerate(w.rhythms):
        value = sums[last] - sums[lead] + shares[r]
        if value > idle:
            rhythm, idle = r, value
    # a file is missing at either end or inside, as far as the counter tells: then a part may be all there is
    gone = w.gone[min(end + 1, len(w.gone) - 1)] > w.gone[start]
    pattern = shape.score + habits.pattern_weight(shape, gone)
    exposure = w.exposure[last] - w.exposure[start]
    number = w.number[last] - w.number[start]
    picture = w.picture[last] - w.picture[start]
    words = w.words[end] - w.words[start] + w.optics[last] - w.optics[start]
    begin = SET_STARTS + habits.start_weight(first)
    return Candidate(
        start=start,
        end=end,
        gain=begin + pattern + exposure + idle + number + picture + words,
        shape=shape,
        rhythm=rhythm,
        parts=(begin, pattern, exposure, idle, number, picture, words),
    )


def weighed(
    rows: Sequence[tuple[int, int, Shape]], steps: Steps, weights: Weights, habits: Habits
) -> list[Candidate]:
    """All rows under these habits, without the ones no partition would take."""
    shares = [math.log(s) for s in habits.rhythm_share]
    found = (weigh(a, b, shape, weights, shares, habits, steps.grid[a]) for a, b, shape in rows)
    return [c for c in found if c.gain > KEEP]
