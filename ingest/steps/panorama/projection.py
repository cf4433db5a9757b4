"""From linear pictures to one lat-long that keeps the energy of a small sun.

Two ways meet in one picture.  What a strong source has above a ceiling is cut out of the picture and
dropped, frame pixel by frame pixel (radiance times its own solid angle, in 8 x 8 parts), into the
output pixels it lands on: its total is kept whatever the phase.  The rest is mild and is looked up with
a cubic, averaged over parts of equal solid angle where the output is the coarser one.

Pictures are added one view at a time, so that memory holds one of them beside the result.  Output is the
``CORNERS`` raster; what no camera shows is 0 with coverage 0.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from ingest.steps.panorama import blend
from ingest.steps.panorama.cameras import Camera, Equirect
from ingest.steps.panorama.raster import Doubles, Floats, Layout, Raster

Single = NDArray[np.float32]
LUMINANCE = np.array([0.212639, 0.715169, 0.072192], dtype=np.float32)
CEILING = 8.0  # times the 99th percentile of the luminance shown
_CUT = 8  # parts of a frame pixel, each way
_ROWS = 64
_PAD = 4
_REACH = 3  # pixels round a strong one that a cubic there would touch
_WIDE = 1024
_PIECE = 4096


@dataclass(frozen=True, kw_only=True, slots=True)
class Projected:
    """``rgb`` (H, W, 3) linear, ``coverage`` (H, W) how many lenses show each direction (0: none),
    ``strong_share`` the part of the light that was dropped rather than looked up, ``clipped`` (H, W) where a view's
    frames all clip (None: no view said)."""

    rgb: Single
    coverage: Single
    strong_share: float
    clipped: NDArray[np.bool_] | None = None


class Projector:
    """Collects views into one lat-long of ``raster`` (``CORNERS``).

    ``cameras`` are all cameras of all views: a weight needs to know every other.  ``powers`` (h, w) is a
    coarse lat-long of exponents for the weights (1 where the pictures agree), None for 1 everywhere.
    """

    def __init__(
        self, raster: Raster, cameras: Sequence[Camera | Equirect], *, powers: Floats | None = None,
        parts: int | None = None, rows: int = _ROWS,
    ) -> None:  # fmt: skip
        self.raster = raster
        self.cameras = tuple(cameras)
        self.powers = powers
        self._parts = parts
        self._rows = rows
        shape = (raster.height, raster.width)
        self._sum = np.zeros((*shape, 3), dtype=np.float32)
        self._weight = np.zeros(shape, dtype=np.float32)
        self.coverage = np.zeros(shape, dtype=np.float32)
        self._dropped: list[tuple[NDArray[np.int64], Doubles]] = []
        self._strong = 0.0
        self._clipped: NDArray[np.bool_] | None = None

    def add(
        self, view: int, picture: Single, *, sigma: Floats | None = None, clipped: NDArray[np.bool_] | None = None
    ) -> None:
        """Add a view's picture (h, w, 3; linear, finite).  ``sigma`` (h, w) is its relative noise: a
        noisier picture counts less where another shows the same.  ``clipped`` (h, w): all its frames clip there."""
        mine = [c for c in self.cameras if c.view == view]
        picture = np.ascontiguousarray(picture, dtype=np.float32)
        ceiling = _ceiling(picture, mine)
        mild, strong = _split(picture, ceiling)
        lowest = min(0.0, float(picture.min()))
        beside = None if strong is None else _beside(strong, (picture.shape[0], picture.shape[1]))
        trust = None if sigma is None else _trust(sigma)
        for camera in mine:
            if strong is not None:
                self._drop(camera, picture, strong, ceiling)
            self._look_up(camera, mild, trust, lowest, beside)
            if clipped is not None:
                self._mark(camera, clipped)

    def finish(self) -> Projected:
        """The result; nothing may be added after."""
        seen = self._weight > 0
        weight = np.where(seen, self._weight, 1.0)
        rgb = self._sum
        rgb /= weight[..., None]
        rgb[~seen] = 0.0
        self._close(rgb)
        if self._dropped:
            self._deposit(rgb)
        self._close(self.coverage)
        rgb[self.coverage <= 0] = 0.0
        whole = float((rgb @ LUMINANCE * self.raster.solid_angles()).sum())
        return Projected(rgb=rgb, coverage=self.coverage, strong_share=self._strong / whole if whole > 0 else 0.0,
                         clipped=self._clipped)

    def _close(self, picture: Single) -> None:
        """Pole rows are one value, the last column is the first."""
        picture[:, -1] = picture[:, 0]
        picture[0] = picture[0, :-1].mean(axis=0)
        picture[-1] = picture[-1, :-1].mean(axis=0)

    # -- the mild part ------------------------------------------------------------------------------

    def _look_up(
        self, camera: Camera | Equirect, mild: Single, trust: Single | None, lowest: float,
        beside: NDArray[np.uint8] | None,
    ) -> None:
        size = mild.shape[:2]
        pad = _PAD if isinstance(camera, Equirect) else 0
        if isinstance(camera, Equirect):
            mild, trust = _wrapped(mild, camera), None if trust is None else _wrapped(trust, camera)
            beside = None if beside is None else _wrapped(beside, camera)
        parts = self._parts or max(1, int(np.ceil(self.raster.pitch_rad * camera.pixels_per_radian - 0.3)))
        lons = _sub_longitudes(self.raster, parts)
        lats = _sub_latitudes(self.raster, parts)
        for top in range(0, self.raster.height, self._rows):
            rows = slice(top, min(self.raster.height, top + self._rows))
            power = self._powers(rows)
            for i in range(parts):
                for j in range(parts):
                    found = _shown(camera, lats[i, rows], lons[j], size)
                    if found is None:
                        continue
                    flat, x, y, weight, response = found
                    light = _remap(mild, x + pad, y + pad)
                    np.maximum(light, lowest, out=light)
                    if beside is not None:
                        _level_beside(light, mild, beside, x + pad, y + pad)
                    if response is not None:
                        light /= response
                    if power is not None:
                        weight = weight ** power.ravel()[flat]
                    if trust is not None:
                        weight = weight * _remap(trust, x + pad, y + pad, cv2.INTER_LINEAR)
                    single = weight.astype(np.float32)
                    _add_rows(self._sum[rows], flat, light * single[:, None])
                    _add_rows(self._weight[rows], flat, single)
                    if i == parts // 2 and j == parts // 2:
                        _add_rows(self.coverage[rows], flat, np.ones(len(flat), dtype=np.float32))

    def _powers(self, rows: slice) -> Single | None:
        if self.powers is None:
            return None
        h, w = self.powers.shape
        r = np.arange(rows.start, rows.stop) * h // self.raster.height
        c = np.arange(self.raster.width) * w // self.raster.width
        return np.asarray(self.powers[r][:, c], dtype=np.float32)

    # -- the strong part ----------------------------------------------------------------------------

    def _drop(self, camera: Camera | Equirect, picture: Single, strong: NDArray[np.intp], ceiling: float) -> None:
        """Excess energy of the strong pixels, where it lands (flat output index) and how much (rgb x sr)."""
        ys, xs = np.unravel_index(strong, picture.shape[:2])
        if isinstance(camera, Camera):
            theta = np.interp(np.hypot(xs - camera.cx, ys - camera.cy), camera.radius, camera.theta)
            inside = np.hypot(xs - camera.cx, ys - camera.cy) < camera.radius[-1]
            ys, xs, theta = ys[inside], xs[inside], theta[inside]
        elif camera.raster.layout is Layout.CORNERS:
            ys, xs = ys[xs < camera.raster.width - 1], xs[xs < camera.raster.width - 1]  # the last column repeats
        steps = (np.arange(_CUT) + 0.5) / _CUT - 0.5
        oy, ox = (a.ravel() for a in np.meshgrid(steps, steps, indexing="ij"))
        for start in range(0, len(ys), _PIECE):
            part = slice(start, start + _PIECE)
            pixel = picture[ys[part], xs[part]].astype(np.float64)
            level = pixel @ LUMINANCE
            excess = pixel * (1 - ceiling / level)[:, None]
            x, y = xs[part, None] + ox, ys[part, None] + oy
            if isinstance(camera, Camera):
                directions, fine = camera.directions(x, y)
                solid = camera.solid_angle(fine)
                response = _response(camera, theta[part])
                excess = excess / (1.0 if response is None else response)
            else:
                directions, solid = camera.directions(x, y), _equirect_solid(camera, ys[part])[:, None] + 0 * x
            share = self._share(camera, directions)
            self._strong += float(((excess @ LUMINANCE)[:, None] * solid * share).sum()) / _CUT**2
            energy = excess[:, None, :] * (solid * share / _CUT**2)[..., None]
            self._dropped.append(_landed(self.raster, directions.reshape(-1, 3), energy.reshape(-1, 3)))

    def _mark(self, camera: Camera | Equirect, clipped: NDArray[np.bool_]) -> None:
        """The output pixels on which clipped ones land, in 3 x 3 parts each; the widest pixels are the frame's."""
        if self._clipped is None:
            self._clipped = np.zeros((self.raster.height, self.raster.width), dtype=bool)
        ys, xs = np.nonzero(clipped)
        if isinstance(camera, Camera):
            shown = np.hypot(xs - camera.cx, ys - camera.cy) < camera.radius[-1]
            ys, xs = ys[shown], xs[shown]
        steps = np.array([-0.34, 0.0, 0.34])
        oy, ox = (a.ravel() for a in np.meshgrid(steps, steps, indexing="ij"))
        for start in range(0, len(ys), _PIECE * 8):
            part = slice(start, start + _PIECE * 8)
            towards, _ = camera.directions(xs[part, None] + ox, ys[part, None] + oy)
            x, y = self.raster.pixels(np.asarray(towards).reshape(-1, 3))
            rows = np.clip(np.rint(y).astype(np.int64), 0, self.raster.height - 1)
            self._clipped[rows, np.mod(np.rint(x).astype(np.int64), self.raster.period)] = True
        self._clipped[:, -1] = self._clipped[:, 0]

    def _share(self, camera: Camera | Equirect, directions: Doubles) -> Doubles:
        """The camera's part of all weights in these directions."""
        mine = np.zeros(directions.shape[:-1])
        total = np.zeros(directions.shape[:-1])
        for other in self.cameras:
            if isinstance(other, Equirect):
                weight = np.ones(total.shape)
            else:
                theta, ux, uy = other.angles(directions)
                weight = np.where(theta <= other.theta_max, blend.weight(other, theta, ux, uy), 0.0)
            if self.powers is not None:
                h, w = self.powers.shape
                x, y = self.raster.pixels(directions)
                row = np.clip((y * h / self.raster.height).astype(int), 0, h - 1)
                weight = weight ** self.powers[row, np.clip((x * w / self.raster.width).astype(int), 0, w - 1)]
            total += weight
            if other is camera:
                mine = weight
        return np.asarray(mine / np.maximum(total, 1e-300))

    def _deposit(self, rgb: Single) -> None:
        """Energy over solid angle; the seam's two half columns are one, a pole row is one cap."""
        raster = self.raster
        where = np.concatenate([index for index, _ in self._dropped])
        energy = np.concatenate([e for _, e in self._dropped])
        places, back = np.unique(where, return_inverse=True)
        sums = np.stack([np.bincount(back, weights=energy[:, c], minlength=len(places)) for c in range(3)], axis=1)
        rows, cols = np.divmod(places, raster.width)
        weights = raster.row_weights()
        for pole in (0, raster.height - 1):
            at = rows == pole
            if at.any():
                rgb[pole] += (sums[at].sum(axis=0) / (weights[pole] * 2 * np.pi)).astype(np.float32)
        plain = (rows > 0) & (rows < raster.height - 1)
        rows, cols, sums = rows[plain], cols[plain], sums[plain]
        rgb[rows, cols] += (sums / (weights[rows] * raster.pitch_rad)[:, None]).astype(np.float32)
        rgb[:, -1] = rgb[:, 0]


def _landed(raster: Raster, directions: Doubles, energy: Doubles) -> tuple[NDArray[np.int64], Doubles]:
    """Each parcel shared between the four output pixels round it."""
    x, y = raster.pixels(directions)
    x0, y0 = np.floor(x).astype(np.int64), np.clip(np.floor(y).astype(np.int64), 0, raster.height - 2)
    fx, fy = x - x0, y - y0
    places, parts = [], []
    for dy, wy in ((0, 1 - fy), (1, fy)):
        for dx, wx in ((0, 1 - fx), (1, fx)):
            places.append((y0 + dy) * raster.width + np.mod(x0 + dx, raster.period))
            parts.append(energy * (wx * wy)[:, None])
    where, back = np.unique(np.concatenate(places), return_inverse=True)
    total = np.concatenate(parts)
    sums = [np.bincount(back, weights=total[:, c], minlength=len(where)) for c in range(3)]
    return where, np.stack(sums, axis=1)


def _shown(
    camera: Camera | Equirect, lat: Doubles, lon: Doubles, size: tuple[int, ...]
) -> tuple[NDArray[np.intp], Single, Single, Floats, Single | None] | None:
    """(flat tile index, x, y, weight, response) of the directions of a tile that the camera shows."""
    m = camera.from_world
    sin_lon, cos_lon = np.sin(lon), np.cos(lon)
    sin_lat, cos_lat = np.sin(lat).astype(np.float32)[:, None], np.cos(lat).astype(np.float32)[:, None]
    axes = [(m[i, 0] * sin_lon + m[i, 2] * cos_lon).astype(np.float32) for i in range(3)]
    cz = cos_lat * axes[2] + np.float32(m[2, 1]) * sin_lat
    if isinstance(camera, Equirect):
        cx, cy = (cos_lat * axes[i] + np.float32(m[i, 1]) * sin_lat for i in (0, 1))
        x, y = camera.raster.pixels(np.stack([cx, cy, cz], axis=-1).astype(np.float64))
        flat = np.arange(x.size)
        return flat, x.ravel().astype(np.float32), y.ravel().astype(np.float32), np.ones(x.size, np.float32), None
    front = -cz if camera.sees_back else cz
    flat = np.flatnonzero(front.ravel() > np.cos(camera.theta_max))
    if not len(flat):
        return None
    cx, cy = ((cos_lat * axes[i] + np.float32(m[i, 1]) * sin_lat).ravel()[flat] for i in (0, 1))
    theta, ux, uy = camera.from_axes(cx, cy, cz.ravel()[flat])
    r = np.interp(theta, camera.theta, camera.radius)
    x, y = camera.cx + r * ux, camera.cy + r * uy
    inside = (x >= 0) & (x <= size[1] - 1) & (y >= 0) & (y <= size[0] - 1)
    if not inside.all():
        flat, theta = flat[inside], theta[inside]
        x, y, ux, uy = (a[inside] for a in (x, y, ux, uy))
        if not len(flat):
            return None
    weight = blend.weight(camera, theta, ux, uy)
    return flat, x.astype(np.float32), y.astype(np.float32), weight, _response(camera, theta)


def _response(camera: Camera, theta: Floats) -> Single | None:
    table = camera.response
    if np.all(table == 1.0):
        return None
    if np.array_equal(table[:, 0], table[:, 1]) and np.array_equal(table[:, 0], table[:, 2]):
        return np.interp(theta, camera.theta, table[:, 0]).astype(np.float32)[:, None]
    return np.stack([np.interp(theta, camera.theta, table[:, c]) for c in range(3)], axis=1).astype(np.float32)


def _remap(picture: NDArray[Any], x: Single, y: Single, how: int = cv2.INTER_CUBIC) -> Single:
    """Look-up at n points: (n, 3) or (n,).  In rows, since the library bounds each side."""
    n = len(x)
    tall = -(-n // _WIDE)
    grid = [np.resize(a.astype(np.float32), (tall, _WIDE)) for a in (x, y)]
    out = cv2.remap(picture, grid[0], grid[1], how, borderMode=cv2.BORDER_REPLICATE)
    return np.asarray(out.reshape(tall * _WIDE, *picture.shape[2:])[:n], dtype=np.float32)


def _level_beside(light: Single, mild: Single, beside: NDArray[np.uint8], x: Single, y: Single) -> None:
    """Beside a strong source look up linearly: what the cubic undershoots there would be a black ring round it."""
    near = np.flatnonzero(_remap(beside, x, y, cv2.INTER_NEAREST))
    if len(near):
        light[near] = _remap(mild, x[near], y[near], cv2.INTER_LINEAR)


def _beside(strong: NDArray[np.intp], shape: tuple[int, int]) -> NDArray[np.uint8]:
    """Where a cubic's 4 x 4 pixels hold a strong one."""
    mask = np.zeros(shape, np.uint8)
    mask.ravel()[strong] = 1
    return np.asarray(cv2.dilate(mask, np.ones((2 * _REACH + 1, 2 * _REACH + 1), np.uint8)), np.uint8)


def _add_rows(target: Single, flat: NDArray[np.intp], values: Single) -> None:
    """target.flat[index] += values for distinct indices; ``target`` is a whole-row slice."""
    view = target.reshape(target.shape[0] * target.shape[1], *target.shape[2:])
    view[flat] += values


def _sub_latitudes(raster: Raster, parts: int) -> Doubles:
    """(parts, height) latitudes that cut each row into bands of equal solid angle."""
    lat = raster.latitudes()
    if parts == 1:
        return lat[None]
    edges = np.sin(np.concatenate([[np.pi / 2], (lat[:-1] + lat[1:]) / 2, [-np.pi / 2]]))
    t = (np.arange(parts)[:, None] + 0.5) / parts
    return np.asarray(np.arcsin(np.clip(edges[:-1] + t * np.diff(edges), -1, 1)))


def _sub_longitudes(raster: Raster, parts: int) -> Doubles:
    """(parts, width) longitudes that cut each column into equal parts."""
    t = (np.arange(parts)[:, None] + 0.5) / parts - 0.5
    return np.asarray(raster.longitudes() - t * raster.pitch_rad)


def _ceiling(picture: Single, cameras: Sequence[Camera | Equirect]) -> float:
    step = max(1, int(np.sqrt(picture.shape[0] * picture.shape[1] / 400_000)))
    thin = picture[::step, ::step] @ LUMINANCE
    ys, xs = np.mgrid[0 : picture.shape[0] : step, 0 : picture.shape[1] : step]
    shown = np.zeros(thin.shape, dtype=bool)
    for camera in cameras:
        if isinstance(camera, Equirect):
            shown[:] = True
        else:
            shown |= np.hypot(xs - camera.cx, ys - camera.cy) < camera.radius[-1]
    values = thin[shown]
    return CEILING * float(np.percentile(values, 99)) if values.size else np.inf


def _split(picture: Single, ceiling: float) -> tuple[Single, NDArray[np.intp] | None]:
    """The picture cut at the ceiling with its colours kept, and the flat indices of what was cut."""
    if not np.isfinite(ceiling) or ceiling <= 0:
        return picture, None
    level = cv2.transform(picture, LUMINANCE[None])
    strong = np.flatnonzero(np.asarray(level).ravel() > ceiling)
    if not len(strong):
        return picture, None
    mild = picture.copy()
    flat = mild.reshape(-1, 3)
    flat[strong] *= (ceiling / (flat[strong] @ LUMINANCE))[:, None]
    return mild, strong


def _trust(sigma: Floats) -> Single:
    """Inverse variance with a floor of 1 %: below that, matching errors rule, not noise."""
    noise = np.nan_to_num(np.asarray(sigma, dtype=np.float32), nan=1.0, posinf=1.0)
    return np.asarray(1.0 / (1.0 + (noise / 0.01) ** 2), dtype=np.float32) + np.float32(1e-4)


def _wrapped(picture: NDArray[Any], camera: Equirect) -> NDArray[Any]:
    """A lat-long with a margin that continues it over seam and poles."""
    raster = camera.raster
    period = raster.period
    cols = np.mod(np.arange(-_PAD, raster.width + _PAD), period)
    half = period // 2
    corners = raster.layout is Layout.CORNERS
    rows: list[NDArray[Any]] = []
    for r in range(-_PAD, raster.height + _PAD):
        if 0 <= r < raster.height:
            rows.append(picture[r, cols])
            continue
        mirrored = (-r if corners else -r - 1) if r < 0 else 2 * raster.height - (2 if corners else 1) - r
        rows.append(picture[mirrored, np.mod(cols + half, period)])
    return np.ascontiguousarray(np.stack(rows))


def _equirect_solid(camera: Equirect, rows: NDArray[np.intp]) -> Doubles:
    """sr of the pixels of these rows; the seam's repeated column of ``CORNERS`` counts half each."""
    return np.asarray(camera.raster.row_weights()[rows] * camera.raster.pitch_rad)
