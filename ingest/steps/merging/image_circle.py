"""The part of a frame that a fisheye lens lights: its image circle, or the two of a two-lens body.

What lies outside is black by construction.  It says nothing of the scene, so shares of the picture
(noise, clipping, movement) and the preview's brightness are judged inside alone.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

Mask = npt.NDArray[np.bool_]

_SURE = 0.7  # of the inscribed circle: inside the image circle whatever the body
_LIT = 0.02  # of the middle's median luminance
_RIM = 0.985  # the rim's own fall of light is left out


def inside(luminance: npt.NDArray[Any], kind: str) -> Mask | None:
    """Where the lens lights the picture, (h, w) as the luminance (linear, any scale, thinned or not); None
    for pictures without a surround.

    Each circle is the one around the lit area's extent.  A rim in deep shadow makes it too small, never
    too large, so the surround is never judged.
    """
    if kind not in ("fisheye", "dual-fisheye"):
        return None
    h, w = luminance.shape
    if kind == "fisheye":
        return _circle(luminance)
    if w >= h:
        return np.concatenate([_circle(luminance[:, : w // 2]), _circle(luminance[:, w // 2 :])], axis=1)
    return np.concatenate([_circle(luminance[: h // 2]), _circle(luminance[h // 2 :])], axis=0)


def _circle(luminance: npt.NDArray[Any]) -> Mask:
    h, w = luminance.shape
    y, x = np.mgrid[0:h, 0:w]
    middle: Mask = np.hypot(y - (h - 1) / 2, x - (w - 1) / 2) <= _SURE * min(h, w) / 2
    lit = (luminance > _LIT * np.median(luminance[middle])).astype(np.uint8)
    lit = cv2.morphologyEx(lit, cv2.MORPH_OPEN, np.ones((3, 3), np.uint8))  # a hot pixel is no rim
    rows, columns = np.flatnonzero(lit.any(axis=1)), np.flatnonzero(lit.any(axis=0))
    if not rows.size:
        return middle
    centre = (rows[0] + rows[-1]) / 2, (columns[0] + columns[-1]) / 2
    radius = max(rows[-1] - rows[0], columns[-1] - columns[0]) / 2 * _RIM
    found: Mask = np.less_equal(np.hypot(y - centre[0], x - centre[1]), radius)
    return found
