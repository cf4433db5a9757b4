"""Flat cells of a bracket, seen in every frame: what exposures, curve and noise are learnt from.

A cell is a small square of pixels.  Its mean is nearly free of noise, and where it is flat a tone curve
does to its mean what it does to its pixels.  Cells are chosen by level so that every code of every frame
is met, lamps as well as shadows, and within a level the flattest are taken.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from ingest.steps.merging import resample
from ingest.steps.merging.noise import Noise
from ingest.steps.merging.stack import Stack, grey, largest

F32 = npt.NDArray[np.float32]
F64 = npt.NDArray[np.float64]
_CELLS = 3000  # at least, where there are so many
_LARGE_CELLS = 1600  # of 16 pixels a side
_BINS_A_STOP = 2
_NOISY = 3.0  # standard deviations between the largest and the smallest of four readings, seldom more


@dataclass(frozen=True, kw_only=True, slots=True)
class Cells:
    """Where the cells are: top-left corners (N, 2) as row, column of :attr:`Stack.shape`, ``side`` pixels."""

    corners: npt.NDArray[np.int64]
    side: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Samples:
    """Cell statistics in light: ``mean``, ``variance`` within the cell (of a pixel, texture removed),
    ``inside`` (the frame and unclipped), ``usable`` (also above the noise), ``floored`` the share of readings at
    the smallest code, all (K, N, C); ``pixels`` a cell."""

    mean: F64
    variance: F64
    inside: npt.NDArray[np.bool_]
    usable: npt.NDArray[np.bool_]
    floored: F64
    pixels: int
    cells: Cells


def choose(
    stack: Stack, exposures: Sequence[float], models: Sequence[Noise], *,
    shifts: Sequence[tuple[float, float]] | None = None,
) -> Cells:  # fmt: skip
    """The flattest cells of each half stop of radiance, judged on four readings a cell.

    Cells that differ by no more than ``models`` expect of noise count as equally flat, and chance decides:
    the calmest of many dark cells would make the noise look far too small.

    With ``shifts`` (x, y) the cells stand where the reference has them.
    """
    h, w, _ = stack.shape
    side = 4 if h * w < 400_000 else 8 if w <= 3000 else 16
    if min(h, w) < 4 * side:
        side = max(2, min(h, w) // 8)
    rows, columns = np.arange(h // side) * side, np.arange(w // side) * side
    level, spread = _levels(stack, exposures, rows, columns, side, shifts)
    most = _LARGE_CELLS if side == 16 else _CELLS
    np.maximum(spread, _NOISY * _relative(level, stack, exposures, models), out=spread)
    chance = np.arange(spread.size, dtype=np.uint64) * np.uint64(2654435761) % np.uint64(2**32)
    order = np.lexsort((chance, spread.ravel()))
    bins = np.floor(np.log2(np.maximum(level, 1e-12)) * _BINS_A_STOP).astype(int).ravel()[order]
    flat = spread.ravel()[order] < 1.0  # no edge of a lamp, whatever its level
    kinds, inverse, counts = np.unique(bins, return_inverse=True, return_counts=True)
    quota = max(8, most // max(1, len(kinds)))
    while (np.minimum(counts, quota).sum() < most) and quota < counts.max():
        quota = int(quota * 1.3) + 1
    rank = np.empty(len(order), int)
    for b in range(len(kinds)):
        members = np.flatnonzero(inverse == b)
        rank[members] = np.arange(len(members))
    taken = order[(rank < quota) & flat]
    r, c = np.unravel_index(np.sort(taken), level.shape)
    return Cells(corners=np.stack([rows[r], columns[c]], axis=1), side=side)


def _relative(level: F64, stack: Stack, exposures: Sequence[float], models: Sequence[Noise]) -> F64:
    """Relative deviation of one merged reading (mean of channels) at some radiance, from noise alone."""
    signal, variance = np.zeros_like(level), np.zeros_like(level)
    for s, clip, model in zip(exposures, stack.clips, models, strict=True):
        held = s * level < clip
        signal += np.where(held, s * level, 0)
        variance += np.where(held, model.floor + model.gain * s * level, 0)
    out: F64 = np.sqrt(variance / stack.shape[2]) / np.maximum(signal, 1e-30)
    return out


def _levels(
    stack: Stack, exposures: Sequence[float], rows: npt.NDArray[Any], columns: npt.NDArray[Any], side: int,
    shifts: Sequence[tuple[float, float]] | None,
) -> tuple[F64, F64]:  # fmt: skip
    """Radiance of each cell (mean of channels) and the spread of four of its pixels, as a log ratio."""
    quarter, period = max(1, side // 4), stack.encoding.period
    h, w, _ = stack.shape
    points = []
    for dy in (quarter, 3 * quarter):
        for dx in (quarter, 3 * quarter):
            total = np.zeros((len(rows), len(columns)))
            exposure = np.zeros_like(total)
            for k in range(stack.count):
                x, y = (0, 0) if shifts is None else (round(v / period) for v in shifts[k])
                light = _at(stack, k, np.clip(rows + dy + y, 0, h - 1), np.clip(columns + dx + x, 0, w - 1), period)
                below = largest(light) < stack.clips[k]
                total += np.where(below, grey(light), 0.0)
                exposure += np.where(below, exposures[k], 0.0)
            bound = stack.clips[0] / exposures[0]
            points.append(np.where(exposure > 0, total / np.maximum(exposure, 1e-300), bound))
    stacked = np.maximum(np.stack(points), 1e-12)
    return stacked.mean(axis=0), np.log(stacked.max(axis=0) / stacked.min(axis=0))


def _at(stack: Stack, k: int, rows: npt.NDArray[Any], columns: npt.NDArray[Any], period: int) -> npt.NDArray[Any]:
    frame = stack.frames[k]
    if period == 1:
        picked = np.ascontiguousarray(frame[rows][:, columns])
        stack.forget()
        return stack.encoding.light(picked)
    h = np.concatenate([frame[r * period : (r + 1) * period] for r in rows])
    stack.forget()
    return stack.encoding.light(h)[:, columns]


def gather(
    stack: Stack, cells: Cells, exposures: Sequence[float], models: Sequence[Noise],
    shifts: Sequence[tuple[float, float]] | None = None,
) -> Samples:  # fmt: skip
    """Statistics of the cells in every frame; with ``shifts`` (x, y) the cells follow the picture."""
    h, w, c = stack.shape
    n, side = len(cells.corners), cells.side
    mean = np.zeros((stack.count, n, c))
    variance = np.zeros_like(mean)
    floored = np.zeros_like(mean)
    inside = np.zeros_like(mean, bool)
    lowest = stack.lowest
    for k in range(stack.count):
        x, y = (0.0, 0.0) if shifts is None else (v / stack.encoding.period for v in shifts[k])
        (left, fx), (top, fy) = resample.split(x), resample.split(y)
        margin = resample.REACH if abs(fx) + abs(fy) > 1e-3 else 0
        corners = cells.corners + np.array([top - margin, left - margin])
        size = side + 2 * margin
        fits = (corners >= 0).all(axis=1) & (corners[:, 0] + size <= h) & (corners[:, 1] + size <= w)
        light = _patches(stack, k, np.clip(corners, 0, [h - size, w - size]), size)
        inside[k] = (_means((light >= stack.clips[k]).astype(np.float32)) == 0) & fits[:, None]
        variance[k] = _noise_variance(light)
        if np.isfinite(lowest):
            floored[k] = _means((light <= np.float32(lowest)).astype(np.float32))
        mean[k] = _means(_moved(light, fx, fy) if margin else light)
    usable = above_noise(mean, inside, exposures, stack.clips, models, side * side)
    return Samples(mean=mean, variance=variance, inside=inside, usable=usable, floored=floored, pixels=side * side,
                   cells=cells)  # fmt: skip


def _patches(stack: Stack, k: int, corners: npt.NDArray[np.int64], side: int) -> F32:
    """(N, side, side, C) light of frame k, gathered in bands of equal first row (maps read in order)."""
    p = stack.encoding.period
    frame = stack.frames[k]
    out = np.empty((len(corners), side, side, stack.shape[2]), np.float32)
    for row in np.unique(corners[:, 0]):
        mine = np.flatnonzero(corners[:, 0] == row)
        band = frame[row * p : (row + side) * p]
        columns = (corners[mine, 1][:, None] + np.arange(side)) * p
        if p == 1:
            picked = band[:, columns.ravel()]
        else:
            picked = band[:, (columns.ravel()[:, None] + np.arange(p)).ravel()]
        light = stack.encoding.light(np.ascontiguousarray(picked))
        out[mine] = light.reshape(side, len(mine), side, -1).transpose(1, 0, 2, 3)
    stack.forget()
    return out


def _means(patches: F32) -> F64:
    """(N, side, side, C) to (N, C), as one thin picture whose areas are averaged."""
    n, side, wide, c = patches.shape
    tall = np.ascontiguousarray(patches).reshape(n * side, wide, c)
    parts = [tall[..., i : i + 4] for i in range(0, c, 4)]
    small = [cv2.resize(np.ascontiguousarray(p), (1, n), interpolation=cv2.INTER_AREA).reshape(n, -1) for p in parts]
    return np.concatenate(small, axis=1).astype(np.float64)


def _moved(light: F32, fx: float, fy: float) -> F32:
    """Patches with a margin, read a fraction of a pixel on, without the margin.

    The patches stand side by side in one picture; what the kernel drags across their borders stays in
    the margin that is cut off.
    """
    n, size, _, c = light.shape
    row = np.ascontiguousarray(light.transpose(1, 0, 2, 3), np.float32).reshape(size, n * size, c)
    back = resample.fractional(row, fx, fy).reshape(size, n, size, c).transpose(1, 0, 2, 3)
    m = resample.REACH
    return back[:, m : size - m, m : size - m]


def _noise_variance(light: F32) -> F64:
    """Variance of a pixel with the local trend removed: second differences both ways, whose kernel
    (1 -2 1)' (1 -2 1) has a sum of squares of 36 (Immerkaer 1996)."""
    if light.shape[1] < 3:
        return np.asarray(light.var(axis=(1, 2)), np.float64)
    d = light[:, :-2] - 2 * light[:, 1:-1] + light[:, 2:]
    d = d[:, :, :-2] - 2 * d[:, :, 1:-1] + d[:, :, 2:]
    return _means(d * d) / 36.0


def above_noise(
    mean: F64, inside: npt.NDArray[np.bool_], exposures: Sequence[float], clips: Sequence[float],
    models: Sequence[Noise], n: int,
) -> npt.NDArray[np.bool_]:  # fmt: skip
    """Where a cell of ``n`` pixels lies ``inside`` and is expected well below the rail and well above the noise.

    Judged on the radiance from all frames, never on the reading in question: a cell must not be kept
    because its own noise looked good.
    """
    total = np.where(inside, mean, 0).sum(axis=0)
    weight = np.where(inside, np.array(exposures)[:, None, None], 0).sum(axis=0)
    radiance = total / np.maximum(weight, 1e-300)
    out = np.zeros_like(inside)
    for k, model in enumerate(models):
        m = exposures[k] * radiance
        sd = np.sqrt(model.floor + model.gain * np.maximum(m, 0))
        out[k] = (m + 5 * sd < clips[k]) & (m > 3 * np.sqrt(model.floor)) & (m > 12 * sd / np.sqrt(n)) & (weight > 0)
    return inside & out


