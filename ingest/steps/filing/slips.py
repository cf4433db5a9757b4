"""What one mistyped start would move, where something else in the day speaks for it.

A start with its last figure wrong, or its two minute figures changed over, reads like any other.  Where the row before
has an end, the two contradict each other; where it has none, nothing in the log does.  But a probe is the last thing
that is shot in a setup, before the lamps move: so a take after it, or a probe in the first minutes of a setup whose
neighbour has none, fits the mistyped start better than the written one.  Such an item stays where the log puts it,
and a person looks.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

from ingest.records.filing import Evidence, Item, Placement
from ingest.records.setups import SetupLog, SetupRow
from ingest.steps.setups.moments import Unclear, parse_time

MINUTE_S = 60.0
Key = tuple[str, str, str]


def misread_starts(row: SetupRow) -> tuple[float, float]:
    """The earliest and latest start (true s) that one slip of the pen makes ``row``'s own: another last figure of the
    minutes, or the two figures of the minutes changed over.  Both are the start itself where it was not read as a
    time of day."""
    start = row.start_s or 0.0
    try:
        minute = parse_time(row.cells.get("start", "") or row.cells.get("timestamp", "")).seconds // 60 % 60
    except Unclear:
        return start, start
    tens, ones = divmod(minute, 10)
    meant = [tens * 10, tens * 10 + 9]
    if ones < 6:
        meant.append(ones * 10 + tens)
    return start + (min(meant) - minute) * MINUTE_S, start + (max(meant) - minute) * MINUTE_S


def mistyped_starts(items: Sequence[Item], placed: Sequence[Placement], log: SetupLog) -> list[Placement]:
    """Placements with a reason for review where a change between two setups, mistyped by a slip, would move them."""
    probes = sorted(min(i.moments) for i in items if i.kind == "probe" and i.moments)
    moments = {i.id: i.moments for i in items if i.moments}
    kinds = {i.id: i.kind for i in items}
    filed: dict[Key, list[int]] = defaultdict(list)
    rows = sorted((r for r in log.rows if r.start_s is not None and r.until_s is not None),
                  key=lambda r: (r.day, r.unit, r.start_s or 0.0, r.line))
    for n, p in enumerate(placed):
        if p.key and p.evidence is Evidence.LOG and p.item in moments:
            filed[p.key].append(n)
    out = list(placed)
    for before, after in pairwise(rows):
        if before.key[:2] != after.key[:2] or before.key == after.key:
            continue
        early, late = misread_starts(after)
        change = after.start_s or 0.0
        said = f"{after.setup} begins {after.cells.get('start', '') or after.cells.get('timestamp', '')} by the log"
        if before.open_ended:
            shot = [t for t in probes if (before.start_s or 0.0) <= t < change]
            for n in filed[before.key]:
                first = min(moments[out[n].item])
                if early <= first < change and any(t < first for t in shot):
                    out[n] = _doubt(out[n], f"it comes after the probe of {before.setup} and within a slip of the pen "
                                            f"of the next start: {said}")
        begun, over = before.start_s or 0.0, before.until_s or 0.0
        held = any(begun <= t < over for t in probes)
        if not held and filed[before.key]:  # else its cards may not have come yet
            reach = [m for n in filed[after.key] if kinds[out[n].item] == "probe"
                     and change <= (m := min(moments[out[n].item])) < late]
            for n in filed[after.key] if reach else ():
                if change <= min(moments[out[n].item]) <= max(reach):
                    out[n] = _doubt(out[n], f"{before.setup} before it has no probe, and what was shot until the one "
                                            f"within a slip of the pen of the change may be its own: {said}")
    return out


def _doubt(p: Placement, words: str) -> Placement:
    return replace(p, review=True, reasons=(*p.reasons, words))
