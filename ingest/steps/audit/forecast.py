"""What comes next if things go on as they do: this card free at, the night ends at, disks full on day N.

Each answer says what it stands on, and is None where there is nothing to stand on: no guess is shown as one.
Rates come from the machine's monotonic clock, so that a clock set in between changes nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from ingest.steps.audit.verdict import CardVerdict


@dataclass(frozen=True, kw_only=True, slots=True)
class Sample:
    """How many bytes had been handled at a moment of the monotonic clock."""

    monotonic_s: float
    handled_bytes: int


@dataclass(frozen=True, kw_only=True, slots=True)
class DiskForecast:
    """``days_left`` whole shoot days still fit (0: not one more); ``full_on`` is the day that no longer fits,
    counted on from the last one; ``from_days`` how many recorded days the mean stands on."""

    destination_id: str
    days_left: int
    full_on: str
    bytes_a_day: int
    from_days: int


def rate(samples: Sequence[Sample], *, window_s: float = 120.0) -> float | None:
    """Bytes a second over the last ``window_s`` of the samples; None with fewer than two or no progress."""
    if len(samples) < 2:
        return None
    last = samples[-1]
    begin = next(s for s in samples if last.monotonic_s - s.monotonic_s <= window_s)
    if begin is last:
        begin = samples[-2]
    seconds = last.monotonic_s - begin.monotonic_s
    handled = last.handled_bytes - begin.handled_bytes
    return handled / seconds if seconds > 0 and handled > 0 else None


def free_at(now: datetime, left_bytes: int, bytes_per_s: float | None) -> datetime | None:
    """When a card with ``left_bytes`` still to read is read; ``now`` if nothing is left, None without a rate."""
    if left_bytes <= 0:
        return now
    if not bytes_per_s:
        return None
    return now + timedelta(seconds=min(left_bytes / bytes_per_s, 86400.0 * 365))


def night_ends_at(
    now: datetime, owed: Mapping[str, int], bytes_per_s: Mapping[str, float | None], *, second_reading_bytes: int = 0
) -> datetime | None:
    """When all that is owed stands: the slowest destination counts (they are written at once).

    ``owed`` is bytes by destination, ``bytes_per_s`` the whole rate of writing *and* reading back there, and
    ``second_reading_bytes`` what the cards must still be read again at the fastest of these rates.
    """
    ends = [free_at(now, left, bytes_per_s.get(d)) for d, left in owed.items()]
    if any(end is None for end in ends):
        return None
    last = max((end for end in ends if end is not None), default=now)
    if second_reading_bytes <= 0:
        return last
    return free_at(last, second_reading_bytes, max((r for r in bytes_per_s.values() if r), default=None))


def disk_full(
    destination_id: str, free_bytes: int | None, bytes_by_day: Mapping[str, int], *, keep_free_bytes: int = 0
) -> DiskForecast | None:
    """When a disk is full at the mean of the days recorded (YYYY-MM-DD -> bytes written there that day).

    ``keep_free_bytes`` is room nobody wants used (a fifth of the disk is common practice).  None without a
    figure for the room or a day with bytes.
    """
    used = {day: size for day, size in bytes_by_day.items() if size > 0}
    if free_bytes is None or not used:
        return None
    a_day = -(-sum(used.values()) // len(used))
    left = max(0, free_bytes - keep_free_bytes) // a_day
    last = date.fromisoformat(max(used))
    try:
        full_on = (last + timedelta(days=left + 1)).isoformat()
    except OverflowError:
        return None
    return DiskForecast(
        destination_id=destination_id, days_left=left, full_on=full_on, bytes_a_day=a_day, from_days=len(used)
    )


def disks_full(
    cards: Iterable[CardVerdict], free_bytes: Mapping[str, int | None], *, keep_free_bytes: int = 0
) -> tuple[DiskForecast, ...]:
    """``disk_full`` for every disk whose room is known, from the cards verified on it and the days they came."""
    by_day: dict[str, dict[str, int]] = {}
    for card in cards:
        for at in card.destinations:
            if at.verified:
                days = by_day.setdefault(at.id, {})
                days[card.day] = days.get(card.day, 0) + card.size_bytes
    found = (
        disk_full(disk, free, by_day.get(disk, {}), keep_free_bytes=keep_free_bytes)
        for disk, free in free_bytes.items()
    )
    return tuple(f for f in found if f is not None)
