"""The radiance that explains all readings of a pixel best, tile by tile.

Theory of operation.  Frame k reads x_k = min(s_k L + noise, c), x = 1 where the body saturates, s_k its
exposure, var(noise) = floor_k + gain_k s_k L (read noise and rounding; photons).  The maximum-likelihood
L solves sum_k s_k (x_k - s_k L) / var_k = 0, so one scoring step from a start value is a weighted mean
with weights s_k / var_k taken *at the start value*.  Rules kept here:

1. a weight never looks at the reading it weighs: it is computed from the running estimate (weights from
   noisy readings bend shadows and highlights by tens of per cent);
2. the start value is sum of readings / sum of exposures over unsaturated frames, which needs no noise
   model at all (Hanji et al. 2020; Grossberg and Nayar 2003);
3. a frame expected near the rail is treated as censored, not cut: below the rail it counts as a
   reading, at the rail as "at least this", with the information of a censored normal variable (Tobit
   likelihood; from memory), so nothing jumps where one exposure hands over to the next;
4. no logarithms: the mean of noisy logs is low by half the relative variance.

Weights as in Granados et al. 2010 (inverse variance, iterated) without their start from the readings.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

F32 = npt.NDArray[np.float32]
U8 = npt.NDArray[np.uint8]
#: Loads frame k of the tile: readings (h, n) and where they may be used (1/0), None for everywhere.
Load = Callable[[int], tuple[F32, U8 | None]]

#: Half-width of the censored zone in standard deviations.
ZONE = 4.0
#: A frame is skipped where its exposure is below this share of what longer frames already gave.
NEGLIGIBLE = 1 / 250


@dataclass(frozen=True, kw_only=True, slots=True)
class FrameModel:
    """What the estimator knows of a frame: exposure ``s`` (relative), ``clip`` in readings, and the
    noise model var = ``floor`` + ``gain`` x reading.  A ``resampled`` frame lost its readings at the rail, so
    near it there is nothing to censor and it is left out."""

    s: float
    clip: float
    floor: float
    gain: float
    resampled: bool = False

    def sigma(self, reading: float) -> float:
        return float(np.sqrt(self.floor + self.gain * max(reading, 0.0)))


@dataclass(frozen=True, kw_only=True, slots=True)
class Tile:
    """Radiance (h, n), its standard deviation, the number of frames it rests on, and which pixels no
    frame held (1), neither by being clipped everywhere nor by being left out everywhere."""

    radiance: F32
    sigma: F32
    support: U8
    clipped: U8


def estimate(frames: Sequence[FrameModel], load: Load, shape: tuple[int, int]) -> Tile:
    """Merge one tile.

    ``frames`` stand from dark to bright; ``load(k)`` gives frame k of the tile, called at most once a
    frame, longest exposure first.  Radiance is in readings per unit of ``s``.  Pixels that every frame
    clips get the clip level of the shortest frame (a lower bound) and ``clipped``.
    """
    start, kept = _start(frames, load, shape)
    return _score(frames, kept, *start)


def _start(
    frames: Sequence[FrameModel], load: Load, shape: tuple[int, int]
) -> tuple[tuple[F32, F32], dict[int, tuple[F32, U8 | None]]]:
    """Poisson estimate (rule 2): sums of readings and of exposures; and the frames worth keeping."""
    total = np.zeros(shape, np.float32)
    exposure = np.zeros(shape, np.float32)
    kept: dict[int, tuple[F32, U8 | None]] = {}
    least_gain = min(f.gain for f in frames)
    photons = [f.s * least_gain / f.gain for f in frames]  # what a frame collects, whatever its ISO
    waiting: tuple[int, F32, U8] | None = None

    def add(k: int, x: F32, below: U8) -> None:
        share = photons[k] / frames[k].s
        cv2.accumulate(x if share == 1.0 else cv2.multiply(x, share), total, below)
        cv2.add(exposure, photons[k], dst=exposure, mask=below)

    for k in range(len(frames) - 1, -1, -1):
        f = frames[k]
        if kept and float(exposure.min()) * NEGLIGIBLE > photons[k]:
            continue
        x, usable = load(k)
        if waiting is not None:
            _doubt(frames, waiting, k, x)
            add(*waiting)
            waiting = None
        below = _less(x, f.clip - 2.0 * f.sigma(f.clip))
        if usable is not None:
            below = cv2.bitwise_and(below, usable)
        if k > 0 and not below.any() and not any(g.resampled for g in frames):
            continue
        kept[k] = (x, usable)
        waiting = (k, x, below)
    if waiting is not None:
        add(*waiting)
    return (total, exposure), kept


def _doubt(frames: Sequence[FrameModel], waiting: tuple[int, F32, U8], k: int, x: F32) -> None:
    """Disbelieve a reading below the rail where the next shorter frame k says that it should be clipped.

    A codec's ringing beside a lamp can pull a clipped pixel under the rail; alone it would look valid.
    """
    p, _, below = waiting
    if frames[p].s <= frames[k].s:
        return
    expected = frames[p].clip * frames[k].s / frames[p].s
    limit = expected * 1.03 + 5.0 * frames[k].sigma(expected)
    cv2.bitwise_and(below, _less(x, limit), dst=below)


def _score(
    frames: Sequence[FrameModel], kept: dict[int, tuple[F32, U8 | None]], total: F32, exposure: F32
) -> Tile:
    """One scoring step from the Poisson estimate (rule 1), then the censored frames (rule 3)."""
    held = exposure > 0
    bound = np.float32(frames[0].clip / frames[0].s)
    start = np.divide(total, exposure, out=np.full_like(total, bound), where=held)
    np.maximum(start, np.float32(0.0), out=start)
    num = np.zeros_like(total)
    den = np.zeros_like(total)
    support = np.zeros(total.shape, np.uint8)
    weight = np.empty_like(total)
    near: list[tuple[int, U8]] = []
    for k, (x, usable) in kept.items():
        f = frames[k]
        low, high = _zone(frames, k)
        below = _less(start, low / f.s)
        if usable is not None:
            below = cv2.bitwise_and(below, usable)
        # w = s / var(s L); folded so that one multiplication and one addition give its reciprocal
        np.multiply(start, np.float32(f.gain), out=weight)
        np.add(weight, np.float32(f.floor / f.s), out=weight)
        np.reciprocal(weight, out=weight)
        cv2.accumulateProduct(weight, x, num, below)
        np.multiply(weight, np.float32(f.s), out=weight)
        cv2.accumulate(weight, den, below)
        cv2.add(support, below, dst=support)
        if f.resampled:
            continue
        inside = _less(start, high / f.s)
        cv2.subtract(inside, below, dst=inside)
        if usable is not None:
            cv2.bitwise_and(inside, usable, dst=inside)
        near.append((k, inside))
    _censor(frames, kept, near, start, num, den, support)
    radiance = np.divide(num, den, out=start, where=den > 0)
    sigma = np.full_like(den, bound)
    np.divide(np.float32(1.0), np.sqrt(den), out=sigma, where=den > 0)
    lost = ~held
    if lost.any():
        least = _least(frames, kept, lost, bound)
        radiance[lost] = sigma[lost] = least
        support[lost] = 0
    return Tile(radiance=radiance, sigma=sigma, support=support, clipped=lost.view(np.uint8))


def _least(
    frames: Sequence[FrameModel], kept: dict[int, tuple[F32, U8 | None]], lost: npt.NDArray[np.bool_], bound: np.float32
) -> F32:
    """What lost pixels hold at least: the largest radiance that a frame near its rail says, or the clip
    level of the frame that needs no resampling where all others lie outside the picture."""
    whole = [k for k in kept if not frames[k].resampled]
    start = frames[whole[-1]].clip / frames[whole[-1]].s if whole else bound
    least = np.full(int(np.count_nonzero(lost)), start, np.float32)
    for k, (x, _) in kept.items():
        reading = np.minimum(x[lost], np.float32(frames[k].clip))
        railed = reading >= np.float32(0.9 * frames[k].clip)
        np.maximum(least, reading / np.float32(frames[k].s), out=least, where=railed)
    return least


def _less(x: F32, limit: float) -> U8:
    """1 where below.  (The array library's compare takes a 4x1 array for a scalar: not used.)"""
    return np.less(x, np.float32(limit)).view(np.uint8)


def _zone(frames: Sequence[FrameModel], k: int) -> tuple[float, float]:
    """Expected readings between which frame k is treated as censored.

    Wide enough for the start value's own noise, which near frame k's rail rests on the shorter frames.
    """
    f = frames[k]
    shorter = sum(g.s for g in frames[:k])
    width = ZONE * f.sigma(f.clip) * np.sqrt(1.0 + (f.s / shorter if shorter else 0.0))
    return f.clip - width, f.clip + width


def _censor(
    frames: Sequence[FrameModel], kept: dict[int, tuple[F32, U8 | None]], near: list[tuple[int, U8]],
    start: F32, num: F32, den: F32, support: U8,
) -> None:  # fmt: skip
    """Add what frames say near their rail, by Newton steps on the censored likelihood.

    With z = (clip - m) / sd and hazard h(z) = phi(z) / (1 - Phi(z)): below the rail the score is
    (x - m) / var and the observed information 1 / var; at the rail h / sd and h (h - z) / var.  The
    likelihood is concave, so the steps cannot run away.  Few pixels are near a rail: they are gathered.
    """
    if not near:
        return
    union = near[0][1] if len(near) == 1 else np.bitwise_or.reduce([n for _, n in near])
    at = np.flatnonzero(union)
    if not at.size:
        return
    base_num, base_den = num.ravel()[at], den.ravel()[at]
    level = start.ravel()[at]
    np.divide(base_num, base_den, out=level, where=base_den > 0)
    n, d = base_num, base_den
    terms = []
    for k, mask in near:
        here = np.flatnonzero(mask.ravel()[at])
        if here.size:
            terms.append((frames[k], here, kept[k][0].ravel()[at[here]]))
            support.ravel()[at[here]] += (terms[-1][2] < frames[k].clip).astype(np.uint8)
    for _ in range(STEPS):
        n, d = base_num.copy(), base_den.copy()
        for f, here, reading in terms:
            own = np.maximum(level[here], 0)
            m = np.float32(f.s) * own
            variance = np.float32(f.floor) + np.float32(f.gain) * m
            sd = np.sqrt(variance)
            z = (np.float32(f.clip) - m) / sd
            hazard = _hazard(z)
            at_rail = reading >= f.clip
            score = np.where(at_rail, hazard / sd, (reading - m) / variance) * np.float32(f.s)
            information = np.where(at_rail, hazard * (hazard - z), 1.0) / variance * np.float32(f.s * f.s)
            n[here] += score + information * own
            d[here] += information
        np.divide(n, d, out=level, where=d > 0)
    num.ravel()[at] = n
    den.ravel()[at] = d


#: Newton steps for pixels near a rail.
STEPS = 3
_Z_STEP = 1 / 256
_Z_END = 9.0


def _hazard_table() -> F32:
    """phi / (1 - Phi) on -9..9, from the continued fraction of Mills' ratio above 1 and Simpson below."""
    z = np.arange(-_Z_END, _Z_END + _Z_STEP / 2, _Z_STEP)
    density = np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi)
    middle = np.exp(-0.5 * (z[:-1] + _Z_STEP / 2) ** 2) / np.sqrt(2 * np.pi)
    parts = (density[:-1] + 4 * middle + density[1:]) * (_Z_STEP / 6)
    upper = np.concatenate([np.cumsum(parts[::-1])[::-1], [0.0]])
    positive = np.maximum(z, 1.0)
    above = positive.copy()
    for j in range(60, 0, -1):
        above = positive + j / above
    return np.asarray(np.where(z > 1, above, density / np.maximum(upper, 1e-30)), np.float32)


_HAZARD = _hazard_table()


def _hazard(z: F32) -> F32:
    """Hazard of the standard normal; beyond 9 deviations its asymptotes 0 and z + 1/z."""
    index = np.clip((z + _Z_END) * np.float32(1 / _Z_STEP) + 0.5, 0, len(_HAZARD) - 1).astype(np.int32)
    out: F32 = np.where(z > _Z_END - 0.1, z + 1 / np.maximum(z, 1), _HAZARD[index])
    return out


def poisson(frames: Sequence[FrameModel], readings: Sequence[F32]) -> F32:
    """Sum of unsaturated readings over the sum of their exposures: the plain pass.

    The worked example of Hanji et al. (exposures 1/64, 1/16, 1/4 s, counts 15, 63, 251):

    >>> f = [FrameModel(s=s, clip=1e9, floor=0, gain=1) for s in (1 / 64, 1 / 16, 1 / 4)]
    >>> round(float(poisson(f, [np.float32([[n]]) for n in (15, 63, 251)])[0, 0]), 3)
    1002.667
    """
    total = np.zeros_like(readings[0])
    exposure = np.zeros_like(total)
    for f, x in zip(frames, readings, strict=True):
        below = _less(x, f.clip)
        cv2.accumulate(x, total, below)
        cv2.add(exposure, f.s, dst=exposure, mask=below)
    bound = np.float32(frames[0].clip / frames[0].s)
    return np.divide(total, exposure, out=np.full_like(total, bound), where=exposure > 0)
