"""A row nobody wrote: the row before it has no end and runs on over the setup that is missing."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace
from statistics import median

from ingest.records.filing import Evidence, Item, Placement
from ingest.records.setups import SetupLog
from ingest.steps.filing.rows import Limits

Key = tuple[str, str, str]


@dataclass(frozen=True, kw_only=True, slots=True)
class Overlong:
    """An unended row that lasts suspiciously long; what lies in it from ``since_s`` on is doubtful."""

    since_s: float
    until_s: float
    words: str


def forgotten_rows(
    items: Sequence[Item], placed: Sequence[Placement], log: SetupLog, limits: Limits
) -> list[Placement]:
    """Placements with a reason for review where a row may be missing.

    What lies in an unended row later than a usual row of that day lasts is filed there all the same, and a person
    looks.  One that holds two probes though the log names no change is suspected sooner, from the first of them on.
    """
    moments = {i.id: min(i.moments) for i in items if i.moments}
    probes: dict[Key, list[float]] = defaultdict(list)
    for item, p in zip(items, placed, strict=True):
        if item.kind == "probe" and p.key and item.id in moments:
            probes[p.key].append(moments[item.id])
    long = _overlong(log, probes, limits)
    out = []
    for p in placed:
        if p.key in long and p.key and p.evidence is Evidence.LOG and p.item in moments:
            doubt = next((o for o in long[p.key] if o.since_s < moments[p.item] < o.until_s), None)
            if doubt is not None:
                p = replace(p, review=True, reasons=(*p.reasons, doubt.words))
        out.append(p)
    return out


def _overlong(log: SetupLog, probes: dict[Key, list[float]], limits: Limits) -> dict[Key, list[Overlong]]:
    rows = [(r, r.start_s, r.until_s) for r in log.rows if r.start_s is not None and r.until_s is not None]
    days: dict[tuple[str, str], list[float]] = defaultdict(list)
    for row, start, until in rows:
        days[row.day, row.unit].append(until - start)
    found: dict[Key, list[Overlong]] = defaultdict(list)
    for row, start, until in rows:
        lengths = days[row.day, row.unit]
        if not row.open_ended or row.end_s is None or len(lengths) < limits.usual_rows:
            continue  # the day's last row is judged by itself
        usual, length = median(lengths), until - start
        own = [t for t in probes[row.key] if start <= t < until]
        twice = len(own) > 1
        if length > (limits.overlong_twice if twice else limits.overlong) * usual:
            words = f"{row.setup} has no end in the log and lasts {length / 60:.0f} min; usual are {usual / 60:.0f}"
            found[row.key].append(Overlong(
                since_s=min(start + usual, *own) if twice else start + usual, until_s=until,
                words=f"{words} that day{' and holds two probes' if twice else ''}: is a row missing?",
            ))
    return found
