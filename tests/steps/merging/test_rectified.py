"""Noise that a file cuts off at black: against simulation, and what the plan and the estimate make of it."""

from __future__ import annotations

import numpy as np
import pytest

from ingest.steps.merging import radiance, rectified
from ingest.steps.merging.radiance import FrameModel
from tests import brackets
from tests.merging_sets import planned


@pytest.mark.parametrize("m", [-2.0, 0.0, 0.7, 2.0, 6.0, 40.0])
def test_moments_are_those_of_cut_off_noise(m: float) -> None:
    """A million readings max(0, N(m, 1)): mean, its slope (by the share above the rail) and variance."""
    drawn = np.random.default_rng(4).normal(m, 1, 1_000_000)
    read = np.maximum(drawn, 0)
    mean, slope, variance = (float(v[0]) for v in rectified.moments(np.array([m]), np.ones(1), 0.0))
    assert mean == pytest.approx(read.mean(), abs=0.004)
    assert slope == pytest.approx((drawn > 0).mean(), abs=0.002)
    assert variance == pytest.approx(read.var(), rel=0.02, abs=1e-3)
    excess = rectified.excess(np.float32([m]), np.ones(1, np.float32), 0.0)
    assert float(excess[0]) == pytest.approx(read.mean() - m, abs=0.005)


@pytest.mark.parametrize("read", [6.0, 12.0])
def test_cut_off_noise_is_no_black_level(read: float) -> None:
    """It passed for a level of .4 deviations of the read noise, which bent exposures by up to 4 %."""
    body = brackets.Body(read=read)
    truth = brackets.scene(384, 192, seed=38, stops=18)
    bracket = brackets.make(truth, body, brackets.times(7, 2, 1 / 2048))
    plan = planned(bracket)
    assert max(plan.stack.encoding.black) < 65535 * 2e-5
    error = np.log(plan.units) + np.log(plan.corrections) - np.log([s.units for s in bracket.shots])
    assert np.abs(error - np.median(error)).max() < 0.003


def test_dark_frames_do_not_lift_the_shadows() -> None:
    exposures, well, read = [2.0**k for k in range(9)], 20000.0, 4.0
    light = np.full((200, 400), 5 * read / well / exposures[-1])  # five deviations in the longest frame
    rng = np.random.default_rng(8)
    x = [(np.maximum(rng.poisson(s * light * well) + rng.normal(0, read, light.shape), 0) / well).astype(np.float32)
         for s in exposures]  # fmt: skip
    off = {}
    for lowest in (float("-inf"), 0.0):
        frames = [FrameModel(s=s, clip=1.0, floor=(read / well) ** 2, gain=1 / well, lowest=lowest) for s in exposures]
        tile = radiance.estimate(frames, lambda k: (x[k], None), light.shape)
        off[lowest] = float(tile.radiance.mean() / light[0, 0] - 1)
    assert off[float("-inf")] > 0.01  # taken at their word they do
    assert abs(off[0.0]) < 0.003
