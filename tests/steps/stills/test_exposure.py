"""Marks to exact values, against the APEX system (Exif 2.32, CIPA DC-008-2019, annex C)."""

from __future__ import annotations

import math
from collections.abc import Sequence
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.records.stills import StillHeader
from ingest.steps.stills import exposure
from ingest.steps.stills.exposure import APERTURES, SENSITIVITIES, TIMES, exposure_ev, snap_series


def headers(*times: str, n: str | None = None, iso: int | None = None) -> list[StillHeader]:
    stop = None if n is None else Fraction(n)
    return [StillHeader(exposure_time_s=Fraction(t), f_number=stop, iso=iso) for t in times]


def times(series: Sequence[exposure.Exposure]) -> list[float | None]:
    return [e.time_s for e in series]


# Exif annex C: Tv of the marks; exact t = 2^-Tv.  30 s is Tv -5, 1/60 is 6, 1/125 is 7, 1/1000 is 10.
@pytest.mark.parametrize(
    ("mark", "tv"),
    [("30", -5), ("15", -4), ("1", 0), ("1/2", 1), ("1/4", 2), ("1/8", 3), ("1/15", 4), ("1/30", 5), ("1/60", 6),
     ("1/125", 7), ("1/250", 8), ("1/500", 9), ("1/1000", 10), ("1/2000", 11), ("1/4000", 12), ("1/8000", 13)],
)  # fmt: skip
def test_whole_stops_of_time_are_the_apex_values(mark: str, tv: int) -> None:
    for ladder in TIMES.values():
        assert ladder[Fraction(mark)] == 2.0**-tv


# Exif annex C: Av of the marks; exact N = 2^(Av/2).  f/1.4 is 1, f/5.6 is 5, f/11 is 7.
@pytest.mark.parametrize(
    ("mark", "av"),
    [("1", 0), ("1.4", 1), ("2", 2), ("2.8", 3), ("4", 4), ("5.6", 5), ("8", 6), ("11", 7), ("16", 8), ("22", 9)],
)
def test_whole_stops_of_aperture_are_the_apex_values(mark: str, av: int) -> None:
    for ladder in APERTURES.values():
        assert ladder[Fraction(mark)] == pytest.approx(2.0 ** (av / 2), rel=1e-12)


def test_thirds_of_sensitivity_are_those_of_the_standard() -> None:
    """ISO 12232: the series is 10^(k/10), rounded; a third of a stop differs by 0.001 stop a step."""
    for k, mark in enumerate([100, 125, 160, 200, 250, 320, 400, 500, 640, 800]):
        exact = SENSITIVITIES["thirds"][Fraction(mark)]
        assert abs(math.log2(exact / (100 * 10 ** (k / 10)))) < 0.012
        assert abs(math.log2(exact / mark)) < 0.02


def test_worked_values() -> None:
    """Calculated from t = 2^-Tv, N = 2^(Av/2), S = 100 * 2^(k/3)."""
    thirds_s, thirds_n, thirds_iso = TIMES["thirds"], APERTURES["thirds"], SENSITIVITIES["thirds"]
    assert 1 / thirds_s[Fraction(1, 80)] == pytest.approx(80.63, abs=0.005)
    assert 1 / thirds_s[Fraction(1, 100)] == pytest.approx(101.59, abs=0.005)
    assert 1 / thirds_s[Fraction(1, 1250)] == pytest.approx(1290.2, abs=0.05)
    assert thirds_n[Fraction("1.8")] == pytest.approx(1.7818, abs=5e-5)
    assert thirds_n[Fraction("3.5")] == pytest.approx(3.5636, abs=5e-5)
    assert thirds_n[Fraction(13)] == pytest.approx(12.699, abs=5e-4)
    assert [thirds_iso[Fraction(i)] for i in (125, 160, 640)] == pytest.approx([125.99, 158.74, 634.96], abs=0.005)


def test_the_seam_that_marks_at_face_value_would_leave() -> None:
    """1/15 to 1/1000 is 6 stops, a ratio of 64; the marks say 66.67.  30 s to 1/8000 is 18 stops."""
    exact = times(snap_series(headers("1/15", "1/60", "1/250", "1/1000")))
    assert exact[0] == 64 * exact[3]  # type: ignore[operator]
    long, short = times(snap_series(headers("30", "1/8000")))
    assert math.log2(long / short) == 18  # type: ignore[operator]


def test_no_mark_is_far_from_its_value_and_all_stand_in_order() -> None:
    """Common practice, no source; the coarsest is 0.3 s for 2^-1.5 on half-stop scales."""
    for scales, furthest in ((TIMES, 0.24), (APERTURES, 0.11), (SENSITIVITIES, 0.1)):
        for ladder in scales.values():
            marks = sorted(ladder)
            assert [ladder[m] for m in marks] == sorted(ladder.values())
            for mark, exact in ladder.items():
                assert abs(math.log2(exact / mark)) < furthest, (mark, exact)


def test_half_stop_bodies_are_told_from_third_stop_bodies() -> None:
    assert times(snap_series(headers("1/45", "1/90", "1/20"))) == [2**-5.5, 2**-6.5, 2**-4.5]
    assert times(snap_series(headers("1/80", "1/40", "1/20"))) == [2 ** (-19 / 3), 2 ** (-16 / 3), 2 ** (-13 / 3)]
    assert times(snap_series(headers("1/20"))) == [2 ** (-13 / 3)]


def test_a_body_that_writes_true_times_is_believed() -> None:
    """A phone's set from the real traces holds 66666667/1000000000 beside 1/500: it measures, it does not mark."""
    true = ["66666667/1000000000", "33333333/1000000000", "1/500"]
    series = snap_series(headers(*true, n="9/5", iso=125))
    assert times(series) == [float(Fraction(t)) for t in true]
    assert {(e.f_number, e.iso, e.ladder) for e in series} == {(1.8, 125.0, "")}


def test_what_is_no_mark_beside_marked_times_is_believed() -> None:
    (found,) = snap_series(headers("1/60", n="2.1", iso=103))
    assert (found.time_s, found.f_number, found.iso) == (1 / 64, 2.1, 103.0)
    (found,) = snap_series(headers("1/60", n="5.6", iso=125))
    assert (found.time_s, found.f_number, found.iso) == (1 / 64, 2**2.5, 100 * 2 ** (1 / 3))


def test_a_time_from_apex_is_exact_already() -> None:
    apex = StillHeader(exposure_time_s=Fraction(1, 64), exposure_from_apex=True, iso=100)
    assert snap_series([apex, *headers("1/60")])[0].time_s == 1 / 64
    assert snap_series([apex, *headers("1/60")])[1].time_s == float(Fraction(1, 60))


def test_frames_without_a_time_decide_nothing() -> None:
    series = snap_series([StillHeader(), *headers("1/60", "1/15"), StillHeader(f_number=Fraction(4))])
    assert times(series) == [None, 1 / 64, 1 / 16, None]
    assert snap_series([]) == ()


def test_exposure_ev_is_the_apex_sum() -> None:
    """f/16 at 1/125 and ISO 100 is Ev 15 (8 + 7), so -15 here; ISO 400 gives two stops more."""
    assert exposure_ev(2.0**-7, 16, 100) == -15
    assert exposure_ev(2.0**-7, 16, 400) == -13
    # 4 s at ISO 2500 equals 2 s at ISO 5000 (seen in a real series: automatic ISO cancels the shutter).
    assert exposure_ev(4, 2.8, 2500) == pytest.approx(exposure_ev(2, 2.8, 5000))
    assert exposure_ev(None, 2.8, 100) is None
    assert exposure_ev(0.0, 2.8, 100) is None
    assert exposure_ev(1.0, None, None) == 0


LADDERS = st.sampled_from(sorted(TIMES))


@given(st.data())
def test_any_set_of_marks_is_snapped_onto_one_ladder(data: st.DataObject) -> None:
    name = data.draw(LADDERS)
    marks = data.draw(st.lists(st.sampled_from(sorted(TIMES[name])), min_size=1, max_size=13))
    series = snap_series([StillHeader(exposure_time_s=m) for m in marks])
    chosen = {e.ladder for e in series}
    assert len(chosen) == 1 and chosen <= set(TIMES)
    (ladder,) = chosen
    assert times(series) == [TIMES[ladder][m] for m in marks]
    step = 3 if ladder == "thirds" else 2
    for e in series:
        assert (math.log2(e.time_s) * step) == pytest.approx(round(math.log2(e.time_s) * step), abs=1e-9)  # type: ignore[arg-type]


@given(st.data())
def test_order_and_repetition_change_nothing(data: st.DataObject) -> None:
    marks = data.draw(st.lists(st.sampled_from(sorted({*TIMES["thirds"], *TIMES["halves"]})), min_size=1, max_size=9))
    order = data.draw(st.permutations(marks))
    one = dict(zip(marks, times(snap_series([StillHeader(exposure_time_s=m) for m in marks])), strict=True))
    two = dict(zip(order, times(snap_series([StillHeader(exposure_time_s=m) for m in order])), strict=True))
    assert one == two
    doubled = snap_series([StillHeader(exposure_time_s=m) for m in marks + marks])
    assert times(doubled)[: len(marks)] == [one[m] for m in marks]


@given(
    st.lists(st.sampled_from(sorted(TIMES["thirds"])), max_size=9),
    st.fractions(min_value=Fraction(1, 8000), max_value=30, max_denominator=10**9),
)
def test_one_time_off_the_marks_and_all_are_believed(marks: list[Fraction], odd: Fraction) -> None:
    if odd in TIMES["thirds"] or odd in TIMES["halves"]:
        return
    given_ = [*marks, odd]
    assert times(snap_series([StillHeader(exposure_time_s=t) for t in given_])) == [float(t) for t in given_]
