"""How far a hand-held body moved between frames, to a fiftieth of a pixel, and whether it moved at all.

Frames are compared in log light on pixels that both hold unclipped and above the noise, where exposure
is a constant; what an unknown tone curve still does is a smooth function of level and is fitted beside
the shift.  Search: integer shifts on a small picture, then Gauss-Newton steps (Lucas and Kanade 1981)
with gradients of both pictures, so that noise does not pull the answer.  Each frame is compared with its
next and second next in exposure; positions follow by least squares over those pairs.

Aligning resamples a frame, so it is done only where it is proven: the shift exceeds its own uncertainty
several times over, and the pairs agree with each other.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from ingest.steps.merging import resample
from ingest.steps.merging.noise import Noise
from ingest.steps.merging.stack import Stack, grey, largest, thinned

F32 = npt.NDArray[np.float32]
F64 = npt.NDArray[np.float64]

_SMALL = 360  # width of the picture for the coarse search
_PATCH = 256
_PATCHES = 8
_REACH = 12  # coarse pixels searched to either side
_LEAST = 0.04  # a smaller shift is left alone (pixels)
_MOST = 30_000  # pixels a region and pair
_MODEL = 0.01  # log light: what curve and interpolation leave whatever the noise
_TEXTURE = 24.0  # times the squared gradient of noise along an axis: one noisy pixel in 200,000 is steeper
_PROOF = 4.0  # standard errors
_SETTLED = 0.004  # pixels
_STANDS = 0.8  # spread of the log ratio at no shift, against that three coarse pixels away


@dataclass(frozen=True, kw_only=True, slots=True)
class Look:
    """Log light (h, w) of one frame's region, where it may be compared (1/0), and its variance."""

    log: F32
    valid: npt.NDArray[np.uint8]
    variance: F32


@dataclass(frozen=True, kw_only=True, slots=True)
class Alignment:
    """``shifts`` (x, y): where the reference's content stands in frame k, less where it stands in the
    reference; ``sigma`` of a coordinate; ``moved`` whether aligning is proven."""

    shifts: tuple[tuple[float, float], ...]
    sigma: float
    moved: bool
    compared: bool


def look(stack: Stack, k: int, s: float, model: Noise, region: tuple[int, int, int, int], step: int = 1) -> Look:
    """Frame k in rows and columns (top, bottom, left, right) of the stack, every ``step``-th pixel."""
    top, bottom, left, right = region
    p = stack.encoding.period
    part = stack.frames[k][top * p : bottom * p, left * p : right * p]
    if step > 1:
        part = thinned(part, p, step)
    light = stack.encoding.light(np.ascontiguousarray(part))
    stack.forget()
    level = grey(light)
    floor = 3.0 * np.sqrt(model.floor) + 9.0 * model.gain
    valid = (largest(light) < stack.clips[k]) & (level > floor)
    log = np.log(np.maximum(level, floor) / s, dtype=np.float32)
    held = np.maximum(level, floor)
    variance = (np.float32(model.floor) + np.float32(model.gain) * held) / (held * held * light.shape[2])
    return Look(log=log, valid=valid.astype(np.uint8), variance=variance)


def align(stack: Stack, exposures: Sequence[float], models: Sequence[Noise], reference: int) -> Alignment:
    """Estimate the shifts of all frames against ``reference``.  ``compared`` is false where too few
    pixels could be compared."""
    n = stack.count
    coarse = _coarse(stack, exposures, models)
    regions = _regions(stack, exposures, models, reference)
    looks = [[look(stack, k, exposures[k], models[k], r) for r in regions] for k in range(n)]
    pairs, shifts, information = [], [], []
    for i in range(n):
        for j in (i + 1, i + 2):
            if j >= n:
                continue
            start = None if coarse is None else coarse[j] - coarse[i]
            found = _refine(looks[i], looks[j], np.zeros(2) if start is None else start)
            if found is not None:
                pairs.append((i, j))
                shifts.append(found[0])
                information.append(found[1])
    still = ((0.0, 0.0),) * n
    if not pairs:
        return Alignment(shifts=still, sigma=float("nan"), moved=False, compared=False)
    positions, sigma, linked = _positions(n, pairs, np.array(shifts), np.array(information), reference)
    scale = stack.encoding.period
    positions = positions * scale
    sigma *= scale
    largest = float(np.abs(positions[linked]).max()) if linked.any() else 0.0
    loops = [positions[j] - positions[i] - scale * d for (i, j), d in zip(pairs, shifts, strict=True)]
    torn = float(np.median([np.hypot(*v) for v in loops]))
    moved = largest > max(_LEAST, _PROOF * sigma, 4 * torn)
    return Alignment(
        shifts=tuple((float(x), float(y)) for x, y in positions) if moved else still,
        sigma=sigma, moved=moved, compared=True,
    )  # fmt: skip


def _coarse(stack: Stack, exposures: Sequence[float], models: Sequence[Noise]) -> F64 | None:
    """Shifts (K, 2) to about a coarse pixel, by exhaustive search between neighbours, in stack pixels."""
    h, w, _ = stack.shape
    step = max(1, w // _SMALL)
    looks = [look(stack, k, exposures[k], models[k], (0, h, 0, w), step) for k in range(stack.count)]
    at = np.zeros((stack.count, 2))
    for k in range(1, stack.count):
        best = _search(looks[k - 1], looks[k])
        at[k] = at[k - 1] + (best if best is not None else 0.0)
    return at * step


def _search(a: Look, b: Look) -> F64 | None:
    """The whole shift of b against a with the least spread of the log ratio."""
    h, w = a.log.shape
    r = min(_REACH, h // 8, w // 8)
    inner_a, valid_a = a.log[r : h - r, r : w - r], a.valid[r : h - r, r : w - r]
    costs: dict[tuple[int, int], float] = {}

    def cost(x: int, y: int) -> float:
        if (x, y) not in costs:
            sub = (slice(r + y, h - r + y), slice(r + x, w - r + x))
            both = cv2.bitwise_and(valid_a, b.valid[sub]).astype(bool)
            count = int(np.count_nonzero(both))
            if count < 0.005 * both.size or count < 200:
                costs[x, y] = np.inf
            else:
                d = (b.log[sub] - inner_a)[both]
                d -= np.median(d[:: max(1, count // 4000)])
                costs[x, y] = float(np.mean(np.minimum(np.abs(d, out=d), np.float32(0.5), out=d)))
        return costs[x, y]

    if r >= 3 and _stands(cost):
        return np.zeros(2)
    grid = range(-r, r + 1, 3)
    x, y = min(((x, y) for x in grid for y in grid), key=lambda p: (cost(*p), abs(p[0]) + abs(p[1])))
    for _ in range(2 * r):  # walk downhill from the best of the sparse grid
        around = [(x + i, y + j) for i in (-1, 0, 1) for j in (-1, 0, 1) if abs(x + i) <= r and abs(y + j) <= r]
        nx, ny = min(around, key=lambda p: (cost(*p), abs(p[0]) + abs(p[1])))
        if (nx, ny) == (x, y):
            break
        x, y = nx, ny
    return None if not np.isfinite(cost(x, y)) else np.array([x, y], float)


def _stands(cost: Callable[[int, int], float]) -> bool:
    """Whether no shift is a sharp minimum of the cost, so that the search need not begin."""
    around = [(x, y) for x in (-1, 0, 1) for y in (-1, 0, 1) if (x, y) != (0, 0)]
    here = cost(0, 0)
    return all(here < cost(x, y) for x, y in around) and all(here < _STANDS * cost(3 * x, 3 * y) for x, y in around)


def _regions(
    stack: Stack, exposures: Sequence[float], models: Sequence[Noise], reference: int
) -> list[tuple[int, int, int, int]]:
    """Where to compare: everything on a small picture, else patches with most texture, spread out."""
    h, w, _ = stack.shape
    if h * w <= 800_000:
        return [(0, h, 0, w)]
    step = max(1, w // _SMALL)
    small = look(stack, reference, exposures[reference], models[reference], (0, h, 0, w), step)
    texture = np.abs(cv2.Laplacian(small.log, cv2.CV_32F)) * small.valid
    side = _PATCH // step
    score = cv2.boxFilter(np.minimum(texture, 1.0), -1, (side, side))
    found = []
    for _ in range(_PATCHES):
        y, x = np.unravel_index(int(np.argmax(score)), score.shape)
        top = int(np.clip(y * step - _PATCH // 2, 0, max(0, h - _PATCH)))
        left = int(np.clip(x * step - _PATCH // 2, 0, max(0, w - _PATCH)))
        found.append((top, min(h, top + _PATCH), left, min(w, left + _PATCH)))
        score[max(0, y - side) : y + side, max(0, x - side) : x + side] = -1
        if score.max() <= 0:
            break
    return found


def _refine(a: Sequence[Look], b: Sequence[Look], start: F64) -> tuple[F64, F64] | None:
    """Sub-pixel shift of b against a over all regions, and its 2x2 information matrix."""
    d = start.astype(float).copy()
    matrix = np.zeros((2, 2))
    for _ in range(8):
        total, right, square, count = np.zeros((2, 2)), np.zeros(2), 0.0, 0
        for one, two in zip(a, b, strict=True):
            part = _normal(one, two, d)
            if part is not None:
                total += part[0]
                right += part[1]
                square += part[2]
                count += part[3]
        if count < 100 or np.linalg.cond(total) > 1e6:
            return None
        move = np.linalg.solve(total, right)
        length = float(np.hypot(*move))
        d += move if length < 2 else move * 2 / length
        matrix = total * count / max(square, 1e-12)
        if length < _SETTLED:  # the next step would be a small part of this one
            break
    return (d, matrix) if np.all(np.isfinite(d)) and np.hypot(*(d - start)) < 24 else None


def _normal(a: Look, b: Look, d: F64) -> tuple[F64, F64, float, int] | None:
    """Normal equations of one Gauss-Newton step: log b(x + d) - log a(x) - smooth(level) -> step."""
    (x, fx), (y, fy) = resample.split(float(d[0])), resample.split(float(d[1]))
    h, w = a.log.shape
    m = resample.REACH + 1
    if abs(x) > w // 2 or abs(y) > h // 2:
        return None
    rows = (max(0, -y), min(h, h - y))
    columns = (max(0, -x), min(w, w - x))
    if rows[1] - rows[0] < 4 * m or columns[1] - columns[0] < 4 * m:
        return None
    one = a.log[rows[0] : rows[1], columns[0] : columns[1]]
    sub = (slice(rows[0] + y, rows[1] + y), slice(columns[0] + x, columns[1] + x))
    two = resample.fractional(np.ascontiguousarray(b.log[sub]), fx, fy)
    kernel = np.ones((2 * m + 1, 2 * m + 1), np.uint8)
    both = cv2.erode(cv2.bitwise_and(a.valid[rows[0] : rows[1], columns[0] : columns[1]], b.valid[sub]), kernel)
    both[:m] = both[-m:] = 0
    both[:, :m] = both[:, -m:] = 0
    if int(np.count_nonzero(both)) < 200:
        return None
    mean = (one + two) * np.float32(0.5)
    slope_x = cv2.sepFilter2D(mean, cv2.CV_32F, _SLOPE, _ONE)
    slope_y = cv2.sepFilter2D(mean, cv2.CV_32F, _ONE, _SLOPE)
    noisy = a.variance[rows[0] : rows[1], columns[0] : columns[1]] + b.variance[sub]
    steep = np.greater(slope_x * slope_x + slope_y * slope_y, noisy * np.float32(_TEXTURE * _SLOPE_NOISE))
    at = _steepest(slope_x, slope_y, both & steep.view(np.uint8))
    if at.size < 100:
        return None  # what looks like texture is the noise of the pictures
    gx, gy = slope_x.ravel()[at].astype(float), slope_y.ravel()[at].astype(float)
    difference = (two - one).ravel()[at].astype(float)
    level = mean.ravel()[at].astype(float)
    level = (level - level.mean()) / (level.std() + 1e-6)
    # pixels near the floor, where the noise decides what is compared, must not steer
    noise = noisy.ravel()[at]
    sure = 1.0 / (noise.astype(float) + _MODEL**2)
    sure /= sure.mean()
    weight = sure.copy()
    nuisance = np.stack([np.ones(at.size), level, level**2, level**3], axis=1)
    columns_all = np.concatenate([np.stack([-gx, -gy], axis=1), nuisance], axis=1)
    solution: F64 = np.zeros(columns_all.shape[1])
    for _ in range(2):
        weighted = columns_all * weight[:, None]
        full = weighted.T @ columns_all + np.diag([0, 0, 1e-6, 1e-6, 1e-6, 1e-6])
        right = weighted.T @ difference
        solution = np.linalg.solve(full, right) if np.linalg.cond(full) < 1e14 else np.zeros(len(right))
        off = difference - columns_all @ solution
        scale = 1.4826 * np.median(np.abs(off) * np.sqrt(sure)) + 1e-4
        weight = sure / (1.0 + (off * np.sqrt(sure) / (3 * scale)) ** 2)
    # eliminate the nuisance from the 2x2 system of the shift
    weighted = columns_all * weight[:, None]
    full = weighted.T @ columns_all
    right = weighted.T @ difference
    inner = np.linalg.solve(full[2:, 2:] + 1e-9 * np.eye(4), np.concatenate([full[2:, :2], right[2:, None]], axis=1))
    matrix = full[:2, :2] - full[:2, 2:] @ inner[:, :2]
    vector = right[:2] - full[:2, 2:] @ inner[:, 2]
    spread = float(np.sum(weight * (difference - columns_all @ solution) ** 2) / np.mean(weight))
    return matrix / spread * at.size, vector / spread * at.size, float(at.size), at.size


def _steepest(gx: F32, gy: F32, both: npt.NDArray[np.uint8]) -> npt.NDArray[np.int64]:
    """The comparable pixels with most texture, at most :data:`_MOST`: flat ones tell nothing."""
    at = np.flatnonzero(both)
    if at.size <= _MOST:
        return at
    steep = np.abs(gx.ravel()[at]) + np.abs(gy.ravel()[at])
    return at[np.argpartition(steep, at.size - _MOST)[at.size - _MOST :]]


#: Central difference of eighth order, for gradients without the usual loss at fine detail.
_SLOPE = np.array([1 / 280, -4 / 105, 1 / 5, -4 / 5, 0, 4 / 5, -1 / 5, 4 / 105, -1 / 280], np.float32)
_ONE = np.ones(1, np.float32)
#: Squared gradient that unit noise variance of both pictures together leaves in their mean.
_SLOPE_NOISE = 2 * float(np.sum(_SLOPE.astype(float) ** 2)) / 4


def _positions(
    n: int, pairs: Sequence[tuple[int, int]], shifts: F64, information: F64, reference: int
) -> tuple[F64, float, npt.NDArray[np.bool_]]:
    """Positions (n, 2) by robust least squares over the pairs, the typical sigma, and which are linked."""
    weight = np.ones(len(pairs))
    covariance: F64 = np.zeros((2 * n, 2 * n))
    solution: F64 = np.zeros(2 * n)
    for _ in range(6):
        matrix = np.eye(2 * n) * 1e-9
        right = np.zeros(2 * n)
        for (i, j), d, info, g in zip(pairs, shifts, information, weight, strict=True):
            softened = np.linalg.inv(np.linalg.inv(info + 1e-9 * np.eye(2)) + 1e-5 * np.eye(2)) * g
            for a, b, sign in ((i, i, 1), (j, j, 1), (i, j, -1), (j, i, -1)):
                matrix[2 * a : 2 * a + 2, 2 * b : 2 * b + 2] += sign * softened
            right[2 * j : 2 * j + 2] += softened @ d
            right[2 * i : 2 * i + 2] -= softened @ d
        matrix[2 * reference : 2 * reference + 2, 2 * reference : 2 * reference + 2] += 1e9 * np.eye(2)
        covariance = np.asarray(np.linalg.inv(matrix), np.float64)
        solution = covariance @ right
        for q, ((i, j), d) in enumerate(zip(pairs, shifts, strict=True)):
            off = np.hypot(*(solution[2 * j : 2 * j + 2] - solution[2 * i : 2 * i + 2] - d))
            weight[q] = 1.0 / (1.0 + (off / 0.05) ** 2)
    sd = np.sqrt(np.maximum(np.diag(covariance), 0)).reshape(n, 2).max(axis=1)
    linked = sd < 1.0
    linked[reference] = True
    positions = solution.reshape(n, 2).copy()
    known = np.flatnonzero(linked)
    for k in np.flatnonzero(~linked):  # nothing to compare: the neighbour in exposure is the best guess
        positions[k] = positions[known[np.argmin(np.abs(known - k))]]
    others = [v for k, v in enumerate(sd) if linked[k] and k != reference]
    return positions, float(np.max(others)) if others else 0.0, linked
