"""Whether a lat-long stands level, from its own straight lines.

What is vertical in the world lies on great circles through the zenith: the normal of the circle through an edge (a unit
vector across the edge) is then at right angles to up.  Up is where most edges agree, sought around the picture's own
+Y, then fitted.  What looks like the horizon is left out: roofs and the feet of walls stand above and below it.  A
place without walls or posts says nothing, and nothing is said of it.

The threshold and the spread were measured on scenes of known tilt (``tests/bench/light.py tilt``).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from ingest.records.findings import finding
from ingest.steps.panorama.raster import Doubles, Floats, Raster

SEARCH_DEG = 14.0
TILT_DEG = 3.0  # from here on a person is told
SURE = 6.0  # by so many standard deviations the agreement must stand above chance
MOST_DEG, LEAST_LINES = 10.0, 250  # growth and cloud agreed by chance farther off, and in 48 to 131 edges
_SIGMA_DEG = 1.0  # what the estimate was off by on scenes of known tilt, whatever its own fit said
_WIDTH = 512
_VOTE_DEG, _STEP_DEG = 0.8, 1.0
_EDGE = 0.10  # natural log a pixel: fainter edges are texture and noise
_REACH, _AGREE, _PAD = 2.5, 0.9, 10  # pixels; share of a neighbourhood's slopes that point one way
_MOST = 16000
_STEEP = np.cos(np.radians(72.0))  # rows nearer to a pole are left out: their pixels are slivers


@dataclass(frozen=True, kw_only=True, slots=True)
class Level:
    """``up`` (x, y, z) the world's up as the picture's lines show it, ``tilt_deg`` its angle from +Y with standard
    deviation ``sigma_deg``, ``errors`` by how much the agreement stands above chance, ``lines`` how many edges agree.
    """

    up: tuple[float, float, float]
    tilt_deg: float
    sigma_deg: float
    errors: float
    lines: int

    @property
    def sure(self) -> bool:
        return self.errors >= SURE and self.tilt_deg <= MOST_DEG and self.lines >= LEAST_LINES


def find(luminance: Floats, raster: Raster) -> Level | None:
    """The level of a lat-long's luminance (h, w; linear, about 512 wide or more); None where it has too few edges."""
    step = max(1, raster.width // _WIDTH)
    if step > 1:
        size = (raster.width // step, raster.height // step)
        luminance = np.asarray(cv2.resize(np.asarray(luminance, np.float32), size, interpolation=cv2.INTER_AREA))
        raster = Raster(height=size[1], width=size[0], layout=raster.layout)
    across, weight = _edges(np.asarray(luminance, np.float32), raster)
    if len(across) < 60:
        return None
    grid = _grid()
    steep = np.abs(across[:, 1]) < np.sin(np.radians(SEARCH_DEG + 6))
    votes, chance, spread = _votes(across[steep], weight[steep], grid)
    score = (votes - chance) / np.sqrt(spread**2 + 1e-12)
    best = int(np.argmax(score))
    up = _fitted(grid[best], across[steep], weight[steep])
    if up is None:
        return None
    found, sigma, lines = up
    tilt = float(np.degrees(np.arccos(np.clip(found[1], -1, 1))))
    return Level(up=(float(found[0]), float(found[1]), float(found[2])), tilt_deg=tilt,
                 sigma_deg=float(np.hypot(sigma, _SIGMA_DEG)), errors=float(score[best]), lines=lines)


def _edges(light: NDArray[np.float32], raster: Raster) -> tuple[Doubles, Doubles]:
    """(n, 3) unit vectors across the edges, (n,) how much each counts."""
    lit = light[light > 0]
    floor = 0.05 * float(np.median(lit)) if lit.size else 1e-6
    level = np.log(np.maximum(light, 0) + max(floor, 1e-9)).astype(np.float32)
    wide = cv2.GaussianBlur(_wrapped(level), (0, 0), 1.0)
    gx = np.asarray(cv2.Scharr(wide, cv2.CV_32F, 1, 0) / 32)[:, _PAD:-_PAD]
    gy = np.asarray(cv2.Scharr(wide, cv2.CV_32F, 0, 1) / 32)[:, _PAD:-_PAD]
    d = raster.directions()
    cosine = np.cos(raster.latitudes())[:, None]
    # to the right the longitude falls, downwards the latitude: a step of a pixel is pitch cos(lat) to the side
    east, north = -gx / np.maximum(cosine, 1e-3), -gy
    size = np.hypot(east, north)
    # one pixel's slope tells a line's direction to 2 degrees; a neighbourhood that agrees tells it far better
    ee, nn, en = (_around(v * size) for v in (east * east, north * north, east * north))
    agree = np.hypot(ee - nn, 2 * en) / np.maximum(ee + nn, 1e-12)
    turn = 0.5 * np.arctan2(2 * en, ee - nn)
    use = (size > _EDGE) & (cosine > _STEEP) & (agree > _AGREE)
    use[:2] = use[-2:] = False
    at = np.flatnonzero(use.ravel())
    if len(at) > _MOST:
        at = at[:: -(-len(at) // _MOST)]
    towards = d.reshape(-1, 3)[at]
    lon = np.arctan2(towards[:, 0], towards[:, 2])
    lat = np.arcsin(np.clip(towards[:, 1], -1, 1))
    to_east = np.stack([np.cos(lon), 0 * lon, -np.sin(lon)], axis=1)
    to_north = np.stack([-np.sin(lon) * np.sin(lat), np.cos(lat), -np.cos(lon) * np.sin(lat)], axis=1)
    e, n = np.cos(turn.ravel()[at]), np.sin(turn.ravel()[at])
    across = e[:, None] * to_east + n[:, None] * to_north
    area = np.broadcast_to(cosine, size.shape).ravel()[at]
    return across, np.minimum(size.ravel()[at], 0.5) * area


def _wrapped(field: NDArray[Any]) -> NDArray[Any]:
    return np.concatenate([field[:, -_PAD:], field, field[:, :_PAD]], axis=1)


def _around(field: NDArray[Any]) -> NDArray[Any]:
    return np.asarray(cv2.GaussianBlur(_wrapped(np.asarray(field, np.float32)), (0, 0), _REACH)[:, _PAD:-_PAD])


def _grid() -> Doubles:
    """Unit vectors within ``SEARCH_DEG`` of +Y, about ``_STEP_DEG`` apart."""
    line = np.radians(np.arange(-SEARCH_DEG, SEARCH_DEG + 0.01, _STEP_DEG))
    x, z = (a.ravel() for a in np.meshgrid(line, line))
    inside = np.hypot(x, z) <= np.radians(SEARCH_DEG)
    v = np.stack([np.tan(x[inside]), np.ones(int(inside.sum())), np.tan(z[inside])], axis=1)
    return np.asarray(v / np.linalg.norm(v, axis=1, keepdims=True))


def _votes(normals: Doubles, weight: Doubles, grid: Doubles) -> tuple[Doubles, Doubles, float]:
    """What votes for each candidate (its normals lie at right angles to it), what chance gives there (a smooth course
    over the candidates), and how chance scatters."""
    if len(normals) < 20:
        none = np.zeros(len(grid))
        return none, none, 0.0
    spread = np.sin(np.radians(_VOTE_DEG))
    votes = np.concatenate([
        (weight * np.exp(-0.5 * ((part @ normals.T) / spread) ** 2)).sum(axis=1) for part in np.array_split(grid, 40)
    ])
    x, z = grid[:, 0], grid[:, 2]
    smooth = np.stack([np.ones_like(x), x, z, x * x, x * z, z * z], axis=1)
    trust = np.ones(len(grid))
    for _ in range(5):
        solved = np.linalg.lstsq(smooth * trust[:, None], votes * trust, rcond=None)[0]
        left = votes - smooth @ solved
        scale = max(1.4826 * float(np.median(np.abs(left))), 1e-12)
        trust = np.sqrt(1 / (1 + (np.maximum(left, 0) / (1.5 * scale)) ** 2))
    return votes, np.asarray(smooth @ solved), scale


def _fitted(start: Doubles, normals: Doubles, weight: Doubles) -> tuple[Doubles, float, int] | None:
    """Up, its standard deviation in degrees and how many edges agree, by least squares with a heavy tail."""
    up = start
    tail = np.radians(1.2)
    matrix, w, off = np.eye(3), weight, normals @ up
    for _ in range(12):
        off = normals @ up
        w = weight / (1 + (off / tail) ** 2) ** 2
        matrix = (normals * w[:, None]).T @ normals
        side = np.linalg.svd(up[None])[2][1:]  # two axes across up
        small = side @ matrix @ side.T
        if np.linalg.eigvalsh(small)[0] < 1e-6 * max(1e-12, float(w.sum())):
            return None
        change = -np.linalg.solve(small, side @ matrix @ up)
        up = up + change @ side
        up = up / np.linalg.norm(up)
        tail = max(np.radians(0.5), tail * 0.8)
        if up[1] < np.cos(np.radians(SEARCH_DEG + 6)):
            return None
    agree = np.abs(off) < np.radians(1.0)
    lines = int(agree.sum())
    if lines < 40:
        return None
    side = np.linalg.svd(up[None])[2][1:]
    spread = float((w * off**2).sum() / max(1e-12, w.sum()))
    # pixels of one line err together: about twenty of them tell as much as one
    covariance = np.linalg.inv(side @ matrix @ side.T) * spread * float((w**2).sum() / max(1e-12, w.sum())) * 20
    return up, float(np.degrees(np.sqrt(np.linalg.eigvalsh(covariance)[-1]))), lines


def judge(level: Level | None) -> list[dict[str, Any]]:
    """The finding, where the picture leans for sure."""
    if level is None or not level.sure or level.tilt_deg < TILT_DEG:
        return []
    over = (level.tilt_deg - TILT_DEG) / level.sigma_deg
    return [finding(
        "tilt", "person",
        f"The horizon leans by {level.tilt_deg:.1f} degrees (+-{level.sigma_deg:.1f}), by {level.lines} edges that"
        " should stand upright.",
        "Level it when it is used (`nightloader panorama --pitch, --roll`), and level the head for the next probe.",
        confidence=round(1 - 0.1 * float(np.exp(-over)), 3), direction=level.up, amount=level.tilt_deg, unit="degrees",
    )]
