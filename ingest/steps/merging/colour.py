"""Linear RGB spaces by name and the matrices between them.

Primaries and whites: ITU-R BT.709-6 with D65; SMPTE ST 2065-1 (AP0) and S-2014-004 (AP1, ACEScg) with the
ACES white.  White adaptation is linear Bradford (the matrix of ICC.1:2010 annex E).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

F64 = npt.NDArray[np.float64]

#: (red x, y, green x, y, blue x, y, white x, y), the order of the OpenEXR attribute chromaticities.
CHROMATICITIES: dict[str, tuple[float, ...]] = {
    "rec709": (0.64, 0.33, 0.30, 0.60, 0.15, 0.06, 0.3127, 0.3290),
    "acescg": (0.713, 0.293, 0.165, 0.830, 0.128, 0.044, 0.32168, 0.33767),
    "aces2065-1": (0.7347, 0.2653, 0.0, 1.0, 0.0001, -0.077, 0.32168, 0.33767),
}
_BRADFORD = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])
_D50 = np.array([0.9642, 1.0, 0.8249])


def xyz_of(x: float, y: float) -> F64:
    """XYZ of a chromaticity at Y = 1."""
    return np.array([x / y, 1.0, (1 - x - y) / y])


def to_xyz(space: str) -> F64:
    """RGB to XYZ of the space's own white, 3x3 (SMPTE RP 177)."""
    c = CHROMATICITIES[space]
    primaries = np.stack([[c[i], c[i + 1], 1 - c[i] - c[i + 1]] for i in (0, 2, 4)], axis=1)
    return np.asarray(primaries * np.linalg.solve(primaries, xyz_of(c[6], c[7])), np.float64)


def adapt(source: F64, target: F64) -> F64:
    """Bradford adaptation between two whites given as XYZ."""
    ratio = np.asarray((_BRADFORD @ target) / (_BRADFORD @ source), np.float64)
    return np.asarray(np.linalg.solve(_BRADFORD, ratio[:, None] * _BRADFORD), np.float64)


def between(source: str, target: str) -> F64:
    """Linear RGB of one space to another.  Grey stays grey: rows sum to 1.

    >>> [round(float(v), 6) for v in between("rec709", "aces2065-1")[0]]
    [0.439633, 0.382989, 0.177378]
    """
    if source == target:
        return np.eye(3)
    a, b = CHROMATICITIES[source], CHROMATICITIES[target]
    whites = adapt(xyz_of(a[6], a[7]), xyz_of(b[6], b[7]))
    return np.asarray(np.linalg.solve(to_xyz(target), whites @ to_xyz(source)), np.float64)


def from_profile(to_xyz_d50: Sequence[Sequence[float]] | F64, target: str) -> F64:
    """Linear RGB of an ICC matrix profile (to XYZ D50) to ``target``, white to white."""
    matrix = np.array(to_xyz_d50, float)
    c = CHROMATICITIES[target]
    return np.linalg.solve(to_xyz(target), adapt(_D50, xyz_of(c[6], c[7])) @ matrix)


def camera(balance: Sequence[float], to_rec709: Sequence[Sequence[float]] | F64, target: str) -> F64:
    """Camera RGB as merged (no white balance yet) to ``target``: balance, then matrix."""
    out: F64 = between("rec709", target) @ np.array(to_rec709, float) @ np.diag(np.array(balance, float))
    return out
