"""What balls would look like in this light, and the diffuse-convolved map.

The virtual camera stands far away on the -Z side and looks along +Z, as the panorama's heading 0 does, so
a ball photographed by the taking camera can be laid beside them.
"""

from __future__ import annotations

import cv2
import numpy as np

from ingest.steps.light.flux import Cells, irradiance, measure
from ingest.steps.panorama.raster import Doubles, Floats, Layout, Raster, sample

GREY = 0.18  # reflectance of the grey ball rendered


def convolved(picture: Floats, raster: Raster, *, width: int = 128) -> Doubles:
    """(width/2, width, 3) irradiance by normal over pi, on the ``CORNERS`` raster."""
    return convolved_cells(measure(picture, raster, columns=256), width=width)


def convolved_cells(cells: Cells, *, width: int = 128) -> Doubles:
    """As :func:`convolved`, of a map that was measured before."""
    flux, vectors = cells.coarser(128)
    small = Raster(height=width // 2, width=width, layout=Layout.CORNERS)
    normals = small.directions().reshape(-1, 3)
    made = irradiance(vectors, flux, normals).reshape(small.height, small.width, 3) / np.pi
    made[:, -1] = made[:, 0]
    made[0], made[-1] = made[0].mean(axis=0), made[-1].mean(axis=0)
    return made


def ball_normals(size: int) -> tuple[Doubles, Doubles]:
    """(size, size, 3) world normals of a ball that fills the square, and (size, size) what is ball.

    The ball's middle faces -Z, and the picture's right is -X (right-handed world, +Y up).
    """
    line = (np.arange(size) + 0.5) / size * 2 - 1
    x, y = np.meshgrid(line, -line)
    square = x * x + y * y
    inside = square < 1.0
    depth = np.sqrt(np.maximum(0.0, 1.0 - square))
    return np.stack([-x, y, -depth], axis=-1), inside.astype(np.float64)


def grey_ball(picture: Floats, raster: Raster, *, size: int = 256, reflectance: float = GREY) -> Doubles:
    """(size, size, 3) radiance of a matte ball: reflectance x E / pi; black around it."""
    small = convolved(picture, raster)
    normals, inside = ball_normals(size)
    look = sample(small, Raster(height=small.shape[0], width=small.shape[1]), normals)
    return np.asarray(look * reflectance * inside[..., None])


def mirror_ball(picture: Floats, raster: Raster, *, size: int = 256, parts: int = 4) -> Doubles:
    """(size, size, 3) radiance of a perfect mirror ball; each pixel the mean over its footprint.

    The map is first averaged down to about the ball's resolution, so that a small sun keeps its energy.
    """
    thin = max(1, picture.shape[1] // (4 * size))
    if thin > 1:
        height, width = picture.shape[0] // thin, picture.shape[1] // thin
        whole = np.ascontiguousarray(picture, dtype=np.float32)
        picture = np.asarray(cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA), dtype=np.float32)
        raster = Raster(height=height, width=width, layout=Layout.CENTRES)
    normals, inside = ball_normals(size * parts)
    view = np.array([0.0, 0.0, 1.0])
    mirrored = view - 2 * (normals @ view)[..., None] * normals
    look = sample(picture, raster, mirrored) * inside[..., None]
    shape = (size, parts, size, parts, 3)
    return np.asarray(look.reshape(shape).mean(axis=(1, 3)))
