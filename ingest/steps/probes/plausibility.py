"""Every row of frames that could be a bracket, and how much more plausible that is than loose stills.

A row's *gain* is the log likelihood of everything seen about it (idle times, file numbers, exposures,
pictures, header words) if it is one bracket, minus the same if its frames have nothing to do with each
other.  Nothing is ruled out by a threshold; rows are only left unlisted where their gain is so low that no
partition would take them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from ingest.records.probes import GroupingSettings
from ingest.steps.probes.evidence import (
    MACHINE_S,
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

NO_EXPOSURE = -(1 << 30)
SET_STARTS = -3.2  # one frame in some twenty-five starts a set
OTHER_LADDER = -3.0  # the ladder shows in the shutter alone (automatic sensitivity undid it)
KEEP, WORTH, GIVE_UP = -3.0, -10.0, -11.0  # gains below which a row is dropped, not listed, grown no further
BEST_SHAPE = -3.9  # no shape scores more (``ladders``: the likeliest size, step and order together)
BEGUN, FURTHER = 5, -17.0  # a row this short may still recover from more


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

    rhythms: Array  # one row a rhythm
    exposure: Array
    number: Array
    picture: Array
    optics: Array
    words: Array
    gone: NDArray[np.int64]
    lead: NDArray[np.int64]
    breaks: NDArray[np.bool_]
    out: Array  # of the idle times, step by step: no habit changes it
    seen: Array  # the pictures' sums at full trust


@dataclass(frozen=True, kw_only=True, slots=True)
class Rows:
    """Rows worth weighing: found once, weighed once per pass.  ``kind`` is an index into ``shapes``."""

    start: NDArray[np.int64]
    end: NDArray[np.int64]
    kind: NDArray[np.int64]
    shapes: list[Shape]


@dataclass(frozen=True, kw_only=True, slots=True)
class Weighed:
    """The rows of a stream that some partition might take, weighed: ``kept`` are places in ``rows``."""

    rows: Rows
    kept: NDArray[np.int64]
    gain: Array
    rhythm: NDArray[np.int64]
    parts: Array

    def spans(self) -> list[tuple[int, int, float]]:
        """Start, end and gain of every row."""
        columns = (self.rows.start[self.kept], self.rows.end[self.kept], self.gain)
        return list(zip(*(c.tolist() for c in columns), strict=True))

    def candidate(self, k: int) -> Candidate:
        """Row ``k`` of ``spans`` with all that is known of it."""
        at = int(self.kept[k])
        return Candidate(
            start=int(self.rows.start[at]),
            end=int(self.rows.end[at]),
            gain=float(self.gain[k]),
            shape=self.rows.shapes[int(self.rows.kind[at])],
            rhythm=int(self.rhythm[k]),
            parts=tuple(self.parts[:, k].tolist()),
        )

    def rival_of(self, row: Candidate) -> Candidate | None:
        """The best other reading of some of a row's frames as a bracket, None if there is no good one."""
        start, end = self.rows.start[self.kept], self.rows.end[self.kept]
        others = (start < row.end) & (end > row.start) & ((start != row.start) | (end != row.end)) & (self.gain > 0)
        places = np.flatnonzero(others)
        return self.candidate(int(places[self.gain[places].argmax()])) if len(places) else None


def weights_of(
    stream: Stream, steps: Steps, table: Array, habits: Habits, settings: GroupingSettings
) -> Weights:
    """Sum up all evidence of a stream's steps once, so that a row's share is one subtraction."""
    words = bias_weight(stream.frames) + drive_weight(stream.frames)
    breaks = (np.nan_to_num(steps.gap_s) - 2 * (steps.before_s + steps.after_s)) > settings.longest_pause_s
    whole_hours = np.abs(steps.gap_s - np.round(steps.gap_s / 3600.0) * 3600.0) < 60.0
    breaks &= ~(whole_hours & (steps.number == 1))
    skipped = (steps.number > 1) | np.isnan(steps.number)
    out = idle_out(steps)
    seen = np.cumsum(brightness_weight(steps))
    return Weights(
        **_by_habit(steps, table, habits, out, seen),
        out=out,
        seen=seen,
        number=np.cumsum(number_weight(steps)),
        optics=np.cumsum(steps.strange),
        words=np.concatenate(([0.0], np.cumsum(words))),
        # the end of the stream may hide files that are still to come
        gone=np.concatenate(([0], np.cumsum(skipped), [1 << 40])).astype(np.int64),
        lead=_leads(steps),
        breaks=breaks,
    )


def reweighed(weights: Weights, steps: Steps, table: Array, habits: Habits) -> Weights:
    """The same evidence under other habits."""
    told = _by_habit(steps, table, habits, weights.out, weights.seen)
    return replace(weights, rhythms=told["rhythms"], exposure=told["exposure"], picture=told["picture"])


def _by_habit(steps: Steps, table: Array, habits: Habits, out: Array, seen: Array) -> dict[str, Array]:
    idle = np.maximum(idle_in(steps, table, habits.stamp_costs) - out, -12.0)
    return {
        "rhythms": np.cumsum(idle, axis=1),
        "exposure": np.cumsum(-exposure_out(steps, habits.still_share)),
        "picture": habits.picture_trust * seen,
    }


def _leads(steps: Steps) -> NDArray[np.int64]:
    """For each frame the first at or after it that has a time: a row that begins with frames without time
    owns no idle time before that one."""
    n = len(steps.timed)
    places = np.where(steps.timed, np.arange(n), n)
    return np.minimum.accumulate(places[::-1])[::-1].astype(np.int64)


def candidates(
    stream: Stream, steps: Steps, table: Array, weights: Weights, settings: GroupingSettings
) -> Rows:
    """Rows that some partition might take, each grown frame by frame until it cannot recover."""
    habits = Habits(picture_trust=1.0)
    w = reweighed(weights, steps, table, habits)
    reach = _Reach(w, np.log(habits.rhythm_share))
    alike = _Alike(steps)
    found: list[tuple[NDArray[np.int64], int, NDArray[np.int64]]] = []
    shapes: list[Shape] = []
    alive = np.arange(max(0, len(stream.frames) - 1))
    for count in range(2, settings.longest_set + 1):
        alive, rest = reach.longer(alive, count)
        limit = FURTHER if count < BEGUN else GIVE_UP
        if count > 2:
            alive, rest = alive[rest + BEST_SHAPE >= limit], rest[rest + BEST_SHAPE >= limit]
        if not len(alive):
            break
        judged, which = alike.judge(alive, count)
        gain = rest + np.array([s.score for s in judged])[which]
        hopeless = np.array([s.hopeless for s in judged])[which]
        worth = ~hopeless & (gain > WORTH)
        found.append((alive[worth], count, len(shapes) + which[worth]))
        shapes += judged
        alive = alive[~hopeless & ((gain >= limit) | (count == 2))]
    start, end, kind = (
        np.concatenate(column or [np.zeros(0, dtype=np.int64)])
        for column in ([s for s, _, _ in found], [s + c for s, c, _ in found], [k for _, _, k in found])
    )
    order = np.lexsort((end, start))
    return Rows(start=start[order], end=end[order], kind=kind[order], shapes=shapes)


class _Alike:
    """Rows of the same exposure steps, numbered alike as they grow, so that each kind is judged once."""

    def __init__(self, steps: Steps) -> None:
        self._moves = differences(list(steps.grid))
        self._others = _other_ladders(steps)
        columns = [np.array(self._moves), *(np.array(o) for o in self._others)]
        _, self._step = np.unique(np.stack(columns), axis=1, return_inverse=True)
        self._row = np.array([m == UNKNOWN for m in self._moves], dtype=np.int64)

    def judge(self, starts: NDArray[np.int64], count: int) -> tuple[list[Shape], NDArray[np.int64]]:
        """The shapes of rows of ``count`` frames at these starts (among them all still to be grown), and which
        each row has."""
        keys = self._row[starts] * (1 << 32) + self._step[starts + count - 1]
        _, first, which = np.unique(keys, return_index=True, return_inverse=True)
        self._row[starts] = which
        return [_shape(s, s + count, self._moves, self._others) for s in starts[first].tolist()], which


class _Reach:
    """What speaks for rows of ever more frames but for their exposures: their start, idle times, numbers,
    pictures and words, in nats."""

    def __init__(self, weights: Weights, shares: Array) -> None:
        self._weights, self._shares = weights, shares
        self._rest = weights.exposure + weights.number + weights.picture + weights.optics + weights.words[1:]
        self._before = weights.words[:-1] - weights.words[1:]

    def longer(self, starts: NDArray[np.int64], count: int) -> tuple[NDArray[np.int64], Array]:
        """Which of these starts can have ``count`` frames, no pause among them being too long, and the sum."""
        w = self._weights
        starts = starts[starts + count <= len(w.lead)]
        starts = starts[~w.breaks[starts + count - 1]]
        last = starts + count - 1
        lead = np.minimum(w.lead[starts], last)
        idle = (w.rhythms[:, last] - w.rhythms[:, lead] + self._shares[:, None]).max(axis=0)
        return starts, SET_STARTS + idle + self._rest[last] - self._rest[starts] - self._before[starts]


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


def weighed(rows: Rows, steps: Steps, w: Weights, habits: Habits) -> Weighed:
    """All rows under these habits, without the ones no partition would take."""
    start, end, last = rows.start, rows.end, rows.end - 1
    lead = np.minimum(w.lead[start], last)
    idles = w.rhythms[:, last] - w.rhythms[:, lead] + np.log(habits.rhythm_share)[:, None]
    rhythm = idles.argmax(axis=0)
    # a file is missing at either end or inside, as far as the counter tells: then a part may be all there is
    gone = w.gone[np.minimum(end + 1, len(w.gone) - 1)] > w.gone[start]
    firsts, which_first = np.unique([NO_EXPOSURE if g is None else g for g in steps.grid], return_inverse=True)
    begin = np.array([habits.start_weight(None if g == NO_EXPOSURE else g) for g in firsts.tolist()])[which_first]
    parts = np.stack(
        [
            SET_STARTS + begin[start],
            np.zeros(len(start)),
            w.exposure[last] - w.exposure[start],
            idles.max(axis=0),
            w.number[last] - w.number[start],
            w.picture[last] - w.picture[start],
            w.words[end] - w.words[start] + w.optics[last] - w.optics[start],
        ]
    )
    # A pattern's log likelihood is never positive: rows that even the most expected pattern could not lift are
    # not compared with the day's.
    able = np.flatnonzero(parts.sum(axis=0) > KEEP)
    pairs, which = np.unique((2 * rows.kind + gone)[able], return_inverse=True)
    shapes = [(rows.shapes[pair // 2], bool(pair % 2)) for pair in pairs.tolist()]
    scores = np.array([s.score + habits.pattern_weight(s, g) for s, g in shapes])
    parts[1] = -math.inf
    parts[1, able] = scores[which]
    parts[0] -= habits.lone_price * (np.array(RHYTHMS_S)[rhythm] > MACHINE_S)
    gains = parts.sum(axis=0)
    kept = np.flatnonzero(gains > KEEP)
    return Weighed(rows=rows, kept=kept, gain=gains[kept], rhythm=rhythm[kept], parts=parts[:, kept])
