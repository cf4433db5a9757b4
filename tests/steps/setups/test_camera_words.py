"""What is written about the camera, against worked values.

Stops: N = 2^(n/2).  Shutter: angle = 360 x rate x time.  Densities: D/log10(2).  Frame rates: n x 1000/1001
(SMPTE ST 12-1).  Forms of writing: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable
from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.steps.setups.camera_words import (
    parse_focal,
    parse_frame_rate,
    parse_lens,
    parse_nd,
    parse_shutter,
    parse_stop,
    parse_tilt,
    without_stop,
)
from ingest.steps.setups.moments import Unclear


@pytest.mark.parametrize(
    ("written", "number"),
    [
        ("T2.8", 2.8),
        ("2.8", 2.8),
        ("f/5.6", 5.6),
        ("2.8 1/2", 3.3636),
        ("2.8½", 3.3636),
        ("T2.8⅓", 3.1748),
        ("2.8⅔", 3.5636),
        ("2.8/4", 3.3636),
        ("2.8-4 split", 3.3636),
        ("T1.3", 1.3),
        ("2,8", 2.8),
        ("t 4", 4.0),
    ],
)
def test_stops(written: str, number: float) -> None:
    assert parse_stop(written).number == pytest.approx(number, abs=5e-5)


def test_a_t_number_is_no_f_number() -> None:
    assert [parse_stop(s).kind for s in ("T2.8", "f2.8", "2.8")] == ["T", "f", ""]


@pytest.mark.parametrize(
    ("written", "recorded", "played"),
    [
        ("24", (24, 1), (24, 1)),
        ("24p", (24, 1), (24, 1)),
        ("25 fps", (25, 1), (25, 1)),
        ("23.98", (24000, 1001), (24000, 1001)),
        ("23.976", (24000, 1001), (24000, 1001)),
        ("24000/1001", (24000, 1001), (24000, 1001)),
        ("29.97", (30000, 1001), (30000, 1001)),
        ("59,94", (60000, 1001), (60000, 1001)),
        ("24 (23.98)", (24000, 1001), (24000, 1001)),
        ("48>24", (48, 1), (24, 1)),
        ("47.952", (48000, 1001), (48000, 1001)),
        ("12.5", (25, 2), (25, 2)),
    ],
)
def test_frame_rates(written: str, recorded: tuple[int, int], played: tuple[int, int]) -> None:
    rate = parse_frame_rate(written)
    assert (rate.recorded, rate.played) == (Fraction(*recorded), Fraction(*played))


def test_shutters() -> None:
    assert parse_shutter("180") == parse_shutter("180°") == 180
    assert parse_shutter("1/48", Fraction(24000, 1001)) == pytest.approx(179.82, abs=0.005)
    assert parse_shutter("1/50", Fraction(24)) == pytest.approx(172.8)
    assert parse_shutter("1/50", Fraction(25)) == pytest.approx(180)


@pytest.mark.parametrize(
    ("written", "stops"),
    [
        (".6", 1.993),
        ("N6", 1.993),
        ("ND 0.6", 1.993),
        ("ND.9", 2.990),
        ("ND4", 2),
        ("ND8", 3),
        ("2 stops", 2),
        ("ND 3.0", 9.966),
        ("ND1000", 9.966),
        ("85N6", 1.993),
        ("85 N3", 0.997),
        ("", 0),
        ("none", 0),
        ("pola", 0),
        ("¼ diffusion", 0),
        ("85", None),
        ("ND", None),
        ("ND6", None),
        ("ND3", None),
    ],
)
def test_neutral_filters(written: str, stops: float | None) -> None:
    if stops is None:
        with pytest.raises(Unclear):
            parse_nd(written)
    else:
        assert parse_nd(written) == pytest.approx(stops, abs=0.001)


@pytest.mark.parametrize(
    ("written", "degrees"),
    [
        ("-5", -5),
        ("5 dn", -5),
        ("D5", -5),
        ("↓5", -5),
        ("12 up", 12),
        ("level", 0),
        ("+3", 3),
        ("7° down", -7),
        ("5", None),
        ("-5 up", None),
        ("95 up", None),
        ("up", None),
        ("5 left", None),
    ],
)
def test_tilts(written: str, degrees: float | None) -> None:
    if degrees is None:
        with pytest.raises(Unclear):
            parse_tilt(written)
    else:
        assert parse_tilt(written) == degrees


def test_focal_lengths() -> None:
    assert parse_focal("35").mm == parse_focal("35mm").mm == parse_focal("24-70 @ 35").mm == 35
    assert parse_focal("40A").anamorphic and parse_focal("approx 35").about
    for text in ("24-70", "wide", "24-70 @ 85", "0"):
        with pytest.raises(Unclear):
            parse_focal(text)


@pytest.mark.parametrize(
    ("written", "focal", "stop"),
    [
        ("32 mm T2.8", 32, "T2.8"),
        ("32mm, T2.8", 32, "T2.8"),
        ("T2.8 32mm", 32, "T2.8"),
        ("32mm", 32, ""),
        ("35", 35, ""),
        ("T2.8", None, "T2.8"),
        ("f/2.8", None, "f2.8"),
        ("50mm f/2.8", 50, "f2.8"),
        ("50/T2", 50, "T2"),
        ("50 F2", 50, "f2"),
        ("Heron prime 32 mm T 2,8", 32, "T2.8"),
        ("75mm T2.8½", 75, "T3.364"),
        ("75mm T2.8/4 split", 75, "T3.364"),
        ("24-70 @ 35 T4", 35, "T4"),
        ("24-70mm @ 35mm T4", 35, "T4"),
        ("T1.3 35mm @ T2.8", 35, "T2.8"),
        ("40A T2", 40, "T2"),
        ("approx 35mm T4", 35, "T4"),
        ("24-70mm T4", None, "T4"),  # which of them?
        ("35mm / 50mm", None, ""),
        ("T1.3 T2.8 35mm", 35, ""),  # the lens's widest, and the one set? nobody can say
        ("200mm + 1.4x extender", None, ""),
        ("Tonga set 2", None, ""),
        ("wide", None, ""),
        ("mark 3 lens", None, ""),
        ("", None, ""),
    ],
)
def test_lens_cells_with_focal_length_and_stop(written: str, focal: float | None, stop: str) -> None:
    said = parse_lens(written)
    assert (said.focal.mm if said.focal else None) == focal
    assert (f"{said.stop.kind}{said.stop.number:.4g}" if said.stop else "") == stop


def test_another_stop_is_no_other_lens() -> None:
    assert without_stop("32 mm T2.8") == without_stop("32 mm T4") == "32 mm"
    assert without_stop("32 mm") != without_stop("50 mm") and without_stop("T4") == "T4"


@settings(max_examples=150, deadline=None)
@given(st.text(max_size=16))
def test_any_text_gives_a_value_or_a_question(text: str) -> None:
    parsers: tuple[Callable[[str], object], ...] = (
        parse_stop,
        parse_frame_rate,
        parse_shutter,
        parse_nd,
        parse_tilt,
        parse_focal,
    )
    parse_lens(text)
    without_stop(text)
    for parse in parsers:
        try:
            parse(text)
        except Unclear:
            continue
