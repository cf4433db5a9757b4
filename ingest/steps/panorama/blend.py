"""How much each camera counts in a direction that several show.

A lens counts most on its axis and nothing at its edge; a ball by its picture area per solid angle, except
where the photographer stands.  Where pictures disagree (near things, parallax) the weights are raised to
a power: a narrow cut rather than the same thing twice.
"""

from __future__ import annotations

import numpy as np

from ingest.steps.panorama.cameras import Camera
from ingest.steps.panorama.raster import Floats

NARROW = 4.0  # power of the plain weight
PERSON_HALF_WIDTH = np.radians(16.0)  # half of how wide a photographer is taken to stand, as the ball sees it
PERSON_TOP, PERSON_FOOT = np.radians(14.0), np.radians(50.0)
_LEAST = 1e-6


def weight(camera: Camera, theta: Floats, ux: Floats, uy: Floats) -> Floats:
    """(...) weights above 0 where the camera shows (``theta`` within its range), from angle and azimuth."""
    if camera.sees_back:
        area = 1.0 / np.maximum(camera.solid_angle(np.minimum(theta, camera.theta_max)), 1e-12)
        part = area / camera.pixels_per_radian**2
        edge = np.clip((camera.theta_max - theta) / 0.05, 0.0, 1.0)
        return np.asarray(part * edge * _beside_person(theta, ux, uy) + _LEAST * 1e-3, dtype=np.float64)
    q = theta / camera.theta_max
    return np.asarray((np.maximum(1.0 - q, 0.0) + 1e-3) ** NARROW)


def _beside_person(theta: Floats, ux: Floats, uy: Floats) -> Floats:
    """0.001 where the photographer is reflected (round the ball's middle, and down to the feet), else 1."""
    across = np.abs(theta * ux) / PERSON_HALF_WIDTH
    down = theta * uy  # picture y points down
    along = np.where(down > 0, down / PERSON_FOOT, -down / PERSON_TOP)
    distance = np.sqrt(across**2 + along**2)
    step = np.clip((distance - 1.0) / 0.5, 0.0, 1.0)
    return np.asarray(0.001 + 0.999 * step * step * (3 - 2 * step))
