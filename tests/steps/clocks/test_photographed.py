"""The clock's code as text, and what photographed clocks say against other sources."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.records.clocks import ClockNote, ClockSource, Shown
from ingest.records.codes import SeenCode
from ingest.steps.clocks.code import clock_text, read_clock
from ingest.steps.clocks.offsets import correct
from ingest.steps.clocks.photographed import contradictions, photographed

NOON = datetime(2031, 5, 17, 12, 0, tzinfo=UTC)
MOMENTS = st.datetimes(datetime(1990, 1, 1), datetime(2199, 12, 31)).map(lambda m: m.replace(tzinfo=UTC))  # noqa: DTZ001
ALPHANUMERIC = set("0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ $%*+-./:")  # ISO/IEC 18004, alphanumeric mode


def _sign(moment: datetime, kept: bool | None = True) -> SeenCode:
    return SeenCode(text=clock_text(moment, kept))


@given(MOMENTS, st.sampled_from([True, False, None]))
def test_text_and_back(moment: datetime, kept: bool | None) -> None:
    text = clock_text(moment, kept)
    code = read_clock(text)
    assert code and code.synchronised is kept and set(text) <= ALPHANUMERIC and len(text) == 29
    assert timedelta(0) <= moment - code.utc < timedelta(milliseconds=1)


@given(MOMENTS, st.integers(0, 28), st.sampled_from(sorted(ALPHANUMERIC)))
def test_one_wrong_sign_is_no_clock(moment: datetime, at: int, sign: str) -> None:
    text = clock_text(moment, True)
    assert text[at] == sign or read_clock(text[:at] + sign + text[at + 1 :]) is None


@given(st.text(max_size=60))
def test_any_text_gives_an_answer(text: str) -> None:
    read_clock(text)


def test_months_of_thirteen_and_foreign_text_are_no_clock() -> None:
    import binascii

    text = "NLC1:20311317T120000000S"
    assert read_clock(f"{text}:{binascii.crc_hqx(text.encode(), 0xFFFF):04X}") is None
    assert read_clock("https://example.org") is None


def test_stopped_and_coming_clocks_are_refused_with_a_reason() -> None:
    signs = {
        "two": [_sign(NOON), _sign(NOON - timedelta(seconds=30))], "later": [_sign(NOON + timedelta(hours=1))],
        "good": [_sign(NOON), _sign(NOON - timedelta(seconds=1))], "by hand": [_sign(NOON, False)],
    }
    seen = photographed(signs, now_s=NOON.timestamp() + 60)
    assert {r.frame for r in seen.readings} == {"good", "by hand"} and set(seen.refused) == {"two", "later"}
    assert seen.unkept == ("by hand",)
    assert {r.frame: r.sigma_s for r in seen.readings}["by hand"] > 1


@given(st.floats(-200_000, 200_000), st.floats(-4, 4), st.floats(0.0, 1.0), st.floats(0.0, 1.0))
def test_one_photograph_gives_the_offset_and_two_the_drift(
    offset: float, drift: float, first_lag: float, second_lag: float
) -> None:
    moments = [NOON, NOON + timedelta(hours=12), NOON + timedelta(hours=5)]
    shown = [
        Shown(frame=f"f{i}", body="B", card_index=i, number=i + 1, tick_s=0.01,
              shown=(m + timedelta(hours=1, seconds=-offset - drift * (m - NOON).total_seconds() / 86400))
              .replace(tzinfo=None))
        for i, m in enumerate(moments)
    ]
    signs = {"f0": [_sign(moments[0] - timedelta(seconds=first_lag))],
             "f1": [_sign(moments[1] - timedelta(seconds=second_lag))]}
    readings = photographed(signs, now_s=NOON.timestamp() + 1e6).readings
    clocks = correct(shown, zone="Europe/Lisbon", readings=readings)
    body = clocks.bodies[0]
    assert body.source is ClockSource.PHOTOGRAPHED
    assert body.drift_s_per_day == pytest.approx(drift, abs=2 * 0.51 * 2)  # half a second at either end of half a day
    for frame, moment in zip(shown, moments, strict=True):
        utc = clocks.timings[frame.frame].utc_s
        assert utc == pytest.approx(moment.timestamp(), abs=0.55)


def test_a_note_of_the_same_hours_that_says_otherwise_is_told() -> None:
    shown = [Shown(frame="f", body="M|N|1", shown=datetime(2031, 5, 17, 13, 0))]  # noqa: DTZ001

    def odd(note_at: datetime, offset: float) -> int:
        note = ClockNote(line=2, camera="N", serial="", camera_shows=note_at, true_time=None, offset_s=offset)
        readings = photographed({"f": [_sign(NOON)]}, now_s=NOON.timestamp() + 60).readings
        return len(contradictions(shown, readings, [note], zone="Europe/Lisbon", settings_offsets={}, nicknames={}))

    near, far = datetime(2031, 5, 17, 15, 0), datetime(2031, 5, 20, 15, 0)  # noqa: DTZ001
    assert (odd(near, 0.0), odd(near, 3600.0), odd(far, 3600.0)) == (0, 1, 0)
