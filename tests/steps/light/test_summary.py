"""The light summary against analytic light, the paper's numbers and open data."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.records.lights import LightSummary
from ingest.steps.light import harmonics
from ingest.steps.light.difference import compare
from ingest.steps.light.flux import irradiance, measure
from ingest.steps.light.summary import summarise
from ingest.steps.panorama.raster import Doubles, Layout, Raster
from tests import scenes

BOTH = pytest.mark.parametrize("layout", list(Layout))


def flat(layout: Layout, width: int = 128, level: float = 1.0) -> Doubles:
    del layout
    return np.full((width // 2, width, 3), level)


def spot(direction: Doubles, layout: Layout, *, width: int = 384, radius_deg: float = 2.5, level: float = 2000.0,
         base: float = 0.5) -> tuple[Doubles, scenes.Disc]:  # fmt: skip
    colour = np.array([1.0, 0.8, 0.5])
    disc = scenes.Disc(direction=direction, radius_rad=np.radians(radius_deg), radiance=level * colour)
    scene = scenes.Scene(background=lambda d, _: np.full(d.shape, base), discs=(disc,))
    return scenes.latlong(scene, width, layout=layout, parts=1, discs=60), disc


def angle_deg(a: object, b: object) -> float:
    x, y = np.asarray(a, dtype=float), np.asarray(b, dtype=float)
    return float(np.degrees(np.arctan2(np.linalg.norm(np.cross(x, y)), x @ y)))


@BOTH
def test_a_white_furnace_gives_pi_on_every_plane(layout: Layout) -> None:
    # E = pi L for a constant map (Lambert); L00 = 2 sqrt(pi), the rest zero (Ramamoorthi and Hanrahan 2001)
    found = summarise(flat(layout), layout)
    assert found.lights == () and found.key_to_fill is None
    assert np.allclose([rgb for _, rgb in found.irradiance], np.pi, rtol=1e-4)
    assert np.allclose(found.total_rgb, 4 * np.pi, rtol=1e-9)
    sh = np.array(found.sh_radiance)
    assert np.allclose(sh[0], 3.54491, atol=1e-4) and np.abs(sh[1:]).max() < 1e-4


@BOTH
def test_a_source_that_clips_in_every_frame_is_told_with_at_least(layout: Layout) -> None:
    """What little of a sun was held is far under what makes a light; its place is known all the same."""
    towards = np.array([0.48, 0.6, 0.64])
    picture, disc = spot(towards, layout, radius_deg=0.5, level=2000.0)
    cut = np.minimum(picture, 2.0)
    support = np.where((picture > 2.0).any(axis=2), 0.0, 3.0)
    assert summarise(cut, layout).lights == ()
    found = summarise(cut, layout, support=support)
    (light,) = found.lights
    assert light.at_least and np.degrees(np.arccos(np.dot(light.direction, disc.direction))) < 0.5
    assert "at least" in " ".join(found.notes)
    assert not summarise(picture, layout, support=np.full(support.shape, 3.0)).lights[0].at_least


@pytest.mark.parametrize(("width", "longitude"), [(512, 40.0), (1024, 180.0)])
def test_bars_across_a_window_make_no_lights_of_it(width: int, longitude: float) -> None:
    """Four panes behind bars half a degree wide are one window, also across the seam; a window 5 degrees beside it and
    a lamp are lights of their own."""
    raster = Raster(height=width // 2, width=width, layout=Layout.CENTRES)
    d = raster.directions()
    lon = np.degrees(np.arctan2(d[..., 0], d[..., 2]))
    lat = np.degrees(np.arcsin(d[..., 1]))
    across = (lon - longitude + 180) % 360 - 180
    window = (np.abs(across) < 5) & (np.abs(lat - 8) < 7) & (np.abs(across) > 0.35) & (np.abs(lat - 8) > 0.35)
    beside = (np.abs(across - 13) < 3) & (np.abs(lat - 8) < 7)
    picture = np.full(d.shape, 0.05)
    picture[window | beside] = (9.0, 10.0, 12.0)
    lamp = scenes.at(longitude + 120, 30)
    picture[d @ lamp > np.cos(np.radians(1.5))] = 200.0
    found = summarise(picture, Layout.CENTRES).lights
    assert len(found) == 3
    solid = raster.solid_angles()
    for mask in (window, beside):
        towards = (d[mask] * solid[mask][:, None]).sum(axis=0)
        light = min(found, key=lambda one, t=towards: angle_deg(one.direction, t))
        assert angle_deg(light.direction, towards) < 0.1
        assert light.solid_angle_sr == pytest.approx(float(solid[mask].sum()), rel=0.02)


def test_two_lamps_side_by_side_stay_two() -> None:
    lamps = [scenes.Disc(direction=scenes.at(lon, 30), radius_rad=np.radians(0.7), radiance=np.full(3, 500.0))
             for lon in (20.0, 24.0)]  # fmt: skip
    scene = scenes.Scene(background=lambda d, _: np.full(d.shape, 0.2), discs=lamps)
    found = summarise(scenes.latlong(scene, 1024, layout=Layout.CENTRES, parts=1), Layout.CENTRES).lights
    assert len(found) == 2


@BOTH
def test_a_lit_half_follows_the_paper(layout: Layout) -> None:
    # hemisphere z > 0 with L = 1: L00 1.77245, L10 1.53499; E(z) = pi, E(x) = pi/2, E(-z) = 0 (analytic)
    raster = Raster(height=256, width=512, layout=layout)
    picture = np.repeat((raster.directions()[..., 2:] > 0).astype(float), 3, axis=2)
    found = summarise(picture, layout)
    sh = np.array(found.sh_radiance)[:, 0]
    assert sh[0] == pytest.approx(1.77245, abs=0.01) and sh[2] == pytest.approx(1.53499, abs=0.01)
    assert np.abs(sh[[1, 3, 4, 5, 7]]).max() < 0.01
    on = {n: rgb[0] for n, rgb in found.irradiance}
    assert on[(0, 0, 1)] == pytest.approx(np.pi, rel=0.01)
    assert on[(1, 0, 0)] == pytest.approx(np.pi / 2, rel=0.01)
    assert on[(0, 0, -1)] == pytest.approx(0, abs=0.02)


def test_the_constants_of_the_paper() -> None:
    # Ramamoorthi and Hanrahan 2001, equation 12: c1 .429043 c2 .511664 c3 .743125 c4 .886227 c5 .247708
    assert harmonics.A[8] * harmonics.Y22 == pytest.approx(0.429043, abs=2e-6)
    assert harmonics.A[1] * harmonics.Y1 / 2 == pytest.approx(0.511664, abs=2e-6)
    assert 3 * harmonics.A[6] * harmonics.Y20 == pytest.approx(0.743125, abs=2e-6)
    assert harmonics.A[0] * harmonics.Y0 == pytest.approx(0.886227, abs=2e-6)
    assert harmonics.A[6] * harmonics.Y20 == pytest.approx(0.247708, abs=2e-6)


def test_the_cathedral_of_the_paper() -> None:
    # their table for one probe (from memory, STANDARDS 7); expected irradiance worked out from equation 13
    table = np.array([[0.79, 0.44, 0.54], [0.39, 0.35, 0.60], [-0.34, -0.18, -0.27], [-0.29, -0.06, 0.01],
                      [-0.11, -0.05, -0.12], [-0.26, -0.22, -0.47], [-0.16, -0.09, -0.15], [0.56, 0.21, 0.14],
                      [0.21, -0.05, -0.30]])  # fmt: skip
    on = harmonics.irradiance(table, np.array([[0, 0, 1], [0, 1, 0], [1, 0, 0]], dtype=float))
    expected = [[0.2729, 0.1612, 0.1280], [1.0488, 0.7919, 1.2584], [0.5331, 0.3294, 0.3972]]
    assert np.allclose(on, expected, atol=2e-4)


def test_unit_light_through_nine_numbers() -> None:
    # E(theta) of a unit directional light: 1.0625 .8783 .4609 .09375 -.0391 .0625 at 0 30 60 90 120 180 degrees
    sh = harmonics.basis(np.array([0.0, 0.0, 1.0]))[:, None]
    turn = np.radians([0, 30, 60, 90, 120, 180])
    normals = np.stack([np.sin(turn), 0 * turn, np.cos(turn)], axis=1)
    expected = [1.0625, 0.8783, 0.4609, 0.09375, -0.0391, 0.0625]
    assert np.allclose(harmonics.irradiance(sh, normals)[:, 0], expected, atol=2e-4)


PLACES = {
    "front": (0.0, 0.0), "left": (90.0, 10.0), "seam": (180.0, -20.0), "beside the seam": (179.2, 35.0),
    "zenith": (0.0, 90.0), "near the zenith": (77.0, 88.6), "nadir": (0.0, -90.0), "near the nadir": (-140.0, -88.2),
    "high": (-60.0, 65.0),
}  # fmt: skip


@BOTH
@pytest.mark.parametrize("place", PLACES)
@pytest.mark.slow
def test_one_source_comes_back_from_anywhere(layout: Layout, place: str) -> None:
    # issue: direction within 0.1 degree, energy within 1 %
    picture, disc = spot(scenes.at(*PLACES[place]), layout)
    found = summarise(picture, layout)
    assert len(found.lights) == 1, [light.to_json() for light in found.lights]
    light = found.lights[0]
    assert angle_deg(light.direction, disc.direction) < 0.1
    assert np.allclose(light.irradiance_rgb, disc.irradiance, rtol=0.01)
    assert light.solid_angle_sr == pytest.approx(disc.solid_angle, rel=0.2)
    whole = disc.irradiance + np.pi * 0.5
    key = float(whole @ scenes.LUMINANCE) / (np.pi * 0.5)
    assert found.key_to_fill == pytest.approx(key, rel=0.01)
    normal = np.asarray(disc.direction)
    cells = measure(picture, Raster(height=192, width=384, layout=layout))
    flux, vectors = cells.coarser(256)
    assert np.allclose(irradiance(vectors, flux, normal[None])[0], whole, rtol=0.005)


def test_the_layouts_differ_by_half_a_pixel() -> None:
    picture, disc = spot(scenes.at(150, 50), Layout.CENTRES)
    wrong = summarise(picture, Layout.CORNERS).lights[0]
    # half a pixel is .35 degrees here; the turn grows from the centre to pole and seam
    assert 0.1 < angle_deg(wrong.direction, disc.direction) < 0.4


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 2**32 - 1), st.sampled_from([1, 2, 3]))
def test_any_picture_gives_finite_numbers(seed: int, mess: int) -> None:
    rng = np.random.default_rng(seed)
    height = int(rng.integers(2, 24))
    picture = rng.normal(size=(height, 2 * height, 3)) * 10 ** rng.uniform(-30, 30)
    bad = rng.random(picture.shape) < rng.uniform(0, 1)
    picture[bad] = [np.nan, np.inf, -np.inf][mess - 1]
    with np.errstate(over="ignore"):
        found = summarise(picture.astype(np.float32), Layout.CENTRES if seed % 2 else Layout.CORNERS)
    assert_finite(found)


def assert_finite(found: LightSummary) -> None:
    def walk(value: object) -> None:
        if isinstance(value, float):
            assert np.isfinite(value)
        elif isinstance(value, dict):
            for v in value.values():
                walk(v)
        elif isinstance(value, list | tuple):
            for v in value:
                walk(v)

    walk(found.to_json())


def test_the_key_moved_and_fell() -> None:
    # another lamp is now the strongest: pairing by strength would call it a move of far more
    back = np.array([1.0, 0.9, 0.8])
    other = scenes.Disc(direction=scenes.at(-120, 10), radius_rad=np.radians(4), radiance=150 * back[::-1])

    def probe(key: Doubles, level: float, *more: scenes.Disc) -> LightSummary:
        lamp = scenes.Disc(direction=key, radius_rad=np.radians(2), radiance=level * back)
        discs = (*((lamp,) if level else ()), other, *more)
        scene = scenes.Scene(background=lambda d, _: 0.2 + 0.05 * d[..., 1:2] + 0 * d, discs=discs)
        return summarise(scenes.latlong(scene, 512, parts=1), Layout.CORNERS)

    first = probe(scenes.at(40, 30), 1000.0)
    second = probe(scenes.at(60, 22), 1000.0 * 2**-1.8)
    change = compare(second, first)
    assert change.key_moved_deg == pytest.approx(angle_deg(scenes.at(40, 30), scenes.at(60, 22)), abs=0.2)
    assert change.key_stops == pytest.approx(-1.8, abs=0.03)
    assert change.other.startswith("Another light is the key now, ") and not change.gone
    assert compare(probe(scenes.at(40, 30), 900.0), first).other == ""

    new = scenes.Disc(direction=scenes.at(170, -20), radius_rad=np.radians(3), radiance=3000 * back)
    words = compare(probe(scenes.at(40, 30), 1000.0, new), first).to_json()["sentence"]
    assert words.startswith("The key stayed where it was and kept its strength. A light that was not there before is")
    gone = compare(probe(scenes.at(40, 30), 0.0), first)
    assert gone.gone and gone.key_stops is None
    assert gone.to_json()["sentence"].startswith("The key is gone. Another light is the key now, ")
