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
_LIT = float(np.log(0.03))  # log light above which a reading tells of its channel
_TELLS = 0.2  # share of the best frame's cells that a frame must hold for its channels to be compared
_TOLD = 0.5  # of the prior's deviation: a frame whose exposure is known no better was told by its header alone
_FOR_EVENTS = 5  # frames from which on a line, an event and what is left can be told apart
_EVENT = 0.02  # rms of log exposures beside a line from which on an event is looked for: shutters leave less
_EXPLAINED = 0.2  # of that, what may be left beside the event
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
        columns, values = self.parts(y)
        out = np.zeros((len(y), self.size))
        np.put_along_axis(out, columns, values, axis=1)
        return out

    def parts(self, y: F64) -> tuple[npt.NDArray[np.int64], F64]:
        """(n, 4) which splines are not zero at log light ``y``, and their values."""
        u = np.clip(np.interp(y, self.log_light, self.u), 0, 1 - 1e-9) * self.intervals
        first = u.astype(int)
        t = u - first
        parts = ((1 - t) ** 3, 3 * t**3 - 6 * t**2 + 4, -3 * t**3 + 3 * t**2 + 3 * t + 1, t**3)
        return first[:, None] + np.arange(4), np.stack(parts, axis=1) / 6


@dataclass(frozen=True, kw_only=True, slots=True)
class Fit:
    """``log_exposures`` and their standard deviations (K); ``curve`` the spline's coefficients (zeros
    without one), ``offset`` the black level's error in light; ``residual`` the robust rms of log light
    beyond photon noise, ``cost`` the robust cost an observation, ``observations`` their number.
    ``by_channel`` (K, C) is the median log residual of a frame's channel (NaN: too little seen),
    ``lowest`` and ``highest`` the log light between which the curve was seen."""

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
        """Of the fitted log exposures against the header's: 1 where the base curve is the right one.

        Frames that the pixels say little of do not count.  Light that changed once during the burst, or one frame
        that flickered, tilts a straight line too, but a wrong curve bends all frames: where such an event explains
        nearly all of what the line leaves, the slope is the one beside it.
        """
        told = self.sigmas < _TOLD * PRIOR
        if np.count_nonzero(told) < 3:
            told = np.ones(len(log_prior), bool)
        x = log_prior[told] - log_prior[told].mean()
        if not np.any(x):
            return 1.0
        away = self.log_exposures[told] - log_prior[told]
        plain, left = _line(x, away, None)
        if len(x) < _FOR_EVENTS or left < _EVENT:
            return 1.0 + plain
        order = np.arange(len(x))
        events = [order >= k for k in range(1, len(x))] + [order == k for k in range(len(x))]
        slope, rest = min((_line(x, away, e.astype(np.float64)) for e in events), key=lambda found: found[1])
        return 1.0 + (slope if rest < _EXPLAINED * left else plain)


def _line(x: F64, away: F64, event: F64 | None) -> tuple[float, float]:
    """Slope of ``away`` over ``x`` beside an ``event`` of unknown size, and the rms that is left."""
    columns = [np.ones_like(x), x] + ([] if event is None else [event])
    design = np.stack(columns, axis=1)
    solution, *_ = np.linalg.lstsq(design, away, rcond=None)
    left = away - design @ solution
    return float(solution[1]), float(np.sqrt(np.mean(left**2)))


class _Design:
    """The equations' left side, a few columns a row: sums over rows are counted, never multiplied out.

    ``where`` (n, k) are the columns of a row's values (n, k); ``cell`` numbers the rows' cells from 0.
    """

    def __init__(self, where: npt.NDArray[np.int64], values: F64, cell: npt.NDArray[np.int64], columns: int) -> None:
        self.columns = columns
        self._where, self._values = where, values
        self._cells = int(cell[-1]) + 1 if len(cell) else 0
        self._in_cell = (cell[:, None] * columns + where).ravel()
        a, b = np.triu_indices(where.shape[1])
        self._pairs = (where[:, a] * columns + where[:, b]).ravel()
        self._products = values[:, a] * values[:, b]

    def of(self, solution: F64) -> F64:
        """The design times a solution, (n)."""
        return np.asarray((self._values * solution[self._where]).sum(axis=1))

    def against(self, y: F64) -> F64:
        """The design's transpose times ``y``, (columns)."""
        counted = np.bincount(self._where.ravel(), (self._values * y[:, None]).ravel(), minlength=self.columns)
        return np.asarray(counted, np.float64)

    def by_cell(self, weight: F64) -> F64:
        """Weighted sums of the rows of each cell, (cells, columns)."""
        counted = np.bincount(self._in_cell, (self._values * weight[:, None]).ravel(), self._cells * self.columns)
        return np.asarray(counted.reshape(self._cells, self.columns), np.float64)

    def normal(self, weight: F64) -> F64:
        """The design's transpose times weights times the design."""
        counted = np.bincount(self._pairs, (self._products * weight[:, None]).ravel(), self.columns**2)
        half = counted.reshape(self.columns, self.columns)
        return np.asarray(half + half.T - np.diag(np.diag(half)))


def fit(
    samples: Samples, log_prior: F64, models: Sequence[Noise], *, basis: Basis | None = None, offset: float = 0.0,
    stiffness: float = 1.0, prior: float = PRIOR, rounds: int = _ROUNDS,
) -> Fit:  # fmt: skip
    """Solve for exposures, and for the curve where a ``basis`` is given, in at most ``rounds`` with new weights.

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
    where, values = [m + extra + frame[:, None]], [np.full((len(y), 1), -1.0)]
    if basis:
        splines, heights = basis.parts(y)
        where.append(splines)
        values.append(heights)
    if extra:
        where.append(np.full((len(y), 1), m))
        values.append(-np.exp(-y)[:, None])
    design = _Design(np.hstack(where), np.hstack(values), cell, columns)
    penalty = np.zeros((columns, columns))
    if basis:
        penalty[:m, :m] = _roughness(m, len(y)) * stiffness
    if extra:
        penalty[m, m] = 1 / offset**2
    return _solve(y, sd, cell, frame, channel, design, penalty, log_prior, m, extra, prior, rounds)


def _solve(
    y: F64, sd: F64, cell: npt.NDArray[np.int64], frame: npt.NDArray[np.int64], channel: npt.NDArray[np.int64],
    design: _Design, penalty: F64, log_prior: F64, m: int, extra: int, prior: float, rounds: int,
) -> Fit:  # fmt: skip
    count = len(log_prior)
    first = m + extra
    weight = 1.0 / (sd**2 + _SYSTEMATIC**2)
    trust = np.full(count, 1 / prior**2)
    spread = _SYSTEMATIC
    solution: F64 = np.zeros(design.columns)
    solution[first:] = log_prior
    residual = np.zeros(len(y))
    matrix: F64 = np.eye(design.columns)
    starts = np.flatnonzero(np.diff(cell, prepend=-1))  # observations stand cell by cell
    for _ in range(rounds):
        # the cells' own radiances eliminated: normal equations less what their weighted means explain
        sums = design.by_cell(weight)
        total = np.add.reduceat(weight, starts)
        means = np.add.reduceat(weight * y, starts) / total
        matrix = design.normal(weight) - sums.T @ (sums / total[:, None]) + penalty
        right = -(design.against(weight * y) - sums.T @ means)
        matrix[np.arange(first, first + count), np.arange(first, first + count)] += trust
        right[first:] += trust * log_prior
        if m or extra:
            pin = _pin(trust, log_prior) * _PIN
            matrix[first:, first:] += pin
            right[first:] += pin @ log_prior
        before, solution = solution, np.asarray(np.linalg.solve(matrix, right), np.float64)
        residual = y + design.of(solution)
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
    # In the shadows rounding and the codec's own colour error outweigh any change of white.
    lit = y > _LIT
    by_channel = np.array([[_median(residual[lit & (frame == k) & (channel == c)]) for c in range(kinds)]
                           for k in range(count)])  # fmt: skip
    # A frame that holds little but lamps says little of its channels: their colour is not the set's.
    seen = np.bincount(frame[lit], minlength=count)
    by_channel[seen < _TELLS * max(1, seen.max())] = np.nan
    return Fit(
        log_exposures=solution[first:].copy(), sigmas=np.sqrt(variances[first:]), curve=solution[:m].copy(),
        offset=float(solution[m]) if extra else 0.0, offset_sigma=float(np.sqrt(variances[m])) if extra else 0.0,
        residual=spread, cost=cost, observations=len(y), by_channel=by_channel,
        lowest=float(np.quantile(y, 0.002)), highest=float(np.quantile(y, 0.999)),
    )  # fmt: skip


def _pin(trust: F64, log_prior: F64) -> F64:
    """The two directions that pixels cannot see beside a free curve or black level, level and slope of the exposures
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
