"""Does a body's day fit the log better an hour earlier or later?

An hour lost on a flight moves every probe to the setup before, and each placement alone looks sure.
Together they do not: some setups get two probes, others none, some probes fall between rows.  A clock that is known
to minutes only, and is further off than twice its uncertainty, gives itself away in the same manner.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from ingest.records.filing import Evidence, Item, Placement
from ingest.records.setups import SetupLog, SetupRow

STEP_S = 1800  # zones differ by half hours, but for a few
FURTHEST_S = 13 * 3600
FEWEST = 5  # probes of a day; fewer prove nothing
GAIN = 0.2  # of the probes must find a setup of their own that had none
# From 150 seeded days each (tests/steps/coverage/test_shoot_days.py): no right clock was doubted, and of clocks
# an hour off six in ten, two hours eight in ten.  At 0.15 one right clock was.
VAGUE_S = 60.0  # of standard uncertainty: what a better known clock is off by changes no setup
ALLOWED, FURTHEST = 2.0, 4.0  # times that uncertainty: what each placement allows for by itself, and what may yet be
MORE = 2  # setups must find a probe further off than with any clock that is allowed for: so did 1 in 300 days with a
# clock known to 2 or 10 minutes (seeds 200000 to 200299 of the invented days), none of them wrong without a mark


@dataclass(frozen=True, kw_only=True, slots=True)
class Suspicion:
    """``body``'s probes of ``day`` fit the log better with ``shift_s`` added: ``now`` setups have a probe as
    the clock stands, ``then`` would have."""

    body: str
    day: str
    shift_s: int
    now: int
    then: int
    items: tuple[str, ...]

    @property
    def words(self) -> str:
        if abs(self.shift_s) < STEP_S or self.shift_s % STEP_S:
            return (f"the day's probes of this body fit the log better {self.shift_s / 60:+.0f} min away, further than "
                    f"its clock is known (setups with a probe: {self.then} instead of {self.now}): is it that wrong?")
        return (f"the day's probes of this body fit the log better {self.shift_s / 3600:+g} h away "
                f"(setups with a probe: {self.then} instead of {self.now}): is its clock wrong?")


def suspicions(items: Iterable[Item], log: SetupLog, days: Mapping[str, str]) -> list[Suspicion]:
    """Bodies whose clock looks wrong on a day.  ``days``: item id -> shoot day as placed now.

    Only probes are weighed: one is due per setup, so a right clock spreads them.
    """
    rows = sorted((r for r in log.rows if r.start_s is not None and r.until_s is not None),
                  key=lambda r: (r.start_s or 0.0, r.line))
    groups: dict[tuple[str, str], list[Item]] = defaultdict(list)
    for item in items:
        if item.kind == "probe" and item.moments and item.body:
            groups[item.body, days.get(item.id, "")].append(item)
    found = []
    for (body, day), group in sorted(groups.items()):
        near = [r for r in rows if r.day == day]
        if len({i.standpoint for i in group}) < FEWEST or len({r.key for r in near}) < FEWEST:
            continue
        stood: dict[str, float] = {}
        for item in sorted(group, key=lambda i: min(i.moments)):
            stood.setdefault(item.standpoint, min(item.moments))
        times = sorted(stood.values())
        now = _covered(times, near, 0)
        shifts = [n for n in range(-FURTHEST_S, FURTHEST_S + 1, STEP_S) if n]
        best = max(shifts, key=lambda s: (_covered(times, near, s), -abs(s)))
        then = _covered(times, near, best)
        ids = tuple(sorted(i.id for i in group))
        vague = _vague(times, near, min(i.sigma_s for i in group))
        if then - now >= max(3, GAIN * len(times)):
            found.append(Suspicion(body=body, day=day, shift_s=best, now=now, then=then, items=ids))
        elif vague is not None:
            best, then = vague
            found.append(Suspicion(body=body, day=day, shift_s=best, now=now, then=then, items=ids))
    return found


def _vague(times: Sequence[float], rows: Sequence[SetupRow], sigma_s: float) -> tuple[int, int] | None:
    """The shift beyond what a vague clock is allowed that alone explains the day, and how many setups then hold a
    probe; None where none does."""
    if sigma_s < VAGUE_S:
        return None
    allowed, furthest = int(ALLOWED * sigma_s), int(min(FURTHEST * sigma_s, FURTHEST_S))
    within = max(_covered(times, rows, s) for s in range(-allowed, allowed + 1, 60))
    beyond = [sign * s for s in range(allowed + 60, furthest + 1, 60) for sign in (-1, 1)]
    best = max(beyond, key=lambda s: (_covered(times, rows, s), -abs(s)), default=0)
    then = _covered(times, rows, best)
    return (best, then) if then - within >= MORE else None


def doubted(items: Sequence[Item], placed: Iterable[Placement], log: SetupLog) -> list[Placement]:
    """Placements with those that rest on a suspicious clock marked for review; hand and slate stand."""
    before = list(placed)
    why = {i: s for s in suspicions(items, log, {p.item: p.day for p in before}) for i in s.items}
    return [
        replace(p, review=True, reasons=(*p.reasons, why[p.item].words))
        if p.item in why and p.evidence in (Evidence.LOG, Evidence.NONE) else p for p in before
    ]


def _covered(times: Sequence[float], rows: Sequence[SetupRow], shift_s: int) -> int:
    """How many setups hold a probe when every time is moved."""
    starts = [r.start_s or 0.0 for r in rows]
    held = set()
    for t in times:
        place = bisect_right(starts, t + shift_s) - 1
        if place >= 0 and t + shift_s < (rows[place].until_s or 0.0):
            held.add(rows[place].key)
    return len(held)
