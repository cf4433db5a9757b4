"""Lengths against NIST SP 811 (1 in = 25.4 mm exactly, 1 ft = 0.3048 m) and handwriting of the trade."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.steps.setups.lengths import parse_length
from ingest.steps.setups.moments import Unclear

# Each figure is inches x 0.0254 or metres as written: NIST SP 811, B.8 (foot 3.048 E-01, inch 2.54 E-02).
SURE = {
    "5'7\"": 1.7018,
    "5’7”": 1.7018,
    "5′ 7″": 1.7018,
    "5'7": 1.7018,
    "5'7''": 1.7018,
    '67"': 1.7018,
    "67 in": 1.7018,
    "5 ft 7 in": 1.7018,
    "5ft7in": 1.7018,
    "5 feet 7 inches": 1.7018,
    "5 ft. 7 in.": 1.7018,
    "5' - 7\"": 1.7018,
    "5'-7\"": 1.7018,
    "5' 7 1/2\"": 1.7145,
    "5'7½\"": 1.7145,
    "5' 7.5\"": 1.7145,
    "5 ft 6 1/2 in": 1.6891,
    "5'6\"": 1.6764,
    "68 in": 1.7272,
    "68 inches": 1.7272,
    "2'0": 0.6096,
    "0'11\"": 0.2794,
    "12'": 3.6576,
    "11'10\"": 3.6068,
    '1/2"': 0.0127,
    "½ in": 0.0127,
    "6 ft 2": 1.8796,
    "6'": 1.8288,
    "6 ft 0.5 in": 1.8415,
    "24 in": 0.6096,
    "1.73m": 1.73,
    "1.73 m": 1.73,
    "1,73 m": 1.73,
    "173 cm": 1.73,
    "173cm": 1.73,
    "1m73": 1.73,
    "1 m 73 cm": 1.73,
    "4m20": 4.2,
    "1730 mm": 1.73,
    "0.05 m": 0.05,
    ".5 m": 0.5,
    "2 metres": 2.0,
    "3 meters": 3.0,
    "~1.7 m": 1.7,
    "approx 1.7 m": 1.7,
    "1m05": 1.05,
    "5.5 ft": 1.6764,
    "0,125 m": 0.125,
    "1 m 5 cm": 1.05,
}
RANGES = {
    "4'6\">6'2\"": (1.3716, 1.8796),
    "4'6\" - 6'2\"": (1.3716, 1.8796),
    "12' to 4'6\"": (3.6576, 1.3716),
    "3m>6m": (3.0, 6.0),
    "3 > 6 m": (3.0, 6.0),
    "3-6 m": (3.0, 6.0),
    "1m20 → 1m80": (1.2, 1.8),
    "3m..6m": (3.0, 6.0),
    "10 cm to 1.2 m": (0.1, 1.2),
    "1.2m - 1.5m": (1.2, 1.5),
}
ASKED = [
    "",
    "5.7",
    "173",
    "5",
    "5'14\"",
    "5-7",
    "5'7'",
    "1m7",
    "1m730",
    "1,730 m",
    "eye",
    "floor",
    "-5 m",
    '5\'7" 3"',
    "1/0 in",
    '7/2"',
    "5.5' 3\"",
    "3m>4m>5m",
    "1.7.3 m",
    "1 m 2 ft",
    "two metres",
    "1.73 mm m",
    '5-7"',
    "∞",
]


@pytest.mark.parametrize("written", SURE)
def test_what_is_sure(written: str) -> None:
    span = parse_length(written)
    assert span.metres == pytest.approx(SURE[written], abs=1e-12) and span.to_m is None
    assert span.about == written.startswith(("~", "approx"))


@pytest.mark.parametrize("written", RANGES)
def test_ranges(written: str) -> None:
    span = parse_length(written)
    assert span.to_m is not None
    assert (span.metres, float(span.to_m)) == pytest.approx(RANGES[written], abs=1e-12)


@pytest.mark.parametrize("written", ASKED)
def test_what_is_asked(written: str) -> None:
    with pytest.raises(Unclear):
        parse_length(written)


def test_one_setting_or_the_column_solves_it() -> None:
    assert parse_length("173", units="metric").metres == 1.73
    assert parse_length("5.7", units="metric").metres == 5.7
    assert parse_length("1.73", units="metric").metres == 1.73
    assert parse_length("67", units="imperial").metres == pytest.approx(1.7018)
    assert parse_length("173", unit="cm").metres == 1.73
    assert parse_length("5.5", unit="ft").metres == pytest.approx(1.6764)
    assert parse_length("5'7\"", unit="cm").metres == pytest.approx(1.7018)  # its own marks win
    for text, units in (("5.7", "imperial"), ("5", "metric"), ("5", "imperial")):
        with pytest.raises(Unclear):
            parse_length(text, units=units)  # type: ignore[arg-type]
    with pytest.raises(Unclear):
        parse_length("5", unit="cubits")


def test_the_question_names_the_readings() -> None:
    with pytest.raises(Unclear, match=r"5'7\", 5.7 ft or 5.7 m"):
        parse_length("5.7")


@settings(max_examples=300, deadline=None)
@given(st.text(max_size=20))
def test_any_text_gives_a_length_or_a_question(text: str) -> None:
    try:
        span = parse_length(text, units="metric")
    except Unclear:
        return
    assert span.m >= 0


@settings(max_examples=200, deadline=None)
@given(
    st.integers(0, 40),
    st.integers(0, 11),
    st.sampled_from(["", " 1/2", " 1/4", " 3/4", " 1/8"]),
    st.sampled_from(["{f}'{i}{q}\"", "{f} ft {i}{q} in", "{f}' {i}{q}\"", "{f}’{i}{q}”", "{f} feet {i}{q} inches"]),
)
def test_written_and_read(feet: int, inches: int, quarter: str, form: str) -> None:
    exact = (feet * 12 + inches + (Fraction(quarter.strip()) if quarter else 0)) * Fraction(254, 10000)
    assert parse_length(form.format(f=feet, i=inches, q=quarter)).m == exact


@settings(max_examples=100, deadline=None)
@given(st.decimals(0, 99, places=3))
def test_metric_written_and_read(metres: object) -> None:
    assert parse_length(f"{metres} m").m == Fraction(str(metres))
    assert parse_length(f"{metres} cm").m == Fraction(str(metres)) / 100
