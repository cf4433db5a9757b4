"""Colours and matrices of the 24-patch chart, against colour-science and a real raw."""

from __future__ import annotations

import warnings
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.machinery.worker import pictures
from ingest.machinery.worker.jobs import sights as job
from ingest.steps.sights import chart

RAW = Path(__file__).parents[2] / "data" / "raw-chart" / "colorchart.dng"
EDITIONS = {"before November 2014": "ColorChecker24 - Before November 2014",
            "since November 2014": "ColorChecker24 - After November 2014"}  # fmt: skip


def published() -> object:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        return pytest.importorskip("colour")


@pytest.mark.parametrize("name", EDITIONS)
def test_the_colours_are_the_published_ones(name: str) -> None:
    """colour-science 0.4.7, CCS_COLOURCHECKERS, which cites the chart's maker; xyY under ICC D50."""
    theirs = published().CCS_COLOURCHECKERS[EDITIONS[name]]  # type: ignore[attr-defined]
    assert np.allclose(chart.SETS[name], list(theirs.data.values()), atol=6e-6)
    assert np.allclose(chart.D50, theirs.illuminant, atol=1e-8)


@pytest.mark.parametrize("name", EDITIONS)
def test_linear_rec709_as_colour_science_makes_it(name: str) -> None:
    colour = published()
    theirs = colour.CCS_COLOURCHECKERS[EDITIONS[name]]  # type: ignore[attr-defined]
    xyz = colour.xyY_to_XYZ(np.array(list(theirs.data.values())))  # type: ignore[attr-defined]
    rgb = colour.XYZ_to_RGB(xyz, "sRGB", theirs.illuminant, "Bradford")  # type: ignore[attr-defined]
    assert np.allclose(chart.REFERENCE[name], rgb, atol=2e-4)  # their sRGB matrices are rounded to four figures


def test_colour_difference_as_colour_science_measures_it() -> None:
    """CIE 15: L*a*b* and the difference of 1976."""
    colour = published()
    rng = np.random.default_rng(3)
    a, b = rng.uniform(0, 1, (2, 50, 3))
    labs = [colour.XYZ_to_Lab(v @ chart.to_xyz("rec709").T, np.array([0.3127, 0.3290])) for v in (a, b)]  # type: ignore[attr-defined]
    theirs = colour.delta_E(*labs, method="CIE 1976")  # type: ignore[attr-defined]
    assert np.allclose(chart.delta_e(a, b), theirs, atol=1e-6)


@given(st.integers(0, 10_000), st.sampled_from(sorted(chart.SETS)))
@settings(max_examples=40, deadline=None)
def test_a_known_matrix_is_found_again(seed: int, name: str) -> None:
    """A camera that mixes colours by a matrix of its own, under any light and exposure, is undone by the fit."""
    rng = np.random.default_rng(seed)
    mixing = np.eye(3) + rng.uniform(0.1, 0.4, (3, 3))  # as cameras do: every channel sees some of the others' light
    mixing /= mixing.sum(axis=1, keepdims=True)  # grey stays grey
    light = rng.uniform(0.4, 1.0, 3) * rng.uniform(0.3, 0.9)
    neutral = chart.REFERENCE[name].copy()
    neutral[18:] = neutral[18:].mean(axis=1, keepdims=True)  # greys exactly grey, as the balance takes them
    found = chart.fit(neutral @ mixing.T * light)
    got = np.array(found.matrix).reshape(3, 3)
    assert np.allclose(got, np.linalg.inv(mixing), atol=0.05)
    assert np.allclose(got.sum(axis=1), 1)
    assert np.allclose(np.array(found.balance), light[1] / light)
    assert found.delta_e < 1.5 and found.delta_e <= found.other


def test_burnt_patches_are_left_out_and_too_many_refused() -> None:
    greyer = 0.8 * np.eye(3) + 0.2 / 3  # no camera sees the cyan patch's red below zero
    means = chart.REFERENCE["since November 2014"] @ greyer.T * 0.5
    burnt = means.copy()
    burnt[18] = 1.0
    assert chart.fit(burnt).patches == 23 and chart.fit(burnt).delta_e < 1.5
    with pytest.raises(ValueError, match="too many"):
        chart.fit(np.ones((24, 3)))
    with pytest.raises(ValueError, match="24 patches"):
        chart.fit(means[:20])


def test_a_real_raw_is_found_measured_and_fitted() -> None:
    """The neutrals' steps against the published ones (before Nov 2014: 1 .645 .398 .210 .097 .034 of white); the real
    chart is lit unevenly by a window, so the fit is no better than a few units."""
    with RAW.open("rb") as file:
        answer = job.run({}, [file], lambda _: None)["files"][0]
    (seen,) = [s for s in answer["sights"] if s["what"] == "chart"]
    with RAW.open("rb") as file:
        measured = job.run({"corners": seen["corners"]}, [file], lambda _: None)["files"][0]
    means = np.array(measured["patches"])
    assert measured["source"] == "raw" and means.shape == (24, 3)
    assert np.allclose(means[18:, 1] / means[18, 1], [1, 0.645, 0.398, 0.210, 0.097, 0.034], atol=0.025)
    found = chart.fit(means)
    assert found.patches == 24 and found.delta_e < 6 < found.before


def test_a_mosaic_is_measured_without_its_black() -> None:
    light, picture = pictures.light(RAW.read_bytes())
    assert light.shape == (578, 867, 3) and picture.source == "raw"
    assert 0 <= np.percentile(light, 1) < 0.02 and light.max() <= 1.3
