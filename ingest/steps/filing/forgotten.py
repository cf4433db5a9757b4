"""A row nobody wrote: the row before it has no end and runs on over the setup that is missing."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from math import inf
from statistics import median

from ingest.records.filing import Evidence, Item, Placement
from ingest.records.setups import SetupLog, SetupRow
from ingest.steps.filing.reach import Slates
from ingest.steps.filing.rows import Limits

Key = tuple[str, str, str]


@dataclass(frozen=True, kw_only=True, slots=True)
class Overlong:
    """An unended row that lasts suspiciously long; what lies in it from ``since_s`` on is doubtful."""

    since_s: float
    until_s: float
    words: str


def forgotten_rows(
    items: Sequence[Item], placed: Sequence[Placement], log: SetupLog, slates: Slates, limits: Limits
) -> list[Placement]:
    """Placements with a reason for review where a row may be missing; none on a day whose setups are all slated.

    What lies in an unended row later than a usual row of that day lasts is filed there all the same, and a person
    looks.  One that holds two probes though the log names no change is suspected sooner, from the first of them on; and
    so is one after which the log leaves a name out, as from 48D to 48F.  Where that happens behind a row that has an
    end, and the next begins before it, the next is suspected: it began later, behind the setup that is missing.
    """
    moments = {i.id: min(i.moments) for i in items if i.moments}
    stood: dict[Key, dict[str, float]] = defaultdict(dict)  # when each standpoint's first view was taken
    shot: dict[Key, list[float]] = defaultdict(list)
    for item, p in zip(items, placed, strict=True):
        if p.key and item.id in moments:
            shot[p.key].append(moments[item.id])
            if item.kind == "probe":
                stood[p.key][item.standpoint] = min(moments[item.id], stood[p.key].get(item.standpoint, inf))
    probes = {key: list(first.values()) for key, first in stood.items()}
    slated = slates.slated(log.rows)
    long = {k: found for k, found in _overlong(log, probes, shot, limits).items() if k[:2] not in slated}
    out = []
    for p in placed:
        if p.key in long and p.key and p.evidence is Evidence.LOG and p.item in moments:
            doubt = next((o for o in long[p.key] if o.since_s < moments[p.item] < o.until_s), None)
            if doubt is not None:
                p = replace(p, review=True, reasons=(*p.reasons, doubt.words))
        out.append(p)
    return out


def _overlong(
    log: SetupLog, probes: Mapping[Key, list[float]], shot: Mapping[Key, list[float]], limits: Limits
) -> dict[Key, list[Overlong]]:
    rows = [(r, r.start_s, r.until_s) for r in log.rows if r.start_s is not None and r.until_s is not None]
    days: dict[tuple[str, str], list[float]] = defaultdict(list)
    for row, start, until in rows:
        days[row.day, row.unit].append(until - start)
    found: dict[Key, list[Overlong]] = defaultdict(list)
    skipped, after = _skipped(log), _after(log)
    empty_before = _empty_before(log, shot)
    for row, start, until in rows:
        lengths = days[row.day, row.unit]
        later = after.get(row.place)
        if not row.open_ended and row.place in skipped and later is not None:
            begun, over = later.start_s or 0.0, later.until_s or 0.0
            if begun + limits.minute_after_s < until:
                found[later.key].append(Overlong(
                    since_s=begun - 1, until_s=over,
                    words=f"{later.setup} begins by the log before {row.setup} ends, and {skipped[row.place]} between "
                          "them is nowhere in it: did it begin later?",
                ))
        if not row.open_ended or len(lengths) < limits.usual_rows:
            continue
        if row.end_s is None:  # the day's last: until the last that was shot in it
            until = max((t for t in shot.get(row.key, ()) if start <= t < until), default=start) + 1
        usual, length = median(lengths), until - start
        own = [t for t in probes.get(row.key, ()) if start <= t < until]
        twice = len(own) > 1
        if (name := skipped.get(row.place)) is not None:
            found[row.key].append(Overlong(
                since_s=min(start + limits.skipped_after * usual, *own, until), until_s=until,
                words=f"{row.setup} has no end in the log, and {name} is nowhere in it: is its row missing?",
            ))
        pause = _pause(sorted(t for t in shot.get(row.key, ()) if start <= t < until))
        if pause[0] >= limits.line_up_s and length > limits.overlong_paused * usual:
            found[row.key].append(Overlong(
                since_s=pause[1], until_s=until,
                words=f"{row.setup} has no end in the log, lasts {length / 60:.0f} min where {usual / 60:.0f} are "
                      f"usual, and nothing was shot for {pause[0] / 60:.0f} min before it: is a row missing?",
            ))
        if length > (limits.overlong_twice if twice else limits.overlong) * usual:
            words = f"{row.setup} has no end in the log and lasts {length / 60:.0f} min; usual are {usual / 60:.0f}"
            if name := empty_before.get(row.place):
                found[row.key].append(Overlong(
                    since_s=start - 1, until_s=until,
                    words=f"{words}, and nothing lies in {name} before it: did it begin later?",
                ))
            found[row.key].append(Overlong(
                since_s=min(start + usual, *own) if twice else start + usual, until_s=until,
                words=f"{words} that day{' and holds two probes' if twice else ''}: is a row missing?",
            ))
    return found


def _in_order(log: SetupLog) -> list[SetupRow]:
    timed = (r for r in log.rows if r.start_s is not None)
    return sorted(timed, key=lambda r: (r.day, r.unit, r.start_s or 0.0, r.line))


def _after(log: SetupLog) -> dict[tuple[str, int], SetupRow]:
    """Rows by place, each with the one that begins next on its day and in its unit."""
    return {row.place: after for row, after in pairwise(_in_order(log)) if row.key[:2] == after.key[:2]}


def _empty_before(log: SetupLog, shot: Mapping[Key, list[float]]) -> dict[tuple[str, int], str]:
    """Rows by place, each with the setup before it in which nothing was shot."""
    return {after.place: before.setup for before, after in pairwise(_in_order(log))
            if before.key[:2] == after.key[:2] and before.key != after.key and not shot.get(before.key)}


def _pause(times: Sequence[float]) -> tuple[float, float]:
    """The longest time between two of ``times`` and when it began."""
    return max(((b - a, a) for a, b in pairwise(times)), default=(0.0, 0.0))


_NAME = re.compile(r"(\d+)([A-Z]?)")
_LETTERS = "ABCDEFGHJKLMNPQRSTUVWXYZ"  # I and O are skipped on slates (common practice, no source)


def name_before(name: str) -> str:
    """The setup that is shot before this one where slates count on in letters; "" where that cannot be told.

    >>> name_before("48F"), name_before("27J"), name_before("8A"), name_before("27AA"), name_before("48")
    ('48E', '27H', '8', '', '')
    """
    found = _NAME.fullmatch(name.upper())
    if found is None or found[2] not in _LETTERS or not found[2]:
        return ""
    return found[1] + (_LETTERS[_LETTERS.index(found[2]) - 1] if found[2] != "A" else "")


def _skipped(log: SetupLog) -> dict[tuple[str, int], str]:
    """Rows by place, each with the name that the log leaves out between it and the next row of its day and unit."""
    known = {r.setup.upper() for r in log.rows}
    out = {}
    for row, after in pairwise(_in_order(log)):
        missing = name_before(after.setup)
        if row.key[:2] == after.key[:2] and row.key != after.key and missing and missing not in known:
            out[row.place] = missing
    return out
