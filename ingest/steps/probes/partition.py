"""The most plausible way to cut a stream into brackets, runs and loose frames, and how sure that is.

Rows that do not overlap may be taken together; the best partition is the heaviest such choice (weighted
interval scheduling, Kleinberg and Tardos, Algorithm Design, section 6.1, from memory).  The same recursion
with sums in place of maxima gives each row's share of all partitions' likelihood, which is how sure it is
(the forward-backward recursion of Rabiner 1989, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

TEMPER = 1.6  # evidence is not as independent as the sum pretends: log weights are divided by this

Span = tuple[int, int, float]  # start, end, gain in nats over reading its frames as loose


def heaviest(length: int, spans: Sequence[Span]) -> list[int]:
    """Which spans to take, none overlapping, so that their gains add up to most, in order; on a tie the first."""
    ending: list[list[tuple[int, float, int]]] = [[] for _ in range(length + 1)]
    for k, (start, end, gain) in enumerate(spans):
        if gain > 0:
            ending[end].append((start, gain, k))
    best = [0.0] * (length + 1)
    taken = [-1] * (length + 1)
    for end in range(1, length + 1):
        most = best[end - 1]
        for start, gain, k in ending[end]:
            if best[start] + gain > most + 1e-9:
                most, taken[end] = best[start] + gain, k
        best[end] = most
    chosen: list[int] = []
    at = length
    while at > 0:
        if taken[at] < 0:
            at -= 1
        else:
            chosen.append(taken[at])
            at = spans[taken[at]][0]
    return chosen[::-1]


def shares(length: int, spans: Sequence[Span], wanted: Sequence[int]) -> list[float]:
    """For each wanted span the share (0 to 1) of all partitions' likelihood in which it stands."""
    ending: list[list[tuple[int, float]]] = [[] for _ in range(length + 1)]
    starting: list[list[tuple[int, float]]] = [[] for _ in range(length + 1)]
    for start, end, gain in spans:
        ending[end].append((start, gain / TEMPER))
        starting[start].append((end, gain / TEMPER))
    before = [0.0] * (length + 1)
    for end in range(1, length + 1):
        before[end] = _sum_logs(before[end - 1], before, ending[end])
    after = [0.0] * (length + 1)
    for start in range(length - 1, -1, -1):
        after[start] = _sum_logs(after[start + 1], after, starting[start])
    found = []
    for start, end, gain in (spans[k] for k in wanted):
        found.append(math.exp(min(0.0, before[start] + gain / TEMPER + after[end] - before[length])))
    return found


def _sum_logs(base: float, known: Sequence[float], spans: Sequence[tuple[int, float]]) -> float:
    if not spans:
        return base
    terms = [known[at] + gain for at, gain in spans]
    top = max(base, *terms)
    exp = math.exp
    return top + math.log(exp(base - top) + sum([exp(t - top) for t in terms]))
