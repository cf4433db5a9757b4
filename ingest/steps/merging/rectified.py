"""What a file that ends at black does to noise: readings that should lie below black are stored as black.

Read noise is symmetric about zero, but a developed TIFF, and the raw of a body that takes black off before it
writes, hold no negative numbers.  The mean of such readings is too high where light is below a few deviations
of the noise: by .4 deviations in the dark.  Taken at its word this looks like a black level above zero, bends
exposures that are fitted to it, lifts the shadows of a merge and makes still shadows look moved.

All is that of a censored normal variable max(rail, N(m, sd)), with a = (m - rail) / sd (moments of the
rectified normal: from memory, checked by simulation in the tests).
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

F32 = npt.NDArray[np.float32]
F64 = npt.NDArray[np.float64]

#: From so many deviations above the rail on, nothing of it is felt (a bias of 1e-5 deviations).
CLEAR = 4.0
_STEP = 1 / 256
_END = 9.0


def _tables() -> tuple[F64, F64]:
    """Density and distribution of the standard normal on -9..9, the latter by Simpson's rule."""
    a = np.arange(-_END, _END + _STEP / 2, _STEP)
    density = np.exp(-0.5 * a * a) / np.sqrt(2 * np.pi)
    middle = np.exp(-0.5 * (a[:-1] + _STEP / 2) ** 2) / np.sqrt(2 * np.pi)
    parts = (density[:-1] + 4 * middle + density[1:]) * (_STEP / 6)
    return density, np.concatenate([[0.0], np.cumsum(parts)])


_DENSITY, _BELOW = _tables()
#: Excess of the mean over m, in deviations, by a: phi(a) - a (1 - Phi(a)).
_EXCESS = (_DENSITY - np.arange(-_END, _END + _STEP / 2, _STEP) * (_BELOW[-1] - _BELOW)).astype(np.float32)


def excess(m: npt.NDArray[np.float32], sd: npt.NDArray[np.float32], rail: float) -> F32:
    """By how much the mean reading lies above ``m`` (any shape, as ``sd``): zero well above the rail."""
    a = (m - np.float32(rail)) / sd
    index = np.clip((a + np.float32(_END)) * np.float32(1 / _STEP) + np.float32(0.5), 0, len(_EXCESS) - 1)
    # beyond the table's lower end the excess is rail - m itself
    out: F32 = np.where(a < -_END, np.float32(rail) - m, _EXCESS[index.astype(np.int32)] * sd)
    return out


def moments(m: F64, sd: F64, rail: float) -> tuple[F64, F64, F64]:
    """Mean of the stored reading, its slope against ``m``, and its variance.

    >>> mean, slope, variance = moments(np.zeros(1), np.ones(1), 0.0)
    >>> [round(float(v[0]), 4) for v in (mean, slope, variance)]
    [0.3989, 0.5, 0.3408]
    """
    a = np.maximum((m - rail) / sd, 1 - _END)
    at = (np.minimum(a, _END) + _END) / _STEP
    grid = np.arange(len(_DENSITY))
    density, below = np.interp(at, grid, _DENSITY), np.interp(at, grid, _BELOW)
    height = density + a * below  # of the mean over the rail, in deviations
    variance = np.maximum((a * a + 1) * below + a * density - height * height, 1e-12)
    clear = a > CLEAR + 1
    mean: F64 = np.where(clear, m, rail + sd * height)
    return mean, np.where(clear, 1.0, below), sd * sd * np.where(clear, 1.0, variance)
