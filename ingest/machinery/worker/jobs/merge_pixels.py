"""The pixel pass of the job ``merge``: tiles through the estimator into the arrays that are written."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from ingest.machinery.worker.decoders.picture import Picture
from ingest.machinery.worker.exr import HALF_MAX
from ingest.records.merges import MergeRequest
from ingest.steps.merging import colour, curves, image_circle, mosaic, movement, radiance, resample
from ingest.steps.merging.calibration import Plan
from ingest.steps.merging.stack import grey, largest

F32 = npt.NDArray[np.float32]
_TILE = 96_000  # readings a tile: the frames of one tile stay in the processor's cache
_READ_BYTES = 32_000_000  # of all frames, before what was read of them is given back
_AT_RAIL = 0.98  # of the clip level
_SIGMA = "sigma.Y"
_SUPPORT = "support.frames"


@dataclass(slots=True)
class Measures:
    """What the pixel pass counted.  ``clipped`` has one row of counts a picture row (for solid angles); ``at_rail``:
    the shortest frame really is saturated somewhere, and not only left out.  ``lit`` is the share of the picture
    inside image circles, which ``doubtful`` and ``moved`` are shares of."""

    width: int
    height: int
    pixel_type: str = "half"
    scale: float = 1.0
    clipped: npt.NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, np.int64))
    at_rail: bool = False
    lit: float = 1.0
    doubtful: float = 0.0
    moved: float = 0.0
    moved_by_frame: tuple[float, ...] = ()
    statistics: dict[str, Any] = field(default_factory=dict)


@dataclass(slots=True)
class Result:
    channels: dict[str, npt.NDArray[Any]]
    measures: Measures
    masks: movement.Movement | None = None

    def still(
        self, k: int, rows: npt.NDArray[np.int64], columns: npt.NDArray[np.int64]
    ) -> npt.NDArray[np.uint8] | None:
        """(h, w) where frame k agrees with the others, at some rows and columns; None for everywhere."""
        mask = None if self.masks is None else self.masks.masks[k]
        if mask is None or self.masks is None:
            return None
        return mask[np.ix_(rows // self.masks.side, columns // self.masks.side)]


def merge(
    request: MergeRequest, plan: Plan, first: Picture, progress: Callable[[float], None]
) -> Result:
    """Merge the planned set.  ``first`` gives the colour facts."""
    h, w, c = plan.stack.shape
    period = plan.stack.encoding.period
    scale = request.reference_units
    matrix = matrix_of(request, first)
    measures = Measures(width=w * period, height=h * period, scale=scale)
    dtype = _dtype(plan, scale, matrix)
    measures.pixel_type = "half" if dtype == np.float16 else "float"
    measures.clipped = np.zeros(h * period, np.int64)
    masks = _movement(request, plan, measures)
    out = _Output(plan=plan, masks=masks, scale=scale, matrix=matrix, dtype=dtype, first=first, measures=measures,
                  layers=request.layers and not request.quick, quick=request.quick, kind=request.kind)  # fmt: skip
    rows = max(1, min(h, 64))
    columns = max(1, min(w, _TILE // (rows * c)))
    bands = range(0, h, rows)
    often = max(1, _READ_BYTES // (rows * columns * period * period * plan.stack.bytes_a_pixel))
    with ThreadPoolExecutor(max(1, request.threads)) as pool:
        jobs = [(r, left) for r in bands for left in range(0, w, columns)]
        for done, _ in enumerate(pool.map(lambda j: out.tile(j[0], min(h, j[0] + rows), j[1],
                                                             min(w, j[1] + columns)), jobs)):
            progress(done / len(jobs))
            if done % often == 0:
                plan.stack.forget()
    if measures.clipped.any():
        measures.at_rail = _largest(plan) >= _AT_RAIL * plan.models[0].clip
    return out.finish()


def _movement(request: MergeRequest, plan: Plan, measures: Measures) -> movement.Movement | None:
    """Where frames are left out because something moved; None where it was not looked for."""
    stack = plan.stack
    if not request.movement or request.quick or stack.count < 2:
        return None
    side = 4 if stack.encoding.period == 1 else 2
    _, w, _ = stack.shape

    def rows(k: int, top: int, bottom: int) -> tuple[F32, npt.NDArray[np.uint8] | None]:
        if k == 0:
            stack.forget()
        if plan.shifts is None or k == plan.reference:
            return stack.light(k, top, bottom), None
        region = (top, bottom, 0, w)
        light, usable, harsh = resample.aligned(stack, k, region, plan.shifts, plan.models, plan.reference)
        return light, (1 - largest(1 - usable)) & (1 - harsh)

    def grain(light: F32) -> F32:
        return np.sqrt(3.0 * curves.rounding(stack.encoding, light)).astype(np.float32)

    coded = stack.encoding.table is not None
    found = movement.find(plan.models, rows, stack.shape, side, grain, 2 if plan.source == "jpeg" else 1,
                          movement.CODED if coded else movement.LINEAR,
                          movement.CODED_COLOUR if coded else movement.LINEAR)  # fmt: skip
    measures.moved = found.share
    measures.moved_by_frame = found.by_frame
    return found


def matrix_of(request: MergeRequest, first: Picture) -> npt.NDArray[np.float64]:
    """Merged channels to the working space: chart-fitted, raw, embedded profile, or sRGB primaries."""
    target = request.colour_space
    if request.matrix is not None:
        fitted = np.array(request.matrix, float).reshape(3, 3)
        out: npt.NDArray[np.float64] = colour.between("rec709", target) @ fitted
        return out
    if first.raw is not None:
        return colour.between("rec709", target) @ first.raw.to_rec709
    if first.profile is not None:
        return colour.from_profile(first.profile.to_xyz, target)
    return colour.between("rec709", target)


def _dtype(plan: Plan, scale: float, matrix: npt.NDArray[np.float64]) -> Any:
    """Half where neither its top nor its precision in the shadows would be felt, else float."""
    shortest, longest = plan.models[0], plan.models[-1]
    gain = scale * float(np.abs(matrix).sum(axis=1).max())
    brightest = shortest.clip / shortest.s * gain
    if brightest > HALF_MAX * 0.9:
        brightest = _largest(plan) / shortest.s * gain
    smallest = np.sqrt(longest.floor) / longest.s * scale / np.sqrt(plan.stack.count)
    return np.float16 if brightest <= HALF_MAX * 0.9 and smallest >= 2.0**-24 else np.float32


def _largest(plan: Plan) -> float:
    h = plan.stack.shape[0]
    return max(float(plan.stack.light(0, r, min(h, r + 64)).max()) for r in range(0, h, 64))


@dataclass(slots=True)
class _Output:
    plan: Plan
    masks: movement.Movement | None
    scale: float
    matrix: npt.NDArray[np.float64]
    dtype: Any
    first: Picture
    measures: Measures
    layers: bool
    quick: bool
    kind: str
    rgb: npt.NDArray[Any] = field(init=False)
    sigma: npt.NDArray[Any] = field(init=False)
    support: npt.NDArray[Any] = field(init=False)

    def __post_init__(self) -> None:
        h, w, _ = self.plan.stack.shape
        p = self.plan.stack.encoding.period
        if p > 1:
            self.rgb = np.empty((h * p, w * p), np.float32)  # the merged mosaic, developed in finish()
        else:
            self.rgb = np.empty((h, w, 3), self.dtype)
        if self.layers:
            self.sigma = np.empty((h * p, w * p), np.float16)
            self.support = np.empty((h * p, w * p), np.float16)

    def tile(self, top: int, bottom: int, left: int, right: int) -> None:
        """Merge one tile into the arrays; tiles touch disjoint parts and may run side by side."""
        stack, c = self.plan.stack, self.plan.stack.shape[2]
        shape = (bottom - top, (right - left) * c)

        region = (top, bottom, left, right)
        sound: list[npt.NDArray[np.bool_]] = []  # where the reference, which needs no resampling, is unclipped

        def load(k: int, still: bool = True) -> tuple[F32, npt.NDArray[np.uint8] | None]:
            if self.plan.shifts is None or k == self.plan.reference:
                light, usable = stack.light(k, *region), None
            else:
                light, usable, harsh = resample.aligned(stack, k, region, self.plan.shifts, self.plan.models,
                                                        self.plan.reference)  # fmt: skip
                if harsh.any():
                    if not sound:
                        own = stack.light(self.plan.reference, *region)
                        sound.append(largest(own) < stack.clips[self.plan.reference])
                    usable[(harsh > 0) & sound[0]] = 0
            mask = self._still(k, *region) if still else None
            if mask is not None:
                by_channel = np.repeat(mask, c, axis=1).reshape(light.shape)
                usable = by_channel if usable is None else usable & by_channel
            return light.reshape(shape), None if usable is None else np.ascontiguousarray(usable).reshape(shape)

        if self.quick:
            rough = radiance.rough(self.plan.models, lambda k: (self._rough(k, region).reshape(shape), None), shape)
            self._place(rough, (bottom - top, right - left, c), top, bottom, left, right)
            return
        t = radiance.estimate(self.plan.models, load, shape)
        if t.clipped.any() and self.masks is not None and any(self._still(k, *region) is not None
                                                              for k in range(stack.count)):  # fmt: skip
            # where leaving out what moved left nothing, a mixture is better than a bound
            whole = radiance.estimate(self.plan.models, lambda k: load(k, still=False), shape)
            for part, other in ((t.radiance, whole.radiance), (t.variance, whole.variance), (t.support, whole.support)):
                np.copyto(part, other, where=t.clipped > 0)
            np.copyto(t.clipped, whole.clipped)
        np.maximum(t.radiance, np.float32(0.0), out=t.radiance)
        self._place(t, (bottom - top, right - left, c), top, bottom, left, right)

    def _rough(self, k: int, region: tuple[int, int, int, int]) -> F32:
        stack, p = self.plan.stack, self.plan.stack.encoding.period
        top, bottom, left, right = (v * p for v in region)
        return stack.encoding.rough(stack.frames[k][top:bottom, left:right])

    def _still(self, k: int, top: int, bottom: int, left: int, right: int) -> npt.NDArray[np.uint8] | None:
        """The pixels of the tile where frame k agrees with the others, None for all of them."""
        if self.masks is None or self.masks.masks[k] is None:
            return None
        side, mask = self.masks.side, self.masks.masks[k]
        assert mask is not None
        part = mask[top // side : -(-bottom // side), left // side : -(-right // side)]
        if part.all():
            return None
        grown = np.repeat(np.repeat(part, side, axis=0), side, axis=1)
        y, x = top - top // side * side, left - left // side * side
        return np.ascontiguousarray(grown[y : y + bottom - top, x : x + right - left])

    def _place(self, t: radiance.Tile, shape: tuple[int, int, int], top: int, bottom: int, left: int,
               right: int) -> None:  # fmt: skip
        p = self.plan.stack.encoding.period
        light = t.radiance.reshape(shape)
        clipped = t.clipped.reshape(shape)
        if p > 1:
            where = (slice(top * p, bottom * p), slice(left * p, right * p))
            self.rgb[where] = mosaic.interleave(light * np.float32(self.scale), p)
            relative = t.sigma / np.maximum(t.radiance, t.sigma)
            if self.layers:
                self.sigma[where] = mosaic.interleave(relative.reshape(shape), p)
                self.support[where] = mosaic.interleave(t.support.reshape(shape).astype(np.float32), p)
            self.measures.clipped[top * p : bottom * p] += np.repeat(clipped.any(axis=2).sum(axis=1) * p, p)
            return
        where = (slice(top, bottom), slice(left, right))
        self.rgb[where] = self._coloured(light)
        if self.layers:
            weights = _LUMINANCE if shape[2] == 3 else np.full(shape[2], 1.0 / shape[2])
            noise = cv2.sqrt(grey(t.variance.reshape(shape), (weights**2).tolist()))
            level = grey(light, weights.tolist())
            self.sigma[where] = half(noise / np.maximum(level, noise))
            least = 255 - largest(255 - t.support.reshape(shape))
            self.support[where] = cv2.LUT(np.ascontiguousarray(least), _COUNTS).view(np.float16)
        if clipped.any():
            self.measures.clipped[top:bottom] += clipped.any(axis=2).sum(axis=1)

    def _coloured(self, light: F32) -> npt.NDArray[Any]:
        if light.shape[2] == 1:
            light = np.repeat(light, 3, axis=2)
            rgb = cv2.multiply(light, (self.scale,) * 4)
        else:
            rgb = cv2.transform(np.ascontiguousarray(light), self.matrix * self.scale)
        return self._stored(rgb)

    def _stored(self, rgb: F32) -> npt.NDArray[Any]:
        if self.dtype == np.float32:
            return rgb
        return half(np.clip(rgb, -HALF_MAX, HALF_MAX, out=rgb))

    def finish(self) -> Result:
        if self.plan.stack.encoding.period > 1:
            self.rgb = self._developed()
        channels: dict[str, npt.NDArray[Any]] = {"RGB": self.rgb}
        if self.layers:
            channels |= {_SIGMA: self.sigma, _SUPPORT: self.support}
        step = max(1, self.rgb.shape[0] // 512)
        inside = image_circle.inside(self.rgb[::step, ::step].astype(np.float32) @ _LUMINANCE, self.kind)
        if self.layers:
            doubtful = self.sigma[::step, ::step] > 0.25
            self.measures.doubtful = float(np.mean(doubtful if inside is None else doubtful[inside]))
        if inside is not None:
            self.measures.lit = float(inside.mean())
            self.measures.moved = min(1.0, self.measures.moved / self.measures.lit)
            self.measures.moved_by_frame = tuple(min(1.0, v / self.measures.lit) for v in self.measures.moved_by_frame)
        self.measures.statistics = _statistics(self.rgb)
        return Result(channels=channels, measures=self.measures, masks=self.masks)

    def _developed(self) -> npt.NDArray[Any]:
        """White balance, demosaic, matrix: on the merged mosaic, in bands of rows that overlap by the
        filters' reach."""
        raw, pattern = self.first.raw, self.first.pattern
        assert raw is not None and pattern is not None
        h, w = self.rgb.shape
        p = pattern.shape[0]
        balance = np.array(raw.balance, np.float32)[pattern]
        rgb = np.empty((h, w, 3), self.dtype)
        band = 64 * p
        margin = -(-4 // p) * p  # whole periods, at least the reach of filter and bound
        for top in range(0, h, band):
            first, last = max(0, top - margin), min(h, top + band + margin)
            strip = self.rgb[first:last] * np.tile(balance, ((last - first) // p, w // p))
            colours = mosaic.demosaic(np.ascontiguousarray(strip), pattern)
            keep = slice(top - first, min(h, top + band) - first)
            rgb[top : top + band] = self._stored(cv2.transform(np.ascontiguousarray(colours[keep]), self.matrix))
        return rgb


#: A number of frames as a half, by its bits.
_COUNTS = np.arange(256, dtype=np.float16).view(np.uint16)[None]
_LUMINANCE = np.array([0.212639, 0.715169, 0.072192], np.float32)


def half(values: F32) -> npt.NDArray[np.float16]:
    """Rounded to half.  (The array library does in hardware what numpy does in software, ten times slower.)"""
    try:
        out = cv2.addWeighted(values, 1.0, values, 0.0, 0.0, dtype=cv2.CV_16F)
    except cv2.error:  # its version 4 cannot
        return values.astype(np.float16)
    return out.reshape(values.shape) if out.dtype == np.float16 else values.astype(np.float16)


def single(values: npt.NDArray[Any]) -> F32:
    """Halves as floats; see :func:`half`."""
    if values.dtype == np.float16:
        try:
            out = cv2.addWeighted(values, 1.0, values, 0.0, 0.0, dtype=cv2.CV_32F)
        except cv2.error:
            return values.astype(np.float32)
        return np.asarray(out.reshape(values.shape), np.float32)
    return np.asarray(values, np.float32)


def _statistics(rgb: npt.NDArray[Any]) -> dict[str, Any]:
    """Numbers that let a second reader check the picture: of each channel, over all pixels."""
    low, high, total = np.full(3, np.inf), np.full(3, -np.inf), np.zeros(3)
    negative = 0
    for top in range(0, rgb.shape[0], 256):
        strip = single(rgb[top : top + 256])
        for c in range(3):
            low[c], high[c] = min(low[c], float(strip[..., c].min())), max(high[c], float(strip[..., c].max()))
        total += np.array(cv2.sumElems(strip)[:3])
        if low.min() < 0:
            negative += int(np.count_nonzero(largest(-strip) > 0))
    pixels = rgb.shape[0] * rgb.shape[1]
    step = max(1, int(np.sqrt(pixels / 200_000)))
    sample = rgb[::step, ::step].astype(np.float32) @ _LUMINANCE
    return {
        "min": low.tolist(), "max": high.tolist(), "mean": (total / pixels).tolist(),
        "luminance_percentiles": {str(q): float(np.percentile(sample, q)) for q in (1, 50, 99)},
        "negative_pixels": negative, "not_finite": 0,
    }  # fmt: skip
