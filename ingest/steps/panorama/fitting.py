"""Least squares with priors and a heavy tail: the solver behind the self-calibration.

Levenberg-Marquardt on normal equations (Marquardt 1963), residuals reweighted by a Cauchy tail
(iteratively reweighted least squares; Huber and Ronchetti, Robust Statistics).  Numeric derivatives:
there are some tens of unknowns.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from ingest.steps.panorama.raster import Doubles

_TAIL = 2.4  # Cauchy constant: 95 % efficiency on normal noise


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Fit:
    """``x`` (n,), its ``covariance`` (n, n) with priors in it, and ``spread``: the residuals' robust
    standard deviation in the units given."""

    x: Doubles
    covariance: Doubles
    spread: float

    @property
    def sigma(self) -> Doubles:
        return np.asarray(np.sqrt(np.maximum(np.diag(self.covariance), 0.0)))


def solve(
    residuals: Callable[[Doubles], Doubles], start: Doubles, prior_sigma: Doubles, *, begin: Doubles,
    rounds: int = 12, least_spread: float = 0.0, inflate: float = 1.0,
) -> Fit:  # fmt: skip
    """Minimise robust residuals(x) / spread plus ((x - start) / prior_sigma)^2, searching from ``begin``.

    Unknowns with ``prior_sigma`` 0 stay as they are.  ``inflate`` multiplies the sigmas told, for
    residuals that are not independent.
    """
    free = np.flatnonzero(prior_sigma > 0)
    prior = prior_sigma[free]
    step = prior * 1e-3

    def at(z: Doubles) -> Doubles:
        x = start.copy()
        x[free] += z
        return residuals(x)

    def derivatives(z: Doubles) -> Doubles:
        columns = [(at(z + e) - at(z - e)) / (2 * h) for h, e in zip(step, np.diag(step), strict=True)]
        return np.stack(columns, axis=1)

    z = (begin - start)[free]
    r = at(z)
    damping = 1e-3
    spread = _spread(r, least_spread)
    for _ in range(rounds):
        jacobian = derivatives(z)
        spread = _spread(r, least_spread)
        weight = _weights(r, spread)
        normal = (jacobian * weight[:, None]).T @ jacobian + np.diag(1 / prior**2)
        gradient = jacobian.T @ (weight * r) + z / prior**2
        cost = _cost(r, spread) + float((z / prior) @ (z / prior))
        moved = False
        for _ in range(8):
            damped = normal + damping * np.diag(np.diag(normal))
            change = -np.linalg.solve(damped, gradient)
            trial = at(z + change)
            new = _cost(trial, spread) + float(((z + change) / prior) @ ((z + change) / prior))
            if new < cost:
                z, r, damping, moved = z + change, trial, max(damping * 0.2, 1e-9), True
                break
            damping *= 6
        if not moved or np.abs(change / prior).max() < 1e-5:
            break
    covariance = np.zeros((len(start), len(start)))
    jacobian = derivatives(z)
    weight = _weights(r, _spread(r, least_spread)) / inflate**2
    inverse = np.linalg.inv((jacobian * weight[:, None]).T @ jacobian + np.diag(1 / prior**2))
    covariance[np.ix_(free, free)] = inverse
    x = start.copy()
    x[free] += z
    return Fit(x=x, covariance=covariance, spread=_spread(r, least_spread))


def _spread(r: Doubles, least: float) -> float:
    return max(least, 1.4826 * float(np.median(np.abs(r))) if len(r) else 0.0, 1e-12)


def _weights(r: Doubles, spread: float) -> Doubles:
    return np.asarray(1 / (spread**2 * (1 + (r / (_TAIL * spread)) ** 2)))


def _cost(r: Doubles, spread: float) -> float:
    return float(_TAIL**2 * np.log1p((r / (_TAIL * spread)) ** 2).sum())
