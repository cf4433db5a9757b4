"""Projection against known scenes, an independent fisheye library, the ball's formula and OpenEXR's picture."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import OpenEXR
import pytest

from ingest.records.lenses import LensFile, LensView, Outline
from ingest.steps.panorama import cameras, seams
from ingest.steps.panorama.cameras import Equirect
from ingest.steps.panorama.projection import Projected, Projector
from ingest.steps.panorama.raster import Doubles, Layout, Raster, layout_of, sample
from tests import scenes

DATA = Path(__file__).parents[2] / "data" / "latlong"
LUMINANCE = scenes.LUMINANCE
UPRIGHT = np.diag([-1.0, -1.0, 1.0])


def project(numbers: LensFile, pictures: list[Doubles], width: int) -> Projected:
    projector = Projector(Raster(height=width // 2, width=width), cameras.of_file(numbers, len(pictures)))
    for view, picture in enumerate(pictures):
        projector.add(view, picture.astype(np.float32))
    return projector.finish()


def lens(**more: object) -> dict[str, object]:
    return {"cx": 200.2, "cy": 199.1, "f": 118.0, "fov": 190.0, "model": "equidistant", "k": [-0.01], "R": UPRIGHT,
            "vig": (0.2, 0.1), "gain": 1.0, **more}  # fmt: skip


def file(lenses: list[dict[str, object]], **more: object) -> LensFile:
    plain = [{**one, "R": np.asarray(one["R"]).tolist(), "vig": list(one["vig"])} for one in lenses]  # type: ignore[call-overload]
    kind = "dual-fisheye" if len(lenses) == 2 else "fisheye"
    return LensFile.from_json({"kind": kind, "calibration": "exact", "lenses": plain, **more})


def two() -> list[dict[str, object]]:
    back = np.diag([-1.0, 1.0, -1.0]) @ UPRIGHT
    return [lens(), lens(cx=600.7, cy=201.3, R=back, gain=0.9)]


def test_two_lenses_give_the_scene_back() -> None:
    scene = scenes.outdoor(seed=3, sun=scenes.at(88, 20))  # in the overlap
    made = project(file(two()), [scenes.fisheye(scene, two(), (801, 401), noise=0)], 720)
    truth = scenes.latlong(scene, 720, parts=2)
    assert np.isfinite(made.rgb).all() and made.rgb.min() >= 0
    assert made.coverage.min() >= 1
    assert abs(scenes.cap_energy(made.rgb, scene.discs[0])) < 0.01
    where = scenes.marks(120)
    shifts, usable = scenes.direction_errors(made.rgb, truth, where)
    p50, p95, _ = scenes.percentiles(shifts[usable])
    assert usable.sum() > 20 and p50 < 0.02 and p95 < 0.1  # a pixel is .5 degrees
    # seam: no step where the lenses meet (x = 0 plane is the seam's circle z = 0)
    d = Raster(height=360, width=720).directions()
    for side in (d[..., 2] > 0.05, d[..., 2] < -0.05):
        near = side & (np.abs(d[..., 2]) < 0.15)
        step = np.log2((made.rgb @ LUMINANCE)[near] / (truth @ LUMINANCE)[near])
        assert abs(np.median(step)) < 0.003


@pytest.mark.parametrize("phase", [(0.0, 0.0), (0.5, 0.5), (0.3, 0.8)])
@pytest.mark.parametrize("width", [512, 240])
def test_a_small_sun_keeps_its_energy(phase: tuple[float, float], width: int) -> None:
    # .533 degrees are .76 pixels at 512; goal 1 %
    pitch = 360 / (width - 1)
    sun = scenes.at(30 + phase[0] * pitch, 25 + phase[1] * pitch)
    scene = scenes.Scene(background=lambda d, _: np.full(d.shape, 0.5), discs=(
        scenes.Disc(direction=sun, radius_rad=scenes.SUN_RADIUS_RAD, radiance=np.full(3, 4e4)),))  # fmt: skip
    one = [lens(vig=(0.0, 0.0), f=160.0, cx=270.3, cy=270.1)]
    made = project(file(one), [scenes.fisheye(scene, one, (541, 541), noise=0, parts=1)], width)
    seen = made.rgb * (made.coverage > 0)[..., None]
    assert abs(scenes.cap_energy(seen, scene.discs[0])) < 0.015  # the frame's own rendering is .5 % off


def test_no_dark_ring_stands_round_a_lamp() -> None:
    lamp = scenes.Disc(direction=scenes.at(10, 15), radius_rad=np.radians(4), radiance=np.full(3, 100.0))
    scene = scenes.Scene(background=lambda d, _: np.full(d.shape, 0.5), discs=(lamp,))
    one = [lens(vig=(0.0, 0.0), f=60.0, cx=100.3, cy=100.1)]
    made = project(file(one), [scenes.fisheye(scene, one, (201, 201), noise=0, parts=1)], 720)
    near = Raster(height=360, width=720).directions() @ lamp.direction > np.cos(np.radians(12.0))
    assert made.rgb[near].min() > 0.49
    assert abs(scenes.cap_energy(made.rgb, lamp)) < 0.01


def test_what_no_view_shows_is_zero_with_coverage_zero() -> None:
    one = [lens(fov=150.0)]
    picture = np.full((401, 401, 3), 0.7)
    made = project(file(one), [picture], 256)
    raster = Raster(height=128, width=256)
    angle = np.degrees(np.arccos(np.clip(raster.directions()[..., 2], -1, 1)))
    assert (made.coverage[angle < 73] == 1).all() and (made.coverage[angle > 76] == 0).all()
    assert (made.rgb[made.coverage == 0] == 0).all() and (made.rgb[made.coverage > 0] > 0).all()
    assert np.array_equal(made.rgb[:, 0], made.rgb[:, -1]) and np.ptp(made.rgb[0]) == 0


def test_fisheye_against_opencv() -> None:
    # cv2.fisheye: r = f theta (1 + k1 theta^2 + k2 theta^4 + ...), camera x right, y down, z forward
    k = [-0.02, 0.004, -0.001, 0.0002]
    camera = cameras.from_lens(file([lens(k=k, fov=170.0)]).lenses[0], np.eye(3), view=0, index=0)
    rng = np.random.default_rng(1)
    d = rng.normal(size=(500, 3))
    d /= np.linalg.norm(d, axis=1, keepdims=True)
    d = d[d[:, 2] > 0.12]
    in_camera = d @ UPRIGHT
    matrix = np.array([[118.0, 0, 200.2], [0, 118.0, 199.1], [0, 0, 1]])
    expected, _ = cv2.fisheye.projectPoints(in_camera[:, None], np.zeros(3), np.zeros(3), matrix, np.array(k))
    x, y, _ = camera.pixels(d)
    assert np.allclose(np.stack([x, y], axis=1), np.asarray(expected)[:, 0], atol=2e-3)


def test_ball_against_its_formula() -> None:
    # far ball r = sin(theta/2): 0 .25 .5 .7071 .9 .99 -> 0 28.96 60 90 128.3 163.8 degrees (STANDARDS 7, calc)
    theta, r, _ = cameras.ball_table(1.0, None)
    for radius, angle in ((0.25, 28.96), (0.5, 60), (0.7071, 90), (0.9, 128.3), (0.99, 163.8)):
        assert np.degrees(np.interp(radius, r, theta)) == pytest.approx(angle, abs=0.05)
    # equal area: the whole disc is 4 pi, so every pixel has 4 / R^2 sr
    view = LensView(outline=Outline(cx=300, cy=300, radius_px=250))
    camera = cameras.from_ball(view, np.eye(3), index=0)
    assert np.allclose(camera.solid_angle(np.radians([10, 60, 120])), 4 / 250**2, rtol=1e-3)


def test_ball_from_near_against_traced_rays() -> None:
    # the renderer traces rays; the table solves the mirror law in the plane
    scene = scenes.Scene(background=lambda d, _: 0.5 + 0.5 * d)
    circle = (150.0, 149.0, 120.0)
    picture = scenes.ball(scene, (301, 301), circle, 900.0, reflectivity=(1, 1, 1), noise=0, person=False)
    view = LensView(outline=Outline(cx=150, cy=149, radius_px=120), focal_px=900.0)
    camera = cameras.from_ball(view, np.eye(3), index=0)
    yy, xx = np.mgrid[0:301, 0:301]
    inside = np.hypot(xx - 150, yy - 149) < 112
    d, _ = camera.directions(xx[inside], yy[inside])
    assert np.abs((picture[inside] - 0.5) / 0.5 - d).max() < 0.01
    assert d[np.argmin(np.hypot(xx[inside] - 150, yy[inside] - 149)), 2] == pytest.approx(-1, abs=1e-3)


def test_two_ball_views_hide_the_photographer() -> None:
    scene = scenes.Scene(background=lambda d, _: np.full(d.shape, 1.0))
    turns = [np.eye(3), cameras.turn(90)]
    circle = (150.0, 150.0, 130.0)
    pictures = [scenes.ball(scene, (301, 301), circle, 2000.0, world_from_body=t, noise=0) for t in turns]
    views = [{"heading_deg": 90.0 * i, "outline": {"cx": 150, "cy": 150, "radius_px": 130}, "focal_px": 2000.0,
              "reflectivity_normal": [0.6, 0.6, 0.58]} for i in range(2)]  # fmt: skip
    numbers = LensFile.from_json({"kind": "mirror-ball", "views": views})
    made = project(numbers, pictures, 256)
    assert np.percentile(made.rgb, 1) > 0.93  # where one view shows the photographer, the other rules
    # and there nothing is in doubt: the other's picture of the photographer counts for nothing
    agreed = seams.judge(list(cameras.of_file(numbers, 2)), [seams.thinned(p.astype(np.float32), 1) for p in pictures])
    assert agreed.overlap_share > 0.9 and agreed.doubtful_share < 0.002


@pytest.mark.parametrize("layout", list(Layout))
def test_a_lat_long_moves_by_its_half_pixel(layout: Layout) -> None:
    scene = scenes.outdoor(seed=4)
    picture = scenes.latlong(scene, 512, layout=layout, parts=2).astype(np.float32)
    assert layout_of(picture, says_latlong=False) is layout
    assert layout_of(picture, says_latlong=True, stated=str(layout)) is layout  # our own word wins
    camera = Equirect(view=0, raster=Raster(height=256, width=512, layout=layout), from_world=np.eye(3))
    projector = Projector(Raster(height=256, width=512), [camera])
    projector.add(0, picture)
    made = projector.finish()
    truth = scenes.latlong(scene, 512, parts=2)
    assert abs(scenes.cap_energy(made.rgb, scene.discs[0])) < 0.02
    shifts, usable = scenes.direction_errors(made.rgb, truth, scenes.marks(60))
    assert usable.sum() > 10 and scenes.percentiles(shifts[usable])[0] < 0.06


def test_orientation_of_the_published_picture() -> None:
    # OpenEXR's own picture: dark axes are drawn on it.  At +Z the Y axis goes up and the X axis to the left.
    pixels = OpenEXR.File(str(DATA / "orientation_512.exr")).channels()["RGB"].pixels.astype(np.float64)
    raster = Raster(height=256, width=512)

    def dark(*directions: tuple[float, float, float]) -> float:
        d = np.array(directions)
        return float(sample(pixels, raster, d / np.linalg.norm(d, axis=1, keepdims=True)).mean())

    t = np.linspace(0.1, 0.3, 9)
    assert dark(*[(0, v, 1) for v in t]) < 0.8 < dark(*[(0, -v - 0.25, 1) for v in t])
    assert dark(*[(v, 0, 1) for v in t]) < 0.8 < dark(*[(-v, 0, 1) for v in t])
    assert dark(*[(1, v, 0) for v in t]) < 0.8 and dark(*[(1, 0, v) for v in t]) < dark(*[(1, 0, -v) for v in t])


def test_a_rendered_frame_undistorted_by_opencv_shows_what_the_panorama_shows() -> None:
    # cv2.fisheye.undistortImage with the same K and D: a perspective view of 80 degrees, against the lat-long
    k = [-0.02, 0.004, -0.001, 0.0002]
    size, f = 401, 190.0
    one = [lens(k=k, fov=170.0, vig=(0.0, 0.0))]
    frame = scenes.fisheye(scenes.room(seed=4), one, (size, size), noise=0).astype(np.float32)
    made = project(file(one), [frame], 1024)
    matrix = np.array([[118.0, 0, 200.2], [0, 118.0, 199.1], [0, 0, 1]])
    view = np.array([[f, 0, 160.0], [0, f, 160.0], [0, 0, 1]])
    flat = cv2.fisheye.undistortImage(frame, matrix, np.array(k), Knew=view, new_size=(321, 321))
    y, x = np.mgrid[0:321, 0:321]
    rays = np.stack([(x - 160) / f, (y - 160) / f, np.ones(x.shape)], axis=-1)
    rays /= np.linalg.norm(rays, axis=-1, keepdims=True)
    inside = np.s_[8:-8, 8:-8]

    def apart(turn: Doubles) -> float:
        shown = sample(made.rgb, Raster(height=512, width=1024), rays @ turn.T @ UPRIGHT.T)
        logs = np.log(np.maximum(shown @ LUMINANCE, 1e-4)) - np.log(np.maximum(flat @ LUMINANCE, 1e-4))
        return float(np.median(np.abs(logs[inside])))

    right = apart(np.eye(3))
    aside = [apart(np.asarray(cv2.Rodrigues(np.radians(0.15) * np.array(axis))[0]))
             for axis in ([1.0, 0, 0], [-1.0, 0, 0], [0, 1.0, 0], [0, -1.0, 0])]  # fmt: skip
    assert right < 0.02 and min(aside) > 1.2 * right, (right, aside)


def test_openimageio_looks_up_our_panorama_where_we_wrote_it(tmp_path: Path) -> None:
    # its texture system reads the lat-long convention by itself: a third reading beside document and picture
    oiio = pytest.importorskip("OpenImageIO")
    scene = scenes.Scene(background=lambda d, _: 0.6 + 0.4 * d)
    made = project(file(two()), [scenes.fisheye(scene, two(), (801, 401), noise=0, parts=1)], 360)
    path = tmp_path / "p.exr"
    OpenEXR.File({"envmap": OpenEXR.ENVMAP_LATLONG}, {"RGB": np.ascontiguousarray(made.rgb)}).write(str(path))
    system, options, none = oiio.TextureSystem(), oiio.TextureOpt(), (0.0, 0.0, 0.0)
    where = scenes.marks(200)
    found = np.array([system.environment(str(path), options, tuple(float(v) for v in d), none, none, 3) for d in where])
    assert np.abs((found - 0.6) / 0.4 - where).max() < 0.03
