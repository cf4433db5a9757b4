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
4. no logarithms: the mean of noisy logs is low by half the relative variance;
5. where a file cannot hold readings below black, the mean of its noise lies above it: what a frame is
   expected to read, how that follows the light, and its variance are those of the rectified reading
   (``rectified``), or every dark frame would lift the shadows.

Weights as in Granados et al. 2010 (inverse variance, iterated) without their start from the readings.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
import numpy.typing as npt

from ingest.steps.merging import rectified

F32 = npt.NDArray[np.float32]
F64 = npt.NDArray[np.float64]
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
    near it there is nothing to censor and it is left out.  ``lowest`` is the smallest reading that its file can
    hold: 0 where nothing is stored below black."""

    s: float
    clip: float
    floor: float
    gain: float
    resampled: bool = False
    lowest: float = float("-inf")

    def sigma(self, reading: float) -> float:
        return float(np.sqrt(self.floor + self.gain * max(reading, 0.0)))

    @property
    def rectifies(self) -> bool:
        """Whether noise in the dark reaches the smallest reading."""
        return self.lowest > -rectified.CLEAR * self.sigma(0.0)


@dataclass(frozen=True, kw_only=True, slots=True)
class Tile:
    """Radiance (h, n), its variance, the number of frames it rests on, and which pixels no frame held (1),
    neither by being clipped everywhere nor by being left out everywhere."""

    radiance: F32
    variance: F32
    support: U8
    clipped: U8

    @property
    def sigma(self) -> F32:
        """Standard deviation of the radiance."""
        return np.sqrt(self.variance)


def estimate(frames: Sequence[FrameModel], load: Load, shape: tuple[int, int]) -> Tile:
    """Merge one tile.

    ``frames`` stand from dark to bright; ``load(k)`` gives frame k of the tile, called at most once a
    frame, longest exposure first.  Radiance is in readings per unit of ``s``.  Pixels that every frame
    clips get the clip level of the shortest frame (a lower bound) and ``clipped``.
    """
    tables = _tables(tuple(frames))
    total, exposure, kept = _start(tables, load, shape)
    return _score(tables, kept, total, exposure)


def rough(frames: Sequence[FrameModel], load: Load, shape: tuple[int, int]) -> Tile:
    """The start value alone (rule 2), for a first look: no variance, no support (both zero)."""
    tables = _tables(tuple(frames))
    total, exposure, kept = _start(tables, load, shape)
    clipped = np.less_equal(exposure, 0)
    with np.errstate(invalid="ignore", divide="ignore"):
        radiance = np.divide(total, exposure, out=total)
    radiance *= tables.bound
    if clipped.any():
        radiance[clipped] = _least(frames, kept, clipped, tables.bound)
    return Tile(radiance=radiance, variance=np.zeros(shape, np.float32), support=np.zeros(shape, np.uint8),
                clipped=clipped.view(np.uint8))  # fmt: skip


@dataclass(slots=True)
class _Kept:
    """Frame k of a tile: readings (h, n) and where they may be used, None for everywhere."""

    k: int
    x: F32
    usable: U8 | None


def _start(tables: _Tables, load: Load, shape: tuple[int, int]) -> tuple[F32, F32, list[_Kept]]:
    """Poisson estimate (rule 2): sums of readings and of exposures (times the radiance at the rail of the
    shortest frame, so that their ratio has no unit); and the frames worth keeping.

    Which frames a pixel's sum holds is noted as bits, so that the sum of their exposures is one look-up
    for the whole tile.
    """
    frames, photons = tables.frames, tables.photons
    total = np.zeros(shape, np.float32)
    planes = np.zeros((-(-len(frames) // 8), *shape), np.uint8)
    bit = np.empty(shape, np.uint8)
    kept: list[_Kept] = []
    waiting: list[_Waiting] = []  # for the next shorter frame to say whether they are to be believed
    sure = 0.0  # exposure that every pixel of the tile has at least

    def add(one: _Kept, below: U8) -> float:
        share = photons[one.k] / frames[one.k].s
        cv2.accumulate(one.x if share == 1.0 else cv2.multiply(one.x, share), total, below)
        np.multiply(below, np.uint8(1 << one.k % 8), out=bit)
        plane = planes[one.k // 8]
        np.bitwise_or(plane, bit, out=plane)
        return photons[one.k] if cv2.countNonZero(below) == below.size else 0.0

    for k in range(len(frames) - 1, -1, -1):
        f = frames[k]
        if kept and sure * NEGLIGIBLE > photons[k]:
            continue
        x, usable = load(k)
        still = []
        for one in waiting:
            if _doubt(frames, one, k, x, usable):
                still.append(one)
            else:
                sure += add(one.kept, one.below)
        waiting = still
        below = _less(x, f.clip - 2.0 * f.sigma(f.clip))
        if usable is not None:
            below = cv2.bitwise_and(below, usable)
        if k > 0 and not tables.any_resampled and not cv2.countNonZero(below):
            continue
        kept.append(_Kept(k, x, usable))
        waiting.append(_Waiting(kept[-1], below))
    for one in waiting:
        add(one.kept, one.below)
    exposure = _looked_up(tables.exposures[0], planes[0])
    for table, plane in zip(tables.exposures[1:], planes[1:], strict=True):
        cv2.add(exposure, _looked_up(table, plane), dst=exposure)
    return total, exposure, kept


@dataclass(slots=True)
class _Waiting:
    """A frame, where its readings count as unsaturated, and where no shorter frame was asked yet: None for
    everywhere."""

    kept: _Kept
    below: U8
    unasked: U8 | None = None


def _doubt(frames: Sequence[FrameModel], longer: _Waiting, k: int, x: F32, usable: U8 | None) -> bool:
    """Disbelieve a reading below the rail where the next shorter frame k says that it should be clipped.

    A codec's ringing beside a lamp can pull a clipped pixel under the rail; alone it would look valid.  Where
    frame k itself is left out (something walked there) it cannot say, and the next shorter one is asked: true
    while such places are left.
    """
    p = longer.kept.k
    if frames[p].s <= frames[k].s:
        return False
    expected = frames[p].clip * frames[k].s / frames[p].s
    limit = expected * 1.03 + 5.0 * frames[k].sigma(expected)
    passed = _less(x, limit)
    if usable is not None:
        cv2.bitwise_or(passed, 1 - usable, dst=passed)
    if longer.unasked is not None:
        cv2.bitwise_or(passed, 1 - longer.unasked, dst=passed)
    cv2.bitwise_and(longer.below, passed, dst=longer.below)
    if usable is None:
        return False
    left = cv2.bitwise_and(longer.below, 1 - usable)
    longer.unasked = left if longer.unasked is None else cv2.bitwise_and(left, longer.unasked)
    return bool(longer.unasked.any())


def _score(tables: _Tables, kept: Sequence[_Kept], total: F32, exposure: F32) -> Tile:
    """One scoring step from the Poisson estimate (rule 1), then the censored frames (rule 3).

    Weights, their sum and the number of frames depend on the start value alone, so they are looked up by
    its level (an eighth of an octave: a weight 5 % off costs nothing that could be measured, and the same
    weights stand above and below the fraction).
    """
    bound = tables.bound
    lost: npt.NDArray[np.bool_] | None = None
    with np.errstate(invalid="ignore", divide="ignore"):
        start = np.divide(total, exposure, out=total)
    if float(exposure.min()) <= 0:
        lost = exposure <= 0
        start[lost] = 1.0
    np.maximum(start, np.float32(0.0), out=start)
    level = cv2.LUT(_code(start), tables.level)
    if tables.rectifies:
        start -= _looked_up(tables.lift([v.k for v in kept]), level)
        np.maximum(start, np.float32(0.0), out=start)
        level = cv2.LUT(_code(start), tables.level)
    everywhere = [v.k for v in kept if v.usable is None]
    num = -_looked_up(tables.excess(everywhere), level) if tables.rectifies else np.zeros_like(start)
    den = _looked_up(tables.information(everywhere), level)
    support = cv2.LUT(level, tables.counted(everywhere))
    for v in kept:
        weight = _looked_up(tables.weights[v.k], level)
        if v.usable is None:
            cv2.accumulateProduct(weight, v.x, num)
            continue
        cv2.accumulateProduct(weight, v.x, num, v.usable)
        if tables.rectifies:
            cv2.accumulate(-_looked_up(tables.excess([v.k]), level), num, v.usable)
        cv2.accumulate(_looked_up(tables.information([v.k]), level), den, v.usable)
        cv2.add(support, cv2.LUT(level, tables.counted([v.k])), dst=support, mask=v.usable)
    _censor(tables, kept, level, start, num, den, support)
    if float(den.min()) > 0:
        radiance, variance = np.divide(num, den, out=num), np.reciprocal(den, out=den)
    else:  # left out everywhere, or above the rail of every frame that was not resampled
        held = den > 0
        radiance = np.divide(num, den, out=start * bound, where=held)
        variance = np.divide(np.float32(1.0), den, out=np.full_like(den, bound * bound), where=held)
    clipped = np.zeros(start.shape, np.uint8)
    if lost is not None:
        least = _least(tables.frames, kept, lost, bound)
        radiance[lost], variance[lost] = least, least * least
        support[lost] = 0
        clipped[lost] = 1
    return Tile(radiance=radiance, variance=variance, support=support, clipped=clipped)


def _code(start: F32) -> npt.NDArray[np.uint16]:
    """The upper half of each number: sign, exponent and seven bits of mantissa, a logarithm for nothing."""
    bits = start.view(np.uint16)
    return np.ascontiguousarray(bits[:, _UPPER::2])


def _looked_up(table: F32, level: U8) -> F32:
    out: F32 = cv2.LUT(level, table)
    return out


_UPPER = 1 if np.little_endian else 0
_AN_OCTAVE = 8  # levels


class _Tables:
    """What the estimator needs of a set of frames by the level of the start value, of which there are at
    most 256; their borders stand on both ends of each frame's censored zone."""

    def __init__(self, frames: tuple[FrameModel, ...]) -> None:
        self.frames = frames
        self.any_resampled = any(f.resampled for f in frames)
        least_gain = min(f.gain for f in frames)
        #: What a frame collects, whatever its ISO.
        self.photons = [f.s * least_gain / f.gain for f in frames]
        #: Radiance at the rail of the shortest frame: the unit of start values and their levels.
        self.bound = np.float32(frames[0].clip / frames[0].s)
        unit = float(self.bound)
        self.exposures = [_sums([p * unit for p in self.photons[i : i + 8]]) for i in range(0, len(frames), 8)]
        zones = [tuple(max(0.0, edge) / f.s / unit for edge in _zone(frames, k)) for k, f in enumerate(frames)]
        borders = _borders(frames, zones)
        codes = np.arange(65536)
        self.level = np.minimum(np.searchsorted(borders, codes, side="right"), 255).astype(np.uint8)[None]
        self.level[0, 32768:] = 0  # negative numbers do not occur
        low = np.concatenate([[0], borders])
        high = np.append(borders, borders[-1] + 128)
        middle = ((low + high) / 2).astype(np.uint32)
        centre = (middle << 16).view(np.float32).astype(np.float64) * unit
        empty = np.zeros(256)
        self.rectifies = any(f.rectifies for f in frames)
        self._centre = centre
        self._slopes: list[F64] = []  # of what frame k reads against the light, by level
        self._excess: list[F64] = []  # of what it reads over what that slope makes of the light, weighted
        self.weights: list[F32] = []
        self.inside: list[npt.NDArray[np.bool_]] = []
        for f, (first, last) in zip(frames, zones, strict=True):
            weight = empty.copy()
            below = high <= _code_of(first)
            mean, slope, variance = _reading(f, centre)
            weight[: len(centre)] = np.where(below, f.s * slope / variance, 0)
            self.weights.append(weight.astype(np.float32)[None])
            self._slopes.append(_padded(slope))
            self._excess.append(weight * _padded(mean - slope * f.s * centre))
            inside = np.zeros(256, bool)
            inside[: len(centre)] = ~below & (low <= _code_of(last))
            self.inside.append(inside & (not f.resampled))
        self._information: dict[tuple[int, ...], F32] = {}
        self._lifts: dict[tuple[int, ...], F32] = {}
        self._excesses: dict[tuple[int, ...], F32] = {}
        self._counted: dict[tuple[int, ...], U8] = {}

    def information(self, which: Sequence[int]) -> F32:
        """Sum of weight x exposure over some frames, by level."""
        key = tuple(which)
        if key not in self._information:
            total = sum((self.weights[k].astype(np.float64) * self.frames[k].s * self._slopes[k] for k in key),
                        np.zeros((1, 256)))  # fmt: skip
            self._information[key] = total.astype(np.float32)
        return self._information[key]

    def excess(self, which: Sequence[int]) -> F32:
        """What to take off the weighted sum of some frames' readings (rule 5), by level."""
        key = tuple(which)
        if key not in self._excesses:
            total = sum((self._excess[k] for k in key), np.zeros(256))
            self._excesses[key] = total.astype(np.float32)[None]
        return self._excesses[key]

    def lift(self, which: Sequence[int]) -> F32:
        """What to take off a start value from some frames (rule 5), by its level."""
        key = tuple(which)
        if key not in self._lifts:
            unit = float(self.bound)
            total, exposure = np.zeros(len(self._centre)), 0.0
            for k in key:
                f = self.frames[k]
                total += self.photons[k] / f.s * _reading(f, self._centre)[0]
                exposure += self.photons[k]
            expected = total / exposure  # of a start value, for each true radiance: rises with it
            true = np.interp(self._centre, expected, self._centre, left=0.0)
            self._lifts[key] = _padded((self._centre - true) / unit).astype(np.float32)[None]
        return self._lifts[key]

    def counted(self, which: Sequence[int]) -> U8:
        """How many of some frames are used, by level."""
        key = tuple(which)
        if key not in self._counted:
            self._counted[key] = sum((self.weights[k] > 0 for k in key), np.zeros((1, 256), int)).astype(np.uint8)
        return self._counted[key]


def _reading(frame: FrameModel, radiance: F64) -> tuple[F64, F64, F64]:
    """What a frame is expected to read of a radiance, how that follows the light, and its variance."""
    m = frame.s * radiance
    variance = frame.floor + frame.gain * m
    if not frame.rectifies:
        return m, np.ones_like(m), variance
    return rectified.moments(m, np.sqrt(variance), frame.lowest)


def _padded(values: F64) -> F64:
    return np.concatenate([values, np.zeros(256 - len(values))])


@lru_cache(maxsize=4)
def _tables(frames: tuple[FrameModel, ...]) -> _Tables:
    return _Tables(frames)


def _sums(parts: Sequence[float]) -> F32:
    """Sum of the parts whose bit is set, by byte."""
    bits = (np.arange(256)[:, None] >> np.arange(len(parts))) & 1
    return np.asarray(bits @ np.array(parts), np.float32)[None]


def _code_of(value: float) -> int:
    return int(np.float32(value).view(np.uint32)) >> 16


def _borders(frames: Sequence[FrameModel], zones: Sequence[tuple[float, ...]]) -> npt.NDArray[np.int64]:
    """Codes at which a new level begins: the zones' ends, and between the noise of all frames together and
    the rail of the shortest as many as there is room for."""
    ends = {_code_of(v) for zone in zones for v in zone} | {_code_of(v) + 1 for zone in zones for v in zone}
    noise = np.sqrt(min(f.floor for f in frames)) / sum(f.s for f in frames) / 4
    first, last = _code_of(max(noise * frames[0].s / frames[0].clip, 1e-30)), _code_of(1.0) + 128
    step = max(128 // _AN_OCTAVE, -(-(last - first) // (250 - len(ends))))
    return np.array(sorted(ends | set(range(first, last, step))))


def _least(
    frames: Sequence[FrameModel], kept: Sequence[_Kept], lost: npt.NDArray[np.bool_], bound: np.float32
) -> F32:
    """What lost pixels hold at least: the largest radiance that the shortest frame says, or another near
    its rail, or the clip level of the frame that needs no resampling.  (A resampled frame is not used beside
    its clipped pixels, yet what it reads there is below the truth and far above what longer frames held.)"""
    whole = [v.k for v in kept if not frames[v.k].resampled]
    start = frames[whole[-1]].clip / frames[whole[-1]].s if whole else bound
    least = np.full(int(np.count_nonzero(lost)), start, np.float32)
    shortest = min(v.k for v in kept)
    for v in kept:
        f = frames[v.k]
        reading = np.minimum(v.x[lost], np.float32(f.clip))
        told = (reading >= np.float32(0.9 * f.clip)) | (v.k == shortest)
        np.maximum(least, reading / np.float32(f.s), out=least, where=told)
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
    tables: _Tables, kept: Sequence[_Kept], level_of: U8, start: F32, num: F32, den: F32, support: U8
) -> None:
    """Add what frames say near their rail, by Newton steps on the censored likelihood.

    With z = (clip - m) / sd and hazard h(z) = phi(z) / (1 - Phi(z)): below the rail the score is
    (x - m) / var and the observed information 1 / var; at the rail h / sd and h (h - z) / var.  The
    likelihood is concave, so the steps cannot run away.  Few pixels are near a rail: they are gathered.
    """
    near = np.bitwise_or.reduce([tables.inside[v.k] for v in kept])
    at = np.flatnonzero(cv2.LUT(level_of, near.view(np.uint8)[None]))
    if not at.size:
        return
    base_num, base_den = num.ravel()[at], den.ravel()[at]
    level = start.ravel()[at]
    level *= tables.bound
    levels = level_of.ravel()[at]
    np.divide(base_num, base_den, out=level, where=base_den > 0)
    n, d = base_num, base_den
    terms = []
    for v in kept:
        inside = tables.inside[v.k][levels]
        if v.usable is not None:
            inside &= v.usable.ravel()[at] > 0
        here = np.flatnonzero(inside)
        if here.size:
            f = tables.frames[v.k]
            terms.append((f, here, v.x.ravel()[at[here]]))
            support.ravel()[at[here]] += (terms[-1][2] < f.clip).astype(np.uint8)
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
