"""How far a slate speaks: for its own body, and as a witness of what was being shot at a moment."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import pairwise
from math import inf

from ingest.records.filing import Evidence, Item, Placement, SlateReading
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
        slates = sorted((s for s in slates if s.setup), key=lambda s: (s.at_s, s.source))
        for slate in slates:
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
        self._vaguely = self._witnesses(slates, items)
        self._seen = [s for s in self._vaguely if s[1] <= limits.change_s / 2]  # those whose clock is well known

    def _witnesses(self, slates: Sequence[SlateReading], items: Iterable[Item]) -> list[tuple[float, float, str, str]]:
        """(true time, how far that may be off, setup, unit) of slates whose clock is known at all, in order."""
        off: dict[str, float] = {}
        for item in items:
            off[item.body] = max(off.get(item.body, 0.0), self._limits.sigmas * item.sigma_s)
        return [(s.at_s, off[s.body], s.setup.casefold(), s.unit) for s in slates
                if s.body in off and s.body and not s.tail]

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

    # as a witness

    def _shown(self, low_s: float, high_s: float) -> Sequence[tuple[float, float, str, str]]:
        first = bisect_left(self._seen, low_s, key=lambda s: s[0])
        return self._seen[first : bisect_right(self._seen, high_s, key=lambda s: s[0])]

    def disprove(self, before: SetupRow, after: SetupRow, meant_s: float) -> bool:
        """Whether slates show that the change from ``before`` to ``after`` did not come at ``meant_s`` instead of the
        written moment: one of ``before`` after it, one of ``after`` before it, or the first of ``after`` just where the
        log begins it."""
        written_s, slack = after.start_s or 0.0, self._limits.minute_after_s
        old, new = before.setup.casefold(), after.setup.casefold()
        if meant_s > written_s:
            return any(s == new and at + off < meant_s for at, off, s, _ in self._shown(written_s - slack, meant_s))
        if any(s == old and at - off > meant_s + slack for at, off, s, _ in self._shown(meant_s, written_s)):
            return True
        shown = self._shown(meant_s, written_s + self._limits.slated_s)
        first = next((at + off for at, off, s, _ in shown if s == new), None)
        return first is not None and first >= written_s

    def contradictions(
        self, items: Sequence[Item], placed: Sequence[Placement], words: Callable[[float, str], str]
    ) -> list[Placement]:
        """Placements by the log with a reason for review where a slate says that another setup was being shot.

        Whichever body saw it.  ``words``: a moment on a day, as people write it.
        """
        out = list(placed)
        by_key: dict[tuple[str, str, str], list[int]] = defaultdict(list)
        for n, (item, p) in enumerate(zip(items, placed, strict=True)):
            if p.key and p.evidence is Evidence.LOG and item.moments:
                by_key[p.key].append(n)
        for row, low, high, why in (*self._not_in_the_log(words), *self._slated_late(words)):
            for n in by_key[row.key]:
                if low <= min(items[n].moments) < high and why not in out[n].reasons:
                    out[n] = replace(out[n], review=True, reasons=(*out[n].reasons, why))
        return out

    def _not_in_the_log(self, words: Callable[[float, str], str]) -> Iterator[tuple[SetupRow, float, float, str]]:
        """Rows with the span in which a slate of a setup speaks against them that the log does not have then."""
        for k, (at, off, setup, unit) in enumerate(self._vaguely):
            slack = off + self._limits.minute_after_s
            near = self._index.touching(at - slack, at + slack)
            if any(same(r.setup, setup) for r in near):
                continue
            until = next((t for t, _, s, _ in self._vaguely[k + 1:] if s != setup), inf)
            for row in near:
                assert row.start_s is not None and row.until_s is not None
                if row.start_s <= at < row.until_s and (not unit or not row.unit or same(unit, row.unit)):
                    yield row, at - off, min(until, self._over(row)), (
                        f"a slate at {words(at, row.day)} says {setup.upper()}, the log has {row.setup} then")

    def _over(self, row: SetupRow) -> float:
        """When a setup is over that the log goes on with in further rows, as after a change of lens."""
        over = row.until_s or 0.0
        for other in self._index.begun(row.start_s or 0.0, over):
            if other.key != row.key and (other.start_s or 0.0) > (row.start_s or 0.0):
                break
            over = max(over, other.until_s or 0.0)
        return over

    def _slated_late(self, words: Callable[[float, str], str]) -> Iterator[tuple[SetupRow, float, float, str]]:
        """Rows, on a day whose setups are slated as they begin, with the span before their own late slate."""
        slated = self.slated(self._index.rows) if self._seen else set()
        for row in self._index.rows:
            assert row.start_s is not None
            first = self._first(row) if row.key[:2] in slated else None
            if first is not None and first > row.start_s + self._limits.slated_s:
                yield row, row.start_s, first, (
                    f"{row.setup} begins {words(row.start_s, row.day)} by the log, but its slate comes at "
                    f"{words(first, row.day)} only: did it begin then?")

    def slated(self, rows: Iterable[SetupRow]) -> set[tuple[str, str]]:
        """(day, unit) whose setups are nearly all slated soon after they begin: one without a row would show there."""
        held: dict[tuple[str, str], list[bool]] = defaultdict(list)
        for row in rows:
            if row.start_s is not None and row.until_s is not None:
                first = self._first(row)
                held[row.key[:2]].append(first is not None and first <= row.start_s + self._limits.slated_s)
        return {unit for unit, own in held.items()
                if len(own) >= self._limits.usual_rows and sum(own) >= self._limits.slated_rows * len(own)}

    def _first(self, row: SetupRow) -> float | None:
        """When a row's own slate was first seen in it, at the earliest."""
        assert row.start_s is not None and row.until_s is not None
        shown = self._shown(row.start_s - self._limits.minute_after_s, row.until_s)
        return next((at - off for at, off, s, _ in shown if s == row.setup.casefold()), None)
