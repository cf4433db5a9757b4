"""The lat-long raster: which direction each pixel looks in, and how much of the sphere it covers.

World axes: +Y up, +Z at the picture's centre, +X a quarter from the left (longitude falls to the right).
Two conventions are met, half a pixel apart; every function here takes which one as a :class:`Raster`:

* ``CORNERS``: the centres of the corner pixels lie on pole and seam, the first column repeats as the
  last, each pole row is one direction, the period is W-1 (OpenEXR, ``ImfEnvmap.h``).  Nightloader writes this.
* ``CENTRES``: pixel centres lie half a pixel inside, the period is W (cameras, most renderers).

Copying one as the other turns the picture by up to half a pixel.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ingest.records import rasters

Floats = NDArray[np.floating[Any]]
Doubles = NDArray[np.float64]


class Layout(StrEnum):
    """Where the pixel centres lie."""

    CORNERS = rasters.ON_EDGES
    CENTRES = rasters.INSIDE


@dataclass(frozen=True, kw_only=True, slots=True)
class Raster:
    """A lat-long raster of ``height`` rows and ``width`` columns (2:1 for a whole sphere)."""

    height: int
    width: int
    layout: Layout = Layout.CORNERS

    def __post_init__(self) -> None:
        if self.height < 2 or self.width < 2:
            raise ValueError(f"a lat-long of {self.width}x{self.height} has no directions")

    @property
    def period(self) -> int:
        """Columns in a full turn."""
        return self.width - 1 if self.layout is Layout.CORNERS else self.width

    @property
    def pitch_rad(self) -> float:
        """Width of a pixel at the horizon, radians."""
        return 2 * np.pi / self.period

    def latitudes(self) -> Doubles:
        """(height,) radians, from +pi/2 down."""
        rows = np.arange(self.height, dtype=np.float64)
        if self.layout is Layout.CORNERS:
            return np.pi / 2 - np.pi * rows / (self.height - 1)
        return np.pi / 2 - np.pi * (rows + 0.5) / self.height

    def longitudes(self) -> Doubles:
        """(width,) radians, from +pi down."""
        cols = np.arange(self.width, dtype=np.float64)
        if self.layout is Layout.CORNERS:
            return np.pi - 2 * np.pi * cols / (self.width - 1)
        return np.pi - 2 * np.pi * (cols + 0.5) / self.width

    def row_weights(self) -> Doubles:
        """(height,) integral of cos(latitude) over each row: exact, half rows at the poles in ``CORNERS``.

        The sum is 2.
        """
        lat = self.latitudes()
        edges = np.concatenate([[np.pi / 2], (lat[:-1] + lat[1:]) / 2, [-np.pi / 2]])
        return np.asarray(-np.diff(np.sin(edges)))

    def column_weights(self) -> Doubles:
        """(width,) radians of longitude of each column: half columns at the seam in ``CORNERS``.

        The sum is 2 pi.
        """
        weights = np.full(self.width, self.pitch_rad)
        if self.layout is Layout.CORNERS:
            weights[0] = weights[-1] = self.pitch_rad / 2
        return weights

    def solid_angles(self) -> Doubles:
        """(height, width) steradians; the sum is 4 pi."""
        return self.row_weights()[:, None] * self.column_weights()[None, :]

    def directions(self, rows: slice = slice(None)) -> Doubles:
        """(rows, width, 3) unit vectors x, y, z of the pixel centres of some rows."""
        lat = self.latitudes()[rows][:, None]
        lon = self.longitudes()[None, :]
        out = np.empty((lat.shape[0], self.width, 3))
        out[..., 0] = np.sin(lon) * np.cos(lat)
        out[..., 1] = np.sin(lat)
        out[..., 2] = np.cos(lon) * np.cos(lat)
        return out

    def pixels(self, directions: Floats) -> tuple[Floats, Floats]:
        """(x, y) as real pixel coordinates (whole numbers are pixel centres) of directions (..., 3).

        x lies in [0, period) for ``CORNERS`` and [-0.5, width - 0.5) for ``CENTRES``.
        """
        x, y, z = directions[..., 0], directions[..., 1], directions[..., 2]
        lon = np.arctan2(x, z)
        lat = np.arctan2(y, np.hypot(x, z))
        turn = 0.5 - lon / (2 * np.pi)
        drop = 0.5 - lat / np.pi
        if self.layout is Layout.CORNERS:
            return np.mod(turn, 1.0) * (self.width - 1), drop * (self.height - 1)
        return np.mod(turn, 1.0) * self.width - 0.5, drop * self.height - 0.5


def layout_of(picture: Floats, *, says_latlong: bool, stated: str = "") -> Layout:
    """Which convention a lat-long follows: its header's word, else its pixels.

    ``stated`` is the file's own word (``records.rasters``), which wins; ``says_latlong`` is whether it
    carries OpenEXR's ``envmap`` attribute, which fixes ``CORNERS``.  Without either the seam decides: in
    ``CORNERS`` the last column repeats the first, in ``CENTRES`` it is a neighbour like any other.  A
    picture that cannot tell (a flat one) is taken as ``CORNERS``.
    """
    if stated in tuple(Layout):
        return Layout(stated)
    if says_latlong or picture.shape[1] < 8:
        return Layout.CORNERS
    with np.errstate(invalid="ignore", over="ignore"):
        picture = np.nan_to_num(picture[:, [0, 1, -2, -1]].astype(np.float64), posinf=0.0, neginf=0.0)
    scale = 1e-9 + np.abs(picture).max(axis=1, keepdims=True)
    near = picture / scale
    step = np.abs(near[:, 0] - near[:, 1]).sum() + np.abs(near[:, 3] - near[:, 2]).sum()
    seam = 2 * np.abs(near[:, 0] - near[:, 3]).sum()
    return Layout.CENTRES if seam > 0.3 * step and seam > 1e-6 * picture.shape[0] else Layout.CORNERS


def sample(picture: Floats, raster: Raster, directions: Floats) -> Doubles:
    """Bilinear look-up of a lat-long (H, W, C) at directions (..., 3): (..., C), no prefilter.

    Seam and poles are closed: beyond a pole the row half a turn away follows.
    """
    x, y = raster.pixels(directions)
    x0, y0 = np.floor(x).astype(np.int64), np.floor(y).astype(np.int64)
    fx, fy = (x - x0)[..., None], (y - y0)[..., None]
    rows: list[Doubles] = []
    for dy in (0, 1):
        row = y0 + dy
        over, under = row < 0, row >= raster.height
        row = np.clip(row, 0, raster.height - 1)
        half = 0 if raster.layout is Layout.CORNERS else raster.width // 2
        turn = np.where(over | under, half, 0)
        left = np.mod(x0 + turn, raster.period)
        right = np.mod(x0 + 1 + turn, raster.period)
        rows.append(picture[row, left] * (1 - fx) + picture[row, right] * fx)
    return np.asarray(rows[0] * (1 - fy) + rows[1] * fy, dtype=np.float64)
