"""What a source that clips in every frame lacks: estimates, each labelled as one, never in place of the measured.

**Grey ball** ("Capturing Light Probes in the Sun", SIGGRAPH 2003 course 19): the diffuse image of the clipped probe +
a x the diffuse image of a unit source = the photographed ball, linear in a for each channel.  Where the ball's camera
looked, and where exactly the ball's outline lies, is fitted with it: the shading itself says so, since the source's
direction in the probe is known.  On the probe's scale (a raw or a merged bracket with its exposure) a is what is
missing; without a scale one more unknown is fitted, and little is left of the certainty.

**The sun's disc**: direct sunlight through a clear sky, E = 128 klx exp(-c m) (form and solar illuminance constant as
published for daylight calculation; c = .21 for a clear sky, and m = 1 / sin(height), from memory), over the cd/m2 of
pixel 1.0 that the picture's header states.  It holds for nothing but the sun in a clear sky without an ND filter, and
tells no colour.

Errors on simulated truth: ``tests/bench/light.py rescue``.  What no figure holds: a ball that is no Lambert surface, in
another light than the probe (the shade of the one who holds it), or seen from near.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from ingest.steps.light.balls import GREY, ball_normals, convolved_cells
from ingest.steps.light.flux import LUMINANCE, Cells, irradiance
from ingest.steps.panorama import fitting
from ingest.steps.panorama.raster import Doubles, Floats, Layout, Raster, sample

SUN_DEG = 0.533  # across
SUN_SR = 6.8e-5  # STANDARDS: a disc of .533 degrees
SUN_LX = 128e3  # outside the atmosphere
CLEAR, HAZE = 0.21, 0.10  # extinction a unit of air mass, and how far a sky that looks clear strays from it
SCALE_SIGMA = 0.20  # relative: marked stops, ISO and lens transmission behind a header's cd/m2 (common practice)
LEVEL_SIGMA = 0.03  # relative: the ball's reflectance and the exposure of its picture (common practice)
LEAST_HEIGHT_DEG = 5.0  # under it a clear sky is no clear sky
_INSIDE = 0.9  # of the radius: paint and edge betray the rim
_GRID = 48  # normals across the ball while fitting
_PRIOR_DEG, _PRIOR_OUTLINE = (4.0, 3.0, 3.0), 0.02
_UNSURE_DEG = 60.0  # of a heading nobody told, around the best of a look all round
_APART_DEG, LEAST_RIVAL = 15.0, 1.35  # another heading that fits nearly as well makes the best one doubtful
_NOISE, _LEVEL_PRIOR = 0.02, 0.05  # relative: of the ball's pixels, and of its level while the placing is sought
_INDEPENDENT = 120.0  # patches of the ball that err by themselves
_LIT, LEAST_LIT = 0.2, 0.15  # a normal is lit above this cosine; the share of the ball's picture that must be
BALL_LABEL = "ESTIMATE from the photographed grey ball, not measured"
SUN_LABEL = "ESTIMATE from the sun's known size and a clear sky at the header's scale, not measured"
Mask = NDArray[np.bool_]


@dataclass(frozen=True, kw_only=True, slots=True)
class Estimate:
    """``missing_rgb``: irradiance on a plane facing the source that the probe lacks, units of the probe times sr;
    ``sigma_rgb`` its standard deviation, made of ``parts`` (relative to the missing luminance).  ``method`` is
    "grey ball" or "sun's disc".  ``residual`` is the fit's relative rms, ``turn_deg`` (heading, pitch, roll) where the
    ball's camera looked and ``turn_sigma_deg`` how well that is known."""

    method: str
    direction: tuple[float, float, float]
    missing_rgb: tuple[float, float, float]
    sigma_rgb: tuple[float, float, float]
    label: str
    parts: dict[str, float]
    residual: float | None = None
    turn_deg: tuple[float, float, float] | None = None
    turn_sigma_deg: float | None = None
    notes: tuple[str, ...] = ()

    @property
    def luminance(self) -> float:
        return float(np.dot(self.missing_rgb, LUMINANCE))

    @property
    def relative_sigma(self) -> float | None:
        """Of the missing luminance; None where nothing is missing."""
        sigma = float(np.dot(self.sigma_rgb, LUMINANCE))
        return sigma / self.luminance if self.luminance > 0 else None

    def to_json(self) -> dict[str, Any]:
        return {
            "method": self.method, "label": self.label, "direction": list(self.direction),
            "missing_irradiance_rgb": list(self.missing_rgb), "sigma_rgb": list(self.sigma_rgb),
            "relative_sigma": self.relative_sigma, "sigma_parts": dict(self.parts), "residual": self.residual,
            "ball_turn_deg": None if self.turn_deg is None else list(self.turn_deg),
            "ball_turn_sigma_deg": self.turn_sigma_deg, "notes": list(self.notes),
        }


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class BallPicture:
    """A photographed matte ball: ``pixels`` (h, w, 3) linear, on the probe's scale; the ``outline``
    (cx, cy, radius) in its pixels, whole numbers being pixel centres.

    ``heading_deg`` is where its camera looked (0 = +Z of the probe, right-handed about +Y), None where nobody knows.
    ``reflectance`` is a number or one a channel.
    """

    pixels: Floats
    outline: tuple[float, float, float]
    heading_deg: float | None = None
    reflectance: float | Sequence[float] = GREY

    def small(self) -> tuple[NDArray[np.float32], Doubles]:
        """The ball about 160 pixels across and its outline there."""
        cx, cy, r = self.outline
        step = max(1, int(2 * r / 160))
        x0, y0 = max(0, int(cx - 1.2 * r)), max(0, int(cy - 1.2 * r))
        x1, y1 = int(cx + 1.2 * r) + 2, int(cy + 1.2 * r) + 2
        cut = np.ascontiguousarray(self.pixels[y0:y1, x0:x1], dtype=np.float32)
        height, width = cut.shape[0] // step, cut.shape[1] // step
        if min(height, width) < 12:
            raise ValueError("the ball does not lie in its picture, or is smaller than a dozen pixels")
        cut = cut[: height * step, : width * step]
        shrunk = np.asarray(cv2.resize(cut, (width, height), interpolation=cv2.INTER_AREA), dtype=np.float32)
        return shrunk, np.array([(cx - x0 + 0.5) / step - 0.5, (cy - y0 + 0.5) / step - 0.5, r / step])


def from_grey_ball(cells: Cells, directions: Sequence[Doubles], ball: BallPicture) -> list[Estimate]:
    """What each of a few clipped sources (unit ``directions``, up to three) lacks, from the ball's shading.

    ``cells`` are of the clipped probe.  Raises ValueError, with the reason, where the ball tells nothing.
    """
    towards = [np.asarray(d, dtype=np.float64) / np.linalg.norm(d) for d in directions]
    fit = _Fit(cells, towards, ball)
    turn, covariance = fit.placed()
    return fit.told(turn, covariance)


class _Fit:
    """Unknowns of the placing: heading, pitch, roll (radians), and the outline's shift (2) and growth in radii; the
    amounts are linear and solved for inside."""

    def __init__(self, cells: Cells, towards: Sequence[Doubles], ball: BallPicture) -> None:
        self._towards, self._ball = towards, ball
        self.rival = np.inf  # misfit of the next best heading over that of the best
        self._map = convolved_cells(cells, width=96) * np.pi
        self._raster = Raster(height=self._map.shape[0], width=self._map.shape[1], layout=Layout.CORNERS)
        normals, inside = ball_normals(_GRID)
        use = (inside > 0) & (np.hypot(normals[..., 0], normals[..., 1]) < _INSIDE)
        self._normals = normals[use]
        self._pixels, self._outline = ball.small()
        self._factor = np.pi / np.broadcast_to(np.asarray(ball.reflectance, dtype=np.float64), (3,))
        self._cells = cells
        level = self._seen(np.zeros(6))
        if not np.isfinite(level).all() or float(level.mean()) <= 0:
            raise ValueError("the ball is black, or no numbers")
        self._level = float((level @ LUMINANCE).mean())

    def _seen(self, x: Doubles) -> Doubles:
        """(n, 3) irradiance by the ball's picture at the normals, with the outline moved by ``x[3:]``."""
        cx, cy, r = self._outline
        radius = r * (1 + x[5])
        at_x = cx + r * x[3] - radius * self._normals[:, 0]  # the picture's right is -X
        at_y = cy + r * x[4] - radius * self._normals[:, 1]
        grid = [np.asarray(a, np.float32)[:, None] for a in (at_x, at_y)]
        found = cv2.remap(self._pixels, grid[0], grid[1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        return np.asarray(found, np.float64).reshape(-1, 3) * self._factor

    def _facing(self, x: Doubles) -> Doubles:
        return np.asarray(self._normals @ turned(x).T)

    def _columns(self, facing: Doubles) -> Doubles:
        """(n, k) what a unit source of each direction gives."""
        return np.stack([np.maximum(facing @ d, 0.0) for d in self._towards], axis=1)

    def amounts(self, x: Doubles, *, exact: bool = False) -> tuple[Doubles, Doubles, Doubles]:
        """(amounts (k, 3), residual (n, 3), the amounts' standard deviations by white noise (k, 3))."""
        facing, seen = self._facing(x), self._seen(x)
        if exact:
            flux, vectors = self._cells.coarser(128)
            base = irradiance(vectors, flux, facing)
        else:
            base = sample(self._map, self._raster, facing)
        return _linear(self._columns(facing), seen - base)

    def residual(self, x: Doubles) -> Doubles:
        """(3 n,) what is left, relative, if the ball's level in each channel may be a little off too: paint that is not
        quite neutral must not pass for a turn."""
        facing, seen = self._facing(x), self._seen(x)
        base = sample(self._map, self._raster, facing)
        suns, left = self._columns(facing), seen - base
        miss = np.empty_like(left)
        for c in range(3):
            design = np.column_stack([suns, base[:, c]])
            normal = design.T @ design + 1e-9 * np.eye(design.shape[1])
            normal[-1, -1] += len(design) * (_NOISE * self._level / _LEVEL_PRIOR) ** 2
            miss[:, c] = left[:, c] - design @ np.linalg.solve(normal, design.T @ left[:, c])
        return np.asarray(miss.ravel() / self._level)

    def placed(self) -> tuple[Doubles, Doubles]:
        """(unknowns, their covariance)."""
        told = self._ball.heading_deg
        prior = np.radians([*_PRIOR_DEG, 0, 0, 0])
        prior[3:] = _PRIOR_OUTLINE
        if told is not None:
            starts = [np.radians(told)]
        else:
            prior[0] = np.radians(_UNSURE_DEG)
            around = np.radians(np.arange(0.0, 360.0, 7.5))
            misses = [float(np.abs(self.residual(np.array([h, 0, 0, 0, 0, 0]))).mean()) for h in around]
            starts = []
            for h in around[np.argsort(misses)]:
                if len(starts) < 3 and all(abs(np.angle(np.exp(1j * (h - s)))) > 0.5 for s in starts):
                    starts.append(float(h))
        tried: list[tuple[float, Doubles, Doubles]] = []
        for heading in starts:
            start = np.array([heading, 0, 0, 0, 0, 0], dtype=np.float64)
            # neighbours on the ball err together: the sigmas are those of as many patches as err by themselves
            inflate = float(np.sqrt(len(self._normals) * 3 / _INDEPENDENT))
            fit = fitting.solve(self.residual, start, prior, begin=start, least_spread=0.005, inflate=inflate)
            tried.append((float(np.abs(self.residual(fit.x)).mean()), fit.x, fit.covariance))
        tried.sort(key=lambda t: t[0])
        self.rival = next((t[0] / tried[0][0] for t in tried[1:]
                           if np.degrees(abs(np.angle(np.exp(1j * (t[1][0] - tried[0][1][0]))))) > _APART_DEG), np.inf)
        if self.rival < LEAST_RIVAL:
            raise ValueError("its shading does not say which way its camera looked; give that (--ball-heading)")
        return tried[0][1], tried[0][2]

    def told(self, x: Doubles, covariance: Doubles) -> list[Estimate]:
        suns = self._columns(self._facing(x))
        lit = (suns > _LIT).mean(axis=0)
        if lit.min() < LEAST_LIT:
            raise ValueError("the source shines from behind the ball; photograph it with the source in your back")
        amounts, miss, noise = self.amounts(x, exact=True)
        count = len(self._normals)
        grow = np.sqrt(max(1.0, count / _INDEPENDENT))
        steps = np.sqrt(np.maximum(np.diag(covariance), 1e-12))
        slopes = []
        for i, h in enumerate(steps):
            e = np.zeros(6)
            e[i] = h
            slopes.append((self.amounts(x + e)[0] - self.amounts(x - e)[0]) / (2 * h))
        jacobian = np.stack(slopes)  # (6, k, 3)
        placing = np.sqrt(np.maximum(np.einsum("ikc,ij,jkc->kc", jacobian, covariance, jacobian), 0.0))
        # the ball's level: what a relative error of it adds to the amounts
        level = LEVEL_SIGMA * np.abs(_linear(suns, self._seen(x))[0])
        sigma = np.sqrt((noise * grow) ** 2 + placing**2 + level**2)
        residual = float(np.sqrt((miss**2).mean()) / max(float(self._seen(x).mean()), 1e-12))
        turn = np.degrees(x[:3])
        sure = float(np.degrees(np.sqrt(np.diag(covariance)[:3].sum())))
        out = []
        for k, towards in enumerate(self._towards):
            missing = np.maximum(amounts[k], 0.0)
            whole = max(float(missing @ LUMINANCE), 1e-12)
            parts = {name: float(part[k] @ LUMINANCE) / whole for name, part in
                     (("fit", noise * grow), ("placing", placing), ("level", level))}
            out.append(Estimate(
                method="grey ball", direction=_triple(towards), missing_rgb=_triple(missing),
                sigma_rgb=_triple(sigma[k]),
                label=BALL_LABEL, parts=parts, residual=residual,
                turn_deg=_triple(np.array([(turn[0] + 180) % 360 - 180, turn[1], turn[2]])), turn_sigma_deg=sure,
                notes=_notes(residual, float(amounts[k] @ LUMINANCE), float(sigma[k] @ LUMINANCE)),
            ))
        return out


def turned(x: Doubles) -> Doubles:
    """World from the ball's axes of heading (about +Y), pitch (about +X) and roll (about +Z), radians."""
    h, p, r = (float(v) for v in x[:3])
    about_y = np.array([[np.cos(h), 0, np.sin(h)], [0, 1, 0], [-np.sin(h), 0, np.cos(h)]])
    about_x = np.array([[1, 0, 0], [0, np.cos(p), -np.sin(p)], [0, np.sin(p), np.cos(p)]])
    about_z = np.array([[np.cos(r), -np.sin(r), 0], [np.sin(r), np.cos(r), 0], [0, 0, 1]])
    return np.asarray(about_y @ about_x @ about_z)


def _linear(suns: Doubles, left: Doubles) -> tuple[Doubles, Doubles, Doubles]:
    """Amounts (k, 3) with suns @ amounts near left, what is left, and the amounts' standard deviations; a hand or a
    stand in front of the ball counts little (Cauchy weights)."""
    weight: NDArray[Any] = np.ones(len(left))
    amounts: NDArray[Any] = np.zeros((suns.shape[1], 3))
    miss: NDArray[Any] = left
    ridge = 1e-9 * np.eye(suns.shape[1])
    for _ in range(4):
        normal = (suns * weight[:, None]).T @ suns + ridge
        amounts = np.linalg.solve(normal, (suns * weight[:, None]).T @ left)
        miss = left - suns @ amounts
        size = np.abs(miss @ LUMINANCE)
        spread = max(1.4826 * float(np.median(size)), 1e-12)
        weight = 1 / (1 + (size / (2.4 * spread)) ** 2)
    inverse = np.linalg.inv((suns * weight[:, None]).T @ suns + ridge)
    rms = np.sqrt((weight[:, None] * miss**2).sum(axis=0) / max(weight.sum(), 1e-12))
    sigma = np.sqrt(np.diag(inverse))[:, None] * rms[None, :]
    return np.asarray(amounts, np.float64), np.asarray(miss, np.float64), sigma


def _notes(residual: float, amount: float, sigma: float) -> tuple[str, ...]:
    found = []
    if residual > 0.1:
        found.append(f"The ball's shading is {100 * residual:.0f} % away from that of a matte ball in this light: it "
                     "stood in another light, or is not matte.")
    if amount < 2 * sigma:
        found.append("The ball does not show that anything is missing.")
    return tuple(found)


def from_sun(
    direction: Doubles, measured_rgb: Sequence[float], white_luminance: float, elevation_deg: float | None = None
) -> Estimate:
    """What a clipped sun lacks if the sky is clear and no filter was on, from its height and the header's scale.

    ``measured_rgb`` is the irradiance that the probe holds of it, ``white_luminance`` the cd/m2 of pixel 1.0.
    Raises ValueError for a source lower than :data:`LEAST_HEIGHT_DEG`.
    """
    towards = np.asarray(direction, dtype=np.float64) / np.linalg.norm(direction)
    height = float(np.degrees(np.arcsin(np.clip(towards[1], -1, 1)))) if elevation_deg is None else elevation_deg
    if height < LEAST_HEIGHT_DEG:
        raise ValueError(f"the source stands {height:.0f} degrees high, too low for a clear sky's figures")
    mass = 1 / np.sin(np.radians(height))
    whole = SUN_LX * np.exp(-CLEAR * mass) / white_luminance
    measured = float(np.dot(measured_rgb, LUMINANCE))
    sigma = whole * np.sqrt(SCALE_SIGMA**2 + (HAZE * mass) ** 2)
    missing = max(0.0, whole - measured)
    return Estimate(
        method="sun's disc", direction=_triple(towards), missing_rgb=(missing,) * 3, sigma_rgb=(float(sigma),) * 3,
        label=SUN_LABEL,
        parts={"scale": SCALE_SIGMA, "sky": float(HAZE * mass)},
        notes=("It holds for nothing but the sun, in a clear sky, without an ND filter; its colour is not told.",
               f"With it the sun's disc would have {(missing + measured) * white_luminance / SUN_SR:.2g} cd/m2."),
    )  # fmt: skip


def with_sources(picture: Floats, cells: Cells, estimates: Sequence[Estimate]) -> Doubles:
    """(H, W, 3) a copy of the probe with the missing light put back, each as a disc of the sun's size.

    Its energy is exact on the raster: the pixels' shares are scaled to the estimated irradiance.
    """
    raster = cells.raster
    made = np.array(picture, dtype=np.float64)
    half = max(np.radians(SUN_DEG / 2), 0.75 * raster.pitch_rad)
    for estimate in estimates:
        cosine = raster.directions() @ np.array(estimate.direction)
        angle = np.arccos(np.clip(cosine, -1, 1))
        share = np.clip((half + raster.pitch_rad / 2 - angle) / raster.pitch_rad, 0.0, 1.0)
        solid = float((share * raster.solid_angles() * np.maximum(cosine, 0)).sum())
        made += share[..., None] * np.array(estimate.missing_rgb) / solid
    return made


def on_scale(ball: BallPicture, factor: float) -> BallPicture:
    """The ball's picture times ``factor``: from its own scale to the probe's."""
    return replace(ball, pixels=np.asarray(ball.pixels, np.float32) * np.float32(factor))


def _triple(values: Doubles) -> tuple[float, float, float]:
    return (float(values[0]), float(values[1]), float(values[2]))
