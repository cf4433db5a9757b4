"""Grey balls and mirror balls in a picture; each must prove itself by what only it shows: better none than a false one.

1. *Candidates*: circles that the picture library's finder votes for, in the picture and in one of evened contrast.
2. *Outline*: each is fitted anew to the steps along its radii, for shading and squeeze are told from a few per cent of
   the radius.  A ball stands before what is behind it, so the step must run all the way round.
3. *Grey*: light on a matt sphere is a smooth function of the normal, so nine coefficients explain it (Ramamoorthi and
   Hanrahan, "An efficient representation for irradiance environment maps", 2001), and a plane alone does not: that is
   a sky in a round window, a plate in sidelight.  It leans to one side (a lamp glows alike all round), its colour is
   one and nearly neutral.
4. *Mirror*: the whole world is in it, so it is busier than what is around it, and has colours.  At rho of its radius a
   sphere seen from afar turns the view by twice the angle of its normal, so the world is squeezed radially
   1/(1 - rho^2) times more than around: slopes are alike in the middle and run outwards towards the rim.  A dial has
   spokes or rings further in, a coin one colour, a painted ball mostly shading.

The bounds were set on frames of seeds 101 to 199, as ``tests/bench/sights.py tune`` renders them, and on photographs
without a ball; what rendered balls gave stands beside each.  The rates that ``finding`` states come from other seeds.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

Codes = npt.NDArray[np.uint8]
Plane = npt.NDArray[np.float32]
Numbers = npt.NDArray[np.float64]

SMALLEST_RADIUS = 16  # pixels: below, neither shading nor squeeze can be told
SMALLEST_MIRROR = 22
CIRCLES = 24  # candidates judged of each way of looking
SIDE = 96  # pixels of the square that a ball is judged in
_TURN = np.linspace(0, 2 * np.pi, 96, endpoint=False)


@dataclass(frozen=True, kw_only=True, slots=True)
class Ball:
    """``what`` grey_ball or mirror_ball, at ``x``, ``y`` with radius ``r`` in pixels; ``score`` 0 to 1 for choosing."""

    what: str
    x: float
    y: float
    r: float
    score: float


def find(small: Codes, light: Plane) -> list[Ball]:
    """Balls in (H, W, 3) display codes and the same as ``light``; best first, none over another."""
    curved = np.cbrt(light).astype(np.float32)
    found = []
    for x, y, r in candidates(small):
        # What is squeezed against the rim may draw the outline inwards, a glow outwards: begin from both sides.
        for start in (1.08, 1.0, 0.93):
            at = outlined(curved, x, y, r * start)
            judged = judge(light, curved, *at)
            if judged is not None:
                found.append(Ball(what=judged[0], x=at[0], y=at[1], r=at[2], score=judged[1]))
                break
    kept: list[Ball] = []
    for one in sorted(found, key=lambda b: -b.score):
        if all(np.hypot(one.x - k.x, one.y - k.y) > max(one.r, k.r) for k in kept):
            kept.append(one)
    return kept[:4]


# -- candidates and their outline ------------------------------------------------------------------


def candidates(small: Codes) -> list[tuple[float, float, float]]:
    """Circles (x, y, r) worth a closer look, each once."""
    grey = cv2.cvtColor(small, cv2.COLOR_RGB2GRAY)
    evened = cv2.createCLAHE(2.0, (8, 8)).apply(grey)
    found: list[tuple[float, float, float]] = []
    for plane, blur, agreement in ((grey, 1.5, 0.7), (evened, 2.0, 0.45)):
        circles = cv2.HoughCircles(
            cv2.GaussianBlur(plane, (0, 0), blur), cv2.HOUGH_GRADIENT_ALT, 1.5, SMALLEST_RADIUS, param1=120,
            param2=agreement, minRadius=SMALLEST_RADIUS, maxRadius=min(grey.shape) // 2,
        )
        if circles is None:
            continue
        for x, y, r in np.asarray(circles, float).reshape(-1, circles.shape[-1])[:CIRCLES, :3]:
            if all(np.hypot(x - a, y - b) > 0.15 * c or abs(r - c) > 0.15 * c for a, b, c in found):
                found.append((float(x), float(y), float(r)))
    return found


def _along_radii(picture: Plane, x: float, y: float, r: float, reach: Numbers) -> Plane:
    """(directions, reach, C): the picture along the radii of a circle; ``reach`` in shares of ``r``."""
    columns = (x + r * reach[None] * np.cos(_TURN)[:, None]).astype(np.float32)
    rows = (y + r * reach[None] * np.sin(_TURN)[:, None]).astype(np.float32)
    return np.asarray(cv2.remap(picture, columns, rows, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), np.float32)


def outlined(curved: Plane, x: float, y: float, r: float) -> tuple[float, float, float]:
    """The circle fitted to the steepest step along each radius, in ever narrower windows; steps that lie off it (what
    is seen in the ball, a stand) count little."""
    soft = cv2.GaussianBlur(curved, (0, 0), 1.0)
    for window in (0.22, 0.12, 0.07, 0.05):
        reach = np.linspace(1 - window, 1 + window, int(np.clip(3 * window * r, 9, 61)))
        steps = np.abs(np.diff(_along_radii(soft, x, y, r, reach), axis=1)).sum(axis=2)
        middle = (reach[1:] + reach[:-1]) / 2
        steps = steps * np.exp(-0.5 * ((middle - 1) / (0.6 * window)) ** 2)
        radius = middle[steps.argmax(axis=1)] * r
        strength = steps.max(axis=1).astype(np.float64)
        strength = np.minimum(strength, np.median(strength))  # no bright edge rules the others
        across, down = x + radius * np.cos(_TURN), y + radius * np.sin(_TURN)
        fitted = _circle(across, down, strength, r)
        if np.hypot(fitted[0] - x, fitted[1] - y) > 0.3 * r or not 0.7 < fitted[2] / r < 1.4:
            break
        x, y, r = fitted
    return x, y, r


def _circle(across: Numbers, down: Numbers, strength: Numbers, r: float) -> tuple[float, float, float]:
    """Least squares on x^2 + y^2 = 2 a x + 2 b y + c, weighted anew by the misfit (Cauchy)."""
    weight = strength + 1e-9
    rows = np.stack([2 * across, 2 * down, np.ones_like(across)], axis=1)
    square = across**2 + down**2
    a = b = radius = 0.0
    for _ in range(6):
        solved, *_ = np.linalg.lstsq(rows * weight[:, None], square * weight, rcond=None)
        a, b = float(solved[0]), float(solved[1])
        radius = float(np.sqrt(max(1.0, solved[2] + a * a + b * b)))
        off = (np.hypot(across - a, down - b) - radius) / r
        weight = (strength + 1e-9) / (1 + (off / 0.015) ** 2)
    return a, b, radius


def rim(curved: Plane, x: float, y: float, r: float) -> tuple[float, float]:
    """In which share of the directions the steepest step near the circle lies on it, nearly; and how high it is there
    (cube-root light, three channels together, median)."""
    soft = cv2.GaussianBlur(curved, (0, 0), 0.8)
    reach = np.linspace(0.8, 1.2, int(np.clip(0.6 * r, 41, 121)))
    steps = np.abs(np.diff(_along_radii(soft, x, y, r, reach), axis=1)).sum(axis=2)
    on = np.abs((reach[1:] + reach[:-1]) / 2 - 1) < max(0.03, 1.5 / r)
    best = steps[:, on].max(axis=1)
    pitch = (reach[1] - reach[0]) * r
    clear = best >= np.maximum(0.011 * pitch, 0.5 * steps.max(axis=1))
    return float(clear.mean()), float(np.median(best))


def framed(curved: Plane, x: float, y: float, r: float) -> bool:
    """Whether a ring lies close around a circle, as a frame around a window or a rim on a plate: a ball has none."""
    soft = cv2.GaussianBlur(curved, (0, 0), 0.8)
    reach = np.linspace(1.04, 1.4, int(np.clip(0.9 * r, 24, 120)))
    profile = _along_radii(soft, x, y, r, reach)
    between = profile[:, reach < 1.08].mean(axis=1)
    if float(between.std(axis=0).mean()) > FRAME_EVEN * max(float(between.mean()), 1e-6):
        return False
    steps = np.abs(np.diff(profile, axis=1)).sum(axis=2)
    at, pitch = (reach[1:] + reach[:-1]) / 2, (reach[1] - reach[0]) * r
    least = np.maximum(0.011 * pitch, 0.7 * steps.max(axis=1))
    second = (np.abs(at - k) < max(0.03, 1.5 / r) for k in np.arange(1.08, 1.34, 0.02))
    return max(float((steps[:, on].max(axis=1) >= least).mean()) for on in second) > FRAMED


# -- what it is ------------------------------------------------------------------------------------


RIM = 0.72  # share of the directions with a step: 0.79 to 0.98 of rendered mirror balls, grey ones 0.97 to 1
GREY_RIM = 0.85  # of a grey ball: 0.95 and more, in the sample cards' clip 0.88
STEP = 0.015  # its height
GREY_STEP = 0.025  # of a grey ball: 0.035 and more; a round hill against the sky has 0.017
# A frame: a second step all the way round (share of the directions, 0.95 and more of round windows, of rendered balls
# at most 0.57 but for one small one), and between the two one even thing (scatter over mean: windows up to 0.03, what
# stands behind balls 0.06 and more).
FRAMED, FRAME_EVEN = 0.85, 0.045
BUSIER = 0.65  # logarithm of the slopes inside over those around: 0.93 to 1.7 of rendered mirror balls, chance gives 0


def busier(curved: Plane, x: float, y: float, r: float) -> float:
    """How much steeper slopes are inside a circle than around it, as a logarithm; of mean or median, the lesser."""
    height, width = curved.shape[:2]
    x0, x1 = max(0, int(x - 1.8 * r)), min(width, int(x + 1.8 * r) + 1)
    y0, y1 = max(0, int(y - 1.8 * r)), min(height, int(y + 1.8 * r) + 1)
    soft = cv2.GaussianBlur(curved[y0:y1, x0:x1].mean(axis=2), (0, 0), 0.8)
    slope = np.hypot(cv2.Sobel(soft, cv2.CV_32F, 1, 0, scale=0.125), cv2.Sobel(soft, cv2.CV_32F, 0, 1, scale=0.125))
    down, across = np.mgrid[y0:y1, x0:x1]
    away = np.hypot(across + 0.5 - x, down + 0.5 - y) / r
    inside, around = slope[away < 0.9], slope[(away > 1.12) & (away < 1.8)]
    if not len(inside) or not len(around):
        return 0.0
    pairs = ((inside.mean(), around.mean()), (np.median(inside), np.median(around)))
    return float(min(np.log(max(float(a), 1e-6) / max(float(b), 1e-6)) for a, b in pairs))


def judge(light: Plane, curved: Plane, x: float, y: float, r: float) -> tuple[str, float] | None:
    """What a circle (pixels) is, with a score; None for neither ball."""
    disc = _cut(light, x, y, r)
    if disc is None or r < SMALLEST_RADIUS * 0.9:
        return None
    inside = _GRID[2] < 0.92
    lit = disc.mean(axis=2)
    if float((disc[inside] > 0.97).any(axis=1).mean()) > 0.35 or float(lit[inside].mean()) < 0.004:
        return None  # burnt out or black: nothing can be proven
    share, step = rim(curved, x, y, r)
    if share < RIM or step < STEP or framed(curved, x, y, r):
        return None
    busy = busier(curved, x, y, r)
    clear = share >= GREY_RIM and step >= GREY_STEP
    grey = _shaded(disc, inside, GREY_BENT_BUSY if busy > GREY_BUSY else 0.0) if clear else None
    if grey is not None:
        return "grey_ball", grey
    if r < SMALLEST_MIRROR or busy < BUSIER:
        return None
    mirror = _squeezed(disc, lit)
    return None if mirror is None else ("mirror_ball", mirror)


def _grid() -> tuple[Numbers, Numbers, Numbers]:
    span = (np.arange(SIDE) + 0.5) / SIDE * 2 - 1
    nx, ny = np.meshgrid(span, -span)
    return nx, ny, np.hypot(nx, ny)


_GRID = _grid()


def _cut(light: Plane, x: float, y: float, r: float) -> Plane | None:
    """The square around a circle, (SIDE, SIDE, 3); None where it leaves the picture."""
    if x - r < -0.05 * r or y - r < -0.05 * r or x + r > light.shape[1] + 0.05 * r or y + r > light.shape[0] + 0.05 * r:
        return None
    scale = 2 * r / SIDE
    to = np.array([[scale, 0, x - r], [0, scale, y - r]], np.float32)
    return np.asarray(
        cv2.warpAffine(light, to, (SIDE, SIDE), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
                       borderMode=cv2.BORDER_REPLICATE), np.float32,
    )


def _harmonics(inside: npt.NDArray[np.bool_]) -> Numbers:
    """(N, 9): the first nine spherical harmonics of the normals, up to factors."""
    nx, ny, rho = _GRID
    x, y = nx[inside], ny[inside]
    z = np.sqrt(np.clip(1 - rho[inside] ** 2, 0, 1))
    return np.stack([np.ones_like(x), x, y, z, x * y, y * z, x * z, x * x - y * y, 3 * z * z - 1], axis=1)


def _fitted(basis: Numbers, values: Numbers) -> tuple[Numbers, Numbers]:
    weights: Numbers = np.asarray(np.linalg.lstsq(basis, values, rcond=None)[0])
    return np.asarray(basis @ weights), weights


GREY_MISFIT = 0.13  # of the mean light, beside what nine coefficients explain
GREY_SHADE = 0.12  # a disc that is shaded less is flat, or nobody could tell
# A plane fits worse by this factor, and by more the larger the misfit: 1.5 to 11 of rendered balls, 1.1 to 1.6 of round
# windows with a sky in them.
GREY_BENT = (1.05, 9.0)
# A matt ball is smoother than what is around it; one that is not (the ground is smoother still) is lit from the side,
# so that a plane fits far worse: 2.3 and more, round windows up to 2.1.
GREY_BUSY, GREY_BENT_BUSY = -0.15, 2.15
# Nearly flat shading proves nothing, unless lights of several colours make it: half of rendered balls scatter more.
GREY_LIGHTS = 0.06
GREY_LEAN = 0.3  # share of the shading that falls off across the ball
GREY_TINT = 0.15  # scatter of the colour over the ball: one material, under lights of several colours
GREY_COLOUR = 1.75  # largest over smallest channel: no neutral thing under any usual light in a balanced picture


def _shaded(disc: Plane, inside: npt.NDArray[np.bool_], bent: float) -> float | None:
    lit = disc.mean(axis=2)[inside].astype(np.float64)
    basis = _harmonics(inside)
    model, weights = _fitted(basis, lit)
    mean = float(lit.mean())
    misfit, shade = float(np.sqrt(np.mean((lit - model) ** 2))) / mean, float(model.std()) / mean
    if misfit > GREY_MISFIT or shade < GREY_SHADE:
        return None
    if float(np.hypot(weights[1], weights[2])) * 0.45 < GREY_LEAN * float(model.std()):
        return None
    middle, tint = _colour(disc[inside])
    flat, _ = _fitted(basis[:, :3], lit)
    least = 0.0 if tint >= GREY_LIGHTS else max(bent, GREY_BENT[0] + GREY_BENT[1] * misfit)
    if float(np.sqrt(np.mean((lit - flat) ** 2))) / mean < least * misfit:
        return None
    if tint > GREY_TINT or middle.max() / max(float(middle.min()), 1e-6) > GREY_COLOUR:
        return None
    return float(np.clip(1 - misfit / (1.25 * GREY_MISFIT), 0, 1))


def _colour(seen: Plane) -> tuple[Numbers, float]:
    """Of (N, 3) light that is not dark: the mean share of each channel, and how much the shares scatter."""
    lit = seen.mean(axis=1)
    bright = lit > 0.3 * lit.mean()
    share = seen[bright] / np.maximum(lit[bright], 1e-6)[:, None]
    return np.asarray(share.mean(axis=0), np.float64), float(np.sqrt(share.var(axis=0).mean()))


# Logarithms of radial over tangential energy of the detail in rings.  Isotropic detail gives 2 ln 1/(1 - rho^2), about
# 2 in the outer ring before blur and noise; what rendered mirror balls gave (5 to 95 %) stands behind each bound.
RINGS = ((0.15, 0.5), (0.5, 0.72), (0.72, 0.9), (0.84, 0.94))
ALIKE = (-0.95, 1.0)  # innermost: -0.46 to 0.45; lower is spokes, higher a dial
TURNING = (-0.95, 1.2)  # next: -0.16 to 0.76
SQUEEZED = (0.2, 1.8)  # outer: 0.42 to 1.45; more is rings
AT_RIM = (0.3, 2.5)  # outermost: 0.5 to 2.1
GROWTH = 0.15  # from the innermost to the outer ones
TYPICAL = 0.15  # the same of mean slopes, which no single line rules: 0.27 to 0.8
DETAIL = 0.05  # scatter of cube-root light beside the rings' means: 0.06 to 0.11; less is smooth
AROUND = 3.2e-5  # mean squared slope along the outer ring: what is the same all round reflects nothing
COLOURED = 0.6  # spread of the channels over the mean: painted tiles and posters have more
TINTED = 0.07  # scatter of the shares of the channels: 0.08 to 0.19; metal in relief, a painted ball: one colour
# Share of the scatter that nine coefficients explain: 0.54 to 0.8, painted balls 0.74 to 0.92.  A sky above and a
# ground below are much of it too, but they bring their colours.
SHADED, SHADED_COLOURS, COLOURS = (0.42, 0.79), 0.86, 0.13


def _squeezed(disc: Plane, lit: Plane) -> float | None:
    nx, ny, rho = _GRID
    inside = rho < 0.92
    seen = disc[inside]
    if float((seen.max(axis=1) - seen.min(axis=1)).mean()) > COLOURED * float(seen.mean()):
        return None
    tint = _colour(seen)[1]
    if tint < TINTED:
        return None
    curved = np.cbrt(lit).astype(np.float32)
    values = curved[inside].astype(np.float64)
    model, _ = _fitted(_harmonics(inside), values)
    most = SHADED[1] if tint < COLOURS else SHADED_COLOURS
    if not SHADED[0] < float(model.std()) / max(float(values.std()), 1e-9) < most:
        return None
    rings = _ring_slopes(cv2.GaussianBlur(curved, (0, 0), 1.0), nx, ny, rho)
    if rings is None:
        return None
    (inner, middle, outer, last), typical = rings
    bounds = ((inner, ALIKE), (middle, TURNING), (outer, SQUEEZED), (last, AT_RIM))
    if not all(low < value < high for value, (low, high) in bounds):
        return None
    if typical < TYPICAL or max(outer, last) - inner < GROWTH:
        return None
    return float(np.clip(0.3 + 0.35 * (max(outer, last) - max(inner, middle, 0.0)) + 0.3 * typical, 0.2, 1.0))


def _ring_slopes(curved: Plane, nx: Any, ny: Any, rho: Any) -> tuple[list[float], float] | None:
    """The logarithms of each ring, and of the mean slopes in the third; None where there is too little detail."""
    # What is the same all around (the rim of a wheel, a glow) is no reflected world.
    ring_of = np.clip((rho * 32).astype(int), 0, 45)
    mean = np.bincount(ring_of.ravel(), curved.ravel(), 46) / np.maximum(1, np.bincount(ring_of.ravel(), minlength=46))
    curved = curved - np.interp(rho, (np.arange(46) + 0.5) / 32, mean).astype(np.float32)
    if float(curved[rho < 0.9].std()) < DETAIL:
        return None
    gx = cv2.Sobel(curved, cv2.CV_32F, 1, 0, ksize=3, scale=0.125)
    gy = -cv2.Sobel(curved, cv2.CV_32F, 0, 1, ksize=3, scale=0.125)
    safe = np.maximum(rho, 1e-3)
    radial, around = (gx * nx + gy * ny) / safe, (-gx * ny + gy * nx) / safe
    logs = []
    for low, high in RINGS:
        ring = (rho >= low) & (rho < high)
        logs.append(float(np.log(max(float((radial[ring] ** 2).mean()), 1e-9) /
                                 max(float((around[ring] ** 2).mean()), 1e-9))))
    ring = (rho >= RINGS[2][0]) & (rho < RINGS[2][1])
    if float((around[ring] ** 2).mean()) < AROUND:
        return None
    return logs, float(np.log(float(np.abs(radial[ring]).mean()) / max(float(np.abs(around[ring]).mean()), 1e-9)))
