"""How noisy a reading is: var(x) = floor + gain x, x = 1 at saturation.

``floor`` holds read noise and rounding, ``gain`` is one over the full well in electrons.  A factor of two
wrong in either costs less than half a per cent of efficiency, so a rough model will do: variance against
mean of flat cells (photon transfer; the method of EMVA 1288 without its bench).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

F64 = npt.NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class Noise:
    """``floor`` and ``gain`` of var(x) = floor + gain x; ``measured`` is false for the default."""

    floor: float
    gain: float
    measured: bool = False

    def at_iso(self, ratio: float) -> Noise:
        """The model of a frame whose ISO is ``ratio`` times as high: a reading stands for fewer photons,
        so gain grows with it; read noise is taken as amplified before the converter, so its deviation
        grows with it too."""
        return Noise(floor=self.floor * ratio * ratio, gain=self.gain * ratio, measured=self.measured)

    def variance(self, x: F64) -> F64:
        out: F64 = self.floor + self.gain * np.maximum(x, 0.0)
        return out


def default(top: float) -> Noise:
    """Full well 20000 electrons, read noise 5, rounding of linear codes up to ``top`` (common practice, no
    source).  For codes behind a tone curve, whose steps in the shadows are finer, give 65535."""
    return Noise(floor=(5.0 / 20000) ** 2 + 1 / (12 * top * top), gain=1 / 20000)


#: The lower part of the variances, and what it is of the mean variance where there is nothing but noise,
#: by the side of a cell: second differences of few pixels scatter widely, and low values are the more common
#: (simulated, 40,000 cells each).
_LOWER = 0.35
_HELD = 0.003  # share of a level's readings at the smallest code, from which on its noise is cut off
_OF_MEAN = {2: 0.55, 3: 0.20, 4: 0.45, 5: 0.60, 6: 0.68, 7: 0.75, 8: 0.79, 16: 0.91}


def measure(
    mean: F64, variance: F64, usable: npt.NDArray[np.bool_], fallback: Noise, side: int = 16, floored: F64 | None = None
) -> Noise:
    """Fit the model to means and variances of cells of ``side`` pixels (any equal shapes) at the lowest ISO
    of the set.  ``floored`` is the share of a cell's readings at the smallest code of its file: levels whose
    noise that cuts off say too little of it and are left out as a whole.

    Within each half stop of mean the lower part of the variances counts, since texture only adds.  The
    fallback is returned where fewer than four levels are met.
    """
    x, v = mean[usable], variance[usable]
    cut = np.zeros_like(x) if floored is None else floored[usable]
    positive = (x > 0) & (v > 0)
    x, v, cut = x[positive], v[positive], cut[positive]
    if x.size < 200:
        return fallback
    bins = np.floor(2 * np.log2(x)).astype(int)
    levels, spreads = [], []
    for b in np.unique(bins):
        here = bins == b
        if np.count_nonzero(here) >= 24 and float(cut[here].mean()) < _HELD:
            levels.append(float(np.median(x[here])))
            spreads.append(float(np.quantile(v[here], _LOWER)) / _OF_MEAN.get(side, 1.0))
    if len(levels) < 4:
        return fallback
    return _line(np.array(levels), np.array(spreads), fallback)


def _line(x: F64, v: F64, fallback: Noise) -> Noise:
    """Least squares on relative errors, robust, neither term below a twentieth of what is believable.

    Texture that passes for noise grows with the square of light: it gets a term of its own, which is
    thrown away, or it would take from the floor what it adds to the gain.
    """
    terms = np.stack([np.ones_like(x), x, x * x], axis=1)
    floor, gain, texture = _fitted(terms, v)
    if texture < 0:
        floor, gain = _fitted(terms[:, :2], v)
    gain = max(gain, float(np.min(v / x)) * 0.3, fallback.gain / 20)
    floor = max(floor, float(np.min(v)) * 0.1, fallback.floor / 400)
    return Noise(floor=floor, gain=gain, measured=True)


def _fitted(terms: F64, v: F64) -> list[float]:
    w = 1.0 / v
    found: F64 = np.zeros(terms.shape[1])
    for _ in range(8):
        found = np.asarray(np.linalg.lstsq(terms * w[:, None], w * v, rcond=None)[0], np.float64)
        w = 1.0 / v / np.maximum(1.0, np.abs(terms @ found / v - 1) / 0.3)
    return [float(value) for value in found]
