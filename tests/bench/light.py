"""Figures of panorama and light on scenes of known truth.  Run: python -m tests.bench.light [part]..."""

from __future__ import annotations

import sys
import time

import numpy as np

from ingest.steps.light.summary import summarise
from ingest.steps.panorama.raster import Layout
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


PARTS = {"lights": lights}

if __name__ == "__main__":
    for part in sys.argv[1:] or PARTS:
        PARTS[part]()
