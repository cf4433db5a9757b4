"""The most plausible way to cut a stream into brackets, runs and loose frames, and how sure that is.

Rows that do not overlap may be taken together; the best partition is the heaviest such choice (weighted
interval scheduling, Kleinberg and Tardos, Algorithm Design, section 6.1, from memory).  The same recursion
with sums in place of maxima gives each row's share of all partitions' likelihood, which is how sure it is
(the forward-backward recursion of Rabiner 1989, from memory).
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from typing import Protocol, TypeVar

TEMPER = 1.6  # evidence is not as independent as the sum pretends: log weights are divided by this


class Row(Protocol):
    """Anything with a place and a gain (nats over reading its frames as loose)."""

    @property
    def start(self) -> int: ...
    @property
    def end(self) -> int: ...
    @property
    def gain(self) -> float: ...


R = TypeVar("R", bound=Row)


def heaviest(length: int, rows: Sequence[R]) -> list[R]:
    """Rows without overlap whose gains add up to most, in order; on a tie the fewer and the earlier."""
    ending: dict[int, list[R]] = defaultdict(list)
    for row in rows:
        if row.gain > 0:
            ending[row.end].append(row)
    best = [0.0] * (length + 1)
    taken: list[R | None] = [None] * (length + 1)
    for end in range(1, length + 1):
        best[end] = best[end - 1]
        for row in ending.get(end, ()):
            value = best[row.start] + row.gain
            if value > best[end] + 1e-9:
                best[end], taken[end] = value, row
    chosen: list[R] = []
    at = length
    while at > 0:
        row_here = taken[at]
        if row_here is None:
            at -= 1
        else:
            chosen.append(row_here)
            at = row_here.start
    return chosen[::-1]


def shares(length: int, rows: Sequence[R], wanted: Sequence[R]) -> list[float]:
    """For each wanted row the share (0 to 1) of all partitions' likelihood in which it stands."""
    ending: dict[int, list[R]] = defaultdict(list)
    starting: dict[int, list[R]] = defaultdict(list)
    for row in rows:
        ending[row.end].append(row)
        starting[row.start].append(row)
    before = [0.0] * (length + 1)
    for end in range(1, length + 1):
        terms = [before[r.start] + r.gain / TEMPER for r in ending.get(end, ())]
        before[end] = _sum_logs(before[end - 1], terms)
    after = [0.0] * (length + 1)
    for start in range(length - 1, -1, -1):
        terms = [after[r.end] + r.gain / TEMPER for r in starting.get(start, ())]
        after[start] = _sum_logs(after[start + 1], terms)
    return [math.exp(min(0.0, before[r.start] + r.gain / TEMPER + after[r.end] - before[length])) for r in wanted]


def _sum_logs(base: float, terms: list[float]) -> float:
    if not terms:
        return base
    top = max(base, *terms)
    return top + math.log(math.exp(base - top) + sum(math.exp(t - top) for t in terms))
