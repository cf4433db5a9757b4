"""A body's numbers as a vector of unknowns, and what picture points look at under any value of it.

Per lens: centre (2), f, four coefficients of the polynomial, and a small turn (3) on top of the nominal
one (the first lens is the body's frame and is not turned).  Per view after the first: a small turn (3).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from ingest.records.lenses import Lens, LensFile, LensView, Matrix
from ingest.steps.panorama.cameras import lens_radius, standing
from ingest.steps.panorama.raster import Doubles

TERMS = 4
_PER_LENS = 3 + TERMS + 3
# Standard deviations of nominal numbers: centre in parts of the radius, f relative, the polynomial's
# coefficients, turn of lens against lens and of a view against its noted heading (degrees).
PRIOR_CENTRE, PRIOR_F, PRIOR_TURN, PRIOR_VIEW = 0.02, 0.02, 2.0, 3.0
PRIOR_K = (0.03, 0.012, 0.004, 0.001)
# From one burst the field of view is not seen: the nominal numbers are held nearly fast.
HELD_F, HELD_K = 0.006, (0.003, 0.001, 0.0, 0.0)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Body:
    """Nominal lenses (all with a polynomial of ``TERMS`` coefficients) and views."""

    lenses: tuple[Lens, ...]
    views: tuple[LensView, ...]

    @property
    def unknowns(self) -> int:
        return len(self.lenses) * _PER_LENS + 3 * max(0, len(self.views) - 1)

    def start(self) -> Doubles:
        x = np.zeros(self.unknowns)
        for i, lens in enumerate(self.lenses):
            at = i * _PER_LENS
            x[at : at + 3] = lens.cx, lens.cy, lens.f
            x[at + 3 : at + 3 + TERMS] = lens.k
        return x

    def prior(self, *, hold: bool = False) -> Doubles:
        """Standard deviations of :meth:`start`; 0 where a number is not free.  ``hold``: field of view and
        distortion nearly so."""
        s = np.zeros(self.unknowns)
        for i, lens in enumerate(self.lenses):
            at = i * _PER_LENS
            radius = float(lens_radius(lens, np.radians(lens.fov_deg / 2)))
            s[at : at + 2] = PRIOR_CENTRE * radius
            s[at + 2] = (HELD_F if hold else PRIOR_F) * lens.f
            s[at + 3 : at + 3 + TERMS] = HELD_K if hold else PRIOR_K
            if i > 0:
                s[at + 3 + TERMS : at + _PER_LENS] = np.radians(PRIOR_TURN)
        s[len(self.lenses) * _PER_LENS :] = np.radians(PRIOR_VIEW)
        return s

    def lens_at(self, x: Doubles, i: int) -> tuple[float, float, float, Doubles, Doubles]:
        """(cx, cy, f, k, body from camera)."""
        at = i * _PER_LENS
        turn = cv2.Rodrigues(x[at + 3 + TERMS : at + _PER_LENS])[0]
        k = x[at + 3 : at + 3 + TERMS]
        return float(x[at]), float(x[at + 1]), float(x[at + 2]), k, np.asarray(turn) @ np.array(self.lenses[i].rotation)

    def world_at(self, x: Doubles, view: int) -> Doubles:
        """World from body."""
        nominal = standing(self.views[view])
        if view == 0:
            return nominal
        at = len(self.lenses) * _PER_LENS + 3 * (view - 1)
        return np.asarray(cv2.Rodrigues(x[at : at + 3])[0]) @ nominal

    def look(self, x: Doubles, view: int, lens: int, points: Doubles) -> Doubles:
        """(n, 3) world directions of picture points (n, 2)."""
        cx, cy, f, k, body = self.lens_at(x, lens)
        dx, dy = points[:, 0] - cx, points[:, 1] - cy
        r = np.hypot(dx, dy)
        half = np.radians(self.lenses[lens].fov_deg / 2)
        theta = angle_at(r / f, k, 1.2 * half)
        s = np.sin(theta) / np.maximum(r, 1e-9)
        c = np.stack([s * dx, s * dy, np.cos(theta)], axis=1)
        return np.asarray(c @ (self.world_at(x, view) @ body).T)

    def written(self, x: Doubles, sigma: Doubles) -> tuple[tuple[Lens, ...], tuple[LensView, ...]]:
        """Lenses and views with these numbers and their standard deviations."""
        lenses = []
        for i, lens in enumerate(self.lenses):
            cx, cy, f, k, body = self.lens_at(x, i)
            at = i * _PER_LENS
            turn = sigma[at + 3 + TERMS : at + _PER_LENS]
            told = {
                "cx": float(sigma[at]), "cy": float(sigma[at + 1]), "f": float(sigma[at + 2]),
                "k": [float(v) for v in sigma[at + 3 : at + 3 + TERMS]],
                "R": float(np.degrees(np.sqrt((turn**2).sum()))),
            }  # fmt: skip
            kept = tuple(float(v) for v in k)
            lenses.append(replace(lens, cx=cx, cy=cy, f=f, k=kept, rotation=matrix(body), sigma=told))
        views = []
        for v, view in enumerate(self.views):
            at = len(self.lenses) * _PER_LENS + 3 * (v - 1)
            told = {} if v == 0 else {"world_from_body": float(np.degrees(np.sqrt((sigma[at : at + 3] ** 2).sum())))}
            views.append(replace(view, world_from_body=matrix(self.world_at(x, v)), sigma=told))
        return tuple(lenses), tuple(views)


def of(numbers: LensFile, views: int) -> Body:
    """A body from a lens file; an equisolid lens becomes the polynomial that equals it."""
    return Body(
        lenses=tuple(_polynomial(lens) for lens in numbers.lenses), views=tuple(numbers.view(i) for i in range(views))
    )


def _polynomial(lens: Lens) -> Lens:
    theta = np.linspace(1e-3, np.radians(lens.fov_deg / 2), 400)
    if lens.model == "equidistant" and len(lens.k) <= TERMS:
        return replace(lens, k=(*lens.k, *(0.0,) * (TERMS - len(lens.k))))
    ratio = lens_radius(lens, theta) / (lens.f * theta) - 1
    powers = np.stack([theta ** (2 * i + 2) for i in range(TERMS)], axis=1)
    k = np.linalg.lstsq(powers, ratio, rcond=None)[0]
    return replace(lens, model="equidistant", k=tuple(float(v) for v in k))


def angle_at(t: Doubles, k: Doubles, most: float) -> Doubles:
    """theta with theta (1 + k1 theta^2 + ...) = t, by Newton from theta = t; at most ``most`` radians."""
    theta = np.minimum(t, most)
    for _ in range(8):
        square = theta * theta
        value, slope = np.ones_like(theta), np.ones_like(theta)
        power = square.copy()
        for i, c in enumerate(k):
            value += c * power
            slope += (2 * i + 3) * c * power
            power *= square
        theta = np.clip(theta - (theta * value - t) / np.maximum(slope, 0.1), 0.0, most)
    return theta


def matrix(m: Doubles) -> Matrix:
    """A rotation as plain numbers."""
    r = [[float(v) for v in row] for row in m]
    return ((r[0][0], r[0][1], r[0][2]), (r[1][0], r[1][1], r[1][2]), (r[2][0], r[2][1], r[2][2]))
