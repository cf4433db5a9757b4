"""What only the whole day shows: a setup left empty beside one with too many."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise

from ingest.records.filing import Evidence, Item, Placement
from ingest.records.setups import SetupLog
from ingest.steps.filing.rows import Limits

Key = tuple[str, str, str]


def barren_neighbours(
    items: Sequence[Item], placed: Sequence[Placement], log: SetupLog, limits: Limits
) -> list[Placement]:
    """A setup without a probe beside one with several: the nearest of those may be its own.

    A start mistyped by half an hour leaves exactly this trace, and nothing else in the log shows it.
    """
    placed = list(placed)
    rows = sorted((r for r in log.rows if r.start_s is not None), key=lambda r: (r.day, r.unit, r.start_s or 0))
    times = {i.id: i.moments for i in items if i.kind == "probe" and i.moments}
    stood = {i.id: i.standpoint for i in items}
    held: dict[Key, list[int]] = defaultdict(list)
    for n, p in enumerate(placed):
        if p.key and p.item in times:
            held[p.key].append(n)
    for pair in pairwise(rows):
        if pair[0].key[:2] != pair[1].key[:2] or pair[0].key == pair[1].key:
            continue
        for poor, rich in (pair, pair[::-1]):
            if held[poor.key] or len({stood[placed[n].item] for n in held[rich.key]}) < 2:
                continue
            edge = pair[1].start_s or 0.0
            near = {n: min(abs(t - edge) for t in times[placed[n].item]) for n in held[rich.key]}
            nearest = min(near, key=lambda n: (near[n], placed[n].item))
            away = near[nearest]
            if away > limits.barren_s:
                continue
            words = f"{poor.setup} beside it has no probe, and this one lies {away / 60:.0f} min from the change"
            for n in near:
                if stood[placed[n].item] == stood[placed[nearest].item] and placed[n].evidence is Evidence.LOG:
                    placed[n] = replace(placed[n], review=True, reasons=(*placed[n].reasons, words))
    return placed
