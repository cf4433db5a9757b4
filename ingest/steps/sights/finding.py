"""A 24-patch chart, a grey ball or a mirror ball in a picture: where it lies and how sure the look is.

What is found here is a proposal for a person, so each kind must prove itself by what only it shows:

- a chart by its colours: the finder of the picture library looks for a grid of squares, then the 24 means must
  fall on the published colours through one 3x3 matrix, greys in order;
- balls by their outline, shading and squeeze (``balls``).

Rates: `python -m tests.bench.sights`, on seeds that no bound was set on: charts 40 of 40, grey balls 38, mirror balls
37; nothing seen where it is not in 560 frames, nor in 40 views of eight photographs.  Other seeds are harder: of the
first twelve from 700 on, ten grey and seven mirror balls.

Small size first: everything is looked for in about a thousand pixels of width.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from ingest.steps.sights import balls, grid
from ingest.steps.sights.chart import misfit_of

WIDTH = 1000  # looked at; the chart finder's own smallest
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
    found += _balls(small)
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


def _balls(small: Codes) -> list[Sight]:
    height, width = small.shape[:2]
    found = []
    for b in balls.find(small, linear(small)):
        box = ((b.x - b.r, b.y - b.r), (b.x + b.r, b.y - b.r), (b.x + b.r, b.y + b.r), (b.x - b.r, b.y + b.r))
        shares = tuple((x / width, y / height) for x, y in box)
        found.append(Sight(what=b.what, corners=shares, score=b.score))
    return found
