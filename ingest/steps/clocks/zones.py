"""Local time of the show's zone to true time, across the hour that is missing and the hour that comes twice."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

EPOCH = datetime(1970, 1, 1)  # noqa: DTZ001  wall clocks have no zone
LONG_AGO_S = -62_000_000_000.0  # years 5 to 9999: what datetime can hold
FAR_AHEAD_S = 253_000_000_000.0


def wall_seconds(moment: datetime) -> float:
    """A wall-clock time (naive) as seconds, for differences only.

    >>> wall_seconds(datetime(1970, 1, 2))
    86400.0
    """
    return (moment - EPOCH).total_seconds()


def local_seconds(utc_s: float, zone: ZoneInfo) -> float:
    """What a right clock in the zone shows at a true time, as seconds of the wall clock."""
    bounded = min(max(utc_s, LONG_AGO_S), FAR_AHEAD_S)
    moment = datetime(1970, 1, 1, tzinfo=UTC) + timedelta(seconds=bounded)
    offset = moment.astimezone(zone).utcoffset()
    return utc_s + (offset.total_seconds() if offset else 0.0)


def to_utc(local_s: float, zone: ZoneInfo, last_utc_s: float | None = None) -> tuple[float, float]:
    """True time of a local wall clock, and how far it may be off because of daylight saving, in seconds.

    In the hour that comes twice the earlier reading counts unless the frame before (``last_utc_s``) was already
    later; without a frame in the six hours before, the other reading stays open (an hour).  In the hour that is
    missing the clock was not moved ahead: it is read by the offset before.
    """
    bounded = min(max(local_s, LONG_AGO_S), FAR_AHEAD_S)
    wall = (EPOCH + timedelta(seconds=bounded)).replace(tzinfo=zone)
    first, second = (wall.replace(fold=fold).utcoffset() or timedelta() for fold in (0, 1))
    early, late = local_s - first.total_seconds(), local_s - second.total_seconds()
    if first == second:
        return early, 0.0
    if first < second:  # the missing hour: fold 0 is the offset before the change (PEP 495)
        return early, 0.0
    if last_utc_s is None or early - last_utc_s > 6 * 3600.0:
        return early, late - early
    return (late, 0.0) if last_utc_s > early + 2.0 else (early, 0.0)
