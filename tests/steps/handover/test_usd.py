"""The stage against usd-core's own validators, and the dome's way round against known lamps."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

pytest.importorskip("pxr", reason="needs the extra usd")

from pxr import Gf, Usd, UsdGeom, UsdLux, UsdValidation

from ingest.records.handover import StageFacts
from ingest.steps.handover.figures import camera_distance
from ingest.steps.handover.usd import stage_text
from ingest.steps.setups.measurements import read_measurements


def opened(tmp_path: Path, facts: StageFacts) -> Any:
    (tmp_path / "probe.exr").write_bytes(b"\x76\x2f\x31\x01")
    (tmp_path / "setup.usda").write_text(stage_text(facts), encoding="utf-8")
    return Usd.Stage.Open(str(tmp_path / "setup.usda"))


def errors(stage: Any) -> list[str]:
    registry = UsdValidation.ValidationRegistry()
    context = UsdValidation.ValidationContext(registry.GetOrLoadAllValidators())
    return [e.GetMessage() for e in context.Validate(stage)]


def whole() -> StageFacts:
    measured, _ = read_measurements(
        "name,value,length,width,height\ncrate,,1.2 m,0.8 m,30 in\nmarker height,1.1 m,,,\n"
        'marker height,2 m,,,\n=1+1 "odd" name,3 m,,,\n'
    )
    return StageFacts(
        name="TL_0270 27A",
        texture="./probe.exr",
        centre_to_camera_deg=30.0,
        white_luminance=3840.0,
        probe_height_m=1.5,
        camera="A",
        camera_height_m=1.7018,
        camera_distance_m=4.0,
        tilt_deg=-5.0,
        focal_mm=35.0,
        sensor_mm=(36.0, 24.0),
        f_number=2.8,
        focus_m=4.2,
        measurements=measured,
    )


def test_usds_validators_find_nothing(tmp_path: Path) -> None:
    stage = opened(tmp_path, whole())
    assert errors(stage) == []
    assert UsdGeom.GetStageMetersPerUnit(stage) == 1.0 and UsdGeom.GetStageUpAxis(stage) == "Y"


def test_a_lost_texture_is_noticed(tmp_path: Path) -> None:
    stage = opened(tmp_path, StageFacts(name="x", texture="./gone.exr"))
    assert errors(stage)


def test_boxes_are_in_metres(tmp_path: Path) -> None:
    stage = opened(tmp_path, whole())
    cache = UsdGeom.BBoxCache(Usd.TimeCode.Default(), [UsdGeom.Tokens.guide, UsdGeom.Tokens.default_])
    sizes = {}
    for prim in stage.Traverse():
        if prim.IsA(UsdGeom.Cube):
            box = cache.ComputeWorldBound(prim).ComputeAlignedRange()
            sizes[prim.GetCustomDataByKey("nightloader:written")] = box.GetSize(), box.GetMin()[1]
    (crate, floor) = sizes["1.2 m x 0.8 m x 30 in"]
    assert tuple(crate) == pytest.approx((1.2, 0.762, 0.8)) and floor == pytest.approx(0, abs=1e-9)
    assert sizes["1.1 m"][0][1] == pytest.approx(1.1) and sizes["3 m"][0][0] == pytest.approx(3)
    assert len(sizes) == 4


def test_the_camera_sees_what_a_lens_of_35_mm_sees(tmp_path: Path) -> None:
    stage = opened(tmp_path, whole())
    camera = UsdGeom.Camera.Get(stage, "/TL_0270_27A/Camera_A").GetCamera(Usd.TimeCode.Default())
    assert camera.GetFieldOfView(Gf.Camera.FOVHorizontal) == pytest.approx(2 * math.degrees(math.atan(18 / 35)))
    frustum = camera.frustum
    assert tuple(frustum.position) == pytest.approx((0, 1.7018, 4.0))
    view = frustum.ComputeViewDirection()
    assert tuple(view) == pytest.approx((0, math.sin(math.radians(-5)), -math.cos(math.radians(5))))


# OpenEXR's lat-long, by the file format's own rule: longitude from +pi at the left edge to -pi at the right,
# latitude from +pi/2 at the top; direction (sin(lon) cos(lat), sin(lat), cos(lon) cos(lat)).  UsdLux takes the
# same for domes.
def seen_at(u: float, v: float) -> Gf.Vec3d:
    longitude, latitude = math.pi * (1 - 2 * u), math.pi * (0.5 - v)
    return Gf.Vec3d(
        math.sin(longitude) * math.cos(latitude), math.sin(latitude), math.cos(longitude) * math.cos(latitude)
    )


@pytest.mark.parametrize("turn", [0.0, 30.0, -90.0, 180.0])
def test_the_dome_is_the_right_way_round(tmp_path: Path, turn: float) -> None:
    facts = StageFacts(
        name="s",
        texture="./probe.exr",
        centre_to_camera_deg=turn,
        probe_height_m=1.2,
        camera_height_m=1.2,
        camera_distance_m=3.0,
        camera="A",
    )
    stage = opened(tmp_path, facts)
    dome = UsdLux.DomeLight.Get(stage, "/s/Probe")
    world = UsdGeom.Xformable(dome.GetPrim()).ComputeLocalToWorldTransform(Usd.TimeCode.Default())
    # the taking camera stands ``turn`` degrees left of the picture's centre, so at this u
    towards = world.TransformDir(seen_at(0.5 - turn / 360, 0.5))
    camera = UsdGeom.Xformable(stage.GetPrimAtPath("/s/Camera_A")).ComputeLocalToWorldTransform(Usd.TimeCode.Default())
    really = (camera.ExtractTranslation() - world.ExtractTranslation()).GetNormalized()
    assert tuple(towards) == pytest.approx(tuple(really), abs=1e-6)
    # a lamp a quarter turn further left in the picture stands at the camera's own right: +X
    lamp = world.TransformDir(seen_at((0.5 - (turn + 90) / 360) % 1.0, 0.5))
    assert tuple(lamp) == pytest.approx((1, 0, 0), abs=1e-6)
    up = world.TransformDir(seen_at(0.3, 0.0))
    assert tuple(up) == pytest.approx((0, 1, 0), abs=1e-6)


def test_known_lamps_in_a_picture_hit_the_lamps(tmp_path: Path) -> None:
    """Three lamps of known places in the room, painted into an EXR where the probe sees them; read back from the file,
    taken through the schema's lat-long rule and the stage's transforms, the brightest spots point at the lamps."""
    import io

    import numpy as np

    from ingest.machinery.worker import exr

    turn, height = 40.0, 1.3
    facts = StageFacts(name="s", texture="./probe.exr", centre_to_camera_deg=turn, probe_height_m=height,
                       camera_height_m=1.6, camera_distance_m=3.0, camera="A", sensor_mm=(24.9, 18.7), focal_mm=32.0)
    lamps = np.array([[2.0, 2.5, 1.0], [-1.5, 3.0, 2.0], [0.5, 0.4, -2.0]])  # world, metres, Y up; camera at +Z
    rows, columns = 256, 512
    longitude = np.pi * (1 - 2 * (np.arange(columns) + 0.5) / columns)
    latitude = np.pi * (0.5 - (np.arange(rows) + 0.5) / rows)
    seen = np.stack(np.broadcast_arrays(  # OpenEXR's lat-long rule, as seen_at
        np.sin(longitude)[None] * np.cos(latitude)[:, None], np.sin(latitude)[:, None] + 0 * longitude[None],
        np.cos(longitude)[None] * np.cos(latitude)[:, None]), axis=-1)  # fmt: skip
    # by hand: the camera stands `turn` left of the picture's centre, so world = picture turned by -turn about Y
    c, s = math.cos(math.radians(-turn)), math.sin(math.radians(-turn))
    world_of = np.array([[c, 0, s], [0, 1, 0], [-s, 0, c]])
    picture = np.full((rows, columns, 3), 0.05, np.float32)
    for n, lamp in enumerate(lamps):
        towards = (lamp - [0, height, 0]) / np.linalg.norm(lamp - [0, height, 0])
        picture[seen @ world_of.T @ towards > math.cos(math.radians(1.5))] = 100.0 * (n + 1)
    (tmp_path / "setup.usda").write_text(stage_text(facts), encoding="utf-8")
    with (tmp_path / "probe.exr").open("w+b") as file:
        write_exr(file, picture)
    stage = Usd.Stage.Open(str(tmp_path / "setup.usda"))
    assert errors(stage) == []
    dome = UsdLux.DomeLight.Get(stage, "/s/Probe")
    world = UsdGeom.Xformable(dome.GetPrim()).ComputeLocalToWorldTransform(Usd.TimeCode.Default())
    back = exr.read(io.BytesIO((tmp_path / "probe.exr").read_bytes()))[1]["RGB"].astype(float)
    for n, lamp in enumerate(lamps):
        spots = np.argwhere(np.abs(back[..., 1] - 100.0 * (n + 1)) < 1)
        v, u = (spots.mean(axis=0) + 0.5) / [rows, columns]
        ray = world.TransformDir(seen_at(float(u), float(v)))
        origin = world.ExtractTranslation()
        away = np.array(lamp) - np.array(origin)
        angle = math.degrees(math.acos(min(1.0, float(np.dot(np.array(ray), away / np.linalg.norm(away))))))
        assert angle < 1.0, (n, angle)


def write_exr(file: Any, picture: Any) -> None:
    import OpenEXR

    path = file.name
    file.close()
    header = {"type": OpenEXR.scanlineimage, "compression": OpenEXR.ZIP_COMPRESSION}
    with OpenEXR.File(header, {"RGB": picture}) as out:
        out.write(path)


def test_what_is_not_known_is_said(tmp_path: Path) -> None:
    (tmp_path / "half").mkdir()
    stage = opened(tmp_path, StageFacts(name="s"))
    camera = stage.GetPrimAtPath("/s/Camera_A")
    said = {k: camera.GetCustomDataByKey(f"nightloader:{k}") for k in ("distance", "height", "tilt", "lens")}
    assert all(said.values()) and "not measured" in said["distance"]
    assert not UsdGeom.Camera(camera).GetFocalLengthAttr().HasAuthoredValue()
    stage = opened(tmp_path / "half", StageFacts(name="s", focal_mm=32.0))
    camera = stage.GetPrimAtPath("/s/Camera_A")
    assert "32 mm, sensor not known" in camera.GetCustomDataByKey("nightloader:lens")
    assert not UsdGeom.Camera(camera).GetFocalLengthAttr().HasAuthoredValue()


def test_the_distance_that_was_measured_from_the_lens() -> None:
    measured, _ = read_measurements("name,value\nlens to heron,4.2 m\ndoor,2 m\nwheel lens to rim height,1 m\n")
    assert camera_distance(measured[:2]) == (4.2, "lens to heron")
    assert camera_distance(measured[1:2]) is None and camera_distance(measured) is None  # two: nobody can say which
    text = stage_text(StageFacts(name="s", camera_distance_m=4.2, distance_words="lens to heron"))
    assert "as measured: lens to heron" in text and "(0, 0, 4.2)" in text


def test_a_figure_in_question_is_left_out_and_said(tmp_path: Path) -> None:
    facts = replace(whole(), camera_height_m=None, left_out={"camera height": "'60 m' is 60 m; usual is 0.05 to 12 m"})
    stage = opened(tmp_path, facts)
    assert errors(stage) == []
    camera = stage.GetPrimAtPath(stage.GetDefaultPrim().GetPath().AppendChild("Camera_A"))
    assert UsdGeom.Xformable(camera).GetLocalTransformation().ExtractTranslation()[1] == 1.5  # the probe's
    assert "left out, '60 m'" in camera.GetCustomDataByKey("nightloader:height")
    assert "Left out, camera height: '60 m' is 60 m" in stage.GetDefaultPrim().GetMetadata("comment")
