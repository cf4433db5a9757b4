"""Self-calibration on rendered captures of known numbers, and what a lens file may say."""

from __future__ import annotations

import json
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.records.lenses import LensFile, LensFileWrong
from ingest.steps.panorama import calibration, cameras, outlines
from tests import scenes
from tests.steps.panorama.test_projection import UPRIGHT, file, lens


def mapping_deg(found: LensFile, truth: list[dict[str, Any]], size: tuple[int, int]) -> tuple[float, float]:
    """Median and worst error of image points' directions after one common turn, degrees."""
    got, true = [], []
    yy, xx = np.mgrid[0 : size[1] : 8, 0 : size[0] : 8].astype(float)
    for i, one in enumerate(truth):
        look, _, radius = scenes._lens_look(one, np.eye(3))
        inside = np.hypot(xx - one["cx"], yy - one["cy"]) < 0.95 * radius
        true.append(look(yy[inside], xx[inside])[0])
        camera = cameras.from_lens(found.lenses[i], np.eye(3), view=0, index=i)
        got.append(camera.directions(xx[inside], yy[inside])[0])
    a, b = np.concatenate(got), np.concatenate(true)
    u, _, v = np.linalg.svd(a.T @ b)
    turn = u @ np.diag([1, 1, np.sign(np.linalg.det(u @ v))]) @ v
    angle = np.degrees(np.arccos(np.clip(((a @ turn) * b).sum(1), -1, 1)))
    return float(np.median(angle)), float(angle.max())


@pytest.mark.slow
def test_four_headings_of_one_lens_find_its_numbers() -> None:
    true = [lens(cx=202.0, cy=197.0, f=119.5, k=[-0.015, 0.002], vig=(0.25, 0.05))]
    sheet = file([lens(cx=199.5, cy=199.5, f=117.0, k=[], vig=(0.0, 0.0))],
                 views=[{"heading_deg": 90.0 * i} for i in range(4)])  # fmt: skip
    scene = scenes.room(seed=2)
    turns = [cameras.turn(h) for h in (0.0, 89.2, 180.7, 270.9)]
    pictures = [scenes.fisheye(scene, true, (401, 401), world_from_body=t, seed=i).astype(np.float32)
                for i, t in enumerate(turns)]  # fmt: skip
    before = mapping_deg(sheet, true, (401, 401))
    found, told = calibration.refine(sheet, pictures)
    after = mapping_deg(found, true, (401, 401))
    assert before[0] > 0.3 and after[0] < 0.04 and after[1] < 0.15, (before, after)  # a pixel is half a degree
    assert found.calibration == "exact" and told == []
    one = found.lenses[0]
    assert abs(one.cx - 202.0) < 4 * one.sigma["cx"] + 0.05 and abs(one.f - 119.5) < 4 * one.sigma["f"] + 0.05
    assert one.vig[0] + one.vig[1] == pytest.approx(0.30, abs=0.02)
    assert LensFile.from_json(json.loads(json.dumps(found.to_json()))).lenses[0].f == one.f


def test_one_burst_says_what_it_cannot_know() -> None:
    back = np.diag([-1.0, 1.0, -1.0]) @ UPRIGHT
    true = [lens(), lens(cx=600.7, cy=201.3, R=back, gain=0.9)]
    sheet = file([lens(f=117.0, vig=(0.0, 0.0)), lens(cx=600.0, cy=200.0, f=117.0, R=back, vig=(0.0, 0.0))])
    picture = scenes.fisheye(scenes.room(seed=5), true, (801, 401)).astype(np.float32)
    found, told = calibration.refine(sheet, [picture])
    assert found.calibration == "nominal" and "field of view not proven" in found.notes[0]
    assert [f["kind"] for f in told] == ["uncalibrated"]
    assert found.lenses[1].gain == pytest.approx(0.9, abs=0.05)
    assert found.lenses[0].sigma["f"] >= 0.01 * 117


def test_a_flat_wall_tells_nothing() -> None:
    sheet = file([lens(f=117.0)], views=[{"heading_deg": 0.0}, {"heading_deg": 90.0}])
    found, told = calibration.refine(sheet, [np.full((401, 401, 3), 0.5, np.float32)] * 2)
    assert found == sheet and "could not be refined" in told[0]["what"]


def test_two_ball_views_find_their_outlines() -> None:
    true = [(150.4, 149.2, 130.3), (151.0, 150.1, 129.6)]
    turns = [np.eye(3), cameras.turn(90.0)]
    pictures = [scenes.ball(scenes.room(seed=6), (301, 301), c, 2000.0, world_from_body=t, seed=i).astype(np.float32)
                for i, (c, t) in enumerate(zip(true, turns, strict=True))]  # fmt: skip
    hints = [{"cx": c[0] + 3, "cy": c[1] - 2, "radius_px": c[2] + 2} for c in true]
    views = [{"heading_deg": 90.0 * i, "focal_px": 2000.0, "reflectivity_normal": [0.6, 0.6, 0.58], "outline_hint": h}
             for i, h in enumerate(hints)]  # fmt: skip
    found, told = outlines.refine(LensFile.from_json({"kind": "mirror-ball", "views": views}), pictures)
    assert told == []
    for view, circle in zip(found.views, true, strict=True):
        assert view.outline is not None
        assert np.allclose([view.outline.cx, view.outline.cy, view.outline.radius_px], circle, atol=0.1)


def test_every_mistake_in_a_lens_file_is_named() -> None:
    wrong = {"kind": "fisheye", "lenses": [{"cx": "x", "cy": 1, "f": -2, "fov": 190, "model": "other",
             "R": [[1, 0, 0], [0, 1, 0], [0, 0, 2]]}]}  # fmt: skip
    with pytest.raises(LensFileWrong) as caught:
        LensFile.from_json(wrong)
    for place in ("lenses[0].cx", "lenses[0].f", "lenses[0].model", "lenses[0].R"):
        assert any(p.startswith(place) for p in caught.value.problems)
    assert caught.value.exit_code == 2


JSON = st.recursive(
    st.none() | st.booleans() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=4)
    | st.dictionaries(
        st.sampled_from(["kind", "lenses", "views", "cx", "cy", "f", "fov", "k", "R", "vig", "outline", "heading_deg"]),
        inner, max_size=6,
    ),
    max_leaves=20,
)  # fmt: skip


@given(JSON, st.sampled_from(["fisheye", "dual-fisheye", "mirror-ball", "lat-long", "?"]))
def test_any_lens_file_gives_numbers_or_a_named_refusal(value: Any, kind: str) -> None:
    if isinstance(value, dict):
        value = {**value, "kind": kind}
    try:
        found = LensFile.from_json(value)
    except LensFileWrong as error:
        assert error.problems
    else:
        assert LensFile.from_json(json.loads(json.dumps(found.to_json()))) == found
