"""Shifts: found where they are, not found where they are not."""

from __future__ import annotations

import numpy as np
import pytest

from tests import brackets
from tests.merging_sets import planned


@pytest.fixture(scope="module")
def fine() -> np.ndarray:
    return brackets.scene(1024, 512, seed=2)


def test_a_tripod_set_is_left_alone(fine: np.ndarray) -> None:
    """A bitmap method found 63 pixels on tripod pairs; here nothing is resampled."""
    truth = brackets.optics(fine)
    plan = planned(brackets.make(truth, brackets.Body(), brackets.times(5, 2), kind="jpeg", flicker=(2, 1.1)))
    assert plan.alignment is not None and plan.alignment.compared and plan.shifts is None


def test_shifts_to_a_fiftieth_of_a_pixel(fine: np.ndarray) -> None:
    truth = brackets.optics(fine)
    shifts = [(0.0, 0.0), (2.5, -1.25), (-5.75, 3.0), (4.25, 5.5), (0.75, -0.25)]
    body = brackets.Body(curve=brackets.camera_curve)
    plan = planned(brackets.make(truth, body, brackets.times(5, 2), kind="jpeg", shifts=shifts, fine=fine))
    assert plan.shifts is not None
    expected = np.array(shifts) - np.array(shifts[plan.reference])
    assert np.abs(np.array(plan.shifts) - expected).max() < 0.03
