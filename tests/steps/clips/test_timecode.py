"""SMPTE ST 12-1 drop-frame counting; worked values calculated from its rule and equal to those of the PyPI
package timecode (table in the standard's notes of this project)."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.steps.clips.timecode import NoTimecode, Timecode, of_number, parse

NTSC = Fraction(30000, 1001)
WORKED = [(0, "00:00:00;00"), (1799, "00:00:59;29"), (1800, "00:01:00;02"), (3598, "00:02:00;02"),
          (17981, "00:09:59;29"), (17982, "00:10:00;00"), (107892, "01:00:00;00"),
          (2589407, "23:59:59;29")]  # fmt: skip


@pytest.mark.parametrize(("number", "label"), WORKED)
def test_worked_drop_frame_values(number: int, label: str) -> None:
    assert str(of_number(number, 30, drop=True)) == label
    assert parse(label, NTSC).number() == number


def test_labels_that_drop_frame_leaves_out() -> None:
    for label in ("00:01:00;00", "00:01:00;01", "00:59:00;00", "10:09:00;01"):
        with pytest.raises(NoTimecode, match="leaves out"):
            parse(label, NTSC)
    assert parse("00:10:00;00", NTSC).drop and parse("00:01:00:00", NTSC).number() == 1800


def test_an_hour_against_the_clock() -> None:
    """A drop-frame hour is 3599.9964 s of real time, a plain one 3603.6 s; a day drifts by 86.4 ms."""
    assert float(parse("01:00:00;00", NTSC).seconds_of_day(NTSC)) == pytest.approx(3599.9964, abs=1e-9)
    assert float(parse("01:00:00:00", NTSC).seconds_of_day(NTSC)) == pytest.approx(3603.6)
    day = 2589408 / NTSC
    assert float(86400 - day) == pytest.approx(0.0864)


def test_a_day_wraps() -> None:
    assert str(of_number(2589408, 30, drop=True)) == "00:00:00;00"
    assert str(of_number(-1, 30, drop=True)) == "23:59:59;29"
    assert str(of_number(86400 * 24, 24)) == "00:00:00:00"


def test_four_labels_go_at_twice_the_rate() -> None:
    double = Fraction(60000, 1001)
    assert str(of_number(3600, 60, drop=True)) == "00:01:00;04"
    assert parse("00:01:00;04", double).number() == 3600
    with pytest.raises(NoTimecode):
        parse("00:01:00;03", double)


@pytest.mark.parametrize(
    ("text", "rate"),
    [("", NTSC), ("1:2:3", NTSC), ("25:00:00:00", NTSC), ("00:60:00:00", NTSC), ("00:00:00:30", NTSC),
     ("00:00:00;00", Fraction(25)), ("00:00:00;00", Fraction(24000, 1001)), ("00:00:00:24", Fraction(24)),
     ("00:00:00:00", Fraction(0)), ("-1:00:00:00", NTSC), ("00:00:00:00x", NTSC), ("00:00:00;02", Fraction(30))],
)  # fmt: skip
def test_what_is_no_timecode_is_refused_in_words(text: str, rate: Fraction) -> None:
    with pytest.raises(NoTimecode):
        parse(text, rate)


COUNTED = [(24, False), (25, False), (30, False), (30, True), (50, False), (60, True), (60, False), (120, True)]
RATES = st.sampled_from(COUNTED)


@given(RATES, st.integers(0, 86_400 * 120))
def test_numbers_and_labels_are_one_to_one(rate: tuple[int, bool], number: int) -> None:
    fps, drop = rate
    day = 144 * (600 * fps - 9 * (fps // 15)) if drop else 86_400 * fps
    label = of_number(number % day, fps, drop=drop)
    assert label.number() == number % day
    true = Fraction(fps * 1000, 1001) if drop else Fraction(fps)
    assert parse(str(label), true) == label


@given(RATES, st.integers(0, 86_400 * 24 - 2))
def test_labels_grow_with_their_numbers(rate: tuple[int, bool], number: int) -> None:
    fps, drop = rate
    one, two = (of_number(n, fps, drop=drop) for n in (number, number + 1))

    def key(t: Timecode) -> tuple[int, int, int, int]:
        return (t.hours, t.minutes, t.seconds, t.frames)

    assert key(one) < key(two)


@given(st.integers(0, 2589407))
def test_drop_frame_keeps_to_the_clock(number: int) -> None:
    label = of_number(number, 30, drop=True)
    shown = 3600 * label.hours + 60 * label.minutes + label.seconds + Fraction(label.frames, 30)
    assert abs(float(shown - number / NTSC)) < 0.16
