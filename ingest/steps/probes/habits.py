"""What a body's own day teaches: its rhythm, its patterns, where its brackets start, what its pictures tell.

A day repeats itself.  After a first pass over a stream with general odds, what was found for certain becomes
the odds of the second pass.  A pattern met c times among n sets of k patterns is expected with
(c - 0.5) / (n + 2), a new one with what is left: the more patterns a day has shown, the more are to come
(Pitman and Yor 1997, two-parameter process, from memory).
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np

from ingest.steps.probes.evidence import MACHINE_S, RHYTHM_SHARE, RHYTHMS_S, STAMP_COSTS, Array, Steps
from ingest.steps.probes.ladders import AT_FIRST, Shape

NOVELTY, DISCOUNT = 2.0, 0.5  # weight of "something new" against patterns already met
EV_SPAN = 45.0  # thirds of a stop over which a first exposure may lie
LONE_PRICE = 5.0  # of a set stepped by hand on a day that shows no bracket for certain
SURE = 3.0  # nats above the loose reading from which a set teaches
# Prices: of each frame a known pattern lacks where a file may be gone, and where none is; of exposures nobody could
# read; of an exposure pressed twice.
GONE, NEVER_SHOT, LESS, AGAIN = 2.6, 6.0, 0.7, 1.4
SAME_STOPS = 0.3
MOST_GONE = 6  # frames of a pattern that may be missing, and it is still recognised
MOST_PATTERNS = 24  # the most frequent ones that a day is compared with

Stops = tuple[float | None, ...]
Found = tuple[int, int, Shape, int, float]  # start, end, shape, index of its rhythm, how sure in nats


@dataclass(frozen=True, kw_only=True, slots=True)
class Pattern:
    """A bracket this body was found to shoot, and how often today."""

    shape: Shape
    met: int


@dataclass(kw_only=True, slots=True)
class Habits:
    """Odds for one stream.  ``starts`` counts first exposures in 1/24 stop; ``lone_price`` is
    taken off a set stepped by hand where nothing else on the day is a bracket."""

    rhythm_share: tuple[float, ...] = RHYTHM_SHARE
    patterns: tuple[Pattern, ...] = ()
    starts: Counter[int] = field(default_factory=Counter)
    sets: int = 0
    lone_price: float = 0.0
    stamp_costs: tuple[float, ...] = STAMP_COSTS
    picture_trust: float = 0.7
    still_share: float = 0.4
    _starts: dict[int, float] = field(default_factory=dict)

    def pattern_weight(self, shape: Shape, files_gone: bool) -> float:
        """Added to a shape's own score: how expected the pattern is on this body today.  ``files_gone`` says
        that files may be missing here, so that a part of a pattern may be all that is left of it."""
        if not self.sets:
            return 0.0
        return self._weigh(shape, files_gone)

    def _weigh(self, shape: Shape, files_gone: bool) -> float:
        every = self.sets + NOVELTY
        best = math.log((NOVELTY + DISCOUNT * len(self.patterns)) / every) + shape.score
        if not shape.unknown and (not self.patterns or self.patterns[0].met < 2):
            return best - shape.score
        stops, once = shape.stops, _once(shape.stops) if shape.duplicates else ()
        for pattern in self.patterns:
            if pattern.met < 2 and not shape.unknown:
                break  # the rest were met once
            # One of those met may be this very row, or hold it: nothing may vouch for itself.  A row with unread
            # exposures taught nothing.
            met = pattern.met - (not shape.unknown)
            lacks = pattern.shape.count - shape.count
            if met <= 0 or lacks > MOST_GONE or (lacks > 0 and not files_gone and not shape.unknown):
                continue
            gone = missing_from(stops, pattern.shape.stops)
            if gone is None and len(once) == pattern.shape.count:
                gone = missing_from(once, pattern.shape.stops)
            if gone is not None:
                share = math.log((met - DISCOUNT / 2) / every)
                price = (GONE if files_gone else NEVER_SHOT) * gone + AGAIN * shape.duplicates
                price += AT_FIRST * (len(once) > 0 and stops[0] == stops[1])
                best = max(best, share - price - (LESS if shape.unknown else 0.0))
        return best - shape.score

    def met(self, shape: Shape) -> int:
        """How often this very pattern was met today."""
        return sum(p.met for p in self.patterns if missing_from(shape.stops, p.shape.stops) == 0)

    def whole_of(self, shape: Shape, files_gone: bool) -> Pattern | None:
        """The pattern of which this shape is a part; None if it is whole by itself.  Where no file is missing
        the whole must have been met more often than the part, or as often as a part of an even number."""
        met = 0 if files_gone else self.met(shape) - (shape.count % 2 == 0)
        wholes = [p for p in self.patterns if missing_from(shape.stops, p.shape.stops) and p.met > met]
        return max(wholes, key=lambda p: (p.met, -p.shape.count), default=None)

    def start_weight(self, start: int | None) -> float:
        """How much better a first exposure is explained by this body's brackets than by chance."""
        if not self.sets or start is None:
            return 0.0
        if start not in self._starts:
            self._starts[start] = self._weigh_start(start)
        return self._starts[start]

    def _weigh_start(self, start: int) -> float:
        met = sum(self.starts.get(start + d, 0) for d in range(-2, 3)) - 1  # nothing may vouch for itself
        share = max(0, met) / (self.sets + NOVELTY)
        return math.log(share * EV_SPAN * 0.35 + (1.0 - share))


def _once(stops: Stops) -> Stops:
    """A row without the exposures that repeat the one before."""
    return tuple(s for k, s in enumerate(stops) if not k or s is None or s != stops[k - 1])


@lru_cache(maxsize=100_000)
def missing_from(stops: Stops, whole: Stops) -> int | None:
    """How many frames of a whole pattern a row lacks; 0 if it is that pattern, None if it is no part of it.

    Exposures are compared up to one common shift; unknown ones fit anywhere.

    >>> missing_from((0.0, 4.0), (0.0, -2.0, 2.0)), missing_from((0.0, 1.0), (0.0, -2.0, 2.0))
    (1, None)
    """
    if len(stops) > len(whole):
        return None
    first = next((k for k, s in enumerate(stops) if s is not None), None)
    if first is None:
        return len(whole) - len(stops)
    own = stops[first]
    assert own is not None
    for anchor in range(first, len(whole) - (len(stops) - first) + 1):
        origin = whole[anchor]
        if origin is not None and _follows(stops, whole, first, anchor, own - origin):
            return len(whole) - len(stops)
    return None


def _follows(stops: Stops, whole: Stops, first: int, anchor: int, shift: float) -> bool:
    """Whether the row from ``first`` on comes in this order inside the whole from ``anchor`` on."""
    at = anchor
    for stop in stops[first:]:
        while at < len(whole):
            there = whole[at]
            at += 1
            if stop is None or there is None or abs(stop - shift - there) < SAME_STOPS:
                break
        else:
            return False
    return True


def learn(steps: Steps, table: Array, found: Sequence[Found]) -> Habits:
    """Habits from the sets found."""
    again = Counter(_exactly(steps, f) for f in found)
    sure = [f for f in found if f[4] >= SURE or again[_exactly(steps, f)] >= 2]
    rhythms = np.array(RHYTHM_SHARE) * 5.0
    starts: Counter[int] = Counter()
    for start, _, _, rhythm, _ in sure:
        rhythms[rhythm] += 1
        first = steps.grid[start]
        if first is not None:
            starts[first] += 1
    return Habits(
        rhythm_share=tuple(float(r) for r in rhythms / rhythms.sum()),
        patterns=_patterns([f[2] for f in sure]),
        starts=starts,
        sets=len(sure),
        lone_price=0.0 if sure else LONE_PRICE,
        stamp_costs=_stamp_costs(steps, table, found),
        picture_trust=_picture_trust(steps, sure),
        still_share=_still_share(steps, found),
    )


def _exactly(steps: Steps, found: Found) -> tuple[object, ...]:
    """The same exposures in the same order: chance does not repeat them."""
    return (steps.grid[found[0]], found[2].stops)


def _patterns(shapes: Sequence[Shape]) -> tuple[Pattern, ...]:
    """Equal shapes counted together.  One with unread exposures teaches nothing new."""
    kinds: list[list[Shape]] = []
    for shape in shapes:
        if shape.unknown:
            continue
        home = next((k for k in kinds if missing_from(shape.stops, k[0].stops) == 0), None)
        if home is None:
            kinds.append([shape])
        else:
            home.append(shape)
    kinds.sort(key=len, reverse=True)
    return tuple(Pattern(shape=k[0], met=len(k)) for k in kinds[:MOST_PATTERNS])


def _inside(n: int, found: Sequence[Found]) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """True for every step inside a found set."""
    inside = np.zeros(n, dtype=np.bool_)
    for start, end, *_ in found:
        inside[start + 1 : end] = True
    return inside


def _stamp_costs(steps: Steps, table: Array, found: Sequence[Found]) -> tuple[float, ...]:
    """Where this body's stamps lie, as prices of the four ways (``evidence.fillings``), from its long exposures."""
    votes = np.zeros(len(STAMP_COSTS))
    long = (steps.before_s + steps.after_s) >= 1.5 * steps.tick_s + 0.3
    for rhythm in range(len(RHYTHMS_S)):
        told = _inside(len(long), [f for f in found if f[3] == rhythm]) & long & ~np.isnan(steps.gap_s)
        votes += np.clip(table[rhythm, : len(votes), told].T, -6.0, 0.0).sum(axis=1)
    odds = votes - np.array(STAMP_COSTS)
    return tuple(float(c) for c in np.minimum(odds.max() - odds, 4.0))


def _picture_trust(steps: Steps, sure: Sequence[Found]) -> float:
    """1 where pictures follow the exposure inside certain sets, 0 where they say nothing or lie.  Only sets
    that a machine shot in even steps can teach it: others were found by their pictures."""
    plain = [f for f in sure if f[2].regular and RHYTHMS_S[f[3]] < MACHINE_S]
    inside = _inside(len(steps.gap_s), plain)
    told = inside & ~np.isnan(steps.bright_jump) & (np.abs(np.nan_to_num(steps.seen_jump)) > 0.5)
    if told.sum() < 4:
        return 0.7
    follows = np.mean(steps.bright_jump[told] / steps.seen_jump[told] > 0.15)
    return float(np.clip((follows - 0.5) * 2.0, 0.0, 1.0))


def _still_share(steps: Steps, found: Sequence[Found]) -> float:
    """How often unrelated neighbours share their exposure on this body."""
    outside = ~_inside(len(steps.gap_s), found) & ~np.isnan(steps.jump)
    still = outside & (np.abs(np.nan_to_num(steps.jump)) < 0.1)
    return float((still.sum() + 4.0) / (outside.sum() + 10.0))
