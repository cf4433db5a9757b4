"""What would convince a sceptic: on a thinned grid, what each frame holds, what it weighs, and whether the
frames agree with each other.

The grid's pixels are merged by the same estimator as the picture, from the same plan; only a fraction of a
pixel of a hand-held shift is left out.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from ingest.steps.merging import radiance
from ingest.steps.merging.calibration import Plan

F32 = npt.NDArray[np.float32]
U8 = npt.NDArray[np.uint8]
_LEAST = 40  # readings a level, for their median to be shown
_SURE = 4.0  # signal over noise of a reading that is compared


@dataclass(frozen=True, kw_only=True, slots=True)
class Evidence:
    """``frames`` (K, h, w, C) light of each frame where the reference shows the grid, 1 = saturation;
    ``shares`` (K, h, w) of each frame in the result; ``sigma`` (h, w) relative standard deviation, the worst
    of the channels.  ``agreement[k]`` are (log2 of merged light in units of the shortest frame's saturation,
    median of frame k's own light over the merged, less 1)."""

    frames: F32
    shares: F32
    sigma: F32
    agreement: tuple[tuple[tuple[float, float], ...], ...]


def gather(plan: Plan, still: Callable[[int, npt.NDArray[np.int64], npt.NDArray[np.int64]], U8 | None],
           width: int) -> Evidence:  # fmt: skip
    """Look at about ``width`` columns of the stack.  ``still(k, rows, columns)`` (h, w) says where frame k
    agrees with the others, None for everywhere."""
    stack, models = plan.stack, plan.models
    h, w, c = stack.shape
    step = max(1, round(w / width))
    rows, columns = np.arange(step // 2, h, step), np.arange(step // 2, w, step)
    light = np.stack([_at(plan, k, rows, columns) for k in range(stack.count)])
    usable = [still(k, rows, columns) for k in range(stack.count)]
    shape = (len(rows), len(columns) * c)

    def load(k: int) -> tuple[F32, U8 | None]:
        mask = usable[k]
        return light[k].reshape(shape), None if mask is None else np.repeat(mask, c, axis=1)

    tile = radiance.estimate(models, load, shape)
    merged = tile.radiance.reshape(light.shape[1:])
    weight = np.stack([_weight(models[k], merged, usable[k]) for k in range(stack.count)])
    shares = (weight / np.maximum(weight.sum(axis=0), 1e-30)).mean(axis=-1)
    relative = tile.sigma / np.maximum(tile.radiance, 1e-12)
    return Evidence(
        frames=light, shares=shares, sigma=np.minimum(relative.reshape(merged.shape).max(axis=-1), 1.0),
        agreement=tuple(_agreement(models[k], light[k], merged, usable[k], models[0]) for k in range(stack.count)),
    )  # fmt: skip


def _at(plan: Plan, k: int, rows: npt.NDArray[np.int64], columns: npt.NDArray[np.int64]) -> F32:
    """Frame k's light at the grid, moved by the whole pixels of its shift."""
    stack, p = plan.stack, plan.stack.encoding.period
    h, w, _ = stack.shape
    x, y = (0, 0) if plan.shifts is None else (round(v / p) for v in plan.shifts[k])
    rows, columns = np.clip(rows + y, 0, h - 1), np.clip(columns + x, 0, w - 1)
    frame = stack.frames[k]
    sites = np.arange(p)
    picked = frame[(rows[:, None] * p + sites).ravel()][:, (columns[:, None] * p + sites).ravel()]
    stack.forget()
    return stack.encoding.light(np.ascontiguousarray(picked))


def _weight(f: radiance.FrameModel, merged: F32, usable: U8 | None) -> F32:
    """Information of frame k about the merged light, none where it is saturated or left out."""
    expected = f.s * merged
    weight = np.where(expected < f.clip, f.s * f.s / (f.floor + f.gain * np.maximum(expected, 0)), 0.0)
    if usable is not None:
        weight = weight * usable[..., None]
    return np.asarray(weight, np.float32)


def _agreement(
    f: radiance.FrameModel, light: F32, merged: F32, usable: U8 | None, shortest: radiance.FrameModel
) -> tuple[tuple[float, float], ...]:
    expected = f.s * merged
    noise = np.sqrt(f.floor + f.gain * np.maximum(expected, 0))
    fair = (expected > _SURE * noise) & (expected + _SURE * noise < f.clip)
    if usable is not None:
        fair &= usable[..., None] > 0
    level = np.log2(merged[fair] * shortest.s / shortest.clip)
    ratio = light[fair] / expected[fair] - 1
    bins = np.floor(level * 2).astype(int)
    out = []
    for b in np.unique(bins):
        here = ratio[bins == b]
        if here.size >= _LEAST:
            out.append((float(b) / 2 + 0.25, float(np.median(here))))
    return tuple(out)
