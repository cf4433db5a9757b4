"""A 24-patch chart, a grey ball or a mirror ball in a picture: where it lies and how sure the look is.

What is found here is a proposal for a person, so each kind must prove itself by what only it shows:

- a chart by its colours: the finder of the picture library looks for a grid of squares, then the 24 means must
  fall on the published colours through one 3x3 matrix, greys in order;
- a grey ball by its shading: light on a matt sphere is a smooth function of the normal, so nine coefficients
  explain it (Ramamoorthi and Hanrahan, "An efficient representation for irradiance environment maps", 2001);
- a mirror ball by its squeeze: at distance rho of its radius a sphere shows the world squeezed radially 1/(1 - rho^2)
  times more than around, so detail turns into rings towards the rim, and only there.

Rates in rendered frames no bound was tuned on: charts 12 of 12, grey balls 9 of 12, mirror balls 3 of 12, nothing seen
in 108 frames that was not there; in 96 views into photographed places one grey ball too many.  ``tests/steps/sights``
prints them (-m campaign).

Small size first: everything is looked for in about a thousand pixels of width.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from ingest.steps.sights import grid
from ingest.steps.sights.chart import misfit_of

WIDTH = 1000  # looked at; the chart finder's own smallest
CIRCLES = 24  # candidates judged in one picture
SMALLEST_RADIUS = 16  # pixels at that width: below, neither shading nor squeeze can be told
Codes = npt.NDArray[np.uint8]
Plane = npt.NDArray[np.float32]


@dataclass(frozen=True, kw_only=True, slots=True)
class Sight:
    """``what`` is chart, grey_ball or mirror_ball; ``corners`` in shares of width and height (a ball: of its
    square, from the upper left clockwise; a chart: of its field of patches, from the corner at its dark skin patch
    on, in its own order);
    ``score`` from 0 to 1, for choosing between finds, no probability."""

    what: str
    corners: tuple[tuple[float, float], ...]
    score: float

    def to_json(self) -> dict[str, Any]:
        return {"what": self.what, "corners": [list(c) for c in self.corners], "score": round(self.score, 3)}


def seek(rgb: Codes) -> list[Sight]:
    """What is seen in (H, W, 3) 8-bit R, G, B codes of a display encoding; best first, at most one chart."""
    small = shrink(rgb)
    found = [c for c in (chart(small),) if c is not None]
    found += balls(small)
    return sorted(found, key=lambda s: -s.score)


def shrink(rgb: Codes) -> Codes:
    import cv2

    scale = WIDTH / max(rgb.shape[:2])
    if scale >= 1:
        return np.ascontiguousarray(rgb)
    return np.ascontiguousarray(cv2.resize(rgb, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA))


def linear(codes: Codes) -> Plane:
    """Display codes to light, 1 = white (IEC 61966-2-1); a camera's own curve differs, which the bounds allow for."""
    v = codes.astype(np.float32) / 255.0
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4).astype(np.float32)


# -- chart -----------------------------------------------------------------------------------------

WORST_FIT = 0.13  # rms misfit in cube-root light; charts stay under 0.05, their wrong turns over 0.2


def chart(small: Codes) -> Sight | None:
    """The chart, if its 24 means prove it: among the fields of squares first, then by the library's finder."""
    light = linear(small)
    found = [turned for corners in grid.fields(small) if (turned := settled(light, corners)) is not None]
    if not found:
        found = [turned for corners in _by_library(small) if (turned := settled(light, corners)) is not None]
    if not found:
        return None
    corners, misfit = min(found, key=lambda f: f[1])
    height, width = small.shape[:2]
    shares = tuple((float(x) / width, float(y) / height) for x, y in corners)
    return Sight(what="chart", corners=shares, score=float(np.clip(1 - misfit / WORST_FIT, 0, 1)) * 0.5 + 0.5)


def _by_library(small: Codes) -> list[npt.NDArray[np.float32]]:
    import cv2

    detector = cv2.mcc.CCheckerDetector.create()
    best = detector.getBestColorChecker() if detector.process(np.ascontiguousarray(small[..., ::-1]), 1) else None
    return [] if best is None else [np.asarray(best.getBox(), np.float32).reshape(4, 2)]


def settled(light: Plane, corners: npt.NDArray[np.float32]) -> tuple[npt.NDArray[np.float32], float] | None:
    """The corners in the chart's own order and the misfit; None where no order gives the chart's colours."""
    tried = []
    x, y = corners.T
    if float(x @ np.roll(y, -1) - y @ np.roll(x, -1)) < 0:
        corners = corners[::-1]  # a chart is never seen from behind
    for n in range(4):
        turn = np.roll(corners, -n, axis=0)
        means = patches(light, turn)
        if means is not None:
            tried.append((misfit_of(means), n))
    if not tried:
        return None
    misfit, n = min(tried)
    turn = np.roll(corners, -n, axis=0)
    means = patches(light, turn)
    assert means is not None
    greys = means[18:].mean(axis=1)
    if misfit > WORST_FIT or not np.all(np.diff(greys) < 0):
        return None
    return turn, float(misfit)


def patches(light: Plane, corners: npt.NDArray[np.float32]) -> npt.NDArray[np.float64] | None:
    """(24, C) medians of the middle of each patch of ``light`` (H, W, C); ``corners`` (4, 2) in its pixels, those of
    the field of 6 x 4 patches.  None where a patch has no pixel of its own or is burnt out throughout."""
    import cv2

    field = np.array([[0, 0], [6, 0], [6, 4], [0, 4]], np.float32)
    to_picture = cv2.getPerspectiveTransform(field, np.ascontiguousarray(corners, np.float32))
    side = np.linspace(0.35, 0.65, 7)
    x, y = np.meshgrid(side, side)
    out = []
    for row in range(4):
        for column in range(6):
            at = np.stack([x.ravel() + column, y.ravel() + row], axis=1)[None].astype(np.float32)
            places = cv2.perspectiveTransform(at, to_picture)[0]
            rows, columns = np.round(places[:, 1]).astype(int), np.round(places[:, 0]).astype(int)
            inside = (rows >= 0) & (columns >= 0) & (rows < light.shape[0]) & (columns < light.shape[1])
            if inside.sum() < 25:
                return None
            out.append(np.median(light[rows[inside], columns[inside]], axis=0))
    return np.array(out, np.float64)


# -- balls -----------------------------------------------------------------------------------------


def balls(small: Codes) -> list[Sight]:
    """Balls that prove themselves, best first, none over another."""
    import cv2

    grey = cv2.cvtColor(small, cv2.COLOR_RGB2GRAY)
    soft = cv2.GaussianBlur(grey, (0, 0), 1.5)
    circles = cv2.HoughCircles(soft, cv2.HOUGH_GRADIENT_ALT, 1.5, SMALLEST_RADIUS, param1=120, param2=0.75,
                               minRadius=SMALLEST_RADIUS, maxRadius=min(grey.shape) // 2)
    if circles is None:
        return []
    light = linear(small)
    found: list[tuple[Sight, float, float, float]] = []
    for x, y, r in np.asarray(circles, float).reshape(-1, circles.shape[-1])[:CIRCLES, :3]:
        judged = judge(light, x, y, r) if rim(soft, x, y, r) >= RIM else None
        if judged is not None:
            what, score = judged
            height, width = grey.shape
            box = ((x - r, y - r), (x + r, y - r), (x + r, y + r), (x - r, y + r))
            shares = tuple((float(a) / width, float(b) / height) for a, b in box)
            found.append((Sight(what=what, corners=shares, score=score), x, y, r))
    found.sort(key=lambda f: -f[0].score)
    kept: list[tuple[Sight, float, float, float]] = []
    for one in found:
        if all(np.hypot(one[1] - k[1], one[2] - k[2]) > max(one[3], k[3]) for k in kept):
            kept.append(one)
    return [s for s, *_ in kept[:4]]


RIM = 0.7  # share of directions in which an edge runs along the circle; bricks and leaves make circles by chance


def rim(grey: Codes, x: float, y: float, r: float) -> float:
    """In which share of the directions a step about as steep as any near a circle lies on it."""
    import cv2

    turn = np.linspace(0, 2 * np.pi, 72, endpoint=False)[:, None]
    reach = np.linspace(0.78, 1.22, 45)[None]
    columns, rows = (x + r * reach * np.cos(turn)).astype(np.float32), (y + r * reach * np.sin(turn)).astype(np.float32)
    lines = cv2.remap(grey, columns, rows, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE).astype(np.float32)
    steps = np.abs(np.diff(cv2.blur(lines, (3, 1)), axis=1))
    middle = (reach[0, 1:] + reach[0, :-1]) / 2
    on = np.abs(middle - 1) < 0.055
    return float((steps[:, on].max(axis=1) >= np.maximum(1.0, 0.5 * steps.max(axis=1))).mean())


def judge(light: Plane, x: float, y: float, r: float) -> tuple[str, float] | None:
    """What a circle (pixels) is, with a score; None for neither ball."""
    import cv2

    size = 96
    disc = _cut(light, x, y, r, size)
    if disc is None:
        return None
    span = (np.arange(size) + 0.5) / size * 2 - 1
    nx, ny = np.meshgrid(span, -span)
    rho2 = nx**2 + ny**2
    inside = rho2 < 0.9**2
    normal = np.stack([nx, ny, np.sqrt(np.clip(1 - rho2, 0, 1))], axis=-1)
    lit = disc.mean(axis=2)
    if float((disc[inside] > 0.97).any(axis=1).mean()) > 0.25 or float(lit[inside].mean()) < 0.004:
        return None  # burnt out or black: nothing can be proven
    shading = _shading(disc, normal, inside)
    if shading is not None:
        return "grey_ball", shading
    curved = cv2.GaussianBlur(np.cbrt(lit).astype(np.float32), (0, 0), 1.0)
    squeeze = _squeeze(curved, nx, ny, np.sqrt(rho2))
    return None if squeeze is None else ("mirror_ball", squeeze)


def _cut(light: Plane, x: float, y: float, r: float, size: int) -> Plane | None:
    """The square around a circle, (size, size, 3); None where it leaves the picture."""
    import cv2

    if x - r < -0.05 * r or y - r < -0.05 * r or x + r > light.shape[1] + 0.05 * r or y + r > light.shape[0] + 0.05 * r:
        return None
    scale = 2 * r / size
    to = np.array([[scale, 0, x - r], [0, scale, y - r]], np.float32)
    return np.asarray(
        cv2.warpAffine(light, to, (size, size), flags=cv2.INTER_LINEAR | cv2.WARP_INVERSE_MAP,
                       borderMode=cv2.BORDER_REPLICATE), np.float32,
    )


GREY_MISFIT = 0.12  # of the mean light, beside what nine coefficients explain
GREY_SHADE = 0.10  # a disc that is shaded less is flat, or nobody could tell
GREY_LEAN = 0.3  # share of the shading that falls off across the ball
GREY_TINT = 0.13  # scatter of the colour over the ball: one material under lights of several colours


def _shading(disc: Plane, normal: npt.NDArray[np.float64], inside: npt.NDArray[np.bool_]) -> float | None:
    n = normal[inside]
    x, y, z = n[:, 0], n[:, 1], n[:, 2]
    basis = np.stack([np.ones_like(x), x, y, z, x * y, y * z, x * z, x * x - y * y, 3 * z * z - 1], axis=1)
    lit = disc.mean(axis=2)[inside].astype(np.float64)
    weights, *_ = np.linalg.lstsq(basis, lit, rcond=None)
    model = basis @ weights
    mean = float(lit.mean())
    misfit = float(np.sqrt(np.mean((lit - model) ** 2))) / mean
    shade = float(model.std()) / mean
    bright = lit > 0.3 * mean
    share = disc[inside][bright] / np.maximum(lit[bright], 1e-6)[:, None]
    tint = float(np.sqrt(share.var(axis=0).mean()))
    if misfit > GREY_MISFIT or shade < GREY_SHADE or tint > GREY_TINT:
        return None
    # Shading leans to where the light is; a glow (a lamp, a lens flare) is alike all around.
    if float(np.hypot(weights[1], weights[2])) * 0.45 < GREY_LEAN * float(model.std()):
        return None
    middle = share.mean(axis=0)
    if middle.max() / max(float(middle.min()), 1e-6) > 1.75:
        return None  # no neutral thing under any usual light in a balanced picture
    return float(np.clip(1 - misfit / (1.25 * GREY_MISFIT), 0, 1))


# Radial over tangential energy of the detail.  Isotropic detail gives (1 - rho^2)^-2, about 8 in the outer ring before
# blur and noise; rendered mirror balls gave 1.7 to 4.5 there and 0.5 to 1.2 inside, wheels 0.03 to 0.15 inside.
SQUEEZED = 1.55
SPOKED = 0.3  # inside: less is spokes, which run outwards
RINGED = 3.0  # inside: more is a dial
DETAIL = 6e-5  # mean squared slope of cube-root light on the 96 pixel grid; less is smooth


def _squeeze(curved: Plane, nx: Any, ny: Any, rho: Any) -> float | None:
    import cv2

    # What is the same all around (the rim of a wheel, a glow) is no reflected world.
    ring_of = np.clip((rho * 32).astype(int), 0, 45)
    mean = np.bincount(ring_of.ravel(), curved.ravel(), 46) / np.maximum(1, np.bincount(ring_of.ravel(), minlength=46))
    curved = curved - np.interp(rho, (np.arange(46) + 0.5) / 32, mean).astype(np.float32)
    gx = cv2.Sobel(curved, cv2.CV_32F, 1, 0, ksize=3, scale=0.125)
    gy = -cv2.Sobel(curved, cv2.CV_32F, 0, 1, ksize=3, scale=0.125)
    safe = np.maximum(rho, 1e-3)
    radial = (gx * nx + gy * ny) / safe
    around = (-gx * ny + gy * nx) / safe
    ratio = []
    for low, high in ((0.15, 0.5), (0.5, 0.72), (0.72, 0.9)):
        ring = (rho >= low) & (rho < high)
        ratio.append((float((radial[ring] ** 2).mean()), float((around[ring] ** 2).mean())))
    (r0, t0), (r1, t1), (r2, t2) = ratio
    if t0 + r0 < DETAIL or t2 < DETAIL / 6:
        return None
    inner, middle, outer = r0 / max(t0, 1e-9), r1 / max(t1, 1e-9), r2 / t2
    if not SPOKED < inner < RINGED or middle < SPOKED or outer < SQUEEZED or outer < 1.2 * max(inner, middle):
        return None
    return float(np.clip(np.log(outer / SQUEEZED) / np.log(5.0), 0, 1)) * 0.8 + 0.2
