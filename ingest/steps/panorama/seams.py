"""How well the cameras of a panorama agree where several show the same: the seam, and near things.

Measured on pictures averaged down to about half a degree a pixel, on a coarse lat-long.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from ingest.steps.panorama import blend
from ingest.steps.panorama.cameras import Camera
from ingest.steps.panorama.raster import Doubles, Layout, Raster

LUMINANCE = np.array([[0.212639, 0.715169, 0.072192]], dtype=np.float32)
DOUBTFUL = 0.35  # of a stop between two cameras, over about two degrees: not noise, not falloff
_COARSE_RAD = np.radians(0.5)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Agreement:
    """``level_stops`` is the largest step between neighbouring cameras (median over their overlap, worst
    pair), ``rms_stops`` the texture's disagreement there; None where nothing overlaps.

    ``doubtful`` lists directions with their disagreement in stops; ``powers`` a coarse lat-long of
    exponents for the weights (see :mod:`blend`); ``overlap_share`` of the sphere is shown twice.  ``logs`` (h, w) are
    log2 of what each camera shows in ``directions`` (h, w, 3), NaN where nothing.
    """

    level_stops: float | None
    rms_stops: float | None
    overlap_share: float
    doubtful: tuple[tuple[tuple[float, float, float], float], ...]
    doubtful_share: float
    powers: NDArray[np.float32]
    pairs: tuple[tuple[int, int, float, float], ...]
    logs: tuple[Doubles, ...] = ()
    directions: Doubles | None = None

    def to_json(self) -> dict[str, Any]:
        return {
            "level_stops": self.level_stops,
            "rms_stops": self.rms_stops,
            "overlap_share": self.overlap_share,
            "doubtful_share": self.doubtful_share,
            "doubtful": [{"direction": list(d), "stops": s} for d, s in self.doubtful],
            "pairs": [{"cameras": [a, b], "level_stops": lev, "rms_stops": rms} for a, b, lev, rms in self.pairs],
        }


def thinned(picture: NDArray[np.float32], factor: int) -> NDArray[np.float32]:
    """The luminance of a picture, averaged over factor x factor pixels."""
    level = np.asarray(cv2.transform(np.ascontiguousarray(picture, dtype=np.float32), LUMINANCE), dtype=np.float32)
    if factor <= 1:
        return level
    height, width = level.shape[0] // factor, level.shape[1] // factor
    cut = np.ascontiguousarray(level[: height * factor, : width * factor])
    return np.asarray(cv2.resize(cut, (width, height), interpolation=cv2.INTER_AREA), dtype=np.float32)


def thinned_camera(camera: Camera, factor: int) -> Camera:
    """The camera of a picture averaged over factor x factor pixels."""
    if factor <= 1:
        return camera
    cx, cy = ((c + 0.5) / factor - 0.5 for c in (camera.cx, camera.cy))
    return replace(camera, cx=cx, cy=cy, radius=camera.radius / factor)


def thin_factor(camera: Camera) -> int:
    return max(1, int(_COARSE_RAD * camera.pixels_per_radian))


def judge(cameras: Sequence[Camera], pictures: Sequence[NDArray[np.float32]], *, width: int = 361) -> Agreement:
    """Agreement of cameras given the thinned luminance of each camera's view.

    ``pictures[i]`` and ``cameras[i]`` belong together, both thinned by the same factor.
    """
    raster = Raster(height=width // 2 + 1, width=width, layout=Layout.CORNERS)
    directions = raster.directions()
    logs, weights = [], []
    for camera, picture in zip(cameras, pictures, strict=True):
        light, weight = _seen(camera, picture, directions)
        logs.append(light)
        weights.append(weight)
    solid = raster.solid_angles()
    pairs: list[tuple[int, int, float, float]] = []
    worst = np.zeros(solid.shape)
    twice = np.zeros(solid.shape, dtype=bool)
    for a in range(len(cameras)):
        for b in range(a + 1, len(cameras)):
            both = np.isfinite(logs[a]) & np.isfinite(logs[b])
            # only where the blend really mixes the two: far from there one of them rules anyway
            mixed = both & (np.minimum(weights[a], weights[b]) > 0.02 * np.maximum(weights[a], weights[b]))
            twice |= both
            if mixed.sum() < 30:
                continue
            step = logs[a][mixed] - logs[b][mixed]
            level = float(np.median(step))
            spread = float(np.sqrt(np.mean(np.clip(step - level, -1, 1) ** 2)))
            pairs.append((a, b, level, spread))
            # a ball shows its photographer, whom the other view's weight hides: no doubt comes of that
            shown = mixed if cameras[a].sees_back or cameras[b].sees_back else both
            step_map = np.where(shown, logs[a] - logs[b], 0.0)
            worst = np.maximum(worst, _smooth(np.abs(step_map), shown))
    doubtful = worst > DOUBTFUL
    powers = np.where(doubtful, 4.0, 1.0).astype(np.float32)
    powers = np.asarray(cv2.GaussianBlur(powers, (0, 0), 2.0, borderType=cv2.BORDER_REFLECT), dtype=np.float32)
    return Agreement(
        level_stops=max((abs(p[2]) for p in pairs), default=None),
        rms_stops=max((p[3] for p in pairs), default=None),
        overlap_share=float(solid[twice].sum() / (4 * np.pi)),
        doubtful=_worst_places(worst, doubtful, directions),
        doubtful_share=float(solid[doubtful].sum() / (4 * np.pi)),
        powers=powers,
        pairs=tuple(pairs),
        logs=tuple(logs),
        directions=directions,
    )


def _seen(camera: Camera, picture: NDArray[np.float32], directions: Doubles) -> tuple[Doubles, Doubles]:
    """log2 luminance (NaN where not shown) and blend weight."""
    theta, ux, uy = camera.angles(directions)
    r = np.interp(theta, camera.theta, camera.radius)
    x, y = camera.cx + r * ux, camera.cy + r * uy
    shown = (theta < camera.theta_max - 0.005) & (x >= 0) & (y >= 0)
    shown &= (x <= picture.shape[1] - 1) & (y <= picture.shape[0] - 1)
    light = cv2.remap(picture, x.astype(np.float32), y.astype(np.float32), cv2.INTER_LINEAR)
    response = np.interp(theta, camera.theta, camera.response @ LUMINANCE[0])
    with np.errstate(divide="ignore", invalid="ignore"):
        logs = np.log2(np.asarray(light, dtype=np.float64) / response)
    logs[~shown | ~np.isfinite(logs)] = np.nan
    weight = np.where(shown, blend.weight(camera, theta, ux, uy), 0.0)
    return logs, weight


def _smooth(values: Doubles, where: NDArray[np.bool_]) -> Doubles:
    size = (5, 5)
    total = cv2.blur(np.where(where, values, 0.0), size, borderType=cv2.BORDER_REFLECT)
    count = cv2.blur(where.astype(np.float64), size, borderType=cv2.BORDER_REFLECT)
    return np.where(where & (count > 0.3), np.asarray(total) / np.maximum(np.asarray(count), 1e-9), 0.0)


def _worst_places(
    worst: Doubles, doubtful: NDArray[np.bool_], directions: Doubles, most: int = 8
) -> tuple[tuple[tuple[float, float, float], float], ...]:
    count, labels = cv2.connectedComponents(doubtful.astype(np.uint8), connectivity=8)
    found: list[tuple[tuple[float, float, float], float]] = []
    labels = np.asarray(labels)
    for k in range(1, count):
        inside = labels == k
        if inside.sum() < 6:
            continue
        centre = (directions[inside] * worst[inside][:, None]).sum(axis=0)
        centre /= np.linalg.norm(centre)
        found.append(((float(centre[0]), float(centre[1]), float(centre[2])), float(worst[inside].max())))
    return tuple(sorted(found, key=lambda item: -item[1])[:most])
