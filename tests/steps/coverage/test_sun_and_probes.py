"""The sun against the NREL example; heights and ages of probes."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.records.coverage import Taken
from ingest.steps.coverage.probe_checks import age_findings, height_findings
from ingest.steps.coverage.sun import SunPlace, apart_deg, check, finding, is_daylight, sun_at
from ingest.steps.setups.log import read_log
from ingest.steps.setups.measurements import read_measurements
from ingest.steps.setups.sheet import read_sheet

# Worked example of the solar position algorithm, Reda and Andreas, NREL/TP-560-34302, appendix (from memory):
# 2003-10-17 12:30:30 local (-7 h), 39.742476 N, 105.1786 W: zenith 50.11162, azimuth 194.34024 degrees.
NREL = (datetime(2003, 10, 17, 19, 30, 30, tzinfo=UTC).timestamp(), 39.742476, -105.1786)


def test_the_sun_of_the_nrel_example() -> None:
    sun = sun_at(*NREL)
    assert 90 - sun.elevation_deg == pytest.approx(50.11162, abs=0.01)
    assert sun.azimuth_deg == pytest.approx(194.34024, abs=0.01)
    assert is_daylight(*NREL) and not is_daylight(NREL[0] + 9 * 3600, *NREL[1:])


def test_a_zone_an_hour_wrong_shows() -> None:
    moment, latitude, longitude = NREL
    sun = sun_at(moment, latitude, longitude)
    right = check(moment, latitude, longitude, elevation_deg=sun.elevation_deg, azimuth_deg=sun.azimuth_deg)
    assert right.off_deg < 0.01 and right.explains_s == 0
    assert finding("p", right, elevation_deg=sun.elevation_deg) is None
    early = check(moment - 3600, latitude, longitude, elevation_deg=sun.elevation_deg, azimuth_deg=sun.azimuth_deg)
    assert 10 < early.off_deg < 18 and early.explains_s == 3600
    told = finding("p", early, elevation_deg=sun.elevation_deg)
    assert told and "+1.00 h" in told.next
    late_deg = sun_at(moment + 3600, latitude, longitude).elevation_deg - 0.4
    by_height = check(moment + 3 * 3600, latitude, longitude, elevation_deg=late_deg)
    assert by_height.explains_s == -2 * 3600  # 5.5 h earlier it fits a little better, of two
    never = check(moment, latitude, longitude, elevation_deg=80, azimuth_deg=10)
    assert never.explains_s is None
    only_height = check(moment, latitude, longitude, elevation_deg=sun.elevation_deg)
    assert only_height.off_deg < 0.01


def test_night_is_named() -> None:
    moment, latitude, longitude = NREL[0] + 9 * 3600, *NREL[1:]
    told = finding("p", check(moment, latitude, longitude, elevation_deg=40.0), elevation_deg=40.0)
    assert told and "below the horizon" in told.what


@settings(max_examples=60, deadline=None)
@given(st.floats(0, 360), st.floats(-89, 89), st.floats(0, 360), st.floats(-89, 89))
def test_an_angle_is_symmetric_and_bounded(a: float, b: float, c: float, d: float) -> None:
    there = apart_deg(SunPlace(azimuth_deg=a, elevation_deg=b), d, c)
    assert there == pytest.approx(apart_deg(SunPlace(azimuth_deg=c, elevation_deg=d), b, a), abs=1e-6)
    assert abs(b - d) - 1e-6 <= there <= 180


HEAD = "day,setup,start,end,camera height,object height,probe height,weather\n"


def test_heights() -> None:
    log = read_log(
        HEAD + "2026-04-01,1,09:00,10:00,1.60 m,,1.55 m,\n2026-04-01,2,10:00,11:00,1.60 m,0.40 m,1.60 m,\n"
        "2026-04-01,3,11:00,12:00,1 m > 3 m,,2 m,\n2026-04-01,4,12:00,13:00,1.6 m,,,\n"
        "2026-04-01,5,13:00,14:00,1.6 m,,,\n",
        zone="Europe/Lisbon",
    )
    sheets = {r.place: read_sheet(r, log) for r in log.rows}
    measured, _ = read_measurements("day,setup,name,value\n2026-04-01,5,Probe height,0.9 m\n")
    found = height_findings(log.rows, sheets, measured)
    assert [(f.more["setup"], f.more["amount"]) for f in found] == [("2", 1.2), ("5", 0.7)]
    assert not height_findings(log.rows, sheets, measured, tolerance_m=1.5)


def test_ages_in_daylight_only() -> None:
    log = read_log(
        HEAD + "2026-04-01,1,09:00,11:00,,,,sunny\n2026-04-01,2,11:00,13:00,,,,\n2026-04-01,3,13:00,,,,,hazy\n",
        zone="Europe/Lisbon",
    )
    start = {r.setup: r.start_s or 0.0 for r in log.rows}

    def thing(setup: str, minute: float, item: str = "probe") -> Taken:
        return Taken(id=f"{item}{minute}", item=item, day="2026-04-01", setup=setup, start_s=start[setup] + minute * 60)

    probes = [thing("1", 5), thing("2", 5), thing("3", 5)]
    now = start["3"] + 7200
    kinds = [f.more["setup"] for f in age_findings(log.rows, {}, probes, now_s=now)]
    assert kinds == ["1"]  # an hour and 55 min to its end; 2 is no daylight, 3 is still open
    clips = [thing("1", 20, "clip"), thing("3", 60, "clip")]
    assert [f.more["setup"] for f in age_findings(log.rows, {}, probes + clips, now_s=now)] == ["3"]
    fresh = [*probes, *clips, thing("3", 50)]
    assert age_findings(log.rows, {}, fresh, now_s=now) == []
    assert age_findings(log.rows, {}, probes + clips, now_s=now, daylight=lambda _: False) == []
