"""Demosaicing of a merged mosaic."""

from __future__ import annotations

import numpy as np
import pytest

from ingest.steps.merging import mosaic

PATTERNS = [np.array(p) for p in ([[0, 1], [1, 2]], [[1, 0], [2, 1]], [[1, 2], [0, 1]], [[2, 1], [1, 0]])]
SIX = np.array([[1, 0, 1, 1, 2, 1], [2, 1, 2, 0, 1, 0], [1, 0, 1, 1, 2, 1],
                [1, 2, 1, 1, 0, 1], [0, 1, 0, 2, 1, 2], [1, 2, 1, 1, 0, 1]])  # fmt: skip


@pytest.mark.parametrize("pattern", [*PATTERNS, SIX])
def test_measured_sites_are_untouched_and_grey_stays_grey(pattern: np.ndarray) -> None:
    rng = np.random.default_rng(1)
    light = rng.uniform(0.1, 1.0, (36, 48)).astype(np.float32)
    rgb = mosaic.demosaic(light, pattern)
    site = np.tile(pattern, (36 // len(pattern), 48 // len(pattern)))
    assert np.array_equal(np.take_along_axis(rgb, site[..., None], 2)[..., 0], light)
    assert np.allclose(mosaic.demosaic(np.full((36, 48), 0.3, np.float32), pattern), 0.3, atol=1e-6)


def test_a_slanting_grey_ramp_is_kept() -> None:
    y, x = np.mgrid[0:40, 0:40].astype(np.float32)
    ramp = 1 + 0.01 * x + 0.02 * y
    rgb = mosaic.demosaic(ramp, PATTERNS[0])
    assert np.allclose(rgb[4:-4, 4:-4], ramp[4:-4, 4:-4, None], atol=1e-5)


def test_nothing_rings_below_zero_beside_a_lamp() -> None:
    light = np.full((40, 40), 1e-4, np.float32)
    light[16:24, 16:24] = 1000.0
    assert mosaic.demosaic(light, PATTERNS[0]).min() >= 0


def test_planes_and_interleave_are_inverse() -> None:
    light = np.arange(24 * 36, dtype=np.float32).reshape(24, 36)
    for period in (2, 6):
        assert np.array_equal(mosaic.interleave(mosaic.planes(light, period), period), light)
