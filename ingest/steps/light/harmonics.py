"""Nine numbers a channel: the light as real spherical harmonics up to order 2, and its irradiance.

Order 00, 1-1, 10, 11, 2-2, 2-1, 20, 21, 22 with the constants and signs of Ramamoorthi and Hanrahan,
"An Efficient Representation for Irradiance Environment Maps" (2001), equations 3, 8 and 13, on the
world axes x, y (up), z.  Nine coefficients are not the irradiance: about 1 % off in ordinary
surroundings [there], 4 to 12 % under one hard light.
"""

from __future__ import annotations

import numpy as np

from ingest.steps.light.flux import Cells
from ingest.steps.panorama.raster import Doubles, Floats

Y0, Y1, Y2, Y20, Y22 = 0.282095, 0.488603, 1.092548, 0.315392, 0.546274
A = np.array([np.pi, *[2 * np.pi / 3] * 3, *[np.pi / 4] * 5])


def basis(directions: Floats) -> Doubles:
    """(..., 9) values of the harmonics in unit directions (..., 3)."""
    x, y, z = (np.asarray(directions[..., i], dtype=np.float64) for i in range(3))
    return np.stack(
        [
            np.full_like(x, Y0), Y1 * y, Y1 * z, Y1 * x,
            Y2 * x * y, Y2 * y * z, Y20 * (3 * z * z - 1), Y2 * x * z, Y22 * (x * x - y * y),
        ],
        axis=-1,
    )  # fmt: skip


def project(cells: Cells) -> Doubles:
    """(9, 3) coefficients of the radiance: its integral against each harmonic, from the pixels."""
    lat = cells.raster.latitudes()
    edges = np.concatenate([[np.pi / 2], (lat[:-1] + lat[1:]) / 2, [-np.pi / 2]])
    s, c = np.sin(edges), np.cos(edges)
    one, up, upup = -np.diff(s), -np.diff(s**2) / 2, -np.diff(s**3) / 3
    out, outout = -np.diff(edges / 2 + np.sin(2 * edges) / 4), -np.diff(s - s**3 / 3)
    upout = np.diff(c**3) / 3
    m = cells.moments
    flat, sin1, cos1, sin2, cos2 = (m[:, k] for k in range(5))
    zz = outout @ (flat + cos2) / 2
    xx = outout @ (flat - cos2) / 2
    return np.stack(
        [
            Y0 * (one @ flat), Y1 * (up @ flat), Y1 * (out @ cos1), Y1 * (out @ sin1),
            Y2 * (upout @ sin1), Y2 * (upout @ cos1), Y20 * (3 * zz - one @ flat), Y2 * (outout @ sin2) / 2,
            Y22 * (xx - upup @ flat),
        ]
    )  # fmt: skip


def irradiance(coefficients: Floats, normals: Floats) -> Doubles:
    """(..., 3 rgb) irradiance on planes with normals (..., 3): E(n) = sum A_l L_lm Y_lm(n)."""
    return np.asarray(basis(normals) @ (A[:, None] * np.asarray(coefficients)))
