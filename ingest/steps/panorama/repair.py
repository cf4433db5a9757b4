"""Pictures as finite numbers: what a damaged or wild file brings is mended before anything is computed."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from ingest.steps.panorama.raster import Floats


def repaired(picture: Floats) -> tuple[NDArray[np.float32], int]:
    """The picture (H, W, 3) as finite float32, and how many pixels were mended.

    A pixel that is no number takes the mean of the sound ones around it (0 where there are none);
    +Inf stands for "brighter than the file holds": the largest sound value of its channel.
    """
    picture = np.ascontiguousarray(picture, dtype=np.float32)
    bad = ~np.isfinite(picture)
    if not bad.any():
        return picture, 0
    count = int(bad.any(axis=2).sum())
    picture = picture.copy()
    for c in range(picture.shape[2]):
        plane = picture[..., c]
        high = np.isposinf(plane)
        sound = np.isfinite(plane)
        largest = float(plane[sound].max()) if sound.any() else 0.0
        plane[high] = max(largest, 0.0)
        hole = ~np.isfinite(plane)
        plane[hole] = 0.0
        weight = (~hole).astype(np.float32)
        reach = 3
        while hole.any() and weight.any() and reach < 2 * max(plane.shape):
            size = (reach, reach)
            total = cv2.blur(plane * weight, size, borderType=cv2.BORDER_REFLECT)
            near = cv2.blur(weight, size, borderType=cv2.BORDER_REFLECT)
            ready = hole & (near > 1e-6)
            plane[ready] = total[ready] / near[ready]
            hole &= ~ready
            reach = reach * 4 + 1
    return picture, count
