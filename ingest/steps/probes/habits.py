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

import numpy as np

from ingest.steps.probes.evidence import LONG_S, RHYTHM_SHARE, RHYTHMS_S, Steps, idle_in
from ingest.steps.probes.ladders import Shape

NOVELTY, DISCOUNT = 2.0, 0.5  # weight of "something new" against patterns already met
EV_SPAN = 45.0  # thirds of a stop over which a first exposure may lie
SURE = 3.0  # nats above the loose reading from which a set teaches


@dataclass(frozen=True, kw_only=True, slots=True)
class Habits:
    """Odds for one stream.  ``patterns`` counts signatures, ``starts`` first exposures in 1/24 stop."""

    rhythm_share: tuple[float, ...] = RHYTHM_SHARE
    patterns: Counter[tuple[object, ...]] = field(default_factory=Counter)
    shapes: dict[tuple[object, ...], Shape] = field(default_factory=dict)
    starts: Counter[int] = field(default_factory=Counter)
    sets: int = 0
    dark_frames: bool | None = None
    picture_trust: float = 0.7
    still_share: float = 0.4

    def pattern_weight(self, shape: Shape) -> float:
        """Added to a shape's own score: how expected the pattern is on this body today."""
        if not self.sets:
            return 0.0
        met = self.patterns.get(shape.signature, 0)
        new = (NOVELTY + DISCOUNT * len(self.patterns)) / (self.sets + NOVELTY)
        generic = math.log(new) + shape.score
        if not met:
            return math.log(new)
        return max(generic, math.log((met - DISCOUNT) / (self.sets + NOVELTY))) - shape.score

    def start_weight(self, start: int | None) -> float:
        """How much better a first exposure is explained by this body's brackets than by chance."""
        if not self.sets or start is None:
            return 0.0
        met = sum(self.starts.get(start + d, 0) for d in range(-2, 3))
        share = met / (self.sets + NOVELTY)
        return math.log(share * EV_SPAN * 0.35 + (1.0 - share)) if met else -0.2

    @property
    def usual(self) -> tuple[Shape, int] | None:
        """The pattern met most often, with its count; None before two of a kind."""
        if not self.patterns:
            return None
        signature, count = min(self.patterns.items(), key=lambda kv: (-kv[1], str(kv[0])))
        return (self.shapes[signature], count) if count >= 2 else None


def learn(steps: Steps, found: Sequence[tuple[int, int, Shape, int, float]]) -> Habits:
    """Habits from sets found: start, end, shape, index of its rhythm, and how sure (nats)."""
    sure = [f for f in found if f[4] >= SURE]
    rhythms = np.array(RHYTHM_SHARE) * 5.0
    patterns: Counter[tuple[object, ...]] = Counter()
    shapes: dict[tuple[object, ...], Shape] = {}
    starts: Counter[int] = Counter()
    for start, _, shape, rhythm, _ in sure:
        rhythms[rhythm] += 1
        patterns[shape.signature] += 1
        shapes[shape.signature] = shape
        first = steps.grid[start]
        if first is not None:
            starts[first] += 1
    return Habits(
        rhythm_share=tuple(float(r) for r in rhythms / rhythms.sum()),
        patterns=patterns,
        shapes=shapes,
        starts=starts,
        sets=len(sure),
        dark_frames=_dark_frames(steps, sure),
        picture_trust=_picture_trust(steps, sure),
        still_share=_still_share(steps, found),
    )


def _inside(n: int, found: Sequence[tuple[int, int, Shape, int, float]]) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """True for every step inside a found set."""
    inside = np.zeros(n, dtype=np.bool_)
    for start, end, *_ in found:
        inside[start + 1 : end] = True
    return inside


def _dark_frames(steps: Steps, sure: Sequence[tuple[int, int, Shape, int, float]]) -> bool | None:
    """Whether long exposures are followed by a dark frame; None where the day does not tell."""
    votes = 0
    for start, end, _, rhythm, _ in sure:
        long = [k for k in range(start + 1, end) if steps.before_s[k] >= max(2 * steps.tick_s[k], LONG_S)]
        if long:
            with_dark = idle_in(steps, RHYTHMS_S[rhythm], True)
            without = idle_in(steps, RHYTHMS_S[rhythm], False)
            votes += int(np.sign(sum(with_dark[k] - without[k] for k in long)))
    return None if abs(votes) < 2 else votes > 0


def _picture_trust(steps: Steps, sure: Sequence[tuple[int, int, Shape, int, float]]) -> float:
    """1 where pictures follow the exposure inside certain sets, 0 where they say nothing or lie."""
    inside = _inside(len(steps.gap_s), sure)
    told = inside & ~np.isnan(steps.bright_jump) & (np.abs(np.nan_to_num(steps.jump)) > 0.5)
    if told.sum() < 4:
        return 0.7
    follows = np.mean(steps.bright_jump[told] / steps.jump[told] > 0.15)
    return float(np.clip((follows - 0.5) * 2.0, 0.0, 1.0))


def _still_share(steps: Steps, found: Sequence[tuple[int, int, Shape, int, float]]) -> float:
    """How often unrelated neighbours share their exposure on this body."""
    outside = ~_inside(len(steps.gap_s), found) & ~np.isnan(steps.jump)
    still = outside & (np.abs(np.nan_to_num(steps.jump)) < 0.1)
    return float((still.sum() + 4.0) / (outside.sum() + 10.0))
