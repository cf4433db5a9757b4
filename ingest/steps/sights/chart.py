"""The 24-patch chart: its published colours, and the 3x3 matrix that takes a camera's patches to them.

The colours are those that the chart's maker publishes for charts made before and since November 2014, as xyY under
ICC D50 (2 degree observer); a test compares them with ``colour-science``, which cites them.  They are turned to
linear Rec.709 by Bradford, white to white.

The matrix keeps grey: its rows sum to 1.  So it mends how a body tells colours apart and leaves the colour of the
light to the balance of each shot; a chart under tungsten may correct a probe in daylight.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from ingest.steps.merging.colour import adapt, to_xyz, xyz_of

F64 = npt.NDArray[np.float64]

BEFORE_2014 = (
    (0.43163, 0.37772, 0.1008), (0.41968, 0.37442, 0.34952), (0.27613, 0.30166, 0.18358), (0.37037, 0.44996, 0.13251),
    (0.29993, 0.28562, 0.23039), (0.28484, 0.39118, 0.4178), (0.52954, 0.40553, 0.31182), (0.23057, 0.21069, 0.11263),
    (0.50121, 0.3273, 0.19376), (0.33191, 0.24829, 0.06369), (0.39836, 0.50082, 0.44456), (0.49569, 0.44273, 0.43571),
    (0.20187, 0.16925, 0.05752), (0.32528, 0.50328, 0.23184), (0.5686, 0.3303, 0.12565), (0.46969, 0.47338, 0.59807),
    (0.4159, 0.26883, 0.20087), (0.21316, 0.30234, 0.19301), (0.34698, 0.36081, 0.91314), (0.34406, 0.35847, 0.58937),
    (0.34322, 0.35817, 0.36323), (0.34462, 0.35799, 0.19154), (0.34018, 0.35482, 0.08831), (0.34061, 0.35379, 0.03105),
)  # fmt: skip
SINCE_2014 = (
    (0.43748, 0.37852, 0.09832), (0.42225, 0.37249, 0.3362), (0.27615, 0.29838, 0.17855), (0.37332, 0.45117, 0.13468),
    (0.30289, 0.28629, 0.22872), (0.2864, 0.38972, 0.41436), (0.52815, 0.40533, 0.31264), (0.23239, 0.2112, 0.10911),
    (0.50445, 0.32706, 0.189), (0.33347, 0.25055, 0.06277), (0.39889, 0.50415, 0.43318), (0.49358, 0.44428, 0.42934),
    (0.20522, 0.16867, 0.05596), (0.32304, 0.51042, 0.22334), (0.56287, 0.33556, 0.1278), (0.46776, 0.47602, 0.5993),
    (0.42131, 0.26692, 0.18951), (0.20913, 0.30266, 0.18061), (0.34891, 0.36421, 0.88069), (0.34558, 0.35988, 0.58997),
    (0.34415, 0.35919, 0.36487), (0.34577, 0.35909, 0.19062), (0.34265, 0.35758, 0.08817), (0.34377, 0.35606, 0.03151),
)  # fmt: skip
SETS = {"before November 2014": BEFORE_2014, "since November 2014": SINCE_2014}
D50 = (0.3457029085957, 0.3585386020656)  # ICC D50 as the published sets state it
_D65 = xyz_of(0.3127, 0.3290)
NEUTRALS = (19, 20, 21)  # patches that set grey and level: the white one may be burnt, the dark ones drown in noise
BURNT = 0.98  # of saturation
FEWEST = 18  # patches a fit must rest on


def reference_709(name: str) -> F64:
    """(24, 3) linear Rec.709 of a published set, 1 = a perfect white under the set's light."""
    xyz = np.array([xyz_of(x, y) * luminance for x, y, luminance in SETS[name]])
    to_709 = np.linalg.inv(to_xyz("rec709")) @ adapt(xyz_of(*D50), _D65)
    out: F64 = xyz @ to_709.T
    return out


REFERENCE = {name: reference_709(name) for name in SETS}


@dataclass(frozen=True, kw_only=True, slots=True)
class ChartFit:
    """What one chart says of a body.

    ``matrix`` takes grey-balanced linear camera R, G, B to linear Rec.709, row major, rows summing to 1.
    ``balance`` are the multipliers that make the chart's greys grey, green = 1.  ``delta_e`` and ``delta_e_max`` are
    the mean and largest colour difference of the patches used after the fit (CIE 1976 L*a*b*, D65), ``before`` the
    mean with the balance alone.  ``other`` is the mean that the other published set would have left.
    """

    matrix: tuple[float, ...]
    balance: tuple[float, float, float]
    reference: str
    patches: int
    delta_e: float
    delta_e_max: float
    before: float
    other: float

    def to_json(self) -> dict[str, Any]:
        return asdict(self)


def fit(means: npt.ArrayLike) -> ChartFit:
    """The matrix of (24, 3) linear camera means, 1 = saturation, no white balance; the published set that fits better.

    Weighted so that equal errors in lightness count alike.  Raises ValueError where too few patches can be used or
    the greys give no balance.
    """
    camera = np.asarray(means, float)
    if camera.shape != (24, 3) or not np.isfinite(camera).all():
        raise ValueError("it needs the means of 24 patches in three channels")
    used = (camera.max(axis=1) < BURNT) & (camera.min(axis=1) > -0.01)
    greys = [n for n in NEUTRALS if used[n]]
    if used.sum() < FEWEST or not greys:
        raise ValueError("too many of its patches are burnt out or black")
    middle = camera[greys].mean(axis=0)
    if middle.min() <= 1e-5:
        raise ValueError("its greys are black")
    balance = middle[1] / middle
    found = sorted((_fitted(camera * balance, used, greys, name) for name in SETS), key=lambda f: f[1].mean())
    (name, errors, matrix, before), (_, others, _, _) = found
    return ChartFit(
        matrix=tuple(float(v) for v in matrix.ravel()), balance=(float(balance[0]), 1.0, float(balance[2])),
        reference=name, patches=int(used.sum()), delta_e=round(float(errors.mean()), 2),
        delta_e_max=round(float(errors.max()), 2), before=round(before, 2), other=round(float(others.mean()), 2),
    )


def _fitted(
    balanced: F64, used: npt.NDArray[np.bool_], greys: list[int], name: str
) -> tuple[str, F64, F64, float]:
    target = REFERENCE[name]
    level = target[greys].mean() / balanced[greys].mean()
    x, y = balanced[used] * level, target[used]
    weight = (1.0 / np.cbrt(np.maximum(y @ to_xyz("rec709")[1], 1e-3)) ** 2)[:, None]  # slope of L*
    # Rows sum to 1: red = green + a (r - g) + b (b - g), two unknowns a row.
    free = np.stack([x[:, 0] - x[:, 1], x[:, 2] - x[:, 1]], axis=1) * weight
    solved, *_ = np.linalg.lstsq(free, (y - x[:, 1:2]) * weight, rcond=None)
    matrix = np.stack([solved[0], 1 - solved.sum(axis=0), solved[1]], axis=1)
    return name, delta_e(x @ matrix.T, y), matrix, float(delta_e(x, y).mean())


def lab(rgb: npt.ArrayLike) -> F64:
    """CIE 1976 L*a*b* of linear Rec.709 (CIE 15, D65), (..., 3)."""
    t = np.asarray(rgb, float) @ to_xyz("rec709").T / _D65
    f = np.where(t > (6 / 29) ** 3, np.cbrt(t), t / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.stack([116 * f[..., 1] - 16, 500 * (f[..., 0] - f[..., 1]), 200 * (f[..., 1] - f[..., 2])], axis=-1)


def delta_e(a: npt.ArrayLike, b: npt.ArrayLike) -> F64:
    """CIE 1976 colour difference of linear Rec.709 colours."""
    out: F64 = np.linalg.norm(lab(a) - lab(b), axis=-1)
    return out


def misfit_of(means: npt.ArrayLike) -> float:
    """How far 24 colours are from a chart's, whatever the light, level and colours of the camera: rms of the cube
    roots after the best 3x3.  For telling a chart from chance, so burnt patches count too."""
    camera = np.maximum(np.asarray(means, float), 0)
    target = REFERENCE["before November 2014"]
    weight = 1.0 / np.cbrt(np.maximum(target.mean(axis=1), 1e-3))[:, None] ** 2
    matrix, *_ = np.linalg.lstsq(camera * weight, target * weight, rcond=None)
    return float(np.sqrt(np.mean((np.cbrt(camera @ matrix) - np.cbrt(target)) ** 2)))
