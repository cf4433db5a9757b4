"""A sun clipped in every frame, from a photographed grey ball: an estimate, never in place of the measured.

Diffuse image of the clipped probe + a x diffuse image of a unit sun = the photographed ball, linear in a
for each channel ("Capturing Light Probes in the Sun", SIGGRAPH 2003 course 19).  The ball must be on the
probe's scale (same body, known exposure); the direction is the clipped spot's.  Errors in simulation:
.5 % with everything right, 1 to 3 % at 3 degrees of misalignment, 9 to 11 % for a ball 5 % off neutral.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ingest.steps.light.balls import GREY, ball_normals
from ingest.steps.light.flux import Cells, irradiance
from ingest.steps.panorama.raster import Doubles, Floats

SUN_DEG = 0.533  # across


@dataclass(frozen=True, kw_only=True, slots=True)
class Rescue:
    """``missing_rgb``: irradiance on a plane facing the source that the probe lacks; ``sigma_rgb`` from
    the fit's residual (misalignment and colour of the ball are not in it); ``residual`` relative rms."""

    direction: tuple[float, float, float]
    missing_rgb: tuple[float, float, float]
    sigma_rgb: tuple[float, float, float]
    residual: float
    label: str = "estimated from the grey ball, not measured"


def from_grey_ball(
    cells: Cells, direction: Floats, ball: Floats, *, reflectance: float = GREY, turn: Doubles | None = None
) -> Rescue:
    """Estimate what a clipped source lacks.

    ``cells`` of the clipped probe; ``direction`` (3,) of the source; ``ball`` (n, n, 3) a square picture
    that the grey ball just fills, on the probe's scale, seen along +Z of ``turn`` (3x3, world from the
    ball's camera axes; None: as the probe's heading 0).  Lambert's law; the outer tenth of the ball, where
    its paint and its edge betray it, is left out.
    """
    size = ball.shape[0]
    normals, inside = ball_normals(size)
    radius = np.hypot(normals[..., 0], normals[..., 1])
    use = (inside > 0) & (radius < 0.9) & np.isfinite(ball).all(axis=2)
    stride = max(1, size // 96)
    thin = np.zeros_like(use)
    thin[::stride, ::stride] = True
    use &= thin
    facing = normals[use] if turn is None else normals[use] @ turn.T
    flux, vectors = cells.coarser(128)
    base = irradiance(vectors, flux, facing)
    towards = np.asarray(direction, dtype=np.float64)
    sun = np.maximum(facing @ (towards / np.linalg.norm(towards)), 0.0)
    seen = ball[use].astype(np.float64) * np.pi / reflectance
    left = seen - base
    amount = (sun[:, None] * left).sum(axis=0) / (sun**2).sum()
    miss = left - sun[:, None] * amount
    sigma = np.sqrt((miss**2).mean(axis=0) / (sun**2).sum())
    amount = np.maximum(amount, 0.0)
    unit = towards / np.linalg.norm(towards)
    return Rescue(
        direction=(float(unit[0]), float(unit[1]), float(unit[2])),
        missing_rgb=(float(amount[0]), float(amount[1]), float(amount[2])),
        sigma_rgb=(float(sigma[0]), float(sigma[1]), float(sigma[2])),
        residual=float(np.sqrt((miss**2).mean()) / max(float(seen.mean()), 1e-12)),
    )


def with_sun(picture: Floats, cells: Cells, rescue: Rescue) -> Doubles:
    """(H, W, 3) a copy of the probe with the missing light put back as a disc of the sun's size.

    Its energy is exact on the raster: the pixels' shares are scaled to the estimated irradiance.
    """
    raster = cells.raster
    made = np.array(picture, dtype=np.float64)
    towards = np.array(rescue.direction)
    half = max(np.radians(SUN_DEG / 2), 0.75 * raster.pitch_rad)
    cosine = raster.directions() @ towards
    angle = np.arccos(np.clip(cosine, -1, 1))
    share = np.clip((half + raster.pitch_rad / 2 - angle) / raster.pitch_rad, 0.0, 1.0)
    solid = float((share * raster.solid_angles() * np.maximum(cosine, 0)).sum())
    made += share[..., None] * np.array(rescue.missing_rgb) / solid
    return made
