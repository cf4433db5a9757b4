"""Where the sun stood: one check of zone, date and orientation at once (about 15 degrees an hour)."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime

from ingest.records.findings import Finding, Severity

TOLERANCE_DEG = 5.0  # a levelled probe points better; a hand-turned heading hardly
STEP_S = 900  # zones differ by quarter hours at the finest
STEP_DEG = 3.75  # and the sky turns so far in one
CIVIL_TWILIGHT_DEG = -6.0


@dataclass(frozen=True, kw_only=True, slots=True)
class SunPlace:
    """Azimuth from true north over east, elevation above the horizon with refraction; degrees."""

    azimuth_deg: float
    elevation_deg: float


@dataclass(frozen=True, kw_only=True, slots=True)
class SunCheck:
    """How far the brightest spot stands from the sun, and the clock error (s) that would explain it best
    (positive: the clock must go forward), None if no clock error within half a day does."""

    expected: SunPlace
    off_deg: float
    explains_s: int | None


def sun_at(moment_s: float, latitude_deg: float, longitude_deg: float) -> SunPlace:
    """The sun's place at a true time, seconds since the epoch; latitude north, longitude east positive.

    By astral; within 0.01 degrees of the worked example of the NREL solar position algorithm.
    """
    from astral import Observer
    from astral.sun import azimuth, elevation

    observer = Observer(latitude=latitude_deg, longitude=longitude_deg)
    when = datetime.fromtimestamp(moment_s, UTC)
    return SunPlace(azimuth_deg=azimuth(observer, when), elevation_deg=elevation(observer, when))


def is_daylight(moment_s: float, latitude_deg: float, longitude_deg: float) -> bool:
    """Whether there is daylight outdoors: the sun above civil twilight."""
    return sun_at(moment_s, latitude_deg, longitude_deg).elevation_deg > CIVIL_TWILIGHT_DEG


def apart_deg(place: SunPlace, elevation_deg: float, azimuth_deg: float | None) -> float:
    """Angle between a place and a seen direction; without an azimuth only the heights are compared.

    >>> round(apart_deg(SunPlace(azimuth_deg=350, elevation_deg=0), 0, 10), 3)
    20.0
    """
    if azimuth_deg is None:
        return abs(place.elevation_deg - elevation_deg)
    a, b = math.radians(place.elevation_deg), math.radians(elevation_deg)
    turn = math.radians(place.azimuth_deg - azimuth_deg)
    cosine = math.sin(a) * math.sin(b) + math.cos(a) * math.cos(b) * math.cos(turn)
    return math.degrees(math.acos(max(-1.0, min(1.0, cosine))))


def check(
    moment_s: float, latitude_deg: float, longitude_deg: float, *,
    elevation_deg: float, azimuth_deg: float | None = None,
) -> SunCheck:
    """Compare the brightest spot of an outdoor probe with the sun.

    ``elevation_deg`` above the horizon of an upright probe; ``azimuth_deg`` from true north where the
    probe's heading is known.
    """
    expected = sun_at(moment_s, latitude_deg, longitude_deg)
    off = apart_deg(expected, elevation_deg, azimuth_deg)
    if off <= TOLERANCE_DEG:
        return SunCheck(expected=expected, off_deg=off, explains_s=0)
    tries = {
        shift: apart_deg(sun_at(moment_s + shift, latitude_deg, longitude_deg), elevation_deg, azimuth_deg)
        for shift in range(-12 * 3600, 12 * 3600 + 1, STEP_S)
    }
    # A height comes twice a day: of two errors that explain it about as well the smaller one is likelier.
    lows = [s for s, far in tries.items() if far <= min(tries.get(s - STEP_S, far), tries.get(s + STEP_S, far))]
    enough = min(TOLERANCE_DEG, min(tries.values()) + STEP_DEG / 2)
    explains = min((s for s in lows if tries[s] <= enough), key=abs, default=None)
    return SunCheck(expected=expected, off_deg=off, explains_s=explains)


def finding(item: str, seen: SunCheck, *, elevation_deg: float) -> Finding | None:
    """A finding where the brightest spot is not the sun that the clock and place promise; None if it is."""
    if seen.off_deg <= TOLERANCE_DEG:
        return None
    sun = seen.expected
    what = (f"the brightest spot stands {elevation_deg:.0f} degrees high, the sun {sun.elevation_deg:.0f}; "
            f"{seen.off_deg:.0f} degrees apart")
    if sun.elevation_deg < 0:
        what = f"the sun was {-sun.elevation_deg:.0f} degrees below the horizon then"
    if seen.explains_s:
        hours = seen.explains_s / 3600
        next = f"Check zone and date of the body's clock: {hours:+.2f} h would explain it. Or the spot is no sun."
    else:
        next = "Check that the probe is level, its heading, and that the spot is the sun; no clock error explains it."
    return Finding(kind="sun_disagrees", item=item, severity=Severity.PERSON, what=what, next=next,
                   more={"amount": round(seen.off_deg, 2), "unit": "degrees", "explains_s": seen.explains_s})
