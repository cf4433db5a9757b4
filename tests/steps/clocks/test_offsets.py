"""True times from what bodies showed: the sign, the precedence, drift, jumps, zones, resets."""

from __future__ import annotations

import random
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.records.clocks import ClockNote, ClockReading, Clocks, ClockSource, Shown
from ingest.steps.clocks.offsets import correct
from ingest.steps.clocks.zones import local_seconds, to_utc, wall_seconds

BODY = "Hollin|H7|1"
ZONE = "Europe/Berlin"
NOON = datetime(2026, 11, 24, 12, 0, 0)  # noqa: DTZ001  a wall clock, at UTC+1 in this zone


def shown(times: list[datetime], *, body: str = BODY, first: int = 1, **fixed: object) -> list[Shown]:
    return [
        Shown(frame=f"{body}/{first + k}", body=body, shown=t, card="A", card_index=first + k, prefix="DEMO",
              number=first + k, folder_number=100, **fixed)  # type: ignore[arg-type]
        for k, t in enumerate(times)
    ]


def note(shows: datetime, offset_s: float, *, camera: str = "H7", serial: str = "") -> ClockNote:
    return ClockNote(line=2, camera=camera, serial=serial, camera_shows=shows,
                     true_time=shows + timedelta(seconds=offset_s), offset_s=offset_s)


def utc(clocks: Clocks, frame: str) -> datetime:
    seconds = clocks.timings[frame].utc_s
    assert seconds is not None
    return datetime.fromtimestamp(seconds, UTC)


def test_a_body_17_hours_slow_has_61200() -> None:
    """CONTRACT section 1: true local time = camera_shows + offset_s."""
    slow = datetime(2026, 11, 23, 19, 0, 0)  # noqa: DTZ001
    clocks = correct(shown([slow]), notes=[note(slow, 61200)], zone=ZONE)
    assert utc(clocks, f"{BODY}/1") == datetime(2026, 11, 24, 11, 0, 0, tzinfo=UTC)
    assert (clocks.bodies[0].offset_s, clocks.bodies[0].source) == (61200.0, ClockSource.NOTES)


def test_precedence() -> None:
    """Photographed, notes, settings, header, none: each where the stronger one is silent."""
    frames = shown([NOON], utc_offset_s=7200)
    everything = {"notes": [note(NOON, 100)], "settings_offsets": {BODY: 50.0},
                  "readings": [ClockReading(frame=f"{BODY}/1", true_utc_s=wall_seconds(NOON) - 3600 + 10)]}
    seen = []
    for leave in ("", "readings", "notes", "settings_offsets"):
        everything.pop(leave, None)
        clocks = correct(frames, zone=ZONE, **everything)  # type: ignore[arg-type]
        seen.append((clocks.bodies[0].source, clocks.bodies[0].offset_s))
    seen.append((correct(shown([NOON]), zone=ZONE).bodies[0].source, 0.0))
    assert seen == [(ClockSource.PHOTOGRAPHED, 10.0), (ClockSource.NOTES, 100.0), (ClockSource.SETTINGS, 50.0),
                    (ClockSource.HEADER, -3600.0), (ClockSource.NONE, 0.0)]


def test_a_row_speaks_for_18_hours_of_shown_time() -> None:
    times = [NOON + timedelta(hours=h) for h in (17.9, 18.1)]
    clocks = correct(shown(times), notes=[note(NOON, 500)], zone=ZONE)
    assert [clocks.timings[f"{BODY}/{k}"].source for k in (1, 2)] == [ClockSource.NOTES, ClockSource.NONE]


@given(st.floats(-4, 4), st.floats(0.0, 1.0), st.floats(2, 30))
def test_drift_between_two_rows_is_a_straight_line(per_day: float, at: float, hours: float) -> None:
    end = NOON + timedelta(hours=hours)
    change = per_day * hours / 24
    middle = NOON + timedelta(seconds=at * hours * 3600)
    if min((middle - NOON).total_seconds(), (end - middle).total_seconds()) > 18 * 3600:
        return
    clocks = correct(shown([middle]), notes=[note(NOON, 30), note(end, 30 + change)], zone=ZONE)
    got = clocks.timings[f"{BODY}/1"].utc_s
    assert got == pytest.approx(wall_seconds(middle) + 30 + change * at - 3600, abs=0.01)
    if hours > 1:
        assert clocks.bodies[0].drift_s_per_day == pytest.approx(per_day, abs=0.01)


@given(st.integers(1, 8), st.integers(1, 8), st.integers(20, 40_000))
@settings(max_examples=60)
def test_a_clock_set_back_in_between_is_found_in_the_files(before: int, after: int, back_s: int) -> None:
    """The first note holds before the jump, the second after it; the leap back is seen in the file order."""
    true = [NOON + timedelta(seconds=10 * k) for k in range(before + after)]
    times = [t if k < before else t - timedelta(seconds=back_s) for k, t in enumerate(true)]
    notes = [note(NOON - timedelta(seconds=60), 0), note(times[-1] + timedelta(seconds=60), back_s)]
    clocks = correct(shown(times), notes=notes, zone=ZONE)
    for k, moment in enumerate(true):
        timing = clocks.timings[f"{BODY}/{k + 1}"]
        sure = timing.utc_s == pytest.approx(wall_seconds(moment) - 3600, abs=0.01)
        assert sure or timing.review, (k, timing)
    if min(before, after) >= 3:
        assert not any(t.review for t in clocks.timings.values())


def test_a_leap_ahead_that_could_be_a_pause_is_left_open() -> None:
    """Set an hour ahead somewhere; two pauses could hide it, so the frames between them go to review."""
    times = [NOON, NOON + timedelta(minutes=1), NOON + timedelta(minutes=71), NOON + timedelta(minutes=72),
             NOON + timedelta(minutes=142), NOON + timedelta(minutes=143)]
    notes = [note(NOON - timedelta(minutes=5), 0), note(NOON + timedelta(minutes=150), -3600)]
    clocks = correct(shown(times), notes=notes, zone=ZONE)
    assert [bool(clocks.timings[f"{BODY}/{k}"].review) for k in range(1, 7)] == [False, False, True, True, False, False]


def test_the_hour_that_is_missing_and_the_hour_that_comes_twice() -> None:
    """PEP 495 and the zone's own rules: Berlin skipped 02:00-03:00 on 2026-03-29 and repeats it on 2026-10-25."""
    zone = ZoneInfo(ZONE)
    missing = wall_seconds(datetime(2026, 3, 29, 2, 30))  # noqa: DTZ001
    assert to_utc(missing, zone) == (wall_seconds(datetime(2026, 3, 29, 1, 30)), 0.0)  # noqa: DTZ001
    twice = [datetime(2026, 10, 25, 2, 50), datetime(2026, 10, 25, 2, 10), datetime(2026, 10, 25, 2, 20)]  # noqa: DTZ001
    early = datetime(2026, 10, 25, 1, 50)  # noqa: DTZ001
    clocks = correct(shown([early, *twice]), zone=ZONE)
    got = [utc(clocks, f"{BODY}/{k}").strftime("%H:%M") for k in range(1, 5)]
    assert got == ["23:50", "00:50", "01:10", "01:20"]


@given(st.floats(0, 4e9), st.sampled_from(["Europe/Berlin", "Asia/Tokyo", "America/St_Johns", "Pacific/Apia", "UTC"]))
def test_local_and_back(utc_s: float, name: str) -> None:
    zone = ZoneInfo(name)
    back, doubt = to_utc(local_seconds(utc_s, zone), zone, utc_s - 1.0)
    assert abs(back - utc_s) < 0.01 or doubt or abs(abs(back - utc_s) - 3600.0) < 0.01 or name == "Pacific/Apia"


def test_a_reset_clock_is_noticed_and_not_believed() -> None:
    right = [NOON + timedelta(minutes=k) for k in range(5)]
    reset = [datetime(2019, 1, 1, 0, k) for k in range(1, 5)]  # noqa: DTZ001
    clocks = correct(shown([*right, *reset]), zone=ZONE)
    assert [o.kind for o in clocks.oddities] == ["clock-reset"]
    oddity = clocks.oddities[0]
    assert oddity.proposed_offset_s is not None and len(oddity.frames) == 4
    assert all(clocks.timings[f].review for f in oddity.frames)
    assert not any(clocks.timings[f"{BODY}/{k}"].review for k in range(1, 6))
    mended = correct(shown([*right, *reset]), zone=ZONE, notes=[note(reset[-1], oddity.proposed_offset_s)])
    assert not mended.oddities
    assert all(t.utc_s is not None and utc(mended, f).year == 2026 for f, t in mended.timings.items())


def test_a_row_without_serial_for_two_bodies_is_pointed_out() -> None:
    frames = shown([NOON]) + shown([NOON], body="Hollin|H7|2")
    assert [o.kind for o in correct(frames, notes=[note(NOON, 5)], zone=ZONE).oddities] == ["clock-note-for-several"]
    assert not correct(frames, notes=[note(NOON, 5, serial="0002")], zone=ZONE).oddities
    unused = correct(frames, notes=[note(NOON, 5, camera="X")], zone=ZONE).oddities
    assert [o.kind for o in unused] == ["clock-note-unused"]


def test_a_nickname_names_a_body() -> None:
    clocks = correct(shown([NOON]), notes=[note(NOON, 5, camera="probe cam")], nicknames={BODY: "Probe Cam"}, zone=ZONE)
    assert clocks.bodies[0].offset_s == 5.0


@given(
    st.lists(
        st.tuples(st.one_of(st.none(), st.datetimes(datetime(1, 1, 1), datetime(9999, 12, 31))),  # noqa: DTZ001
                  st.sampled_from([BODY, "", "Hollin|H7|"]), st.one_of(st.none(), st.integers(-50_400, 50_400)),
                  st.one_of(st.none(), st.integers(1, 9999))),
        max_size=12,
    ),
    st.lists(st.tuples(st.datetimes(datetime(1990, 1, 1), datetime(2090, 1, 1)), st.floats(-1e8, 1e8)), max_size=4),  # noqa: DTZ001
    st.randoms(use_true_random=False),
)
@settings(max_examples=80, deadline=None)
def test_any_clocks_give_an_answer_in_any_order(
    rows: list[tuple[datetime | None, str, int | None, int | None]],
    rows_noted: list[tuple[datetime, float]],
    dice: random.Random,
) -> None:
    frames = [Shown(frame=f"f{k}", body=b, shown=t, utc_offset_s=o, number=n, card_index=k)
              for k, (t, b, o, n) in enumerate(rows)]
    notes = [note(t, o) for t, o in rows_noted]
    clocks = correct(frames, notes=notes, zone=ZONE)
    assert clocks.timings.keys() == {f.frame for f in frames}
    assert all((clocks.timings[f.frame].utc_s is None) == (f.shown is None) for f in frames)
    shuffled = list(frames)
    dice.shuffle(shuffled)
    assert correct(shuffled, notes=notes, zone=ZONE) == clocks
