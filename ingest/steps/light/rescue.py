"""What a source that clips in every frame lacks: estimates, each labelled as one, never in place of the measured.

**Grey ball** ("Capturing Light Probes in the Sun", SIGGRAPH 2003 course 19): the diffuse image of the clipped probe +
a x the diffuse image of a unit source = the photographed ball, linear in a for each channel.  Where the ball's camera
looked, and where exactly the ball's outline lies, is fitted with it: the shading itself says so, since the source's
direction in the probe is known.  On the probe's scale (a raw or a merged bracket with its exposure) a is what is
missing.  How far paint and exposure are off that scale is fitted a channel: the ball's side in the shade shows light
that the probe holds whole.  How many readings err as one is measured from what the fit leaves; the sigma follows.

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

from ingest.steps.light.balls import GREY, convolved_cells
from ingest.steps.light.flux import LUMINANCE, Cells, irradiance
from ingest.steps.panorama import fitting
from ingest.steps.panorama.raster import Doubles, Floats, Layout, Raster, sample

SUN_DEG = 0.533  # across
SUN_SR = 6.8e-5  # STANDARDS: a disc of .533 degrees
SUN_LX = 128e3  # outside the atmosphere
CLEAR, HAZE = 0.21, 0.10  # extinction a unit of air mass, and how far a sky that looks clear strays from it
SCALE_SIGMA = 0.20  # relative: marked stops, ISO and lens transmission behind a header's cd/m2 (common practice)
LEVEL_SIGMA = 0.03  # relative: the ball's reflectance and the exposure of its picture (common practice)
PAINT_SIGMA = 0.05  # relative: of each channel by itself, paint and colours of the camera (common practice)
LEAST_HEIGHT_DEG = 5.0  # under it a clear sky is no clear sky
_INSIDE = 0.9  # of the radius: paint and edge betray the rim
_RIM = 0.99  # no pixel is taken to lie farther out
_PIXELS = 1500  # of the ball at most
_PRIOR_DEG, _PRIOR_OUTLINE = (4.0, 3.0, 3.0), 0.02
_UNSURE_DEG = 60.0  # of a heading nobody told, around the best of a look all round
_APART_DEG, LEAST_RIVAL = 15.0, 1.35  # another heading that fits nearly as well makes the best one doubtful
_NOISE = 0.02  # relative: of the ball's pixels
_LEVEL_VARIANCE = LEVEL_SIGMA**2 + PAINT_SIGMA**2
_TOGETHER = 12.0  # readings that err together, until it is measured
_PATCH = 0.16  # radii: the side of a patch whose mean tells how far its pixels err together
_COVERED, _COVER_REACH, _MOST_COVERED, _LOOKS = 6.0, 0.07, 0.3, 3  # spreads; radii; of the ball; times
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
            "method": self.method,
            "label": self.label,
            "direction": list(self.direction),
            "missing_irradiance_rgb": list(self.missing_rgb),
            "sigma_rgb": list(self.sigma_rgb),
            "relative_sigma": self.relative_sigma,
            "sigma_parts": dict(self.parts),
            "residual": self.residual,
            "ball_turn_deg": None if self.turn_deg is None else list(self.turn_deg),
            "ball_turn_sigma_deg": self.turn_sigma_deg,
            "notes": list(self.notes),
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
        """The ball 60 to 120 pixels across, or as it is, and its outline there."""
        cx, cy, r = self.outline
        step = max(1, int(2 * r / 60))
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
        self._together = _TOGETHER
        self.rival = np.inf  # misfit of the next best heading over that of the best
        self._map = convolved_cells(cells, width=96) * np.pi
        self._raster = Raster(height=self._map.shape[0], width=self._map.shape[1], layout=Layout.CORNERS)
        pixels, self._outline = ball.small()
        rows, columns = np.mgrid[0 : pixels.shape[0], 0 : pixels.shape[1]].reshape(2, -1)
        cx, cy, r = self._outline
        inside = np.flatnonzero(np.hypot(columns - cx, rows - cy) < _INSIDE * r)
        inside = inside[:: -(-len(inside) // _PIXELS)]
        self._at = np.stack([columns[inside], rows[inside]], axis=1).astype(np.float64)
        factor = np.pi / np.broadcast_to(np.asarray(ball.reflectance, dtype=np.float64), (3,))
        self._seen = pixels.reshape(-1, 3)[inside].astype(np.float64) * factor  # irradiance
        self._cells = cells
        if not np.isfinite(self._seen).all() or float(self._seen.mean()) <= 0:
            raise ValueError("the ball is black, or no numbers")
        self._level = float((self._seen @ LUMINANCE).mean())

    def _facing(self, x: Doubles) -> Doubles:
        """(n, 3) normals in the world of the ball's pixels, with the outline moved by ``x[3:]``.

        The pixels stay where they are: readings between pixels have less noise, and so would draw the outline there.
        """
        cx, cy, r = self._outline
        across = (self._at - [cx + r * x[3], cy + r * x[4]]) / (r * (1 + x[5]))
        across /= np.maximum(1.0, np.hypot(across[:, 0], across[:, 1]) / _RIM)[:, None]
        depth = np.sqrt(1 - (across**2).sum(axis=1))
        normals = np.stack([-across[:, 0], -across[:, 1], -depth], axis=1)  # the picture's right is -X
        return np.asarray(normals @ turned(x).T)

    def _columns(self, facing: Doubles) -> Doubles:
        """(n, k) what a unit source of each direction gives."""
        return np.stack([np.maximum(facing @ d, 0.0) for d in self._towards], axis=1)

    def amounts(self, x: Doubles, *, exact: bool = False) -> _Solved:
        facing, seen = self._facing(x), self._seen
        if exact:
            flux, vectors = self._cells.coarser(128)
            base = irradiance(vectors, flux, facing)
        else:
            base = sample(self._map, self._raster, facing)
        return _solved(self._columns(facing), seen, base, self._together)

    def residual(self, x: Doubles) -> Doubles:
        """(3 n,) what is left, relative, if the ball's level in each channel may be a little off too: paint that is not
        quite neutral must not pass for a turn."""
        facing, seen = self._facing(x), self._seen
        base = sample(self._map, self._raster, facing)
        spread = np.full(3, _NOISE * self._level)
        weight: NDArray[Any] = np.ones(len(seen))
        for turn in range(4):
            free = turn > 1  # what stands before the ball is weighed down before the level may follow it
            solved = _linear(self._columns(facing), seen, base, weight, spread, self._together, free=free)
            if turn < 3:
                weight = _tail(solved.left)
        return np.asarray(solved.left.ravel() / self._level)

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
            at, covariance = self._solved(start, prior, start)
            tried.append((float(np.abs(self.residual(at)).mean()), at, covariance))
        tried.sort(key=lambda t: t[0])
        self.rival = next(
            (
                t[0] / tried[0][0]
                for t in tried[1:]
                if np.degrees(abs(np.angle(np.exp(1j * (t[1][0] - tried[0][1][0]))))) > _APART_DEG
            ),
            np.inf,
        )
        if self.rival < LEAST_RIVAL:
            raise ValueError("its shading does not say which way its camera looked; give that (--ball-heading)")
        start[0], found = tried[0][1][0] if told is None else start[0], tried[0][1:]
        for _ in range(_LOOKS):
            if not self._cover(found[0]):
                break
            found = self._solved(start, prior, found[0])
        self._together = self._errs_together(found[0])
        return self._solved(start, prior, found[0])

    def _solved(self, start: Doubles, prior: Doubles, begin: Doubles) -> tuple[Doubles, Doubles]:
        fit = fitting.solve(
            self.residual, start, prior, begin=begin, least_spread=0.005, inflate=float(np.sqrt(self._together))
        )
        return fit.x, fit.covariance

    def _errs_together(self, x: Doubles) -> float:
        """How many readings (pixels and channels) err as one: the variance of a patch's mean times its readings, over
        the variance of a reading."""
        left = self.residual(x).reshape(-1, 3)
        _, patch = np.unique(np.floor(self._at / (_PATCH * self._outline[2])), axis=0, return_inverse=True)
        count = np.bincount(patch.ravel())
        mean = np.bincount(patch.ravel(), weights=left.mean(axis=1)) / count
        full = count > count.max() / 2
        whole = float(np.median(left**2)) / 0.455
        return max(1.0, float(np.median(mean[full] ** 2 * 3 * count[full])) / 0.455 / max(whole, 1e-12))

    def _cover(self, x: Doubles) -> bool:
        """Leaves out what stands in front of the ball, and its edge: a hand that is only weighed down still draws the
        outline to where less of it is seen.  False where there is nothing (more)."""
        size = np.abs(self.residual(x).reshape(-1, 3) @ LUMINANCE)
        far = size > _COVERED * max(0.005, 1.4826 * float(np.median(size)))
        if not far.any() or far.mean() > _MOST_COVERED:
            return False
        place = self._at / self._outline[2]
        near = np.zeros(len(place), dtype=bool)
        for middle in place[far]:
            near |= ((place - middle) ** 2).sum(axis=1) < _COVER_REACH**2
        if near.mean() > 1.5 * _MOST_COVERED:
            return False
        self._at, self._seen = self._at[~near], self._seen[~near]
        return True

    def told(self, x: Doubles, covariance: Doubles) -> list[Estimate]:
        suns = self._columns(self._facing(x))
        lit = (suns > _LIT).mean(axis=0)
        if lit.min() < LEAST_LIT:
            raise ValueError("the source shines from behind the ball; photograph it with the source in your back")
        found = self.amounts(x, exact=True)
        amounts, miss = found.amounts, found.left
        steps = np.sqrt(np.maximum(np.diag(covariance), 1e-12))
        slopes = []
        for i, h in enumerate(steps):
            e = np.zeros(6)
            e[i] = h
            slopes.append((self.amounts(x + e).amounts - self.amounts(x - e).amounts) / (2 * h))
        jacobian = np.stack(slopes)  # (6, k, 3)
        placing = np.sqrt(np.maximum(np.einsum("ikc,ij,jkc->kc", jacobian, covariance, jacobian), 0.0))
        sigma = np.sqrt(found.fit**2 + placing**2 + found.level**2)
        residual = float(np.sqrt((miss**2).mean()) / max(float(self._seen.mean()), 1e-12))
        turn = np.degrees(x[:3])
        sure = float(np.degrees(np.sqrt(np.diag(covariance)[:3].sum())))
        out = []
        for k, towards in enumerate(self._towards):
            missing = np.maximum(amounts[k], 0.0)
            whole = max(float(missing @ LUMINANCE), 1e-12)
            parts = {
                name: float(part[k] @ LUMINANCE) / whole
                for name, part in (("fit", found.fit), ("placing", placing), ("level", found.level))
            }
            out.append(
                Estimate(
                    method="grey ball",
                    direction=_triple(towards),
                    missing_rgb=_triple(missing),
                    sigma_rgb=_triple(sigma[k]),
                    label=BALL_LABEL,
                    parts=parts,
                    residual=residual,
                    turn_deg=_triple(np.array([(turn[0] + 180) % 360 - 180, turn[1], turn[2]])),
                    turn_sigma_deg=sure,
                    notes=_notes(residual, found.off, float(amounts[k] @ LUMINANCE), float(sigma[k] @ LUMINANCE)),
                )
            )
        return out


def turned(x: Doubles) -> Doubles:
    """World from the ball's axes of heading (about +Y), pitch (about +X) and roll (about +Z), radians."""
    h, p, r = (float(v) for v in x[:3])
    about_y = np.array([[np.cos(h), 0, np.sin(h)], [0, 1, 0], [-np.sin(h), 0, np.cos(h)]])
    about_x = np.array([[1, 0, 0], [0, np.cos(p), -np.sin(p)], [0, np.sin(p), np.cos(p)]])
    about_z = np.array([[np.cos(r), -np.sin(r), 0], [np.sin(r), np.cos(r), 0], [0, 0, 1]])
    return np.asarray(about_y @ about_x @ about_z)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Solved:
    """``amounts`` (k, 3), what is ``left`` of the ball's picture (n, 3), the amounts' standard deviations (k, 3) by its
    noise (``fit``) and by what stays unknown of its level in each channel (``level``), and that level (3,), 0 = as the
    probe's scale has it (``off``)."""

    amounts: Doubles
    left: Doubles
    fit: Doubles
    level: Doubles
    off: Doubles


def _solved(suns: Doubles, seen: Doubles, base: Doubles, together: float) -> _Solved:
    """Each channel by itself: seen = (1 + level) (base + suns @ amounts), where the level is 0 but for
    :data:`LEVEL_SIGMA` and :data:`PAINT_SIGMA`.

    The side of the ball that the sources leave dark shows what the probe holds whole, and so how far the ball's paint
    and exposure are off; where it shows no such side the level stays as unknown as it was.  A hand or a stand in front
    of the ball counts little (Cauchy weights).  ``together`` readings err as one.
    """
    weight: NDArray[Any] = np.ones(len(suns))
    spread = (seen - base).std(axis=0) + 1e-12
    for turn in range(6):
        solved = _linear(suns, seen, base, weight, spread, together, free=turn > 1)
        if turn < 5:
            spread = np.sqrt((weight[:, None] * solved.left**2).sum(axis=0) / max(float(weight.sum()), 1e-12)) + 1e-12
            weight = _tail(solved.left)
    return solved


def _tail(left: Doubles) -> Doubles:
    """(n,) Cauchy weights."""
    size = np.abs(left @ LUMINANCE)
    around = max(1.4826 * float(np.median(size)), 1e-12)
    return np.asarray(1 / (1 + (size / (2.4 * around)) ** 2))


def _linear(
    suns: Doubles, seen: Doubles, base: Doubles, weight: Doubles, spread: Doubles, together: float, *, free: bool
) -> _Solved:
    """:func:`_solved` by given weights (n,) and noise of each channel (3,); the level is 0 unless ``free``."""
    count, k = suns.shape
    design = np.empty((3, count, k + 1))
    design[:, :, :k], design[:, :, k] = suns, base.T
    sure = design.transpose(0, 2, 1) * (weight / (together * spread[:, None] ** 2))[:, None, :]
    normal = sure @ design
    diagonal = np.arange(k)
    normal[:, diagonal, diagonal] = normal[:, diagonal, diagonal] * (1 + 1e-9) + 1e-30
    normal[:, k, k] += (1.0 if free else 1e9) / _LEVEL_VARIANCE
    over = (seen - base).T[:, :, None]
    covariance = np.linalg.inv(normal)
    told = covariance @ (sure @ over)
    left = (over - design @ told)[:, :, 0].T
    levels = told[:, k, 0]
    off = 1 + np.maximum(-0.5, levels)
    amounts = (told[:, :k, 0] / off[:, None]).T
    # what the level leaves unknown, and the rest: given the level, the amounts err by the noise alone
    own, shared = covariance[:, k, k], covariance[:, :k, k]
    level = np.abs(shared.T / off - told[:, :k, 0].T * own / off**2) / np.sqrt(own)
    alone = covariance[:, diagonal, diagonal] - shared**2 / own[:, None]
    fit = np.sqrt(np.maximum(alone, 0.0)).T / off
    return _Solved(amounts=amounts, left=left, fit=fit, level=level, off=levels)


def _notes(residual: float, off: Doubles, amount: float, sigma: float) -> tuple[str, ...]:
    found = []
    level = float(off @ LUMINANCE)
    if abs(level) > 3 * LEVEL_SIGMA + 2 * PAINT_SIGMA:
        found.append(f"The ball's side in the shade is {100 * level:+.0f} % off what the probe holds of that light; "
                     "the estimate allows for it. Was it exposed as noted, and did it stand where the probe stood?")
    if residual > 0.1:
        found.append(
            f"The ball's shading is {100 * residual:.0f} % away from that of a matte ball in this light: it "
            "stood in another light, or is not matte."
        )
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
