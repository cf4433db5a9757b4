"""What went wrong while a bracket was shot, from its frames: thresholds come from simulated truth.

Frames are compared in pairs of neighbours and next neighbours in exposure.  The brighter frame of a pair foretells
the darker one, and the darker one where the brighter is at its rail.  One weighted least-squares fit gives the
camera's turn, the change of light and of colour; what is left after warping by that turn is movement.  So the faults
do not pass for one another.  A reading is used where the *forecast* around it stands above the noise: choosing by the
reading itself, or by its own forecast, would favour the bright half of the noise, which in few dark pixels passes for a
change of colour.  It weighs what its noise, its rounding and the steepness of the picture there allow.  A pair that
shares too little is *not checkable*, which is said, not "fine".

The pairs are then solved for one value a frame.  Light and colour change at one moment for all frames after it, or
for one frame: both are looked for, against what shutters do by themselves.

The thresholds below stand at or above the 99th percentile of each statistic among simulated bursts without the fault in
question and with every other fault present: 200 from small frames, 150 through the merge from TIFF files and 150 from
JPEG (``CODEC_PIXELS`` on 200 others from JPEG).  ``tests/bench/quality.py`` measures the rates on fresh ones: on 200
small ones and 102 through each kind of file no check was false in more than 1 of 62 without its fault.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from ingest.records.findings import finding
from ingest.steps.panorama.raster import Doubles, Layout, Raster

Single = NDArray[np.float32]
Mask = NDArray[np.bool_]
LUMINANCE = np.array([0.212639, 0.715169, 0.072192], dtype=np.float32)
CLIPPED_AT = 0.995
NEAR_WHITE = 0.96  # of what saturates behind a codec
RAIL = 0.9  # of white: above it noise may have been cut off
LEAST_SHARED = 8.0  # pixels, or as many noisier ones as weigh the same
SURE = 0.008  # natural log: a pair whose light is known no better has not found itself
TURN_ERRORS, TURN_DEG = 4.8, 0.02
CONSENT_ERRORS = 2.0  # for what another measurement claims at the same place
LIGHT_ERRORS, WHITE_ERRORS, MOTION_SCORE = 3.3, 2.8, 60.0
SHUTTER, COLOUR = 0.01, 0.002  # natural log: what a frame strays by itself in light, and in red against blue
LIGHT_DOUBT, COLOUR_DOUBT = 0.6, 0.5  # of a curve's misfit: it averages out over levels, and bends channels much alike
CODEC_COLOUR = 0.2  # natural log times the root of the pixels shared: what a codec does to the colour of few
CODEC_PIXELS = 1.0  # by which a frame behind a codec seems to stray, times the misfit of its curve
CODEC_FEW = 16_000.0  # pixels shared, from which on it does; of fewer the blocks move all
ALONE = 0.8  # so many more places to look at, so much surer must one frame be
LEAST_TURN = 1e-3  # degrees (pixels), alike
LEAST_SIGMA = 2e-4  # natural log: no pair is believed to tell more
TURN_SHARED = 150.0  # as LEAST_SHARED, for a turn: a few lamps follow no small turn
TURN_SHARED_CODED = 600.0  # and behind a codec, whose blocks move what little stands in the dark
PATCH_SIGMAS, PATCH_SHARED = 5.0, 25.0
NOISE_STOPS = 1.0
_POLAR, _PAD = 0.95, 3  # sine of the latitude above which rows are looked up by direction; rows for the interpolation
_SHARED_NOISE = math.sqrt(2)
_FORECAST = 3.0  # standard deviations of the reading above which a forecast counts
_MODEL = 0.02  # relative: what lens, codec and interpolation leave
_EDGE = 0.12  # pixels by which an edge may stand elsewhere
_ENOUGH = 20_000  # pixels that settle a pair
_ROUNDED = 25.0  # times the rounding of codes that a forecast must be: a dark code says little, and not evenly
_OVER_BLACK = 25.0  # times what the black level may be off: 4 % of light
_MOVED = 0.15  # relative change that is no shading
_BEYOND = 0.6  # of a forecast: below it lies no change of light, also where the pair's own is not known


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class FrameLook:
    """One exposure: ``units`` (t x S / N^2), ``light`` (h, w, 3) linear with 1 = saturation, averaged down
    to 128 to 512 pixels across, ``peak`` the largest photosite of the *whole* frame (1 = saturation), where
    it lies (``peak_at``: x, y as parts of width and height), and ``clipped_share`` of all photosites.

    ``floor`` and ``gain`` are of a photosite's variance (floor + gain x), of which ``sites`` were averaged;
    ``step`` (256,) is the deviation of rounding by light from 0 to 1, which averaging does not remove.
    ``black`` is how far the black level may be off.
    ``whole`` (h, w): no photosite there is clipped, None where ``light`` tells.
    """

    units: float
    light: Single
    peak: float
    peak_at: tuple[float, float] = (0.5, 0.5)
    clipped_share: float = 0.0
    floor: float = 1e-7
    gain: float = 5e-5
    sites: float = 1.0
    step: Doubles | None = None
    black: float = 0.0
    whole: Mask | None = None

    @property
    def below_the_rail(self) -> Mask:
        own = _most(self.light) < RAIL
        return np.asarray(own if self.whole is None else own & self.whole)

    @property
    def least(self) -> float:
        """The least light of which a reading tells something without favour: above noise and rounding."""
        noise = max(_FORECAST * math.sqrt(self.floor), _OVER_BLACK * self.black)
        if self.step is None:
            return noise
        grid = np.linspace(0, 1, 4096)
        coarse = grid < _ROUNDED * np.interp(grid, np.linspace(0, 1, len(self.step)), self.step)
        return max(noise, float(grid[np.flatnonzero(coarse)[-1]]) if coarse.any() else 0.0)

    def variance(self, light: Doubles) -> Doubles:
        """Of a pixel of ``light`` (any shape)."""
        noise: Doubles = (self.floor + self.gain * np.maximum(light, 0)) / self.sites
        if self.step is not None:
            noise = noise + np.interp(light, np.linspace(0, 1, len(self.step)), self.step) ** 2
        return noise


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Pair:
    """Two frames compared: ``turn`` (3,) in degrees about x, y, z for a lat-long, else shifts in px and a roll;
    ``turn_sigma`` alike; ``light_stops``, ``red_blue`` (natural log) of the brighter frame's radiance over
    the darker's with ``sigma`` of the light (natural log); ``moved`` (h, w) in standard deviations where something
    else moved, signed as the later frame's radiance is higher or lower; ``shared`` pixels' worth of evidence."""

    first: int
    second: int
    shared: float
    turn: Doubles
    turn_sigma: Doubles
    light_stops: float
    sigma: float
    red_blue: float
    red_blue_sigma: float
    moved: Single

    @property
    def checkable(self) -> bool:
        return self.shared >= LEAST_SHARED and self.sigma < SURE


def compare(looks: Sequence[FrameLook], *, latlong: bool, corrections: Sequence[float] | None = None) -> list[Pair]:
    """Pairs of neighbours and next neighbours, dark to bright.  ``corrections`` are refined exposure factors, where
    known."""
    order = sorted(range(len(looks)), key=lambda i: looks[i].units)
    shape = looks[0].light.shape[:2]
    basis = _turn_flows(shape) if latlong else _Flows(along=_shift_flows(shape))
    made: list[Pair] = []
    for k in range(len(order) - 1):
        for j in (k + 1, k + 2):
            if j < len(order):
                a, b = order[k], order[j]
                factors = (1.0, 1.0) if corrections is None else (corrections[a], corrections[b])
                made.append(_pair(looks, a, b, basis, factors))
    return made


def judge(
    looks: Sequence[FrameLook], *, latlong: bool, corrections: Sequence[float] | None = None
) -> list[dict[str, Any]]:
    """Findings on a bracket; ``frames`` are indices into ``looks``."""
    return judge_pairs(looks, compare(looks, latlong=latlong, corrections=corrections), latlong=latlong)


def judge_pairs(looks: Sequence[FrameLook], pairs: Sequence[Pair], *, latlong: bool) -> list[dict[str, Any]]:
    """As :func:`judge`, of pairs that were compared before."""
    return [*_clipped(looks, latlong), *_noise(looks), *changes(looks, pairs, latlong=latlong)]


def changes(
    looks: Sequence[FrameLook], pairs: Sequence[Pair], *, latlong: bool, doubt: float = 0.0
) -> list[dict[str, Any]]:
    """What changed between the frames.  ``doubt`` is the rms misfit (natural log) of the tone curve of coded frames:
    light and colour are known no better than that."""
    return [*_turned(pairs, latlong, stray(looks, doubt, latlong=latlong)), *_light(pairs, doubt),
            *_white(pairs, doubt), *_moved(looks, pairs, latlong)]


def not_checkable(pairs: Sequence[Pair]) -> tuple[int, ...]:
    """Frames that share too little with any neighbour to be judged for movement, turn or light."""
    frames = {i for p in pairs for i in (p.first, p.second)}
    return tuple(sorted(frames - {i for p in pairs if p.checkable for i in (p.first, p.second)}))


#: What only a comparison of frames tells.
BETWEEN_FRAMES = ("camera_moved", "light_changed", "white_shift", "motion")


def _shared_for_turn(coded: bool) -> float:
    return TURN_SHARED_CODED if coded else TURN_SHARED


def checks(pairs: Sequence[Pair], count: int, *, doubt: float = 0.0) -> list[dict[str, Any]]:
    """For each check between frames whether it could be made, and of which frames (dark to bright) it says nothing.
    ``doubt`` as in :func:`changes`.

    A frame in which only lamps are above the noise shares too little with the next: nothing found there is not "fine".
    """
    dark = not_checkable(pairs)
    enough = _shared_for_turn(doubt > 0)
    turned_by = {i for p in pairs if p.checkable and p.shared >= enough for i in (p.first, p.second)}
    moved_by = {i for p in pairs if p.checkable and p.shared >= PATCH_SHARED for i in (p.first, p.second)}
    out = []
    for kind in BETWEEN_FRAMES:
        seen = {"camera_moved": turned_by, "motion": moved_by}.get(kind, set(range(count)) - set(dark))
        missing = [i for i in range(count) if i not in seen]
        why = "" if not missing else (
            "no two frames share enough that is neither dark nor clipped" if len(missing) > count - 2 else
            "too little in these frames is neither dark nor clipped to compare them with the next"
        )
        out.append({"check": kind, "made": len(missing) <= count - 2, "why": why, "frames": missing})
    return out


def together(looks: Sequence[FrameLook]) -> Single:
    """The small frames as one picture (h, w, 3), relative radiance: each place from the brightest that holds it."""
    order = sorted(range(len(looks)), key=lambda i: looks[i].units)
    made = looks[order[0]].light / np.float32(looks[order[0]].units)
    for i in order[1:]:
        holds = looks[i].below_the_rail
        made = np.where(holds[..., None], looks[i].light / np.float32(looks[i].units), made)
    scale = np.float32(looks[order[len(order) // 2]].units)
    return np.asarray(made * scale, np.float32)


# -- one pair ------------------------------------------------------------------------------------------


def _pair(looks: Sequence[FrameLook], a: int, b: int, basis: _Flows, factors: tuple[float, float]) -> Pair:
    """The brighter frame ``b`` is warped on the darker ``a`` and foretells it."""
    one, two = looks[a], looks[b]
    ratio = two.units * factors[1] / (one.units * factors[0])
    flows = basis.along
    turn, sigma = np.zeros(len(flows)), np.full(len(flows), np.inf)
    level, level_sigma, red_blue, rb_sigma, shared = 0.0, np.inf, 0.0, np.inf, 0.0
    moved: Single | None = None
    for turns in range(4):
        light, held, inside = _warped(two, basis, turn)
        below = _shrunk(held) & inside  # the slopes beside a clipped pixel are not the scene's
        forecast = light / ratio
        grey = np.asarray(forecast @ LUMINANCE, np.float64)
        noise = one.variance(grey) * float((LUMINANCE**2).sum()) + two.variance(grey * ratio) / ratio**2
        gx, gy = _slopes(np.asarray(grey, np.float32))
        steep = np.sqrt(gx * gx + gy * gy)
        spread = noise + (_MODEL * grey) ** 2 + (_EDGE * steep) ** 2
        use = below & (_most(one.light) < 1.2) & (_least(_beside(forecast)) > one.least)
        shared = float((use * (grey * grey / (spread / _MODEL**2 + 1e-30))).sum()) if use.any() else 0.0
        if int(use.sum()) < 25 or shared < LEAST_SHARED / 4:
            break
        left = np.asarray(one.light @ LUMINANCE - grey, np.float64)
        some = _some(use)
        free = flows if shared >= TURN_SHARED else []  # few pixels follow any turn: they are taken to stand
        columns = [np.asarray(gx[some] * x[some] + gy[some] * y[some], np.float64) for x, y in free]
        solved, errors, weight = _fit([*columns, grey[some]], left[some], spread[some])
        level_sigma = errors[-1]
        if free:
            turn, sigma = turn + solved[:-1], errors[:-1]
        level = -float(np.log1p(max(-0.9, solved[-1])))
        if turns == 3 or np.abs(solved[:-1]).max(initial=0.0) < 2e-3:
            red_blue, rb_sigma = _colour(one, two, forecast, some, weight, ratio)
            columns = [np.asarray(gx[use] * x[use] + gy[use] * y[use], np.float64) for x, y in free]
            residual = left[use] - np.stack([*columns, grey[use]], axis=1) @ solved
            if not free:
                residual = _short_of(residual, grey, use)
            if shared >= PATCH_SHARED and level_sigma < SURE:
                moved = _movement(one, two, light, held, use, residual, spread, grey, float(1 + solved[-1]), ratio,
                                  inside)
            break
    if moved is None:  # what the rails tell needs no fit
        moved = _patches(*_beyond_the_rails(one, two, two.light, two.below_the_rail,
                                            np.zeros(one.light.shape[:2], np.bool_), ratio))  # fmt: skip
    return Pair(first=a, second=b, shared=shared, turn=turn, turn_sigma=sigma, light_stops=level / math.log(2),
                sigma=float(level_sigma), red_blue=red_blue, red_blue_sigma=rb_sigma, moved=moved)  # fmt: skip


def _short_of(residual: Doubles, grey: Doubles, use: Mask) -> Doubles:
    """What is left of residuals where the picture may stand a pixel elsewhere, because its turn is not known."""
    reach = np.ones((3, 3), np.uint8)
    around = np.asarray(grey, np.float32)
    span = np.maximum(cv2.dilate(around, reach) - around, around - cv2.erode(around, reach))[use]
    return np.asarray(np.sign(residual) * np.maximum(np.abs(residual) - span, 0), np.float64)


def _most(light: Single) -> Single:
    """The largest of three channels.  (numpy's own reduction over a short last axis is ten times slower.)"""
    return np.maximum(np.maximum(light[..., 0], light[..., 1]), light[..., 2])


def _least(light: Single) -> Single:
    return np.minimum(np.minimum(light[..., 0], light[..., 1]), light[..., 2])


def _some(use: Mask) -> tuple[NDArray[np.intp], ...]:
    """Rows and columns of at most ``_ENOUGH`` pixels of a mask, evenly taken."""
    at = np.nonzero(use)
    step = -(-len(at[0]) // _ENOUGH)
    return tuple(v[::step] for v in at)


def _beside(light: Single) -> Single:
    """(h, w, 3) mean of the eight pixels around each: what chooses a pixel must not share its noise."""
    return (np.asarray(cv2.blur(light, (3, 3)), np.float32) * np.float32(9) - light) / np.float32(8)


def _shrunk(mask: Mask) -> Mask:
    return np.asarray(cv2.erode(mask.astype(np.uint8), np.ones((5, 5), np.uint8)) > 0)


def _slopes(field: Single) -> tuple[Single, Single]:
    soft = cv2.GaussianBlur(np.ascontiguousarray(field, np.float32), (0, 0), 0.7)
    return (np.asarray(cv2.Scharr(soft, cv2.CV_32F, 1, 0) / 32, np.float32),
            np.asarray(cv2.Scharr(soft, cv2.CV_32F, 0, 1) / 32, np.float32))


def _fit(columns: Sequence[Doubles], left: Doubles, spread: Doubles) -> tuple[Doubles, Doubles, Doubles]:
    """Weighted least squares, Cauchy-weighted besides; the answer, its standard errors, the weights."""
    design = np.stack(columns, axis=1)
    sure: Doubles = 1.0 / spread
    weight: NDArray[Any] = sure
    solved: Doubles = np.zeros(design.shape[1])
    normal: Doubles = np.eye(design.shape[1])
    for _ in range(5):
        normal = (design * weight[:, None]).T @ design
        normal[np.diag_indices_from(normal)] *= 1 + 1e-9
        normal[np.diag_indices_from(normal)] += 1e-30
        solved = np.linalg.solve(normal, (design * weight[:, None]).T @ left)
        off = np.asarray((left - design @ solved) ** 2 * sure, np.float64)
        scale = max(0.05, float(np.median(off)) / 0.455)
        weight = sure / (1 + off / (scale * 2.4**2))
    errors = np.sqrt(np.maximum(np.diag(np.linalg.inv(normal)), 0) * scale)
    return solved, errors, np.asarray(weight, np.float64)


def _colour(
    one: FrameLook, two: FrameLook, forecast: Single, some: tuple[NDArray[np.intp], ...], weight: Doubles, ratio: float
) -> tuple[float, float]:
    """Natural log of the change of red against blue, and its standard error."""
    logs, errors = [], []
    for c in (0, 2):
        told, seen = forecast[..., c][some].astype(np.float64), one.light[..., c][some].astype(np.float64)
        own = two.variance(told * ratio) / ratio**2
        w = np.minimum(weight, 1 / (one.variance(told) + own + (_MODEL * told) ** 2))
        # the forecast's own noise is no light
        total = float((w * np.maximum(told * told - own, told * told / 2)).sum())
        logs.append(-math.log(max(0.1, float((w * told * seen).sum()) / total)))
        errors.append(1 / math.sqrt(total))
    return logs[0] - logs[1], math.hypot(*errors)


def _movement(
    one: FrameLook, two: FrameLook, light: Single, held: Mask, use: Mask, residual: Doubles, spread: Doubles,
    grey: Doubles, level: float, ratio: float, inside: Mask,
) -> Single:
    """Standard deviations by which 3 x 3 pixels changed, signed as the brighter frame shows more (+) or less (-)
    light there than the darker one; 0 where nothing can be said.  ``light`` is that of ``two``, warped, and ``held``
    where it is below its rail."""
    score, share, told = _beyond_the_rails(one, two, light, held, use | ~inside, ratio / level)
    score[use] = -residual / np.sqrt(spread[use])
    share[use] = -residual / np.maximum(grey[use] * level, 1e-9)
    return _patches(score, share, told | use)


def _patches(score: Single, share: Single, told: Mask) -> Single:
    """Standard deviations of 3 x 3 pixels where enough of them tell of a change that is no shading."""
    known = told.astype(np.float32)
    count = np.maximum(cv2.blur(known, (3, 3)), 1e-6)
    mean, change = cv2.blur(score, (3, 3)) / count, cv2.blur(share, (3, 3)) / count
    sure = (count > 0.5) & told & (np.abs(change) > _MOVED)
    return np.asarray(np.where(sure, mean * 3, 0), np.float32)


def _beyond_the_rails(
    one: FrameLook, two: FrameLook, light: Single, held: Mask, settled: Mask, ratio: float
) -> tuple[Single, Single, Mask]:
    """Where the brighter frame foretells nothing, being at its rail or in the dark, the darker one foretells it: score
    and share of pixels that fall clearly short of that (-) or reach the rail far above it (+), and which they are.

    ``light`` is that of ``two``, ``held`` where it is below its rail.  The forecast is the least (largest) of the
    places around, so that an edge which stands a pixel or two elsewhere passes for none; and it is doubted by
    :data:`_BEYOND`, more than a light changes.
    """
    reach = np.ones((5, 5), np.uint8)
    seen = np.asarray(one.light @ LUMINANCE, np.float32)
    low, high = (np.asarray(f(seen, reach), np.float64) for f in (cv2.erode, cv2.dilate))
    shown = np.asarray(light @ LUMINANCE, np.float64) / ratio
    short = ~settled & (low > one.least) & held & (_most(light) < RAIL) & (shown < _BEYOND * low)
    over = ~settled & (shown * ratio > RAIL) & (high < _BEYOND * RAIL / ratio)
    score, share = np.zeros(seen.shape, np.float32), np.zeros(seen.shape, np.float32)
    for where, foretold, doubted, sign in ((short, low, _BEYOND * low, -1), (over, high, high / _BEYOND, 1)):
        noise = one.variance(foretold[where]) + two.variance(shown[where] * ratio) / ratio**2
        off = np.abs(shown[where] - doubted[where])
        score[where] = sign * off / np.sqrt(noise + (_MODEL * foretold[where]) ** 2)
        share[where] = sign * np.abs(shown[where] / np.maximum(foretold[where], 1e-9) - 1)
    return score, share, short | over


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Flows:
    """How pixels move: ``along`` (dx, dy), each (h, w), per unit of each unknown.  Near the poles of a lat-long that is
    no first-order matter: ``polar`` rows (k,) are looked up by the directions (k, w, 3) of their pixels."""

    along: Sequence[tuple[Single, Single]]
    polar: NDArray[np.intp] | None = None
    directions: Single | None = None


def _turn_flows(shape: tuple[int, ...]) -> _Flows:
    """Pixel motion of a lat-long per degree of turn about x, y and z; near the poles none that a fit should use."""
    raster = Raster(height=shape[0], width=shape[1], layout=Layout.CENTRES)
    d = raster.directions()
    polar = np.flatnonzero(np.abs(d[:, 0, 1]) > _POLAR)
    flows = []
    for axis in np.eye(3):
        moved = d + np.radians(1.0) * np.cross(axis, d)
        moved /= np.linalg.norm(moved, axis=-1, keepdims=True)
        x, y = raster.pixels(moved)
        dx = x - np.arange(shape[1])
        dx = (dx + shape[1] / 2) % shape[1] - shape[1] / 2
        dy = y - np.arange(shape[0])[:, None]
        dx[polar], dy[polar] = 0, 0
        flows.append((np.asarray(dx, np.float32), np.asarray(dy, np.float32)))
    return _Flows(along=flows, polar=polar, directions=np.asarray(d[polar], np.float32))


def _shift_flows(shape: tuple[int, ...]) -> list[tuple[Single, Single]]:
    """Pixel motion per pixel of shift in x and y, and per degree of roll."""
    yy, xx = np.mgrid[0 : shape[0], 0 : shape[1]].astype(np.float32)
    one, none = np.ones(shape, np.float32), np.zeros(shape, np.float32)
    a = np.float32(np.radians(1.0))
    return [(one, none), (none, one), (-a * (yy - shape[0] / 2), a * (xx - shape[1] / 2))]


def _warped(look: FrameLook, flows: _Flows, turn: Doubles) -> tuple[Single, Mask, Mask]:
    """The light of a frame as it would be without the turn, where it is below its rail, and what lies inside."""
    light, held = look.light, look.below_the_rail
    height, width = held.shape
    if not turn.any():
        return light, held, np.ones(held.shape, dtype=bool)
    yy, xx = np.mgrid[0:height, 0:width].astype(np.float32)
    for (bx, by), amount in zip(flows.along, turn, strict=True):
        xx += bx * np.float32(amount)
        yy += by * np.float32(amount)
    if flows.polar is None or flows.directions is None:
        inside = (xx >= 0) & (yy >= 0) & (xx <= width - 1) & (yy <= height - 1)
        pad, how = 0, cv2.BORDER_REPLICATE
    else:
        turned = flows.directions @ cv2.Rodrigues(np.radians(turn))[0].astype(np.float32).T
        xx[flows.polar], yy[flows.polar] = Raster(height=height, width=width, layout=Layout.CENTRES).pixels(turned)
        inside = np.ones(held.shape, dtype=bool)
        pad, how = _PAD, cv2.BORDER_WRAP
        light = _over_the_poles(light)
    still = cv2.remap(light, xx, yy + np.float32(pad), cv2.INTER_CUBIC, borderMode=how)
    below = cv2.remap(held.astype(np.uint8), np.mod(xx, width - 0.5) if pad else xx, yy, cv2.INTER_NEAREST,
                      borderMode=cv2.BORDER_REPLICATE)  # fmt: skip
    return np.asarray(still, np.float32), np.asarray(below > 0), inside


def _over_the_poles(light: Single) -> Single:
    """With ``_PAD`` rows more above and below: what lies beyond a pole is the row half a turn away."""
    half = light.shape[1] // 2
    return np.concatenate([np.roll(light[:_PAD][::-1], half, axis=1), light,
                           np.roll(light[-_PAD:][::-1], half, axis=1)])  # fmt: skip


def _pixel_weight(shape: tuple[int, ...], latlong: bool) -> Doubles:
    if not latlong:
        return np.ones(shape)
    return Raster(height=shape[0], width=shape[1], layout=Layout.CENTRES).solid_angles()


# -- findings ------------------------------------------------------------------------------------------


def _clipped(looks: Sequence[FrameLook], latlong: bool) -> list[dict[str, Any]]:
    darkest = min(range(len(looks)), key=lambda i: looks[i].units)
    look = looks[darkest]
    if look.peak < CLIPPED_AT:
        return []
    return [finding(
        "clipped", "person", "A light source is clipped in the shortest exposure: its light is missing in the probe.",
        "Shoot again with a shorter exposure, a smaller stop or ND; else photograph the grey ball.", confidence=1.0,
        frames=[darkest], direction=_direction(look.peak_at) if latlong else None,
        amount=0.0, unit="stops",
    )]  # fmt: skip


def near_white(peak: float) -> list[dict[str, Any]]:
    """``peak``: the largest reading of the shortest frame, behind a codec, as a part of what saturates.

    A lamp of a pixel's width that clips may come back from the codec a few percent below white: of 22 simulated bursts
    with a clipped lamp 2 stayed below the rail and were seen so; of 38 without one none came as near.
    """
    if not NEAR_WHITE <= peak < 1:
        return []
    return [finding(
        "clipped", "person",
        "The brightest place of the shortest exposure comes as near to white as a JPEG brings a lamp that clips: it may"
        " be clipped.", "Shoot a shorter exposure, or raw files, which tell for sure.", confidence=0.7, frames=[0],
        unit="stops",
    )]  # fmt: skip


def _noise(looks: Sequence[FrameLook]) -> list[dict[str, Any]]:
    """How many stops longer the longest exposure should be for the darkest twentieth to reach 1 % of white."""
    longest = max(range(len(looks)), key=lambda i: looks[i].units)
    level = float(np.percentile(looks[longest].light @ LUMINANCE, 5))
    stops = math.log2(0.01 / max(level, 1e-5))
    if stops < NOISE_STOPS:
        return []
    return [finding(
        "noise", "note", f"The shadows are noisy: the longest exposure is {stops:.1f} stops short for them.",
        "Add longer exposures.", confidence=0.8, frames=[longest], amount=stops, unit="stops",
    )]  # fmt: skip


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Course:
    """One value a frame, dark to bright, out of the pairs: ``order`` the frames (n,) that are linked, ``value`` (n,)
    against their mean and its ``covariance`` (n, n)."""

    order: tuple[int, ...]
    value: Doubles
    covariance: Doubles


def course(pairs: Sequence[Pair], of: str, *, coded: bool = False) -> Course | None:
    """``light`` (natural log of radiance) or ``red_blue`` of each frame, by least squares over the pairs; the
    longest run of frames that pairs link.  None where fewer than two are.  ``coded``: the frames come from a codec,
    which keeps the colour of few pixels badly."""
    def told(p: Pair) -> tuple[float, float]:
        if of == "light":
            return p.light_stops * math.log(2), p.sigma
        return p.red_blue, math.hypot(p.red_blue_sigma, CODEC_COLOUR / math.sqrt(p.shared) if coded else 0.0)

    good = [p for p in pairs if p.checkable and math.isfinite(told(p)[1])]
    linked = _linked(pairs, good)
    if len(linked) < 2:
        return None
    good = [p for p in good if p.first in linked]
    # two or three pairs over one place share a frame, and so its noise: together they know little more than one
    value, spread = _solved(linked, good, np.array([told(p) for p in good]) * [1, _SHARED_NOISE])
    return Course(order=tuple(linked), value=value, covariance=spread)


def _solved(linked: Sequence[int], good: Sequence[Pair], told: Doubles) -> tuple[Doubles, Doubles]:
    """One value a frame against their mean (n,) and its covariance (n, n), from what the pairs tell: ``told``
    (pairs, 2) of the brighter frame less the darker, with its standard error."""
    at = {f: n for n, f in enumerate(linked)}
    design = np.zeros((len(good), len(linked)))
    for n, p in enumerate(good):
        design[n, at[p.second]], design[n, at[p.first]] = 1, -1
    weight = 1 / np.maximum(told[:, 1], LEAST_SIGMA) ** 2
    normal = (design * weight[:, None]).T @ design + np.median(weight) / len(linked)  # the mean stays where it is
    value = np.linalg.solve(normal, (design * weight[:, None]).T @ told[:, 0])
    return np.asarray(value, np.float64), np.asarray(np.linalg.inv(normal), np.float64)


def _linked(pairs: Sequence[Pair], good: Sequence[Pair]) -> list[int]:
    """The largest group of frames that good pairs hang together, dark to bright."""
    groups: dict[int, set[int]] = {}
    for p in good:
        one = groups.setdefault(p.first, {p.first}) | groups.setdefault(p.second, {p.second})
        for f in one:
            groups[f] = one
    largest = max(groups.values(), key=len, default=set())
    order = dict.fromkeys([*(p.first for p in pairs), *(p.second for p in pairs)])
    return [f for f in order if f in largest]


def turned(pairs: Sequence[Pair], own: float = 0.0) -> tuple[float, float, tuple[int, ...]]:
    """The turn that stands out most: its size in degrees (pixels), standard errors, and the frames around it.

    The pairs are solved for one place a frame, as for light: the camera turned between two frames and stayed so, or
    for one frame.  A pair is believed no better than it agrees with the others, whose turns must add up to its own.
    ``own`` is how far a frame seems to stray by itself (a codec's blocks), in the same unit.
    """
    some = [t for t in _turns(pairs, own) if t[0] > TURN_DEG]
    return max(some, key=lambda t: t[1], default=(0.0, 0.0, ()))


def turn_shown(pairs: Sequence[Pair], own: float, around: Sequence[tuple[int, int]]) -> float:
    """Standard errors of the turn that pairs show best at one of the places ``around`` (frames before and after)."""
    return max((errors for _, errors, frames in _turns(pairs, own) if any(set(frames) <= set(p) for p in around)),
               default=0.0)  # fmt: skip


def _turns(pairs: Sequence[Pair], own: float) -> list[tuple[float, float, tuple[int, ...]]]:
    """For every moment: the turn's size, its standard errors and the frames around it."""
    enough = _shared_for_turn(own > 0)
    good = [p for p in pairs if p.shared >= enough and p.checkable and bool(np.isfinite(p.turn_sigma).all())]
    linked = _linked(pairs, good)
    if len(linked) < 2:
        return []
    good = [p for p in good if p.first in linked]
    first, second = ([linked.index(f) for f in side] for side in zip(*((p.first, p.second) for p in good), strict=True))
    places = []
    for axis in range(len(good[0].turn)):
        told = np.array([
            (p.turn[axis], math.hypot(max(float(p.turn_sigma[axis]), LEAST_TURN), own * CODEC_FEW / p.shared))
            for p in good
        ])
        value, _ = _solved(linked, good, told)
        told[:, 1] = np.hypot(told[:, 1], value[second] - value[first] - told[:, 0])
        places.append(_solved(linked, good, told))
    out = []
    for when, frames in _moments(linked):
        found = [_step(value, spread + own**2 * np.eye(len(linked)), when) for value, spread in places]
        out.append((math.sqrt(sum(s * s for s, _ in found)), math.sqrt(sum(s * s / v for s, v in found)), frames))
    return out


def _moments(linked: Sequence[int]) -> list[tuple[Doubles, tuple[int, ...]]]:
    """When something can have changed: 1 for the frames (n,) after a place between frames, or for one between others;
    and the frames around it."""
    n = len(linked)
    out = [((np.arange(n) >= k).astype(np.float64), (linked[k - 1], linked[k])) for k in range(1, n)]
    return out + [(np.eye(n)[k], (linked[k],)) for k in range(1, n - 1)]


def _step(value: Doubles, covariance: Doubles, when: Doubles) -> tuple[float, float]:
    """The best estimate of a step and its variance, by generalised least squares of ``value`` on a constant and
    ``when``."""
    design = np.stack([np.ones(len(when)), when], axis=1)
    weighed = np.linalg.solve(covariance, design)
    spread = np.linalg.inv(design.T @ weighed)
    return float((spread @ (weighed.T @ value))[1]), float(spread[1, 1])


def stray(looks: Sequence[FrameLook], doubt: float, *, latlong: bool) -> float:
    """Degrees (pixels) by which a frame behind a codec seems to turn by itself; ``doubt`` as in :func:`changes`."""
    return CODEC_PIXELS * doubt * (360.0 / looks[0].light.shape[1] if latlong else 1.0)


def _turned(pairs: Sequence[Pair], latlong: bool, own: float) -> list[dict[str, Any]]:
    size, errors, frames = turned(pairs, own)
    if errors < TURN_ERRORS:
        return []
    unit = "degrees" if latlong else "pixels of the small view"
    return [finding(
        "camera_moved", "person", f"The camera moved by {size:.2f} {unit}.",
        "Look at edges in the merged picture; shoot again if they are double.",
        confidence=_confidence(errors, TURN_ERRORS), frames=list(frames), amount=size, unit=unit,
    )]  # fmt: skip


def changed(found: Course | None, own: float) -> tuple[float, float, tuple[int, ...]]:
    """The step of a course that stands out most: its size, standard deviations, and the frames around it."""
    if found is None:
        return 0.0, 0.0, ()
    best: tuple[float, float, tuple[int, ...]] = (0.0, 0.0, ())
    for when, frames in _moments(found.order):
        size, variance = _step(found.value, found.covariance + own**2 * np.eye(len(found.order)), when)
        errors = abs(size) / math.sqrt(variance) * (ALONE if len(frames) == 1 else 1.0)
        if errors > best[1]:
            best = size, errors, frames
    return best


def light_changed(pairs: Sequence[Pair], doubt: float) -> tuple[float, float, tuple[int, ...]]:
    """As :func:`changed`, of light (natural log); ``doubt`` as in :func:`changes`."""
    return changed(course(pairs, "light"), math.hypot(SHUTTER, doubt * LIGHT_DOUBT))


def _light(pairs: Sequence[Pair], doubt: float) -> list[dict[str, Any]]:
    size, errors, frames = light_changed(pairs, doubt)
    if errors < LIGHT_ERRORS:
        return []
    stops = size / math.log(2)
    return [finding(
        "light_changed", "person", f"The light changed by {stops:+.2f} stops within the bracket.",
        "Check for clouds, flicker or a dimmer; shoot again.", confidence=_confidence(errors, LIGHT_ERRORS),
        frames=list(frames), amount=stops, unit="stops",
    )]  # fmt: skip


def white_changed(pairs: Sequence[Pair], doubt: float) -> tuple[float, float, tuple[int, ...]]:
    """As :func:`changed`, of red against blue (natural log); ``doubt`` as in :func:`changes`."""
    return changed(course(pairs, "red_blue", coded=doubt > 0), math.hypot(COLOUR, doubt * COLOUR_DOUBT))


def _white(pairs: Sequence[Pair], doubt: float) -> list[dict[str, Any]]:
    size, errors, frames = white_changed(pairs, doubt)
    if errors < WHITE_ERRORS:
        return []
    return [finding(
        "white_shift", "person", f"Red against blue changed by {100 * size:+.1f} % within the bracket.",
        "Set the white balance by hand; merge the raws.", confidence=_confidence(errors, WHITE_ERRORS),
        frames=list(frames), amount=100 * size, unit="percent",
    )]  # fmt: skip


def _moved(looks: Sequence[FrameLook], pairs: Sequence[Pair], latlong: bool) -> list[dict[str, Any]]:
    patch, score = largest_patch(pairs, looks[0].light.shape[:2])
    if score < MOTION_SCORE:
        return []
    weight = _pixel_weight(patch.shape, latlong)
    share = float((weight * patch).sum() / weight.sum())
    y, x = np.nonzero(patch)
    h, w = patch.shape
    at = (float((x.mean() + 0.5) / w), float((y.mean() + 0.5) / h))
    place = [float(v) for v in (x.min() / w, y.min() / h, (x.max() + 1) / w, (y.max() + 1) / h)]
    frames = sorted({i for p in pairs if (np.abs(p.moved[patch]) > PATCH_SIGMAS).mean() > 0.5
                     for i in (p.first, p.second)})
    return [{"place": place} | finding(
        "motion", "note",
        f"Something moved while the bracket was shot ({100 * share:.2g} % of the picture at one place).",
        "Look there for ghosts.", confidence=_confidence(score, MOTION_SCORE), frames=frames,
        direction=_direction(at) if latlong else None, amount=100 * share, unit="percent",
    )]  # fmt: skip


def largest_patch(pairs: Sequence[Pair], shape: tuple[int, int]) -> tuple[Mask, float]:
    """The place where something moved most surely, and its score: standard deviations times the root of its pixels.

    What is left of edges after an imperfect warp is thin and scattered, and has both signs side by side; a thing
    that moved is a patch of one sign, so specks of a pixel's width are opened away first.
    """
    best, most = np.zeros(shape, dtype=bool), 0.0
    for p in pairs:
        for sign in (1, -1):
            solid = cv2.morphologyEx((sign * p.moved > PATCH_SIGMAS).astype(np.uint8), cv2.MORPH_OPEN,
                                     np.ones((2, 2), np.uint8))
            if not solid.any():
                continue
            count, labels, facts, _ = cv2.connectedComponentsWithStats(np.asarray(solid))
            for k in range(1, count):
                x, y, w, h, area = (int(v) for v in facts[k])
                if area < 6 or area < 0.3 * w * h or min(w, h) < 2:
                    continue
                place = np.asarray(labels[y : y + h, x : x + w]) == k
                score = float(np.minimum(np.abs(p.moved[y : y + h, x : x + w][place]), 20).mean()) * math.sqrt(area)
                if score > most:
                    best, most = np.asarray(labels) == k, score
    return best, most


def _confidence(value: float, threshold: float) -> float:
    """.9 at the threshold (a hundredth of false alarms among few faults), towards 1 above it."""
    return round(1.0 - 0.1 * threshold / max(value, threshold), 3)


def _direction(at: tuple[float, float]) -> tuple[float, float, float]:
    """Of a place in a lat-long, as parts of its width and height."""
    lon, lat = np.pi - 2 * np.pi * at[0], np.pi / 2 - np.pi * at[1]
    return (float(np.sin(lon) * np.cos(lat)), float(np.sin(lat)), float(np.cos(lon) * np.cos(lat)))
