"""Whether a picture leans, and what only one view of several shows."""

from __future__ import annotations

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.steps.panorama import cameras, flare, level, seams
from ingest.steps.panorama.raster import Layout, Raster
from tests import scenes
from tests.bench.light import captured, lens, numbers_of, spotted

HALF = Raster(height=256, width=512, layout=Layout.CENTRES)


def leaning(degrees: float, seed: int = 0, around: float = 0.7) -> tuple[np.ndarray, np.ndarray]:
    """Luminance of a built place that leans, and where its up is in the picture."""
    lean = cv2.Rodrigues(np.radians(degrees) * np.array([np.cos(around), 0, np.sin(around)]))[0]
    light = scenes.latlong(scenes.built(seed, tilt=lean), 512, layout=Layout.CENTRES, parts=2) @ scenes.LUMINANCE
    return light, lean.T @ np.array([0.0, 1.0, 0.0])


def test_a_picture_that_leans_is_told_with_its_angle_and_one_that_stands_is_not() -> None:
    light, up = leaning(6.0)
    found = level.find(light, HALF)
    assert found is not None and found.sure
    assert np.degrees(np.arccos(min(1.0, float(np.dot(found.up, up))))) < 1.5
    (told,) = level.judge(found)
    assert told["kind"] == "tilt" and told["amount"] == pytest.approx(6.0, abs=1.5) and told["unit"] == "degrees"
    assert 0.9 <= told["confidence"] <= 1 and told["direction"] == list(found.up)
    straight, _ = leaning(0.0)
    stands = level.find(straight, HALF)
    assert stands is not None and stands.sure and level.judge(stands) == []


@pytest.mark.parametrize("scene", [scenes.cluttered(3), scenes.outdoor(seed=2)])
def test_where_nothing_stands_upright_nothing_is_said(scene: scenes.Scene) -> None:
    light = scenes.latlong(scene, 512, layout=Layout.CENTRES, parts=1) @ scenes.LUMINANCE
    found = level.find(light, HALF)
    assert level.judge(found) == [] and (found is None or not found.sure)


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 2**32 - 1))
def test_any_picture_gives_a_level_or_none(seed: int) -> None:
    rng = np.random.default_rng(seed)
    height = int(rng.integers(8, 60))
    light = np.abs(rng.normal(size=(height, 2 * height)) ** 5) * 10 ** rng.uniform(-9, 9)
    light[rng.random(light.shape) < rng.uniform(0, 1)] = 0.0
    found = level.find(light, Raster(height=height, width=2 * height, layout=Layout.CENTRES))
    assert found is None or np.isfinite([*found.up, found.tilt_deg, found.sigma_deg, found.errors]).all()


@pytest.fixture(scope="module")
def four() -> tuple[list[cameras.Camera], int, list[np.ndarray]]:
    """Thinned cameras of four headings of one lens, the factor, and clean pictures with a lamp."""
    numbers = numbers_of([lens(150.0, 150.0, f=88.0, fov=190.0)], kind="fisheye",
                         views=[{"heading_deg": 90.0 * i} for i in range(4)])
    shown = list(cameras.of_file(numbers, 4))
    factor = seams.thin_factor(shown[0])  # type: ignore[arg-type]
    thin = [seams.thinned_camera(c, factor) for c in shown]  # type: ignore[arg-type]
    return thin, factor, captured(2, [lens(150.0, 150.0, f=88.0, fov=190.0)], 301)


def told_of(four: tuple[list[cameras.Camera], int, list[np.ndarray]], pictures: list[np.ndarray]) -> list[str]:
    thin, factor, _ = four
    small = [seams.thinned(p.astype(np.float32), factor) for p in pictures]
    agreed = seams.judge(thin, [small[c.view] for c in thin])
    assert agreed.directions is not None
    found, share = flare.judge(thin, agreed.logs, agreed.directions)
    assert share > 0.9 and all(f["kind"] == "flare" and 0.9 <= f["confidence"] <= 1 for f in found)
    return [f["what"] for f in found]


def test_what_only_one_view_shows_on_its_source_line_is_a_reflection(
    four: tuple[list[cameras.Camera], int, list[np.ndarray]]
) -> None:
    clean = four[2]
    assert told_of(four, clean) == []
    out, aside = [], []
    for picture in clean:
        bright = picture @ scenes.LUMINANCE
        y, x = np.unravel_index(int(np.argmax(bright)), bright.shape)
        strong = 0.6 if bright[y, x] > 300 * np.median(bright[bright > 0]) else 0.0
        out.append(spotted(picture, 150 - 0.6 * (x - 150), 150 - 0.6 * (y - 150), 8, bright=strong))
        # the same spot off that line: something of the scene that moved, not a reflection
        aside.append(spotted(picture, 150 - 0.6 * (y - 150), 150 + 0.6 * (x - 150), 8, bright=strong))
    assert any("reflection" in what for what in told_of(four, out))
    assert not any("reflection" in what for what in told_of(four, aside))


def test_a_spot_that_stays_on_the_lens_is_dirt(four: tuple[list[cameras.Camera], int, list[np.ndarray]]) -> None:
    dirty = [spotted(p, 210.0, 170.0, 7, dark=0.4) for p in four[2]]
    assert any("dirt" in what and "darker" in what for what in told_of(four, dirty))


def test_one_camera_alone_cannot_be_checked() -> None:
    numbers = numbers_of([lens(150.0, 150.0, f=88.0, fov=190.0)], kind="fisheye")
    (camera,) = cameras.of_file(numbers, 1)
    d = Raster(height=31, width=61).directions()
    assert flare.judge([camera], [np.zeros((31, 61))], d) == ([], 0.0)  # type: ignore[list-item]
