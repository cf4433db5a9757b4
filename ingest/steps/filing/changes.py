"""Where in a unit's day a change of setup fits: where nothing was shot for as long as the shortest change takes."""

from __future__ import annotations

from bisect import bisect_left
from collections import defaultdict
from collections.abc import Iterable, Sequence
from math import inf

from ingest.records.filing import Item
from ingest.steps.filing.rows import Limits

Key = tuple[str, str, str]


class Changes:
    """The pauses of each day and unit, from what the log files there.

    ``filed``: items, each with the setup that the log gives it (None: none).  What was shot under a clock known worse
    than half of the shortest change bounds no pause, and the others' uncertainty lengthens the pauses beside them:
    a change is ruled out only where it surely does not fit.
    """

    def __init__(self, filed: Iterable[tuple[Item, Key | None]], limits: Limits) -> None:
        busy: dict[tuple[str, str], list[tuple[float, float]]] = defaultdict(list)
        for item, key in filed:
            reach = limits.sigmas * item.sigma_s
            if key is not None and item.moments and reach <= limits.change_s / 2:
                # the latest that it began and the earliest that it ended; of what was shot in a moment, the other way
                # round: it may lie at either end of its uncertainty, and neither pause beside it must be cut short
                busy[key[:2]].append((min(item.moments) + reach, max(item.moments) - reach))
        self._pauses = {unit: _pauses(sorted(spans), limits.change_s) for unit, spans in busy.items()}

    def fit(self, unit: tuple[str, str], low_s: float, high_s: float, pause_s: float = 0.0) -> bool:
        """Whether the setup may have changed at some moment from ``low_s`` to ``high_s`` (true s) of a (day, unit), in
        a pause of at least ``pause_s`` where that is longer than the shortest change."""
        pauses = self._pauses.get(unit)
        if pauses is None:
            return True
        n = bisect_left(pauses, low_s, key=lambda p: p[1])  # the first that ends after it
        while n < len(pauses) and pauses[n][0] <= high_s:
            if pauses[n][1] - pauses[n][0] >= pause_s:
                return True
            n += 1
        return False


def _pauses(busy: Sequence[tuple[float, float]], least_s: float) -> list[tuple[float, float]]:
    """From what was shot, each (latest start, earliest end): where it is shorter than its clock is known well, the
    pause before it and the one after it overlap."""
    found, since = [], -inf
    for low, high in busy:
        if low - since >= least_s:
            found.append((since, low))
        since = max(since, high)
    return [*found, (since, inf)]
