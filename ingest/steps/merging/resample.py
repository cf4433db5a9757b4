"""Moving a frame by a fraction of a pixel: windowed sinc, separable, exact for any fraction.

The array library's own warps round fractions to 1/32 pixel; one correlation with two short kernels does
not.  Readings near a clipped one are spoilt by it, so the mask of what may be used shrinks by the
kernel's reach.
"""

from __future__ import annotations

from collections.abc import Sequence

import cv2
import numpy as np
import numpy.typing as npt

from ingest.steps.merging.radiance import FrameModel
from ingest.steps.merging.stack import Stack, largest

F32 = npt.NDArray[np.float32]
U8 = npt.NDArray[np.uint8]

#: Rows and columns the kernel reaches to either side.
REACH = 4
_SPOILT = 2  # pixels to either side with heavy weights
_BETA = 4.5  # Kaiser window: flat to about 0.8 of Nyquist with eight taps


def kernel(fraction: float) -> F32:
    """Weights of the nine pixels -4..4 for the value at ``fraction`` (-0.5..0.5) of a pixel; sum 1.

    >>> [round(abs(float(v)), 3) for v in kernel(0.0)]
    [0.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 0.0]
    """
    x = np.arange(-REACH, REACH + 1) - fraction
    window = np.i0(_BETA * np.sqrt(np.maximum(1 - (x / (REACH + 0.5)) ** 2, 0))) / np.i0(_BETA)
    k = np.sinc(x) * window
    return np.asarray(k / k.sum(), np.float32)


def split(shift: float) -> tuple[int, float]:
    """Whole and fractional part, the fraction within -0.5..0.5."""
    whole = int(np.floor(shift + 0.5))
    return whole, shift - whole


def fractional(picture: F32, fx: float, fy: float) -> F32:
    """(h, w) or (h, w, C): the value at (x + fx, y + fy) of every pixel."""
    if abs(fx) < 1e-4 and abs(fy) < 1e-4:
        return picture
    return _correlated(picture, kernel(fx), kernel(fy))


def _correlated(picture: F32, kx: F32, ky: F32) -> F32:
    channels = picture.shape[2] if picture.ndim == 3 else 1
    if channels > 4:  # sites of a large mosaic: beyond the library's usual channel counts
        parts = [cv2.sepFilter2D(np.ascontiguousarray(picture[..., i]), cv2.CV_32F, kx, ky,
                                 borderType=cv2.BORDER_REPLICATE) for i in range(channels)]  # fmt: skip
        return np.stack(parts, axis=-1)
    out: F32 = cv2.sepFilter2D(picture, cv2.CV_32F, kx, ky, borderType=cv2.BORDER_REPLICATE)
    return out.reshape(picture.shape)


def shrink(usable: U8, fx: float, fy: float, reach: int = REACH) -> U8:
    """The mask (h, w) or (h, w, C) of usable readings less what a spoilt one reaches, along the axes interpolated."""
    x = reach if abs(fx) >= 1e-4 else 0
    y = reach if abs(fy) >= 1e-4 else 0
    if not x and not y:
        return usable
    out: U8 = cv2.erode(usable, np.ones((2 * y + 1, 2 * x + 1), np.uint8),
                        borderType=cv2.BORDER_CONSTANT, borderValue=(1.0,) * 4)  # fmt: skip
    return out.reshape(usable.shape)


def aligned(
    stack: Stack, k: int, region: tuple[int, int, int, int], shifts: Sequence[tuple[float, float]],
    models: Sequence[FrameModel], reference: int,
) -> tuple[F32, U8, U8]:  # fmt: skip
    """Light of frame k where the reference has ``region`` (top, bottom, left, right), (h, w, C); the
    readings (h, w, C) that may be used: inside the frame and not resting on clipped ones; and the pixels (h, w) where
    the kernel met more contrast than interpolation bears (a lamp's edge), so that its error exceeds the
    noise that the unresampled reference has there by itself.  There values are kept between the smallest
    and largest of the nearest pixels.

    A clipped reading within the kernel's reach would spoil its neighbours, and beside every bright thing the
    longest exposures, the best there, would be lost: what shorter frames say stands in for it.

    ``shifts`` (x, y) are in pixels of the file; see :class:`alignment.Alignment`.
    """
    p = stack.encoding.period
    (x, fx), (y, fy) = split(shifts[k][0] / p), split(shifts[k][1] / p)
    top, bottom, left, right = region
    within = (top + y - REACH, bottom + y + REACH, left + x - REACH, right + x + REACH)
    light, inside = _cut(stack, k, within)
    whole = np.less(light, np.float32(stack.clips[k])).view(np.uint8) & inside[..., None]
    inner = (slice(REACH, -REACH), slice(REACH, -REACH))
    if abs(fx) < 1e-4 and abs(fy) < 1e-4:
        usable = np.ascontiguousarray(whole[inner])
        return np.ascontiguousarray(light[inner]), usable, np.zeros(usable.shape[:2], np.uint8)
    known = whole
    if not whole.all():
        light, known = _completed(stack, k, within, light, whole, shifts, models)
    moved = fractional(light, fx, fy)
    usable = known
    if not whole.all():
        # the kernel's outer taps (under 3 %) of a clipped pixel do no harm to one nearly as bright
        bright = np.greater(moved, np.float32(_BRIGHT * stack.clips[k])).view(np.uint8)
        usable = shrink(known, fx, fy) | (bright & shrink(known, fx, fy, _SPOILT))
        rests = _correlated((1 - whole).astype(np.float32), np.abs(kernel(fx)), np.abs(kernel(fy)))
        usable &= np.less(rests, np.float32(_BORROWED)).view(np.uint8)
    usable = np.ascontiguousarray(usable[inner])
    low, high = cv2.erode(light, _NEAR).reshape(light.shape), cv2.dilate(light, _NEAR).reshape(light.shape)
    own, ratio = models[reference], models[reference].s / models[k].s
    error = (high - low) * np.float32(_ERROR * ratio)
    noise = np.float32(own.floor) + np.float32(own.gain * ratio) * np.maximum(moved, 0)
    harsh = largest(np.greater(error * error, noise))
    if harsh.any():
        np.copyto(moved, np.clip(moved, low, high), where=harsh[..., None])
    wide: U8 = cv2.dilate(harsh.view(np.uint8), _NEAR)
    return np.ascontiguousarray(moved[inner]), usable, np.ascontiguousarray(wide[inner])


def _cut(stack: Stack, k: int, within: tuple[int, int, int, int]) -> tuple[F32, U8]:
    """Light of frame k in rows and columns that may lie beyond its edge, which is repeated there, and the
    pixels (h, w) inside."""
    top, bottom, left, right = within
    h, w, _ = stack.shape
    rows, columns = np.clip(np.arange(top, bottom), 0, h - 1), np.clip(np.arange(left, right), 0, w - 1)
    light = stack.light(k, int(rows[0]), int(rows[-1]) + 1, int(columns[0]), int(columns[-1]) + 1)
    inside = np.ones((bottom - top, right - left), np.uint8)
    if len(rows) != light.shape[0] or len(columns) != light.shape[1]:
        light = np.ascontiguousarray(light[rows - rows[0]][:, columns - columns[0]])
        inside[np.arange(top, bottom) != rows] = 0
        inside[:, np.arange(left, right) != columns] = 0
    return light, inside


def _completed(
    stack: Stack, k: int, within: tuple[int, int, int, int], light: F32, whole: U8,
    shifts: Sequence[tuple[float, float]], models: Sequence[FrameModel],
) -> tuple[F32, U8]:  # fmt: skip
    """Frame k's light with its clipped readings as the next shorter frames have them, moved to where frame k
    stood, and the readings that are known then."""
    p = stack.encoding.period
    known = whole.copy()
    for j in range(k - 1, max(-1, k - 1 - _HELPERS), -1):
        missing = largest(1 - known)
        rows, columns = np.flatnonzero(missing.any(axis=1)), np.flatnonzero(missing.any(axis=0))
        if not rows.size:
            break
        (x, fx), (y, fy) = (split((shifts[j][i] - shifts[k][i]) / p) for i in (0, 1))
        box = (slice(rows[0], rows[-1] + 1), slice(columns[0], columns[-1] + 1))
        other, inside = _cut(stack, j, (within[0] + y + int(rows[0]) - REACH, within[0] + y + int(rows[-1]) + 1 + REACH,
                                        within[2] + x + int(columns[0]) - REACH,
                                        within[2] + x + int(columns[-1]) + 1 + REACH))  # fmt: skip
        held = np.less(other, np.float32(stack.clips[j])).view(np.uint8) & inside[..., None]
        inner = (slice(REACH, -REACH), slice(REACH, -REACH))
        told = shrink(held, fx, fy)[inner] & (1 - known[box])
        if not told.any():
            continue
        moved = fractional(other, fx, fy)[inner] * np.float32(models[k].s / models[j].s)
        np.copyto(light[box], moved, where=told > 0)
        known[box] |= told
    return light, known


_NEAR = np.ones((3, 3), np.uint8)
_BRIGHT = 0.3  # of the clip level
_BORROWED = 0.25  # of the kernel's weight, that may rest on what shorter frames say
_HELPERS = 3  # shorter frames that are asked
_ERROR = 0.015  # of the range of the nearest pixels: what interpolation errs at an edge
