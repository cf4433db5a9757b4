"""When rows begin and end in true time.

Local times go through the zone of their day; in the hour that clocks repeat, the first passing is meant unless
the rows before are already in the second.  A row without an end lasts until the next of its day and unit.
"""

from __future__ import annotations

from bisect import bisect_right, insort
from collections import defaultdict
from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from ingest.records.setups import SetupRow
from ingest.steps.setups.moments import next_day

DAY_S = 86400


def local_to_true(day: date, clock: int, zone: ZoneInfo, *, not_before: float | None = None) -> float | None:
    """Seconds since the epoch of a wall clock ``clock`` seconds after 00:00 of ``day``.

    None for a time the clocks skip.  In the repeated hour the first passing, unless that lies before
    ``not_before`` (the row above) and the second does not.
    """
    wall = datetime.combine(next_day(day, clock // DAY_S), time()) + timedelta(seconds=clock % DAY_S)
    first, second = (wall.replace(tzinfo=zone, fold=fold) for fold in (0, 1))
    if first.astimezone(UTC).astimezone(zone).replace(tzinfo=None) != wall:
        return None
    if not_before is not None and first.timestamp() < not_before <= second.timestamp():
        return second.timestamp()
    return first.timestamp()


def ended(rows: list[SetupRow], where: Mapping[date, ZoneInfo], rolls: time) -> list[SetupRow]:
    """Rule 2: open rows end where the next of their day and unit begins; ``until_s`` for the last."""
    starts: dict[tuple[str, str], list[float]] = defaultdict(list)  # by unit and day; day "" holds all
    for row in rows:
        for day in (row.day, ""):
            insort(starts[row.unit, day], row.start_s or 0.0)

    def next_start(row: SetupRow, day: str) -> float | None:
        line = starts[row.unit, day]
        place = bisect_right(line, row.start_s or 0.0)
        return line[place] if place < len(line) else None

    found = []
    for row in rows:
        if row.open_ended:
            assert row.start_s is not None
            same_day, any_day = next_start(row, row.day), next_start(row, "")
            over = day_over(row.day, row.start_s, where[date.fromisoformat(row.day)], rolls)
            until = same_day if same_day is not None else min(over, over if any_day is None else any_day)
            row = replace(row, end_s=same_day, until_s=until)
        found.append(row)
    return found


def day_over(day: str, start_s: float, zone: ZoneInfo, rolls: time) -> float:
    """When a shoot day is over for a row that starts at ``start_s``: the first roll-over after both."""
    turn = datetime.combine(next_day(date.fromisoformat(day)), rolls, tzinfo=zone)
    while turn.timestamp() <= start_s:
        turn = (turn.replace(tzinfo=None) + timedelta(days=1)).replace(tzinfo=zone)
    return turn.timestamp()
