"""Exposures and tone curve from the frames themselves, in one fit.

In log light every flat cell c seen in frame k says

    y_ck + h(y_ck) = l_c + log s_k + noise,      y = log of the light a base curve (sRGB, linear) gives,

where h is a smooth correction of the curve, s_k the true exposure and l_c the cell's own radiance, which
is eliminated.  The unknowns h (B-spline) and log s_k enter linearly, so one robust least-squares solve,
repeated with new weights, gives all.  What decides it:

- h^a with exposures^a fits as well as the truth: that direction is pinned to the header's exposures by
  their prior, whose heavy tail lets a single flickered frame go;
- frames a constant step apart cannot see a ripple of that period: third differences are penalised;
- the ends of the curve may bend more: the penalty there is weaker;
- moving things and edges are outliers: weights of a Student t distribution.

Literature started from: Debevec and Malik 1997 (log curve, smoothness), Mitsunaga and Nayar 1999
(exposure ratios and curve in turn).  The joint linear elimination is ours.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ingest.steps.merging.noise import Noise
from ingest.steps.merging.samples import Samples

F64 = npt.NDArray[np.float64]

#: Prior standard deviation of an exposure about its exact mark (common practice, no source).
PRIOR = 0.02
_TAIL = 4.0  # degrees of freedom of the residuals' distribution
_PRIOR_TAIL = 2.0
_ROUNDS = 15
_SETTLED = 2e-5
_PIN = 1e10
_SYSTEMATIC = 0.003  # what even flat cells disagree by, in log light


@dataclass(frozen=True, kw_only=True, slots=True)
class Basis:
    """Cubic B-splines on equal intervals of u in 0..1; ``at`` maps log light to u by interpolation."""

    log_light: F64
    u: F64
    intervals: int

    @property
    def size(self) -> int:
        return self.intervals + 3

    def design(self, y: F64) -> F64:
        """(n, size) values of the splines at log light ``y``."""
        u = np.clip(np.interp(y, self.log_light, self.u), 0, 1 - 1e-9) * self.intervals
        first = u.astype(int)
        t = u - first
        out = np.zeros((len(y), self.size))
        rows = np.arange(len(y))
        parts = ((1 - t) ** 3, 3 * t**3 - 6 * t**2 + 4, -3 * t**3 + 3 * t**2 + 3 * t + 1, t**3)
        for j, part in enumerate(parts):
            out[rows, first + j] = part / 6
        return out


@dataclass(frozen=True, kw_only=True, slots=True)
class Fit:
    """``log_exposures`` and their standard deviations (K); ``curve`` the spline's coefficients (zeros
    without one), ``offset`` the black level's error in light; ``residual`` the robust rms of log light
    beyond photon noise, ``cost`` the robust cost an observation, ``observations`` their number.
    ``by_channel`` (K, C) is the median log residual of a frame's channel, ``lowest`` and ``highest`` the
    log light between which the curve was seen."""

    log_exposures: F64
    sigmas: F64
    curve: F64
    offset: float
    offset_sigma: float
    residual: float
    cost: float
    observations: int
    by_channel: F64
    lowest: float
    highest: float

    def slope(self, log_prior: F64) -> float:
        """Of the fitted log exposures against the header's: 1 where the base curve is the right one."""
        x = log_prior - log_prior.mean()
        return float(np.sum(x * self.log_exposures) / np.sum(x * x)) if np.any(x) else 1.0


def fit(
    samples: Samples, log_prior: F64, models: Sequence[Noise], *, basis: Basis | None = None, offset: float = 0.0,
    stiffness: float = 1.0, prior: float = PRIOR,
) -> Fit:  # fmt: skip
    """Solve for exposures, and for the curve where a ``basis`` is given.

    ``log_prior`` are the header's log exposures.  ``offset`` is the prior standard deviation of an error
    of the black level (light; 0: trusted).
    """
    y, sd, cell, frame, channel = _observations(samples, models)
    count, m = samples.mean.shape[0], basis.size if basis else 0
    extra = 1 if offset > 0 else 0
    columns = m + extra + count
    if len(y) < 4 * columns or count < 2:
        return Fit(log_exposures=log_prior.copy(), sigmas=np.full(count, prior), curve=np.zeros(m), offset=0.0,
                   offset_sigma=float("inf"), residual=float("nan"), cost=float("inf"), observations=len(y),
                   by_channel=np.zeros((count, samples.mean.shape[2])), lowest=0.0, highest=0.0)  # fmt: skip
    design = np.zeros((len(y), columns))
    if basis:
        design[:, :m] = basis.design(y)
    if extra:
        design[:, m] = -np.exp(-y)
    design[np.arange(len(y)), m + extra + frame] = -1.0
    penalty = np.zeros((columns, columns))
    if basis:
        penalty[:m, :m] = _roughness(m, len(y)) * stiffness
    if extra:
        penalty[m, m] = 1 / offset**2
    return _solve(y, sd, cell, frame, channel, design, penalty, log_prior, m, extra, prior)


def _solve(
    y: F64, sd: F64, cell: npt.NDArray[np.int64], frame: npt.NDArray[np.int64], channel: npt.NDArray[np.int64],
    design: F64, penalty: F64, log_prior: F64, m: int, extra: int, prior: float,
) -> Fit:  # fmt: skip
    count = len(log_prior)
    first = m + extra
    weight = 1.0 / (sd**2 + _SYSTEMATIC**2)
    trust = np.full(count, 1 / prior**2)
    spread = _SYSTEMATIC
    solution: F64 = np.zeros(design.shape[1])
    solution[first:] = log_prior
    residual = np.zeros(len(y))
    matrix: F64 = np.eye(design.shape[1])
    starts = np.flatnonzero(np.diff(cell, prepend=-1))  # observations stand cell by cell
    for _ in range(_ROUNDS):
        # the cells' own radiances eliminated: normal equations less what their weighted means explain
        weighted = design * weight[:, None]
        sums = np.add.reduceat(weighted, starts, axis=0)
        total = np.add.reduceat(weight, starts)
        means = np.add.reduceat(weight * y, starts) / total
        matrix = weighted.T @ design - sums.T @ (sums / total[:, None]) + penalty
        right = -(weighted.T @ y - sums.T @ means)
        matrix[np.arange(first, first + count), np.arange(first, first + count)] += trust
        right[first:] += trust * log_prior
        if m:
            pin = _pin(trust, log_prior) * _PIN
            matrix[first:, first:] += pin
            right[first:] += pin @ log_prior
        before, solution = solution, np.asarray(np.linalg.solve(matrix, right), np.float64)
        residual = y + design @ solution
        residual -= (np.add.reduceat(weight * residual, starts) / total)[cell]
        spread = max(_SYSTEMATIC / 4, _excess(residual, sd))
        scale2 = sd**2 + spread**2
        weight = (_TAIL + 1) / (_TAIL * scale2 + residual**2)
        away = (solution[first:] - log_prior) ** 2
        trust = (_PRIOR_TAIL + 1) / (_PRIOR_TAIL * prior**2 + away)
        if np.max(np.abs(solution - before)) < _SETTLED:
            break
    scale2 = sd**2 + spread**2
    cost = float(np.mean(np.log1p(residual**2 / (_TAIL * scale2)) * (_TAIL + 1) / 2 + 0.5 * np.log(scale2)))
    variances = np.maximum(np.diag(np.linalg.inv(matrix)), 0)
    kinds = int(channel.max()) + 1
    by_channel = np.array([[_median(residual[(frame == k) & (channel == c)]) for c in range(kinds)]
                           for k in range(count)])  # fmt: skip
    return Fit(
        log_exposures=solution[first:].copy(), sigmas=np.sqrt(variances[first:]), curve=solution[:m].copy(),
        offset=float(solution[m]) if extra else 0.0, offset_sigma=float(np.sqrt(variances[m])) if extra else 0.0,
        residual=spread, cost=cost, observations=len(y), by_channel=by_channel,
        lowest=float(np.quantile(y, 0.002)), highest=float(np.quantile(y, 0.999)),
    )  # fmt: skip


def _pin(trust: F64, log_prior: F64) -> F64:
    """The two directions that pixels cannot see beside a free curve, level and slope of the exposures
    against the header's, as a penalty; frames that left their mark count less."""
    t = trust / trust.sum()
    centred = log_prior - np.sum(t * log_prior)
    slope = t * centred / np.sqrt(np.sum(t * centred**2))
    return np.outer(t, t) + np.outer(slope, slope)


def _median(values: F64) -> float:
    return float(np.median(values)) if values.size > 20 else float("nan")


def _observations(
    samples: Samples, models: Sequence[Noise]
) -> tuple[F64, F64, npt.NDArray[np.int64], npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Log means, their standard deviations from photon noise, cell (one a channel), frame and channel of
    each usable reading of cells that at least two frames hold."""
    usable = samples.usable & (samples.usable.sum(axis=0) >= 2)[None] & (samples.mean > 0)
    frame, n, channel = np.nonzero(usable)
    mean = samples.mean[usable]
    floor = np.array([model.floor for model in models])[frame]
    gain = np.array([model.gain for model in models])[frame]
    sd = np.sqrt((floor + gain * mean) / samples.pixels) / mean
    cell = n * samples.mean.shape[2] + channel
    order = np.argsort(cell, kind="stable")
    _, cell = np.unique(cell[order], return_inverse=True)
    return np.log(mean)[order], sd[order], cell, frame[order], channel[order]


def _excess(residual: F64, sd: F64) -> float:
    """Robust spread of the residuals beyond their photon noise."""
    wide = 1.4826 * np.median(np.abs(residual))
    return float(np.sqrt(max(wide**2 - np.median(sd) ** 2, 0.0)))


def _roughness(m: int, observations: int) -> F64:
    """Penalty on third differences, weaker towards both ends, scaled to the number of observations."""
    d = np.diff(np.eye(m), 3, axis=0)
    place = np.linspace(0, 1, len(d))
    ends = 1.0 - 0.8 * np.exp(-((np.minimum(place, 1 - place) / 0.12) ** 2))
    return d.T @ (ends[:, None] * d) * observations * 10.0 + 1e-6 * np.eye(m)
