"""The tables in ``shared/``: recomputed from the rule of their standard, or held against another library's data."""

from __future__ import annotations

import math
import tomllib
from fractions import Fraction
from pathlib import Path
from typing import Any

import pytest

from ingest.steps.stills import exposure

SHARED = Path(__file__).parents[2] / "shared"


def table(name: str) -> dict[str, Any]:
    return tomllib.loads((SHARED / f"{name}.toml").read_text(encoding="utf-8"))


def test_every_table_names_its_source() -> None:
    for path in SHARED.glob("*.toml"):
        head = "".join(x for x in path.read_text(encoding="utf-8").splitlines() if x.startswith("#"))
        assert "Source" in head, path.name


@pytest.mark.parametrize(
    ("name", "exact", "ladder"),
    [
        ("times_tv", lambda v: 2.0**-v, exposure.TIMES),
        ("apertures_av", lambda v: 2.0 ** (v / 2), exposure.APERTURES),
        ("sensitivities_sv", lambda v: 3.125 * 2.0**v, exposure.SENSITIVITIES),
    ],
)
def test_marks_mean_what_apex_says(name: str, exact: Any, ladder: Any) -> None:
    """Exif 2.32, annex C.  A mark is within a tenth of a stop of its exact value, and our ladders agree."""
    stops_per_unit = 1.0 if name != "apertures_av" else 2.0
    for mark, apex in table("exposure_marks")[name].items():
        value = exact(apex)
        assert abs(math.log2(float(Fraction(mark)) / value)) * stops_per_unit < 0.1, mark
        assert ladder["thirds"][Fraction(mark)] == pytest.approx(value, rel=1e-9), mark


def test_spans() -> None:
    marks = table("exposure_marks")
    spans, tv = marks["spans"], marks["times_tv"]
    assert float(Fraction("1/15") / Fraction("1/1000")) == pytest.approx(spans["1/15 to 1/1000, nominal ratio"])
    assert 2.0 ** (tv["1/1000"] - tv["1/15"]) == spans["1/15 to 1/1000, exact ratio"]
    assert math.log2(30 * 8000) == pytest.approx(spans["30 to 1/8000, nominal stops"], abs=0.005)
    assert tv["1/8000"] - tv["30"] == spans["30 to 1/8000, exact stops"]


def test_chart_is_the_published_one() -> None:
    colour = pytest.importorskip("colour")
    editions = {"before_november_2014": "Before November 2014", "after_november_2014": "After November 2014"}
    for name, edition in editions.items():
        ours = table("chart24")[name]
        (key,) = (k for k in colour.CCS_COLOURCHECKERS if "24" in k and k.endswith(f"- {edition}"))
        published = colour.CCS_COLOURCHECKERS[key]
        assert ours.pop("white_xy") == pytest.approx(list(published.illuminant), abs=6e-6)
        assert list(ours) == list(published.data) and len(ours) == 24
        for patch, values in ours.items():
            assert values == pytest.approx(list(published.data[patch]), abs=6e-5), patch


def test_qr_capacities() -> None:
    segno = pytest.importorskip("segno")
    for version, levels in table("qr_capacities").items():
        for level, most in levels.items():
            for sign, count in zip(("7", "A", "a"), most, strict=True):
                fits = segno.make_qr(sign * count, version=int(version), error=level, boost_error=False)
                assert fits.version == int(version) and fits.symbol_size(border=0)[0] == 17 + 4 * int(version)
                with pytest.raises(segno.encoder.DataOverflowError):
                    segno.make_qr(sign * (count + 1), version=int(version), error=level, boost_error=False)


def label_of(frame: int) -> str:
    """SMPTE ST 12-1, counted minute by minute: each loses labels 00 and 01 but every tenth."""
    minute = 0
    while frame >= (length := 1800 if minute % 10 == 0 else 1798):
        frame -= length
        minute += 1
    frame += 0 if minute % 10 == 0 else 2
    return f"{minute // 60:02}:{minute % 60:02}:{frame // 30:02};{frame % 30:02}"


def test_drop_frame_labels() -> None:
    drop = table("drop_frame")
    assert {n: label_of(int(n)) for n in drop["labels"]} == drop["labels"]
    totals = drop["totals"]
    assert label_of(totals["frames_in_10_minutes"]) == "00:10:00;00"
    assert label_of(totals["frames_an_hour"]) == "01:00:00;00"
    assert label_of(totals["frames_a_day"]) == "24:00:00;00"
