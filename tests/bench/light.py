"""Figures of panorama and light on scenes of known truth.  Run: python -m tests.bench.light [part]..."""

from __future__ import annotations

import sys
import time

import numpy as np

from ingest.records.lenses import LensFile
from ingest.steps.light.summary import summarise
from ingest.steps.panorama import cameras
from ingest.steps.panorama.projection import Projected, Projector
from ingest.steps.panorama.raster import Layout, Raster
from tests import scenes


def lights() -> None:
    """Direction, energy and key to fill of the lights of perfect lat-longs."""
    for name, scene, width in (("sun", scenes.outdoor(), 1024), ("sun", scenes.outdoor(), 512),
                               ("room", scenes.room(), 1024)):  # fmt: skip
        picture = scenes.latlong(scene, width, discs=64)
        start = time.process_time()
        found = summarise(picture, Layout.CORNERS)
        used = time.process_time() - start
        print(f"{name} {width}: {len(found.lights)} lights, {used:.2f} s, key to fill {found.key_to_fill}")
        for disc in scene.lights():
            angles = [np.degrees(np.arccos(min(1.0, float(np.dot(light.direction, disc.direction)))))
                      for light in found.lights]  # fmt: skip
            k = int(np.argmin(angles))
            light = found.lights[k]
            energy = np.dot(light.irradiance_rgb, scenes.LUMINANCE) / (disc.irradiance @ scenes.LUMINANCE) - 1
            size = light.solid_angle_sr / disc.solid_angle
            print(f"  {angles[k]:.4f} deg, energy {100 * energy:+.2f} %, size {size:.3f}"
                  f"{' at most' if light.solid_angle_at_most else ''}, {light.cct_k}")  # fmt: skip


def lens(cx: float, cy: float, *, back: bool = False, **more: object) -> dict[str, object]:
    """A made two-lens body's lens: about 200 degrees in a circle of 500 px."""
    upright = np.diag([-1.0, -1.0, 1.0])
    turn = np.diag([-1.0, 1.0, -1.0]) @ upright if back else upright
    whole = {"cx": cx, "cy": cy, "f": 291.0, "fov": 197.0, "model": "equidistant", "k": [-0.012, 0.0015], "R": turn,
             "vig": (0.25, 0.08), "gain": 0.97 if back else 1.0}  # fmt: skip
    return {**whole, **more}


def small_turn(x_deg: float, y_deg: float, z_deg: float) -> np.ndarray:
    import cv2

    return cv2.Rodrigues(np.radians([x_deg, y_deg, z_deg]))[0]


def two_lenses() -> list[dict[str, object]]:
    pair = [lens(509.3, 512.8), lens(1537.1, 508.4, back=True, f=289.5)]
    pair[1]["R"] = small_turn(0.4, 0.3, -0.5) @ np.asarray(pair[1]["R"])
    return pair


def numbers_of(lenses: list[dict[str, object]], kind: str = "dual-fisheye", views: object = ()) -> LensFile:
    plain = [{**one, "R": np.asarray(one["R"]).tolist(), "vig": list(one["vig"])} for one in lenses]
    return LensFile.from_json({"kind": kind, "calibration": "exact", "lenses": plain, "views": list(views)})


def projected(numbers: LensFile, pictures: list[np.ndarray], width: int) -> Projected:
    made = cameras.of_file(numbers, len(pictures))
    projector = Projector(Raster(height=width // 2, width=width), made)
    for view, picture in enumerate(pictures):
        projector.add(view, picture.astype(np.float32))
    return projector.finish()


def score(name: str, result: np.ndarray, truth: np.ndarray, scene: scenes.Scene, *, count: int = 400) -> None:
    where = scenes.marks(count)
    shifts, usable = scenes.direction_errors(result, truth, where)
    raw = scenes.percentiles(shifts[usable])
    rest = scenes.percentiles(scenes.after_turn(shifts[usable], where[usable]))
    energy = [f"{100 * scenes.cap_energy(result, disc):+.2f}" for disc in scene.lights()]
    print(f"{name}: raw p50 {raw[0]:.4f} p95 {raw[1]:.4f} worst {raw[2]:.4f}, rest p50 {rest[0]:.4f} "
          f"worst {rest[2]:.4f} deg ({usable.sum()} marks); energy {' '.join(energy)} %")  # fmt: skip


def known() -> None:
    """Two lenses with known numbers."""
    for name, scene in (("outdoor", scenes.outdoor()), ("room", scenes.room())):
        pair = two_lenses()
        frame = scenes.fisheye(scene, pair, (2048, 1024))
        start = time.process_time()
        made = projected(numbers_of(pair), [frame], 2048)
        used = time.process_time() - start
        truth = scenes.latlong(scene, 2048)
        score(f"two lenses, known numbers, {name} ({used:.1f} s CPU)", made.rgb, truth, scene)
        print("  coverage", made.coverage.min(), "dropped", round(made.strong_share, 3))


PARTS = {"lights": lights, "known": known}

if __name__ == "__main__":
    for part in sys.argv[1:] or PARTS:
        PARTS[part]()
