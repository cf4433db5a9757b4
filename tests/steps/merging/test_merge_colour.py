"""Matrices against colour-science (an independent library) and published rows."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from ingest.steps.merging import colour as ours
from ingest.steps.merging.stack import srgb_decode, srgb_encode

NAMES = {"rec709": "ITU-R BT.709", "acescg": "ACEScg", "aces2065-1": "ACES2065-1"}


@pytest.mark.parametrize(("a", "b"), list(itertools.permutations(NAMES, 2)))
def test_between_spaces_as_colour_science(a: str, b: str) -> None:
    reference = pytest.importorskip("colour")
    expected = reference.matrix_RGB_to_RGB(
        reference.RGB_COLOURSPACES[NAMES[a]], reference.RGB_COLOURSPACES[NAMES[b]], "Bradford"
    )
    assert np.allclose(ours.between(a, b), expected, atol=2e-4)
    assert np.allclose(ours.between(a, b).sum(axis=1), 1, atol=1e-12)


def test_srgb_decoding_values() -> None:
    """IEC 61966-2-1: code 128 is 0.215861, code 188 is 0.502887; 0.18 encodes to 0.46136."""
    assert srgb_decode(np.array([128, 188]) / 255) == pytest.approx([0.215861, 0.502887], abs=1e-6)
    assert float(srgb_encode(np.array(0.18))) == pytest.approx(0.46136, abs=1e-5)


def test_a_profile_of_srgb_is_the_identity() -> None:
    d50 = ours.adapt(ours.xyz_of(0.3127, 0.3290), np.array([0.9642, 1.0, 0.8249])) @ ours.to_xyz("rec709")
    assert np.allclose(ours.from_profile(d50, "rec709"), np.eye(3), atol=1e-6)
