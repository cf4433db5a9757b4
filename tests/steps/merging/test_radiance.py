"""The estimator against the physical limit and against worked values."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.steps.merging import radiance
from ingest.steps.merging.radiance import FrameModel
from tests import brackets

WELL, READ = 20000.0, 4.0


def models(exposures: list[float]) -> list[FrameModel]:
    return [FrameModel(s=s, clip=1.0, floor=(READ**2 + 1 / 12) / WELL**2, gain=1 / WELL) for s in exposures]


def readings(light: np.ndarray, exposures: list[float], seed: int) -> list[np.ndarray]:
    rng = np.random.default_rng(seed)
    out = []
    for s in exposures:
        electrons = np.rint(rng.poisson(np.minimum(s * light * WELL, 1e9)) + rng.normal(0, READ, light.shape))
        out.append((np.minimum(electrons, WELL) / WELL).astype(np.float32))
    return out


@pytest.mark.parametrize("step", [1.0, 2.0])
def test_reaches_the_bound_in_every_half_decade(step: float) -> None:
    """Efficiency 1 / mean(error^2 / bound^2) against the Cramer-Rao bound of the censored model."""
    exposures = [2.0 ** (step * (k - 7)) for k in range(8)]
    light = 10 ** np.random.default_rng(3).uniform(-3.0, np.log10(0.8 / exposures[0]), (64, 2400))
    x = readings(light, exposures, 4)
    tile = radiance.estimate(models(exposures), lambda k: (x[k], None), light.shape)
    body = brackets.Body(full_well=WELL, read=READ, top=WELL)
    information = sum(s * s * brackets.fisher(s * light, body, WELL) for s in exposures)
    ratio = (tile.radiance - light) ** 2 * information
    for low in np.arange(-3.0, np.log10(light.max()) - 0.5, 0.5):
        here = (light >= 10**low) & (light < 10 ** (low + 0.5)) & (tile.clipped == 0)
        assert 1 / ratio[here].mean() > 0.96, low
        assert abs(np.mean(tile.radiance[here] / light[here] - 1)) < 0.01, low
        assert np.median(tile.sigma[here] * np.sqrt(information[here])) == pytest.approx(1, abs=0.1)


def test_worked_poisson_example() -> None:
    """Exposures 1/64, 1/16, 1/4 s and counts 15, 63, 251 give 1002.667 (Hanji et al. 2020, sum over sum)."""
    frames = [FrameModel(s=s, clip=1e9, floor=0, gain=1) for s in (1 / 64, 1 / 16, 1 / 4)]
    counts = [np.full((2, 3), n, np.float32) for n in (15, 63, 251)]
    assert radiance.poisson(frames, counts) == pytest.approx(1002.667, abs=1e-3)
    tile = radiance.estimate(frames, lambda k: (counts[k], None), (2, 3))
    assert tile.radiance == pytest.approx(1002.667, rel=1e-5)  # without read noise both are the same


def test_worked_spread_with_read_noise() -> None:
    """The same exposures at 1000 electrons a second with read noise of 5 electrons: the plain sum spreads by
    6.12 %, the optimum by 6.00 % (inverse variances, Granados et al. 2010; worked by hand and run)."""
    exposures, read = (1 / 64, 1 / 16, 1 / 4), 5.0
    frames = [FrameModel(s=s, clip=1e5, floor=read**2, gain=1) for s in exposures]
    rng = np.random.default_rng(11)
    x = [(rng.poisson(1000 * s, (300, 400)) + rng.normal(0, read, (300, 400))).astype(np.float32) for s in exposures]
    sum_over_sum = radiance.poisson(frames, x)
    merged = radiance.estimate(frames, lambda k: (x[k], None), (300, 400))
    assert sum_over_sum.std() / 1000 == pytest.approx(0.0612, rel=0.01)
    assert merged.radiance.std() / 1000 == pytest.approx(0.0600, rel=0.01)
    assert merged.radiance.mean() == pytest.approx(1000, rel=1e-3)
    assert np.median(merged.sigma) / 1000 == pytest.approx(0.0600, rel=0.02)  # looked up by level


def test_a_saturated_shot_may_go_within_noise() -> None:
    exposures = [0.25, 1.0, 4.0]
    light = np.full((40, 60), 0.6)
    x = readings(light, exposures, 3)  # the longest is saturated everywhere
    full = radiance.estimate(models(exposures), lambda k: (x[k], None), light.shape)
    less = radiance.estimate(models(exposures[:2]), lambda k: (x[k], None), light.shape)
    assert np.abs(full.radiance - less.radiance).max() < 0.5 * np.median(less.sigma)


def test_no_jump_where_one_exposure_hands_over_to_the_next() -> None:
    exposures = [0.125, 0.5, 2.0]
    light = np.repeat(np.linspace(0.3, 0.7, 201)[:, None], 4000, axis=1)
    x = readings(light, exposures, 9)
    tile = radiance.estimate(models(exposures), lambda k: (x[k], None), light.shape)
    off = (tile.radiance / light - 1).mean(axis=1)
    # a censored likelihood is a little biased: under a third of the pixel's own deviation of 1.1 %
    assert np.abs(off).max() < 0.0035


def test_a_pixel_clipped_everywhere_is_a_marked_lower_bound() -> None:
    frames = models([0.5, 1.0])
    white = np.ones((4, 4), np.float32)
    tile = radiance.estimate(frames, lambda _: (white, None), (4, 4))
    assert tile.clipped.all() and np.allclose(tile.radiance, 2.0) and not tile.support.any()


@given(st.floats(0.25, 4.0), st.integers(0, 2**31))
@settings(max_examples=20, deadline=None)
def test_radiance_scales_against_exposure(factor: float, seed: int) -> None:
    """Doubling all times halves the result."""
    exposures = [0.25, 1.0, 4.0]
    light = np.random.default_rng(seed).uniform(0.01, 2.0, (8, 9))
    x = readings(light, exposures, seed)
    one = radiance.estimate(models(exposures), lambda k: (x[k], None), (8, 9))
    other = radiance.estimate(models([s * factor for s in exposures]), lambda k: (x[k], None), (8, 9))
    assert np.allclose(one.radiance, other.radiance * factor, rtol=2e-4)


def test_a_reading_under_the_rail_is_disbelieved_where_the_next_frame_says_clipped() -> None:
    frames = models([1 / 64, 1.0])
    short, long = np.full((4, 8), 0.5, np.float32), np.full((4, 8), 0.97, np.float32)
    tile = radiance.estimate(frames, lambda k: ((short, long)[k], None), (4, 8))
    assert tile.radiance == pytest.approx(32.0, rel=0.01)


def test_the_next_frame_that_was_not_left_out_is_asked_instead() -> None:
    """A figure stands before the lamp in the frame between: it is left out there and cannot say."""
    frames = models([1 / 64, 1 / 8, 1.0])
    x = [np.full((4, 8), v, np.float32) for v in (0.5, 0.05, 0.97)]
    out = np.ones((4, 8), np.uint8)
    out[:, :4] = 0
    tile = radiance.estimate(frames, lambda k: (x[k], out if k == 1 else None), (4, 8))
    assert tile.radiance[:, :4] == pytest.approx(32.0, rel=0.01)
