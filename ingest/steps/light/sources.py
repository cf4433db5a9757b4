"""Where the light comes from: sources found in a lat-long, each measured above its surround.

A source is found on cells and measured on pixels.  From the brightest cell a region grows down to a
share of the source's *own* level (a threshold common to all would cut through a lamp); it stops early
where it spills into the surround.  Seam and poles are closed.  Energy, colour and size count what lies
above the median of the ring around the region; the direction is the energy's centroid, never the
brightest pixel.
"""

from __future__ import annotations

from collections.abc import Iterator

import cv2
import numpy as np
from numpy.typing import NDArray

from ingest.records.lights import Light
from ingest.steps.light.colour import chromaticity, temperature_k
from ingest.steps.light.flux import LUMINANCE, Cells
from ingest.steps.panorama.raster import Doubles, Floats, Layout

Mask = NDArray[np.bool_]
LARGEST_SR = 1.2  # a larger region is sky or wall, not a source
LEAST_SHARE = 0.004  # of the luminance integral
LEAST_CONTRAST = 3.0  # peak over the map's mean, and own level over its ring
_STEPS = 2.0 ** (-0.5 * np.arange(1, 15))  # of the peak: down to 0.8 %
_SMALL_PX = 12.0
_BAR_RAD = np.radians(0.8)  # bars across a window, or the gaps of a fixture, do not make several lights of one
_PANE = 0.35  # of the mean level of the region it belongs to


def find(picture: Floats, cells: Cells, *, clipped: Mask | None = None, most: int = 24) -> tuple[Light, ...]:
    """The sources of a lat-long (H, W, 3; linear, finite), largest irradiance first.

    ``clipped`` (H, W) marks pixels that hold only a lower bound: their source is told however little of it was
    held, and everything about its strength is "at least".
    """
    total = float((cells.flux @ LUMINANCE).sum())
    if total <= 0:
        return ()
    level = np.maximum(cells.radiance, 0.0)
    free = np.ones(level.shape, dtype=bool)
    found: list[Light] = []
    closed = _Closure(level.shape, cells.raster.layout)
    mean = total / (4 * np.pi)
    for region in _regions(level, cells.solid_angle, free, closed, mean, most):
        region = _above_ring(region, level, free, closed)
        lost = clipped is not None and bool(clipped[_pixels_of(cells, region)].any())
        light = _measured(picture, cells, region, free, closed, total, at_least=lost)
        free &= ~closed.grown(region, 2)
        if light is not None:
            found.append(light)
    found.sort(key=lambda light: -float(np.dot(light.irradiance_rgb, LUMINANCE)))
    return tuple(found)


def _regions(
    level: Doubles, solid: Doubles, free: Mask, closed: _Closure, mean: float, most: int
) -> Iterator[Mask]:
    """Regions from the brightest free cell down; ``free`` is shared with the caller, who takes them out."""
    for _ in range(most):
        left = np.where(free, level, -1.0)
        peak = np.unravel_index(int(np.argmax(left)), left.shape)
        if left[peak] < LEAST_CONTRAST * mean:
            return
        yield _grown_from((int(peak[0]), int(peak[1])), left, solid, closed)


def _grown_from(peak: tuple[int, int], level: Doubles, solid: Doubles, closed: _Closure) -> Mask:
    """The region around a peak at the lowest threshold before it spills out."""
    top = level[peak]
    region = closed.component(level >= top * 0.999, peak)
    size, pixels = 0.0, 0
    for share in _STEPS:
        wider = closed.component(level >= top * share, peak)
        grown, count = float(solid[wider].sum()), int(wider.sum())
        spilt = grown > LARGEST_SR or (pixels > 0 and count > 60 and grown > 3.0 * size and share < 0.5)
        if spilt:
            break
        region, size, pixels = wider, grown, count
    return _beyond_bars(region, level, solid, closed)


def _beyond_bars(region: Mask, level: Doubles, solid: Doubles, closed: _Closure) -> Mask:
    """The region with what is about as bright and lies beyond a thin bar, and so on from there."""
    panes = level >= _PANE * float(level[region].mean())
    while True:
        near = panes & closed.grown(region, closed.bar) & ~region
        if not near.any():
            return region
        wider = region.copy()
        while near.any():
            y, x = (int(v) for v in np.unravel_index(int(np.argmax(near)), near.shape))
            wider |= closed.component(panes, (y, x))
            near &= ~wider
        if float(solid[wider].sum()) > LARGEST_SR:
            return region
        region = wider


def _above_ring(region: Mask, level: Doubles, free: Mask, closed: _Closure) -> Mask:
    """The region without what belongs to its surround: levels the ring around it reaches too."""
    for _ in range(2):
        ring = _ring(region, free, closed)
        if not ring.any():
            return region
        around = float(np.median(level[ring]))
        spread = 1.4826 * float(np.median(np.abs(level[ring] - around)))
        inside = np.where(region, level, -1.0)
        peak = np.unravel_index(int(np.argmax(inside)), level.shape)
        least = around + max(0.01 * (float(level[peak]) - around), 4.0 * spread, 0.5 * around)
        if level[peak] <= least:
            return region
        left = inside >= least
        region = left & closed.component(closed.grown(left, closed.bar // 2), (int(peak[0]), int(peak[1])))
    return region


def _ring(region: Mask, free: Mask, closed: _Closure) -> Mask:
    radius = float(np.sqrt(region.sum() / np.pi))
    rim = closed.grown(region, 2)
    return np.asarray(closed.grown(rim, max(2, int(0.5 * radius))) & ~rim & free)


def _measured(
    picture: Floats, cells: Cells, region: Mask, free: Mask, closed: _Closure, total: float, *, at_least: bool
) -> Light | None:
    """The light of a region, from the pixels of its cells and their rim; None where it is none."""
    rim = closed.grown(region, 2) & (free | region)
    around = _surround(cells, _ring(region, free, closed))
    values, solid, towards = _pixels(picture, cells, rim)
    above = values - around
    luminance = above @ LUMINANCE
    energy = float((luminance * solid).sum())
    own = float(cells.radiance[region].max())
    if energy <= 0 or (
        not at_least and (energy < LEAST_SHARE * total or own < LEAST_CONTRAST * float(around @ LUMINANCE))
    ):
        return None
    centroid = (luminance * solid) @ towards
    direction = centroid / np.linalg.norm(centroid)
    facing = np.maximum(towards @ direction, 0.0)
    rgb = (above * (solid * facing)[:, None]).sum(axis=0)
    positive = np.maximum(luminance, 0.0)
    size = float((positive * solid).sum() ** 2 / (positive**2 * solid).sum())
    few = size / float(solid[np.argmax(luminance)]) < _SMALL_PX
    xy = chromaticity(rgb)
    return Light(
        direction=(float(direction[0]), float(direction[1]), float(direction[2])),
        irradiance_rgb=(float(rgb[0]), float(rgb[1]), float(rgb[2])),
        share=energy / total,
        solid_angle_sr=size,
        solid_angle_at_most=few,
        at_least=at_least,
        xy=xy,
        cct_k=None if xy is None else temperature_k(xy),
    )


def _surround(cells: Cells, ring: Mask) -> Doubles:
    """(3,) median radiance of the cells of a ring, black where there is no ring."""
    if not ring.any():
        return np.zeros(3)
    return np.asarray(np.median(cells.flux[ring] / cells.solid_angle[ring][:, None], axis=0))


def _pixels(picture: Floats, cells: Cells, chosen: Mask) -> tuple[Doubles, Doubles, Doubles]:
    """(n, 3) radiance, (n,) solid angle, (n, 3) direction of the pixels of the chosen cells."""
    raster = cells.raster
    rows, cols = _pixels_of(cells, chosen)
    lat, lon = raster.latitudes()[rows], raster.longitudes()[cols]
    solid = raster.row_weights()[rows] * raster.column_weights()[cols]
    towards = np.stack([np.sin(lon) * np.cos(lat), np.sin(lat), np.cos(lon) * np.cos(lat)], axis=1)
    return picture[rows, cols].astype(np.float64), solid, towards


def _pixels_of(cells: Cells, chosen: Mask) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Rows and columns of the pixels of the chosen cells."""
    by, bx = cells.block
    cy, cx = np.nonzero(chosen)
    rows = (cy[:, None, None] * by + np.arange(by)[None, :, None]) + np.zeros((1, 1, bx), dtype=np.int64)
    cols = (cx[:, None, None] * bx + np.arange(bx)[None, None, :]) + np.zeros((1, by, 1), dtype=np.int64)
    rows, cols = rows.ravel(), cols.ravel()
    inside = (rows < cells.raster.height) & (cols < cells.raster.width)
    return rows[inside], cols[inside]


class _Closure:
    """Neighbourhood on the sphere for maps of cells: the seam and both poles are closed."""

    def __init__(self, shape: tuple[int, ...], layout: Layout) -> None:
        self.height, self.width = int(shape[0]), int(shape[1])
        self.layout = layout
        self.bar = 1 + round(_BAR_RAD * self.width / (2 * np.pi))  # cells to what lies behind the widest one

    def component(self, mask: Mask, peak: tuple[int, int]) -> Mask:
        """The connected part of ``mask`` that holds ``peak``."""
        count, found = cv2.connectedComponents(mask.astype(np.uint8), connectivity=8)
        labels = np.asarray(found, dtype=np.int32)
        if count <= 2:
            return np.asarray(labels > 0)
        wanted = {int(labels[peak])}
        pairs = self._joins(labels)
        while True:
            more = {b for a, b in pairs if a in wanted} | {a for a, b in pairs if b in wanted}
            if more <= wanted:
                break
            wanted |= more
        if len(wanted) == 1:
            return np.asarray(labels == wanted.pop())
        table = np.zeros(count, dtype=bool)
        table[list(wanted)] = True
        return np.asarray(table[labels])

    def _joins(self, labels: NDArray[np.int32]) -> set[tuple[int, int]]:
        half = self.width // 2
        left, right = labels[:, 0], labels[:, -1]
        edges = [(left, right), (left[1:], right[:-1]), (left[:-1], right[1:])]
        for row in (labels[0], labels[-1]):
            edges.append((row, np.roll(row, half)))
        pairs: set[tuple[int, int]] = set()
        for a, b in edges:
            both = (a > 0) & (b > 0) & (a != b)
            pairs.update(zip(a[both].tolist(), b[both].tolist(), strict=True))
        return pairs

    def grown(self, mask: Mask, cells: int) -> Mask:
        """``mask`` and what lies within about ``cells`` cell widths of it, as the horizon counts them.

        Towards the poles the reach in longitude widens with 1 / cos(latitude).
        """
        pitch = 2 * np.pi / self.width
        rows = np.nonzero(mask.any(axis=1))[0]
        if not len(rows) or cells < 1:
            return mask
        low, high = max(0, rows[0] - cells), min(self.height, rows[-1] + cells + 1)
        out = np.zeros_like(mask)
        over = rows[0] - cells < 0 or rows[-1] + cells >= self.height
        lat = np.pi / 2 - (np.arange(self.height) + 0.5) * np.pi / self.height
        kernel = np.ones((2 * cells + 1, 1), dtype=np.uint8)
        tall = cv2.dilate(mask.astype(np.uint8), kernel)
        for row in range(low, high):
            reach = int(np.ceil(cells * pitch / max(np.cos(lat[row]), 1e-3) / pitch))
            line = tall[row]
            if 2 * reach + 1 >= self.width:
                out[row] = line.any()
                continue
            around = np.concatenate([line[-reach:], line, line[:reach]])
            sums = np.cumsum(np.concatenate([[0], around]))
            out[row] = sums[2 * reach + 1 :] - sums[: -2 * reach - 1] > 0
        if over:
            for edge in (0, self.height - 1):
                if out[edge].any():
                    out[edge] = True
        return out

