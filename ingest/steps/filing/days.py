"""The shoot day of a moment: it rolls over at a set hour, not at midnight."""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

NEAR_S = 3600.0


def shoot_day(moment_s: float, zone: ZoneInfo, rolls: time) -> tuple[str, float]:
    """(YYYY-MM-DD, seconds to the nearest roll-over) of a true time in seconds since the epoch.

    >>> shoot_day(1775091600, ZoneInfo("Europe/Lisbon"), time(6))  # 2026-04-02 02:00 local
    ('2026-04-01', 14400.0)
    """
    local = datetime.fromtimestamp(moment_s, UTC).astimezone(zone)
    today = _turn(local, zone, rolls)
    day = local.date() if today <= moment_s else local.date() - timedelta(days=1)
    near = min(abs(moment_s - _turn(local + timedelta(days=d), zone, rolls)) for d in (-1, 0, 1))
    return day.isoformat(), near


def _turn(local: datetime, zone: ZoneInfo, rolls: time) -> float:
    return datetime.combine(local.date(), rolls, tzinfo=zone).timestamp()


def clock(moment_s: float, zone: ZoneInfo) -> str:
    """HH:MM on the wall, for a sentence."""
    return datetime.fromtimestamp(moment_s, UTC).astimezone(zone).strftime("%H:%M")
