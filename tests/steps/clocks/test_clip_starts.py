"""When clips began, by clocks in their frames or in another clip of the body."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from ingest.records.clocks import ClockSource
from ingest.records.codes import SeenCode
from ingest.steps.clocks.clips import ClipMoment, clip_starts
from ingest.steps.clocks.code import clock_text

BEGAN = datetime(2031, 5, 17, 10, 50, tzinfo=UTC)
NOW_S = BEGAN.timestamp() + 86400


def _shows(at_s: float, moment: datetime) -> SeenCode:
    return SeenCode(text=clock_text(moment, True), at_s=at_s)


def test_a_clock_in_the_frames_counts_and_serves_the_body() -> None:
    wrong = BEGAN + timedelta(hours=4)  # what the file says
    clips = [
        ClipMoment(id="a", body="M|N|1", created_utc=wrong, codes=[_shows(2.4, BEGAN + timedelta(seconds=2))]),
        ClipMoment(id="b", body="M|N|1", created_utc=wrong + timedelta(minutes=20)),
        ClipMoment(id="c", body="M|N|2", created_utc=wrong), ClipMoment(id="d"),
        ClipMoment(id="e", codes=[_shows(0.0, BEGAN)]),
    ]
    starts, bodies = clip_starts(clips, zone="Europe/Lisbon", now_s=NOW_S)
    assert starts["a"].start_s == pytest.approx(BEGAN.timestamp(), abs=1.0) and starts["a"].sigma_s < 1
    assert starts["b"].start_s == pytest.approx(BEGAN.timestamp() + 1200, abs=2.0)
    assert starts["b"].source is ClockSource.PHOTOGRAPHED and starts["b"].sigma_s < 10
    assert starts["c"].start_s == wrong.timestamp() and starts["c"].sigma_s >= 60
    assert starts["d"].start_s is None
    assert starts["e"].start_s == pytest.approx(BEGAN.timestamp(), abs=1.0)
    assert [b.body for b in bodies] == ["M|N|1"]


@pytest.mark.parametrize("codes", [
    [_shows(0.5, BEGAN), _shows(9.5, BEGAN)],  # it stood still for nine seconds
    [_shows(0.5, BEGAN + timedelta(days=9))],  # still to come
])
def test_a_stopped_or_coming_clock_does_not(codes: list[SeenCode]) -> None:
    starts, _ = clip_starts([ClipMoment(id="a", created_utc=BEGAN, codes=codes)], zone="UTC", now_s=NOW_S)
    assert starts["a"].start_s == BEGAN.timestamp() and starts["a"].source is ClockSource.NONE
