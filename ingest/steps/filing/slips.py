"""What one mistyped start would move, where something else in the day speaks for it.

A start with its last figure wrong, its two minute figures changed over, or an hour off reads like any other.  Where
the row before has an end, the two contradict each other; where it has none, nothing in the log does.  But a probe is
the last thing that is shot in a setup, before the lamps move: so a take after it, or a probe in the first minutes of a
setup whose neighbour has none, fits the mistyped start better than the written one.  Such an item stays where the log
puts it, and a person looks.

A wrong figure of the ten minutes is not suspected: on the invented days that would mark three more in a hundred items
that are right.

Each slip names the moment that was meant, so it is believed only where the setup may have changed at that very moment:
not between two takes that follow each other within minutes, and not where a slate shows that it had changed, or not.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from math import inf

from ingest.records.filing import Evidence, Item, Placement
from ingest.records.setups import SetupLog, SetupRow
from ingest.steps.filing.changes import Changes
from ingest.steps.filing.reach import Slates
from ingest.steps.filing.rows import Limits
from ingest.steps.setups.moments import Unclear, parse_time

MINUTE_S = 60.0
Key = tuple[str, str, str]


def meant_starts(row: SetupRow) -> Iterator[float]:
    """Each start (true s) that one slip of the pen may have made into ``row``'s own: another last figure of the
    minutes, the two figures of the minutes changed over, the hour one off.  None where no time of day was read."""
    start = row.start_s or 0.0
    try:
        minute = parse_time(row.cells.get("start", "") or row.cells.get("timestamp", "")).seconds // 60 % 60
    except Unclear:
        return
    tens, ones = divmod(minute, 10)
    meant = {tens * 10 + figure for figure in range(10)}
    if ones < 6:
        meant.add(ones * 10 + tens)
    yield from (start + (m - minute) * MINUTE_S for m in sorted(meant - {minute}))
    yield start - 60 * MINUTE_S
    yield start + 60 * MINUTE_S


@dataclass(frozen=True, kw_only=True, slots=True)
class _Change:
    """The change from one row to the next, and what lies in each of the two: (first moment, place in the list).
    ``settled`` are those that a slate or a person filed; ``since`` when each body's pictures of the day begin."""

    before: SetupRow
    after: SetupRow
    in_before: Sequence[tuple[float, int]]
    in_after: Sequence[tuple[float, int]]
    probes: frozenset[int]
    settled: frozenset[int]
    since: Mapping[str, float]

    @property
    def at_s(self) -> float:
        return self.after.start_s or 0.0

    def has_come(self, body: str) -> bool:
        """Whether what a body shot before is here: what is not may lie on a card that has yet to come."""
        return bool(self.in_before) or self.since.get(body, inf) < (self.before.start_s or 0.0)

    def earlier(self, meant_s: float) -> list[int]:
        """What ``after`` would have got of ``before``, had it begun already at ``meant_s``; nothing where that leaves
        ``before`` without the probe that speaks for it."""
        if not any(n in self.probes and t < meant_s for t, n in self.in_before):
            return []
        return [n for t, n in self.in_before if t >= meant_s]

    def later(self, meant_s: float) -> list[int]:
        """What ``before``, that has no probe, would have got of ``after`` with a probe among it."""
        moved = [n for t, n in self.in_after if t < meant_s]
        if meant_s >= (self.after.until_s or 0.0) or not any(n in self.probes for n in moved):
            return []
        return moved


def mistyped_starts(
    items: Sequence[Item], placed: Sequence[Placement], log: SetupLog, slates: Slates, changes: Changes, limits: Limits
) -> list[Placement]:
    """Placements with a reason for review where a change between two setups, mistyped by a slip, would move them."""
    out = list(placed)
    for change in _changes(items, placed, log):
        before, after, unit = change.before, change.after, change.after.key[:2]
        written = after.cells.get("start", "") or after.cells.get("timestamp", "")
        said = f"{after.setup} begins {written} by the log"
        held = any(n in change.probes for _, n in change.in_before)
        for meant_s in meant_starts(after):
            moved = change.earlier(meant_s) if meant_s < change.at_s and before.open_ended else []
            why = f"it comes after the probe of {before.setup} and within a slip of the pen of the next start: {said}"
            # A start an hour early leaves the row before it hardly any time; else nothing speaks for that slip.
            cut = meant_s < change.at_s + 60 * MINUTE_S or change.at_s - (before.start_s or 0.0) < limits.line_up_s
            if meant_s > change.at_s and not held and cut:
                moved = change.later(meant_s)
                if not any(change.has_come(items[n].body) for n in moved if n in change.probes):
                    moved = []
                why = (f"{before.setup} before it has no probe, and what was shot until the one within a slip of the "
                       f"pen of the change may be its own: {said}")
            early, late = meant_s - limits.minute_before_s, meant_s + limits.minute_after_s
            if not moved or change.settled & set(moved) or not changes.fit(unit, early, late, limits.slip_pause_s):
                continue
            if slates.disprove(before, after, meant_s):
                continue
            for n in moved:
                if why not in out[n].reasons:
                    out[n] = replace(out[n], review=True, reasons=(*out[n].reasons, why))
    return out


def _changes(items: Sequence[Item], placed: Sequence[Placement], log: SetupLog) -> Iterable[_Change]:
    filed: dict[Key, list[tuple[float, int]]] = defaultdict(list)
    since: dict[tuple[str, str], dict[str, float]] = defaultdict(dict)
    for n, (item, p) in enumerate(zip(items, placed, strict=True)):
        if p.key and item.moments:
            filed[p.key].append((min(item.moments), n))
            first = since[p.key[:2]]
            first[item.body] = min(first.get(item.body, inf), *item.moments)
    probes = frozenset(n for n, item in enumerate(items) if item.kind == "probe")
    settled = frozenset(n for n, p in enumerate(placed) if p.evidence is not Evidence.LOG)
    rows = sorted((r for r in log.rows if r.start_s is not None and r.until_s is not None),
                  key=lambda r: (r.day, r.unit, r.start_s or 0.0, r.line))
    for before, after in pairwise(rows):
        if before.key[:2] == after.key[:2] and before.key != after.key:
            yield _Change(
                before=before, after=after, probes=probes, settled=settled,
                since=since[after.key[:2]],
                in_before=[(t, n) for t, n in filed[before.key] if _within(t, before)],
                in_after=[(t, n) for t, n in filed[after.key] if _within(t, after)],
            )


def _within(moment_s: float, row: SetupRow) -> bool:
    return (row.start_s or 0.0) <= moment_s < (row.until_s or 0.0)
