"""Exposures, curve, black level and clip level from the frames themselves."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from ingest.steps.merging import calibration, clipping, curves
from ingest.steps.merging.calibration import Plan
from ingest.steps.merging.response import Fit
from tests import brackets
from tests.merging_sets import planned

TRUTH = brackets.scene(384, 192)


def off(plan: Plan, bracket: brackets.Bracket) -> np.ndarray:
    """Log error of the exposures, level removed."""
    error = np.log(plan.units) + np.log(plan.corrections) - np.log([s.units for s in bracket.shots])
    return error - np.median(error)


def test_exposures_are_refined_and_flicker_found() -> None:
    bracket = brackets.make(TRUTH, brackets.Body(), brackets.times(7, 1, 1 / 1024), jitter=0.015, flicker=(3, 1.1))
    plan = planned(bracket)
    assert np.abs(off(plan, bracket)).max() < 0.001
    assert plan.flickered[3] and sum(plan.flickered) <= 2
    assert plan.response["curve"] == "linear"


def test_srgb_is_believed_where_it_explains_the_frames() -> None:
    bracket = brackets.make(TRUTH, brackets.Body(), brackets.times(7, 1, 1 / 1024), kind="jpeg", jitter=0.01)
    plan = planned(bracket)
    assert plan.response["curve"] == "srgb"
    assert np.abs(off(plan, bracket)).max() < 0.0015


def test_an_unknown_curve_is_recovered() -> None:
    body = brackets.Body(curve=brackets.camera_curve)
    bracket = brackets.make(TRUTH, body, brackets.times(7, 1, 1 / 1024), kind="jpeg")
    plan = planned(bracket)
    assert plan.response["curve"] == "recovered" and plan.curve is not None
    light = np.linspace(0.01, 0.9, 50)
    encoding = plan.stack.encoding
    found = np.interp(255 * brackets.camera_curve(light), curves.codes_of_table(encoding), curves._single(encoding))
    ratio = np.log(found / light)
    assert np.std(ratio) < 0.004
    assert np.abs(off(plan, bracket)).max() < 0.003


@pytest.mark.parametrize(("bent", "plain", "expected"), [
    (0.4, 1.1, False),  # a power of the right curve: it makes each exposure 2.5 times what its header says
    (1.01, 1.1, True), (1.4, 0.4, True), (0.4, 1.0, False),
])  # fmt: skip
def test_a_recovered_curve_keeps_the_headers_slope(bent: float, plain: float, expected: bool) -> None:
    """Three frames that hold something, and light that changed between them: seen in 2 of 102 simulated TIFF bursts."""
    def choice(name: str, slope: float, cost: float) -> Any:
        return SimpleNamespace(name=name, fit=SimpleNamespace(slope=lambda _: slope, cost=cost), facts={"from_srgb": 2})

    work: Any = SimpleNamespace(units=np.array([1.0, 4.0, 16.0]))
    assert calibration._better(choice("recovered", bent, 0.5), choice("linear", plain, 1.0), work) is expected


@pytest.mark.parametrize("where", [2, 5])
def test_light_that_changes_during_a_linear_burst_bends_no_curve(where: int) -> None:
    """Two stops a frame, the longest all clipped: half a stop less light tilts what the few other frames tell."""
    stated = brackets.times(8, 2, 1 / 4096)
    true = [t * (0.72 if k >= where else 1.0) for k, t in enumerate(stated)]
    bracket = brackets.make(TRUTH**0.6, brackets.Body(), true)
    for shot, t in zip(bracket.shots, stated, strict=True):
        shot.exposure_s = t
    plan = planned(bracket)
    assert plan.response["curve"] == "linear"
    assert np.abs(off(plan, bracket)[:-1]).max() < 0.005
    assert 0.9 < plan.corrections[-1] < 1.1  # nothing but its header tells of a frame that is all white


@settings(deadline=None)
@given(
    power=st.sampled_from([0.45, 0.9, 1.0, 1.03, 2.2]), frames=st.integers(5, 9), step=st.sampled_from([1 / 3, 1, 2]),
    fell=st.floats(-1.0, 1.0), event=st.sampled_from(["none", "step", "flicker"]), seed=st.integers(0, 2**31),
)  # fmt: skip
def test_an_event_is_no_slope_and_a_slope_no_event(
    power: float, frames: int, step: float, fell: float, event: str, seed: int
) -> None:
    rng = np.random.default_rng(seed)
    stated = np.log(2.0) * step * np.arange(frames)
    happened = np.zeros(frames)
    at = int(rng.integers(1, frames))
    happened[at : frames if event == "step" else at + 1] = 0.0 if event == "none" else fell
    shutters = 0.002 * step
    found = Fit(
        log_exposures=power * (stated - stated.mean()) + happened + rng.normal(0, shutters, frames),
        sigmas=np.full(frames, 1e-4), curve=np.zeros(0), offset=0.0, offset_sigma=0.0, residual=0.003, cost=0.0,
        observations=1, by_channel=np.zeros((frames, 1)), lowest=0.0, highest=0.0,
    )  # fmt: skip
    if event == "none" or abs(fell) > 0.1:
        assert found.slope(stated) == pytest.approx(power, abs=0.015)


def test_a_kept_curve_serves_a_set_too_short_to_recover_one() -> None:
    body = brackets.Body(curve=brackets.camera_curve)
    long = planned(brackets.make(TRUTH, body, brackets.times(7, 1, 1 / 1024), kind="jpeg"))
    short = brackets.make(TRUTH, body, brackets.times(2, 2, 1 / 256), kind="jpeg", seed=5, hold=4.0)
    plan = planned(short, curve=long.curve)
    assert plan.response["curve"] in ("kept", "recovered")
    assert np.abs(off(plan, short)).max() < 0.02


def test_the_black_level_of_a_linear_tiff_is_found() -> None:
    body = brackets.Body(black=600.0)
    plan = planned(brackets.make(TRUTH, body, brackets.times(7, 1, 1 / 1024)))
    assert np.allclose(plan.stack.encoding.black, 600.0, atol=3.0)


@pytest.mark.parametrize("white", [255, 251])
def test_the_clip_level_is_the_pile_at_the_top(white: int) -> None:
    """251 has been seen for white (real linear series)."""
    rng = np.random.default_rng(2)
    codes = np.minimum(rng.exponential(90, 200_000), white).astype(np.float32).round()
    found = clipping.pile(codes, 255.0)
    assert found is not None and white - 3 < found.code < white


def test_a_bright_wall_is_no_pile() -> None:
    codes = np.random.default_rng(3).normal(200, 4, 100_000).astype(np.float32)
    assert clipping.pile(codes, 255.0) is None


@example(code=251, noise=1.0, seed=0)  # the wall of the darker frame stands just below half of the top
@given(st.integers(135, 252), st.sampled_from([0.0, 0.3, 1.0, 1.5]), st.integers(0, 2**31))
@settings(max_examples=30, deadline=None)
def test_an_even_wall_is_not_white_and_a_clipped_crowd_is(code: int, noise: float, seed: int) -> None:
    """A third of each frame at one code, as a rendered or quiet wall is: not believed, wherever it stands.  The same
    code at which places of different light pile up is."""
    rng = np.random.default_rng(seed)
    light = rng.uniform(0.02, 0.3, 6000)
    wall, crowd = light.copy(), light * 1.0
    wall[:2000] = 1.0
    crowd[:2000] = rng.uniform(1.1, 1.9, 2000)

    def frames(scene: np.ndarray) -> list[np.ndarray]:
        seen = [np.minimum(code * scene * s, code) + rng.normal(0, noise, scene.shape) for s in (0.25, 0.5, 1.0)]
        return [np.rint(v).astype(np.float32) for v in seen]

    for scene, white in ((wall, None), (crowd, code)):
        codes = frames(scene)
        found = clipping.believed([clipping.pile(v, 255.0) for v in codes], codes, 255.0)
        if white is None:
            assert found == [None, None, None]
            assert clipping.white(found, 255.0) == 255.0
        elif noise < 0.3 or code >= 246:  # a blurred pile far from the top needs a second frame
            assert found[2] is not None and abs(clipping.white(found, 255.0) - code) < 1.5


def test_a_still_wall_merges_at_its_level() -> None:
    """Without noise a wall at half of white in the longest frame stays at half of white."""
    light = np.full((64, 96, 3), 0.25)
    light[:, 48:] *= np.linspace(0.1, 0.9, 48)[:, None]
    codes = [np.rint(65535 * np.clip(light * s, 0, 1)) for s in (0.5, 1.0, 2.4)]
    bracket = brackets.Bracket(truth=light, body=brackets.Body(), bound=light, shots=[
        brackets.Shot(units=s, exposure_s=s / 100, data=brackets.encode(c, brackets.Body(), "tiff"))
        for s, c in zip((0.5, 1.0, 2.4), codes, strict=True)])  # fmt: skip
    plan = planned(bracket)
    assert min(plan.clip_codes) > 65000 and plan.response["white_code"] == 65535.0
