"""Chromaticity and correlated colour temperature of a light given as linear Rec.709."""

from __future__ import annotations

import numpy as np

from ingest.steps.panorama.raster import Doubles, Floats

XYZ_FROM_RGB = np.array(
    [[0.412391, 0.357584, 0.180481], [0.212639, 0.715169, 0.072192], [0.019331, 0.119195, 0.950532]]
)  # Rec.709 primaries, D65 (IEC 61966-2-1, six decimals)
FARTHEST_DUV = 0.05  # beyond this distance from the locus the CIE calls the temperature meaningless (CIE 15)


def chromaticity(rgb: Floats) -> tuple[float, float] | None:
    """CIE 1931 (x, y), None for a light without a positive sum."""
    x, y, z = (float(v) for v in XYZ_FROM_RGB @ np.asarray(rgb, dtype=np.float64))
    total = x + y + z
    if not np.isfinite(total) or total <= 0 or y <= 0:
        return None
    return x / total, y / total


def temperature_k(xy: tuple[float, float]) -> float | None:
    """Correlated colour temperature in kelvin: the nearest point of the Planckian locus in CIE 1960 (u, v).

    Locus: 2 degree observer, c2 = 1.4388e-2 m K, tabulated in mired (computed with colour-science 0.4.7
    from the CIE 1931 functions; facts).  None below 1000 K, above 100 000 K, or farther than 0.05 from
    the locus.  Within 0.1 % of Ohno 2013 as colour-science computes it, up to 25 000 K (tested).
    """
    x, y = xy
    scale = -2 * x + 12 * y + 3
    u, v = 4 * x / scale, 6 * y / scale
    mired, distance = _nearest(u, v)
    if distance > FARTHEST_DUV or not 10.0 <= mired <= 1000.0:
        return None
    return float(1e6 / mired)


def _nearest(u: float, v: float) -> tuple[float, float]:
    points = np.stack([_TABLE[:, 1], _TABLE[:, 2]], axis=1)
    fine = np.linspace(_TABLE[0, 0], _TABLE[-1, 0], 1981)
    locus = np.stack([_spline(_TABLE[:, 0], points[:, i], fine) for i in (0, 1)], axis=1)
    square = (locus[:, 0] - u) ** 2 + (locus[:, 1] - v) ** 2
    k = int(np.clip(np.argmin(square), 1, len(fine) - 2))
    a, b, c = square[k - 1 : k + 2]
    bend = a - 2 * b + c
    shift = float(np.clip((a - c) / (2 * bend), -1, 1)) if bend > 0 else 0.0
    return float(fine[k] + shift * (fine[1] - fine[0])), float(np.sqrt(max(0.0, b - (a - c) * shift / 4)))


def _spline(x: Doubles, y: Doubles, at: Doubles) -> Doubles:
    """Cubic through the table's points (slopes by second-order differences)."""
    slope = np.gradient(y, x, edge_order=2)
    k = np.clip(np.searchsorted(x, at) - 1, 0, len(x) - 2)
    h = x[k + 1] - x[k]
    t = (at - x[k]) / h
    return np.asarray(
        (1 + 2 * t) * (1 - t) ** 2 * y[k] + t * (1 - t) ** 2 * h * slope[k]
        + t**2 * (3 - 2 * t) * y[k + 1] + t**2 * (t - 1) * h * slope[k + 1]
    )  # fmt: skip


# mired, u, v
_TABLE = np.array(
    [
        [10, 0.180655, 0.265895], [20, 0.181325, 0.268455], [30, 0.182082, 0.271188], [40, 0.182933, 0.274073],
        [50, 0.183885, 0.277089], [60, 0.184943, 0.280212], [70, 0.186113, 0.283416], [80, 0.187398, 0.286676],
        [90, 0.188800, 0.289966], [100, 0.190319, 0.293265], [120, 0.193706, 0.299801], [140, 0.197544, 0.306143],
        [160, 0.201802, 0.312184], [180, 0.206442, 0.317855], [200, 0.211424, 0.323116], [220, 0.216708, 0.327947],
        [240, 0.222252, 0.332347], [260, 0.228021, 0.336324], [280, 0.233979, 0.339893], [300, 0.240097, 0.343077],
        [320, 0.246345, 0.345898], [340, 0.252699, 0.348382], [360, 0.259135, 0.350555], [380, 0.265634, 0.352442],
        [400, 0.272177, 0.354068], [420, 0.278748, 0.355456], [440, 0.285333, 0.356630], [460, 0.291919, 0.357610],
        [480, 0.298494, 0.358416], [500, 0.305048, 0.359066], [520, 0.311574, 0.359577], [540, 0.318062, 0.359963],
        [560, 0.324506, 0.360240], [580, 0.330900, 0.360420], [600, 0.337239, 0.360513], [640, 0.349732, 0.360483],
        [680, 0.361953, 0.360220], [720, 0.373879, 0.359782], [760, 0.385490, 0.359214], [800, 0.396774, 0.358551],
        [840, 0.407719, 0.357822], [880, 0.418319, 0.357049], [920, 0.428569, 0.356250], [960, 0.438467, 0.355439],
        [1000, 0.448011, 0.354625],
    ]
)  # fmt: skip
