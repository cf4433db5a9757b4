"""Photographs of a clock page or a slate, rendered: perspective, blur, glare, noise, low light, small in the frame.

The surround is a wall with texture, foliage and windows, so that a reader has to find the code.  Linear light
throughout, then a camera's noise, sRGB and JPEG.  Everything is seeded.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
import segno
import simplejpeg

from tests.brackets import srgb

Array = npt.NDArray[Any]
WIDTH, HEIGHT = 3000, 2000


@dataclass(frozen=True, kw_only=True)
class View:
    """How the code is photographed.  ``module_px`` is one square of the code in the whole picture, ``tilt_deg``
    how far its plane is turned away, ``roll_deg`` in the plane, ``blur_px`` sigma of the lens' blur, ``shake_px``
    length of a straight movement, ``glare`` light of a lamp's reflection relative to white paper, ``electrons``
    those of white (fewer: noisier), ``light`` white paper's level (1 = saturation)."""

    module_px: float = 8.0
    tilt_deg: float = 0.0
    roll_deg: float = 0.0
    blur_px: float = 0.6
    shake_px: float = 0.0
    glare: float = 0.0
    electrons: float = 20000.0
    light: float = 0.6
    quality: int = 85


# What a set does to a code, from easy to hard; the bench prints the rate of each, the tests ask for a floor.
VIEWS: Mapping[str, View] = {
    "near, straight": View(module_px=14),
    "turned and tilted": View(module_px=10, tilt_deg=40, roll_deg=25),
    "small": View(module_px=4.5, roll_deg=-8),
    "very small": View(module_px=3.0),
    "out of focus": View(module_px=9, blur_px=3.2),
    "shaken": View(module_px=9, shake_px=8, roll_deg=5),
    "glare": View(module_px=10, tilt_deg=15, glare=0.5),
    "blinding glare": View(module_px=10, tilt_deg=15, glare=2.5),
    "low light": View(module_px=9, light=0.02, electrons=400),
    "noise": View(module_px=8, electrons=60, light=0.35),
    "upside down": View(module_px=8, roll_deg=180, tilt_deg=12),
    "everything a bit": View(module_px=7, tilt_deg=30, roll_deg=-15, blur_px=1.4, shake_px=3, glare=0.8,
                             electrons=700, light=0.12),
}


def symbol(text: str, error: str = "q") -> Array:
    """The code with its quiet zone, one pixel a square, 1 is dark."""
    made = segno.make_qr(text, error=error, boost_error=False)
    return np.array([list(row) for row in made.matrix_iter(border=4)], np.uint8)


def surround(seed: int, width: int = WIDTH, height: int = HEIGHT) -> Array:
    """(H, W) linear light: smooth ground, fine texture, leaves, and bright panes with mullions."""
    rng = np.random.default_rng(seed)

    def blobs(step: int) -> Array:
        coarse = rng.normal(size=(height // step + 2, width // step + 2)).astype(np.float32)
        return cv2.resize(coarse, (width, height), interpolation=cv2.INTER_CUBIC)

    light = 0.18 * 2.0 ** (0.9 * blobs(300) + 0.25 * blobs(40) + 0.12 * blobs(3))
    leaves = (blobs(14) > 0.6) & (blobs(400) > 0.3)
    light[leaves] *= 0.25
    for _ in range(3):
        x, y = int(rng.integers(0, width - 400)), int(rng.integers(0, height - 400))
        light[y : y + 300, x : x + 260] = 0.9
        light[y : y + 300 : 60, x : x + 260] = 0.05
        light[y : y + 300, x : x + 260 : 65] = 0.05
    return light.astype(np.float32)


def photograph(text: str, view: View, seed: int, *, error: str = "q", size: tuple[int, int] = (WIDTH, HEIGHT),
               page: tuple[float, float] = (0.02, 0.85)) -> Array:
    """(H, W) 8-bit grey picture of the code somewhere in the frame.  ``page`` is dark and light of the print or
    screen, as reflectance."""
    rng = np.random.default_rng([seed, 77])
    width, height = size
    squares = symbol(text, error)
    side = squares.shape[0]
    fine = 12
    plate = np.kron(np.where(squares, page[0], page[1]).astype(np.float32), np.ones((fine, fine), np.float32))
    half = side * view.module_px / 2
    reach = half * 1.6 + 10
    middle = np.array([rng.uniform(reach, width - reach), rng.uniform(reach, height - reach)])
    tilt, roll = np.radians(view.tilt_deg), np.radians(view.roll_deg + rng.uniform(-3, 3))
    corners = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]], float) * half
    depth = 1 + corners[:, 0] * np.sin(tilt) / (6 * half)
    flat = np.stack([corners[:, 0] * np.cos(tilt), corners[:, 1]], axis=1) / depth[:, None]
    turn = np.array([[np.cos(roll), -np.sin(roll)], [np.sin(roll), np.cos(roll)]])
    target = flat @ turn.T + middle
    source = np.array([[0, 0], [1, 0], [1, 1], [0, 1]], float) * side * fine
    warp = cv2.getPerspectiveTransform(source.astype(np.float32), target.astype(np.float32))
    light = surround(seed, width, height)
    # drawn at three times the size around the code alone, so that edges fall between pixels as a lens puts them
    x0, y0 = np.floor(target.min(0)).astype(int) - 2
    w, h = np.ceil(target.max(0)).astype(int) + 2 - (x0, y0)
    zoom = np.array([[3, 0, -3 * x0], [0, 3, -3 * y0], [0, 0, 1]], float)
    put = cv2.warpPerspective(plate, zoom @ warp, (3 * w, 3 * h), flags=cv2.INTER_AREA, borderValue=-1.0)
    inside = cv2.resize((put >= 0).astype(np.float32), (w, h), interpolation=cv2.INTER_AREA)
    drawn = cv2.resize(np.maximum(put, 0), (w, h), interpolation=cv2.INTER_AREA)
    spot = light[y0 : y0 + h, x0 : x0 + w]
    spot[:] = spot * (1 - inside) + drawn
    if view.glare:
        yy, xx = np.mgrid[0:h, 0:w]
        cx, cy = rng.uniform(0.2, 0.8) * w, rng.uniform(0.2, 0.8) * h
        spot += view.glare * np.exp(-(((xx - cx) / (0.08 * w)) ** 2 + ((yy - cy) / (0.2 * h)) ** 2)).astype(np.float32)
    return _exposed(light, view, rng)


def _exposed(light: Array, view: View, rng: np.random.Generator) -> Array:
    if view.blur_px:
        light = cv2.GaussianBlur(light, (0, 0), view.blur_px)
    if view.shake_px > 1:
        n = round(view.shake_px)
        kernel = np.zeros((n, n), np.float32)
        angle = rng.uniform(0, np.pi)
        for t in np.linspace(-0.5, 0.5, 4 * n):
            row, column = ((n - 1) * (0.5 + t * f(angle)) for f in (np.sin, np.cos))
            kernel[round(row), round(column)] = 1
        light = cv2.filter2D(light, -1, kernel / kernel.sum())
    level = light * view.light / 0.85
    electrons = level * view.electrons / view.light
    noisy = level + rng.normal(size=light.shape).astype(np.float32) * np.sqrt(np.maximum(electrons, 0) + 16) * (
        view.light / view.electrons
    )
    return np.round(srgb(np.clip(noisy, 0, 1)) * 255).astype(np.uint8)


def jpeg(picture: Array, quality: int = 85) -> bytes:
    """The picture as a camera writes it, in colour."""
    return simplejpeg.encode_jpeg(np.repeat(picture[..., None], 3, axis=2), quality=quality)


def with_view(name: str, **changes: float) -> View:
    return replace(VIEWS[name], **changes)  # type: ignore[arg-type]
