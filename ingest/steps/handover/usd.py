"""The setup as a USD stage: the probe as dome light, what was measured, and the taking camera.

Axes: Y up, metres.  By the UsdLux schema a dome's lat-long has its pole at +Y and its centre at +Z of the
dome's own space, as OpenEXR's lat-long has.  The probe stands at the origin, at its height; the taking
camera stands towards +Z and looks along -Z, which is how a USD camera looks of itself.  The dome is turned
so that the place of the camera in the picture points at it.

Trap: a USD camera's focal length and apertures are in tenths of a scene unit.  With metres 35 mm is 0.35.
"""

from __future__ import annotations

import math
from typing import Any

from ingest.records.handover import StageFacts
from ingest.records.measurements import Length, Measurement

MM = 0.01  # tenths of a metre in a millimetre
DISTANCE_M = 3.0  # where the camera is put when nobody measured; the stage says so
GAP_M = 0.5  # between the reference boxes, which stand in a row: where they stood is not in the log


def stage_text(facts: StageFacts) -> str:
    """The stage as .usda text.

    Boxes are cubes of their length (x), height (y) and width (z); heights upright bars, other lengths bars
    along x, each named as measured and with its own words.  All of it is guide geometry in metres, laid out
    beside each other: only sizes are measured, not places.

    Raises:
        ImportError: the extra ``usd`` is not installed.
    """
    from pxr import Usd, UsdGeom

    stage = Usd.Stage.CreateInMemory()
    UsdGeom.SetStageUpAxis(stage, UsdGeom.Tokens.y)
    UsdGeom.SetStageMetersPerUnit(stage, 1.0)
    root = UsdGeom.Xform.Define(stage, f"/{_identifier(facts.name)}")
    stage.SetDefaultPrim(root.GetPrim())
    said = ["Y up, metres. Probe at the origin; the taking camera stands towards +Z.",
            *(f"Left out, {what}: {why}." for what, why in facts.left_out.items())]
    root.GetPrim().SetMetadata("comment", " ".join(said))
    if facts.texture:
        _dome(stage, root, facts)
    _camera(stage, root, facts)
    _measured(stage, root, facts)
    text: str = stage.GetRootLayer().ExportToString()
    return text


def _identifier(text: str) -> str:
    from pxr import Tf

    name: str = Tf.MakeValidIdentifier(text or "setup")
    return name


def _dome(stage: Any, root: Any, facts: StageFacts) -> None:
    from pxr import Gf, Sdf, UsdGeom, UsdLux

    dome = UsdLux.DomeLight.Define(stage, root.GetPath().AppendChild("Probe"))
    dome.CreateTextureFileAttr(Sdf.AssetPath(facts.texture))
    dome.CreateTextureFormatAttr(UsdLux.Tokens.latlong)
    dome.CreateIntensityAttr(1.0)
    dome.CreateExposureAttr(0.0)
    place = UsdGeom.Xformable(dome.GetPrim())
    if facts.probe_height_m is not None:
        place.AddTranslateOp().Set(Gf.Vec3d(0, facts.probe_height_m, 0))
    place.AddRotateYOp().Set(0.0 - facts.centre_to_camera_deg)  # 0, not -0
    if facts.white_luminance is not None:
        dome.GetPrim().SetCustomDataByKey("nightloader:whiteLuminance", facts.white_luminance)


def _camera(stage: Any, root: Any, facts: StageFacts) -> None:
    from pxr import Gf, UsdGeom

    camera = UsdGeom.Camera.Define(stage, root.GetPath().AppendChild(f"Camera_{_identifier(facts.camera or 'A')}"))
    known = [d for d in (facts.camera_distance_m, facts.focus_m) if d is not None and math.isfinite(d) and d > 0]
    assumed = {
        "distance": _distance_words(facts, bool(known)),
        "height": "" if facts.camera_height_m is not None else _height_words(facts),
        "tilt": "" if facts.tilt_deg is not None else "not known: level",
        "stop": facts.stop_words,
        "lens": _lens_words(facts),
    }
    height = facts.camera_height_m if facts.camera_height_m is not None else facts.probe_height_m or 0.0
    camera.AddTranslateOp().Set(Gf.Vec3d(0, height, known[0] if known else DISTANCE_M))
    camera.AddRotateXOp().Set(facts.tilt_deg or 0.0)
    if facts.focal_mm and facts.sensor_mm:
        camera.CreateFocalLengthAttr(facts.focal_mm * MM)
        camera.CreateHorizontalApertureAttr(facts.sensor_mm[0] * MM)
        camera.CreateVerticalApertureAttr(facts.sensor_mm[1] * MM)
    if facts.f_number:
        camera.CreateFStopAttr(facts.f_number)
    if facts.focus_m is not None and math.isfinite(facts.focus_m):
        camera.CreateFocusDistanceAttr(facts.focus_m)
    camera.CreateClippingRangeAttr(Gf.Vec2f(0.01, 10000.0))
    for key, words in assumed.items():
        if words:
            camera.GetPrim().SetCustomDataByKey(f"nightloader:{key}", words)


def _height_words(facts: StageFacts) -> str:
    why = facts.left_out.get("camera height")
    return f"left out, {why}: the probe's" if why else "not known: the probe's"


def _distance_words(facts: StageFacts, known: bool) -> str:
    """From which figure the camera's place follows; the probe is taken to stand where that was measured to."""
    if facts.camera_distance_m is not None and facts.camera_distance_m > 0:
        return f"as measured{f': {facts.distance_words}' if facts.distance_words else ''}, taken as the probe's place"
    return "focus distance" if known else f"not measured: {DISTANCE_M:g} m for looking"


def _lens_words(facts: StageFacts) -> str:
    """Which of the two is missing.  A focal length without its sensor would show a wrong field of view."""
    if facts.focal_mm and facts.sensor_mm:
        return ""
    if facts.focal_mm:
        return f"{facts.focal_mm:g} mm, sensor not known: left unset; state it with sensor_mm under [[cameras]]"
    return "focal length not known: left unset" if facts.sensor_mm else "focal length and sensor not known: left unset"


def _measured(stage: Any, root: Any, facts: StageFacts) -> None:
    from pxr import UsdGeom

    if not facts.measurements:
        return
    scope = UsdGeom.Scope.Define(stage, root.GetPath().AppendChild("Measured"))
    scope.CreatePurposeAttr(UsdGeom.Tokens.guide)
    names: set[str] = set()
    x = 1.0
    for m in facts.measurements:
        name = _identifier(m.name)
        while name.casefold() in names:
            name = f"{name}_{m.line}"
        names.add(name.casefold())
        width = _box(stage, scope.GetPath().AppendChild(name), m, x)
        x += width + GAP_M


def _box(stage: Any, path: Any, m: Measurement, x: float) -> float:
    """One measured thing as a cube standing on the floor at ``x``; returns its size along x."""
    from pxr import Gf, UsdGeom

    bar = 0.02
    upright = "height" in m.name.casefold() and m.value is not None
    size = [_metres(m.length) or bar, _metres(m.height) or bar, _metres(m.width) or bar]
    if m.value is not None:
        size = [bar, m.value.m or bar, bar] if upright else [m.value.m or bar, bar, bar]
    cube = UsdGeom.Cube.Define(stage, path)
    cube.CreateSizeAttr(1.0)
    cube.CreateExtentAttr([Gf.Vec3f(-0.5, -0.5, -0.5), Gf.Vec3f(0.5, 0.5, 0.5)])
    cube.AddTranslateOp().Set(Gf.Vec3d(x + size[0] / 2, size[1] / 2, 0))
    cube.AddScaleOp(UsdGeom.XformOp.PrecisionDouble).Set(Gf.Vec3d(*size))
    words = " x ".join(p.written for p in (m.value, m.length, m.width, m.height) if p is not None)
    cube.GetPrim().SetCustomDataByKey("nightloader:name", m.name)
    cube.GetPrim().SetCustomDataByKey("nightloader:written", words)
    return size[0]


def _metres(value: Length | None) -> float:
    return value.m if value is not None else 0.0
