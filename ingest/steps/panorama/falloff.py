"""Falloff and gain of each lens from radiance ratios: the ring two lenses share, and between headings.

They decide the seam.  The same direction shown twice must come out equally bright:
log(gain_i (1 - a_i q^2 - b_i q^4)) - the same of the other = log of the pictures' ratio.  The first
lens's gain is the scale.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import cv2
import numpy as np
from numpy.typing import NDArray

from ingest.records.lenses import LensFile
from ingest.steps.panorama import cameras, fitting, matching, seams
from ingest.steps.panorama.cameras import Camera
from ingest.steps.panorama.raster import Doubles

Single = NDArray[np.float32]
PRIOR_GAIN, PRIOR_A, PRIOR_B, PRIOR_VIEW = 0.1, 0.25, 0.2, 0.01
_MARKS = 24000
_MOST = 2500


def measure(numbers: LensFile, pictures: Sequence[Single]) -> LensFile:
    """The numbers with falloff and gain fitted, and their sigmas beside the others."""
    shown = cameras.of_file(numbers, len(pictures))
    factor = seams.thin_factor(shown[0])
    small = [seams.thinned(p, factor) for p in pictures]
    thin = [seams.thinned_camera(c, factor) for c in shown]
    samples = _samples(thin, small)
    if not samples:
        return numbers
    count = len(numbers.lenses)
    start, prior = _start(numbers, len(pictures))

    def apart(x: Doubles) -> Doubles:
        return np.concatenate([
            step - _log_response(x, a, qa, count) + _log_response(x, b, qb, count) for a, b, qa, qb, step in samples
        ])  # fmt: skip

    fit = fitting.solve(apart, start, prior, begin=start, least_spread=1e-4, inflate=3.0)
    lenses = []
    for i, lens in enumerate(numbers.lenses):
        gain, a, b = fit.x[3 * i : 3 * i + 3]
        told = {**lens.sigma, "gain": float(fit.sigma[3 * i] * np.exp(gain)),
                "vig": [float(v) for v in fit.sigma[3 * i + 1 : 3 * i + 3]]}  # fmt: skip
        lenses.append(replace(lens, gain=float(np.exp(gain)), vig=(float(a), float(b)), sigma=told))
    return replace(numbers, lenses=tuple(lenses))


def _start(numbers: LensFile, views: int) -> tuple[Doubles, Doubles]:
    x, s = [], []
    for i, lens in enumerate(numbers.lenses):
        x += [float(np.log(lens.gain)), *lens.vig]
        s += [0.0 if i == 0 else PRIOR_GAIN, PRIOR_A, PRIOR_B]
    return np.array(x + [0.0] * (views - 1)), np.array(s + [PRIOR_VIEW] * (views - 1))


def _log_response(x: Doubles, camera: Camera, q: Doubles, lenses: int) -> Doubles:
    gain, a, b = x[3 * camera.lens : 3 * camera.lens + 3]
    view = x[3 * lenses + camera.view - 1] if camera.view > 0 else 0.0
    return np.asarray(gain + view + np.log(np.maximum(1 - a * q**2 - b * q**4, 0.01)))


def _samples(
    thin: Sequence[Camera], small: Sequence[Single]
) -> list[tuple[Camera, Camera, Doubles, Doubles, Doubles]]:
    """For each pair of cameras: q in both and the log ratio of what they show."""
    directions = matching.spread(_MARKS)
    looks = [_look(c, small[c.view], directions) for c in thin]
    found = []
    for i, (light_i, q_i) in enumerate(looks):
        for j in range(i + 1, len(looks)):
            light_j, q_j = looks[j]
            both = np.flatnonzero(np.isfinite(light_i) & np.isfinite(light_j))
            if len(both) < 50:
                continue
            if len(both) > _MOST:
                both = both[np.linspace(0, len(both) - 1, _MOST).astype(int)]
            found.append((thin[i], thin[j], q_i[both], q_j[both], light_i[both] - light_j[both]))
    return found


def _look(camera: Camera, picture: Single, directions: Doubles) -> tuple[Doubles, Doubles]:
    """(log luminance as photographed, NaN where not shown, and q)."""
    x, y, theta = camera.pixels(directions)
    shown = (theta < 0.99 * camera.theta_max) & (x >= 1) & (y >= 1)
    shown &= (x <= picture.shape[1] - 2) & (y <= picture.shape[0] - 2)
    grid = [np.asarray(a, dtype=np.float32).reshape(-1, 1) for a in (x, y)]
    light = np.asarray(cv2.remap(picture, grid[0], grid[1], cv2.INTER_LINEAR), dtype=np.float64).ravel()
    with np.errstate(divide="ignore", invalid="ignore"):
        logs = np.where(shown & (light > 0), np.log(light), np.nan)
    return logs, np.asarray(theta / camera.theta_max)
