"""How far a slate speaks."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from itertools import pairwise

from ingest.records.filing import Item, SlateReading
from ingest.records.setups import SetupRow
from ingest.steps.filing.rows import Limits, RowIndex, same


class Slates:
    """Slates by body and by item, with the frames of each body between them.

    A slate speaks for its body until the next slate on it, the next row of the log that names another
    setup, the day's roll-over, or half an hour without a frame.
    """

    def __init__(
        self, slates: Iterable[SlateReading], items: Iterable[Item], frames: Mapping[str, Sequence[float]],
        index: RowIndex, limits: Limits, day_of: Callable[[float], tuple[str, float]],
    ) -> None:
        self._index, self._limits, self._day_of = index, limits, day_of
        self._inside: dict[str, SlateReading] = {}
        self._heads: dict[str, list[SlateReading]] = defaultdict(list)
        self._all: dict[str, list[SlateReading]] = defaultdict(list)
        for slate in sorted((s for s in slates if s.setup), key=lambda s: (s.at_s, s.source)):
            if slate.item:
                self._inside.setdefault(slate.item, slate)
            if slate.body:
                self._all[slate.body].append(slate)
                if not slate.tail:
                    self._heads[slate.body].append(slate)
        self._frames: dict[str, list[float]] = defaultdict(list)
        if self._all:
            for body, times in frames.items():
                self._frames[body] += times
            for item in items:
                self._frames[item.body] += item.moments
            for times in self._frames.values():
                times.sort()

    def speaking_for(self, item: Item) -> tuple[SlateReading | None, SetupRow | str | None]:
        """The slate that speaks, or last spoke, for an item, and what ended its reach: a row of the log, words,
        or None while it still speaks."""
        if item.id in self._inside:
            return self._inside[item.id], None
        slates = self._all.get(item.body)
        if not slates or not item.moments:
            return None, None
        first, last = min(item.moments), max(item.moments)
        after = bisect_left(slates, last, key=lambda s: s.at_s)
        tail = slates[after] if after < len(slates) else None
        if tail and tail.tail and not self._idle_or_rolled(item.body, last, tail.at_s):
            return tail, None
        heads = self._heads[item.body]
        before = bisect_right(heads, first, key=lambda s: s.at_s)
        if not before:
            return None, None
        slate = heads[before - 1]
        for row in self._index.begun(slate.at_s, first):
            if not same(row.setup, slate.setup) and (not slate.unit or same(row.unit, slate.unit)):
                return slate, row
        return slate, self._idle_or_rolled(item.body, slate.at_s, first) or None

    def _idle_or_rolled(self, body: str, since: float, to: float) -> str:
        if self._day_of(since)[0] != self._day_of(to)[0]:
            return "the day has rolled over since"
        times = self._frames[body]
        between = times[bisect_left(times, since):bisect_right(times, to)]
        idle = max((b - a for a, b in pairwise([since, *between, to])), default=0.0)
        return f"there was no frame for {idle / 60:.0f} min" if idle > self._limits.slate_idle_s else ""
