"""One scene seen at each exposure: the pictures agree with the exact times and with the written truth."""

from __future__ import annotations

import io
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rawpy
import simplejpeg
from numpy.typing import NDArray

from sample_cards import cameras, clips, make_cards, scene

FOLDER = Path(__file__).parents[2] / "sample_cards"
TRUTH: dict[str, Any] = json.loads((FOLDER / "truth.json").read_text(encoding="utf-8"))
SETS = {row["name"]: row for row in TRUTH["sets"]}
Array = NDArray[np.float64]


def linear_jpeg(row: dict[str, Any], frame: dict[str, Any]) -> Array:
    """Linear values 0..1 of a frame of the 360 camera (IEC 61966-2-1 undone)."""
    data = (FOLDER / "cards" / row["card"] / frame["files"][0]).read_bytes()
    code = simplejpeg.decode_jpeg(data).astype(np.float64) / 255
    return np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4)


def linear_raw(row: dict[str, Any], frame: dict[str, Any]) -> Array:
    """Linear values 0..1 of a mosaic."""
    data = (FOLDER / "cards" / row["card"] / frame["files"][0]).read_bytes()
    with rawpy.imread(io.BytesIO(data)) as raw:
        return np.asarray((raw.raw_image_visible.astype(np.float64) - 512) / (15871 - 512))


@pytest.mark.parametrize("name", list(SETS))
def test_ratios_follow_the_exact_times(name: str) -> None:
    """Neighbours of a set differ by the ratio of exact times; 1/15 and 1/60 as marked would be 6.7 % off."""
    row = SETS[name]
    jpeg = row["projection"] == "lat-long"
    checked = 0
    for dark, bright in zip(row["frames"], row["frames"][1:], strict=False):
        a, b = (linear_jpeg(row, f) if jpeg else linear_raw(row, f) for f in (dark, bright))
        # chosen by the bright frame alone, where noise is small against the bounds, so that the choice bends nothing;
        # many pixels, since a JPEG smears the edges of lamps
        fair = (b > (0.04 if jpeg else 0.1)) & (b < 0.85)
        if jpeg:
            fair = np.broadcast_to(fair.all(axis=-1, keepdims=True), b.shape)
        if fair.sum() > (4000 if jpeg else 1000):
            wanted = bright["exposure_s"] / dark["exposure_s"]
            assert b[fair].sum() / a[fair].sum() == pytest.approx(wanted, rel=0.01), (name, dark["marked"])
            checked += 1
    assert checked >= 2


def test_a_plain_merge_of_the_raws_gives_the_truth_back() -> None:
    """Sum of readings / sum of exposures over unclipped readings (Hanji et al. 2020) against the scene."""
    row = SETS["fisheye-back"]
    top, below = np.zeros((288, 432)), np.zeros((288, 432))
    for frame in row["frames"]:
        x = linear_raw(row, frame)
        fair = x < 0.95
        top += np.where(fair, x, 0)
        below += np.where(fair, cameras.exposure(frame["exposure_s"], frame["f_number"], frame["iso"]), 0)
    seen = scene.fisheye(row["scene"], 432, 288, radius_px=row["radius_px"], field_deg=row["field_deg"],
                         yaw_deg=row["yaw_deg"])
    camera = seen @ cameras.CAMERA_FROM_709.T
    truth = camera[..., 1].copy()
    truth[0::2, 0::2], truth[1::2, 1::2] = camera[0::2, 0::2, 0], camera[1::2, 1::2, 2]
    lit = (truth > 3e-4) & (below > 0)
    ratio = (top / np.maximum(below, 1e-9))[lit] / truth[lit]
    assert np.median(ratio) == pytest.approx(1.0, abs=0.001)
    assert np.mean(np.abs(ratio - 1) < 0.05) > 0.97


def test_a_plain_merge_of_the_lat_long_gives_the_truth_back() -> None:
    row = SETS["hall"]
    top, below = np.zeros((512, 1024, 3)), np.zeros((512, 1024, 3))
    for frame in row["frames"]:
        x = linear_jpeg(row, frame)
        fair = (x < 0.85) & (x > 0.02)
        factor = cameras.exposure(frame["exposure_s"], frame["f_number"], frame["iso"])
        top += np.where(fair, x, 0)
        below += np.where(fair, factor, 0)
    truth = scene.latlong("hall", 1024, 512)
    lit = (below > 0).all(-1) & (truth.min(-1) > 4e-4)
    green = (top / np.maximum(below, 1e-9))[..., 1][lit] / truth[..., 1][lit]
    assert lit.mean() > 0.9
    assert np.median(green) == pytest.approx(1.0, abs=0.003)


@pytest.mark.parametrize("name", ["hall", "hall-relit", "deck-night", "hut-night"])
def test_indoor_and_night_sets_hold_their_lamps(name: str) -> None:
    shortest = SETS[name]["frames"][0]
    factor = cameras.exposure(shortest["exposure_s"], shortest["f_number"], shortest["iso"])
    assert max(max(lamp.radiance) for lamp in scene.SCENES[SETS[name]["scene"]].lamps) * factor < 1


def test_the_sun_clips_as_written() -> None:
    shortest = SETS["deck"]["frames"][0]
    ceiling = 1 / cameras.exposure(shortest["exposure_s"], shortest["f_number"], shortest["iso"])
    assert np.log2(max(scene.SUN_RADIANCE) / ceiling) == pytest.approx(14.2, abs=0.1)
    codes = simplejpeg.decode_jpeg((FOLDER / "cards" / "ORBE-02" / shortest["files"][0]).read_bytes())
    x = (0.5 - np.radians(scene.CENTRE_BEARING_DEG - scene.SUN_AZIMUTH_DEG) / (2 * np.pi)) * 1024
    y = (0.5 - np.radians(scene.SUN_ELEVATION_DEG) / np.pi) * 512
    around = codes[int(y) - 1: int(y) + 2, int(x) - 1: int(x) + 2].reshape(-1, 3)
    assert around.min(axis=1).max() > 240  # 4:2:0 smears the colour of its edge


def test_the_sun_stands_where_the_almanac_has_it() -> None:
    astral = pytest.importorskip("astral.sun")
    from datetime import UTC, datetime

    from astral import Observer
    where = Observer(TRUTH["show"]["latitude_deg"], TRUTH["show"]["longitude_deg"])
    when = datetime(2026, 4, 14, 16, 52, tzinfo=UTC)
    assert astral.azimuth(where, when) == pytest.approx(scene.SUN_AZIMUTH_DEG, abs=0.05)
    assert astral.elevation(where, when) == pytest.approx(scene.SUN_ELEVATION_DEG, abs=0.05)


def test_the_mirror_ball_reflects_by_the_published_rule() -> None:
    """theta = 2 asin r for a ball seen from far (Debevec 1998): r 0 -> 0, .5 -> 60, .7071 -> 90 degrees."""
    n, inside = scene._disc(401, 0.0)
    v = np.array([0.0, 0.0, 1.0])
    d = v - 2 * (n @ v)[..., None] * n
    at = np.array([200, 300, 200 + round(200.5 * 0.7071)])
    # theta is the angle to the axis from ball to camera, -Z here
    theta = np.degrees(np.arccos(np.clip(-d[200, at, 2], -1, 1)))
    assert inside[200, at].all()
    assert theta == pytest.approx([0, 60, 90], abs=0.6)


def test_irradiance_of_an_even_sphere_is_pi(monkeypatch: pytest.MonkeyPatch) -> None:
    """Constant radiance 1 gives E = pi on every normal (Ramamoorthi and Hanrahan 2001)."""
    monkeypatch.setattr(scene, "radiance", lambda _name, d: np.ones_like(d))
    normals = np.array([[0.0, 1, 0], [1, 0, 0], [0.6, 0, -0.8]])
    assert scene.irradiance("hall", normals) == pytest.approx(np.full((3, 3), np.pi), rel=2e-3)


def test_truth_is_the_same_at_other_sizes() -> None:
    full, half = scene.latlong("hut-night", 128, 64, samples=4), scene.latlong("hut-night", 64, 32, samples=8)
    cells = full.reshape(32, 2, 64, 2, 3).mean(axis=(1, 3))
    assert cells == pytest.approx(half, rel=1e-9)


def test_chart_patches_against_colour_science() -> None:
    """colour-science's 24-patch table after November 2014, D50 to D65 by Bradford, linear Rec.709."""
    colour = pytest.importorskip("colour")
    table = colour.CCS_COLOURCHECKERS["ColorChecker24 - After November 2014"]
    xyz = colour.xyY_to_XYZ(np.array(list(table.data.values())))
    linear = colour.XYZ_to_sRGB(xyz, table.illuminant, "Bradford", apply_cctf_encoding=False)
    assert clips.reflectances().reshape(24, 3) == pytest.approx(linear, abs=2e-4)


def test_a_picture_made_again_is_the_picture_committed() -> None:
    burst, place = make_cards.BURSTS_RAW[0], 1
    light = scene.fisheye(burst.scene, 432, 288, radius_px=make_cards.CIRCLE_PX, field_deg=make_cards.FIELD_DEG)
    factor = cameras.exposure(2.0 ** burst.powers[place], 8.0, 100)
    stem = make_cards._name(make_cards._next(burst.first_number, place))
    once, again = (cameras.shoot_raw(light, factor, make_cards._rng(stem)) for _ in range(2))
    assert (once == again).all()
    with rawpy.imread(str(FOLDER / "cards" / "KESTO-A3" / f"{stem}.DNG")) as raw:
        assert np.mean(raw.raw_image_visible == once) > 0.999  # another processor may turn a rounding over


@pytest.mark.campaign
def test_everything_made_again_is_everything_committed(tmp_path: Path) -> None:
    """The whole script, about two minutes: the same names and times, the same bytes but for roundings."""
    pytest.importorskip("av")
    make_cards.write(tmp_path)
    again = json.loads((tmp_path / "truth.json").read_text(encoding="utf-8"))
    strip = ("sha256", "size_bytes")
    for truth in (again, plain := json.loads(json.dumps(TRUTH))):
        for card in truth["cards"]:
            for row in card["files"]:
                for key in strip:
                    row.pop(key)
    assert again == plain
    same = [p.read_bytes() == (FOLDER / p.relative_to(tmp_path)).read_bytes()
            for p in tmp_path.rglob("*") if p.is_file() and p.name != "truth.json"]
    assert sum(same) / len(same) > 0.9
