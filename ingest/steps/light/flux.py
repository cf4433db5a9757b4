"""A lat-long as fluxes: everything the light summary integrates, in one pass over the rows.

A *cell* is a block of pixels.  Of each cell we keep its solid angle, its flux (integral of radiance)
and its vector flux (integral of radiance times direction).  Irradiance is then a sum over cells of
max(0, normal . vector flux), exact but for the cells the horizon of that normal cuts, whatever the
cell size: a small sun does not move to the middle of its cell.  The nine harmonics are integrated
from the pixels themselves.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ingest.steps.panorama.raster import Doubles, Floats, Layout, Raster

LUMINANCE = np.array([0.212639, 0.715169, 0.072192])  # Rec.709 / D65, STANDARDS: IEC 61966-2-1 primaries
_TILE = 64
_NORMALS = 32  # at once


@dataclass(frozen=True, kw_only=True, slots=True)
class Cells:
    """Blocks of a lat-long, ``rows`` x ``columns``, ``block`` (rows, columns) pixels each but for the last ones.

    ``solid_angle`` (rows, columns) sr; ``flux`` (rows, columns, 3) radiance x sr; ``vector``
    (rows, columns, 3 rgb, 3 xyz).  ``moments`` (height, 5, 3) are the pixel rows' integrals over
    longitude of 1, sin, cos, sin 2, cos 2 times radiance.
    """

    raster: Raster
    block: tuple[int, int]
    solid_angle: Doubles
    flux: Doubles
    vector: Doubles
    moments: Doubles

    @property
    def radiance(self) -> Doubles:
        """(rows, columns) mean luminance of each cell."""
        return np.asarray(self.flux @ LUMINANCE / self.solid_angle)

    def coarser(self, longest: int) -> tuple[Doubles, Doubles]:
        """(flux (n, 3), vector (n, 3 rgb, 3 xyz)) with at most about ``longest`` columns."""
        step = max(1, -(-self.flux.shape[1] // longest))
        rows, cols = (np.arange(0, n, step) for n in self.flux.shape[:2])
        flux = np.add.reduceat(np.add.reduceat(self.flux, rows, 0), cols, 1)
        vector = np.add.reduceat(np.add.reduceat(self.vector, rows, 0), cols, 1)
        return flux.reshape(-1, 3), vector.reshape(-1, 3, 3)


def measure(picture: Floats, raster: Raster, *, columns: int = 1024) -> Cells:
    """Integrate a lat-long (H, W, 3; linear, finite) into cells, about ``columns`` of them around."""
    height, width = picture.shape[:2]
    bx = max(1, -(-width // columns))
    by = max(1, min(bx, -(-height * bx // width)))
    starts = np.arange(0, width, bx)
    waves = _column_integrals(raster)[:, :, None].astype(np.float32 if width > 4096 else np.float64)
    weights = raster.row_weights()
    up, out = _row_integrals(raster)
    tall = -(-height // by)
    flux = np.zeros((tall, len(starts), 3))
    vector = np.zeros((tall, len(starts), 3, 3))
    moments = np.zeros((height, 5, 3))
    for top in range(0, height, by * _TILE):
        rows = slice(top, min(height, top + by * _TILE))
        tile = picture[rows]
        groups = np.arange(0, tile.shape[0], by)
        cells = slice(top // by, top // by + len(groups))
        for k in range(5):
            part = np.add.reduceat(tile * waves[k], starts, axis=1).astype(np.float64)
            moments[rows, k] = part.sum(axis=1)
            if k == 0:
                flux[cells] = np.add.reduceat(part * weights[rows, None, None], groups, axis=0)
                vector[cells, :, :, 1] = np.add.reduceat(part * up[rows, None, None], groups, axis=0)
            elif k < 3:
                axis = 0 if k == 1 else 2
                vector[cells, :, :, axis] = np.add.reduceat(part * out[rows, None, None], groups, axis=0)
    solid = np.add.reduceat(weights, np.arange(0, height, by))[:, None]
    solid = solid * np.add.reduceat(raster.column_weights(), starts)[None, :]
    return Cells(raster=raster, block=(by, bx), solid_angle=solid, flux=flux, vector=vector, moments=moments)


def _column_integrals(raster: Raster) -> Doubles:
    """(5, width) exact integrals over each column's longitudes of 1, sin, cos, sin 2, cos 2."""
    lon = raster.longitudes()
    ends = (lon[0], lon[-1]) if raster.layout is Layout.CORNERS else (np.pi, -np.pi)
    edges = np.concatenate([[ends[0]], (lon[:-1] + lon[1:]) / 2, [ends[1]]])
    whole = (edges, -np.cos(edges), np.sin(edges), -np.cos(2 * edges) / 2, np.sin(2 * edges) / 2)
    return np.stack([-np.diff(w) for w in whole])


def _row_integrals(raster: Raster) -> tuple[Doubles, Doubles]:
    """Exact integrals over each row's latitudes of sin(lat) cos(lat) and of cos^2(lat)."""
    lat = raster.latitudes()
    edges = np.concatenate([[np.pi / 2], (lat[:-1] + lat[1:]) / 2, [-np.pi / 2]])
    up = -np.diff(np.sin(edges) ** 2) / 2
    out = -np.diff(edges / 2 + np.sin(2 * edges) / 4)
    return up, out


def irradiance(vectors: Doubles, flux: Doubles, normals: Floats) -> Doubles:
    """Irradiance (m, 3 rgb) on planes with normals (m, 3) from cells' vector (n, 3 rgb, 3 xyz) and flux (n, 3).

    Negative radiance (noise, colours outside the gamut) counts as it is: which side a cell lies on
    follows from its direction, not from the sign of its light.
    """
    normals = np.asarray(normals, dtype=np.float64)
    result = np.empty((len(normals), 3))
    room = np.empty((min(len(normals), _NORMALS), len(flux)))  # used again: fresh pages cost more than the sums
    for c in range(3):
        sign = np.where(flux[:, c] < 0, -1.0, 1.0)
        towards = np.ascontiguousarray((vectors[:, c] * sign[:, None]).T)
        for start in range(0, len(normals), _NORMALS):
            some = normals[start : start + _NORMALS]
            lit = np.matmul(some, towards, out=room[: len(some)])
            np.maximum(lit, 0.0, out=lit)
            result[start : start + _NORMALS, c] = lit @ sign
    return result
