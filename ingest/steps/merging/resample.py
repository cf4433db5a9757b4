"""Moving a frame by a fraction of a pixel: windowed sinc, separable, exact for any fraction.

The array library's own warps round fractions to 1/32 pixel; one correlation with two short kernels does
not.  Readings near a clipped one are spoilt by it, so the mask of what may be used shrinks by the
kernel's reach.
"""

from __future__ import annotations

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
    channels = picture.shape[2] if picture.ndim == 3 else 1
    if channels > 4:  # sites of a large mosaic: beyond the library's usual channel counts
        parts = [cv2.sepFilter2D(np.ascontiguousarray(picture[..., i]), cv2.CV_32F, kernel(fx), kernel(fy),
                                 borderType=cv2.BORDER_REPLICATE) for i in range(channels)]  # fmt: skip
        return np.stack(parts, axis=-1)
    out: F32 = cv2.sepFilter2D(picture, cv2.CV_32F, kernel(fx), kernel(fy), borderType=cv2.BORDER_REPLICATE)
    return out.reshape(picture.shape)


def shrink(usable: U8, fx: float, fy: float, reach: int = REACH) -> U8:
    """The mask (h, w) of usable readings less what a spoilt one reaches, along the axes interpolated."""
    x = reach if abs(fx) >= 1e-4 else 0
    y = reach if abs(fy) >= 1e-4 else 0
    if not x and not y:
        return usable
    out: U8 = cv2.erode(usable, np.ones((2 * y + 1, 2 * x + 1), np.uint8),
                        borderType=cv2.BORDER_CONSTANT, borderValue=1.0)  # fmt: skip
    return out


def aligned(
    stack: Stack, k: int, region: tuple[int, int, int, int], shift: tuple[float, float], own: FrameModel,
    reference: FrameModel,
) -> tuple[F32, U8, U8]:  # fmt: skip
    """Light of frame k where the reference has ``region`` (top, bottom, left, right), (h, w, C); the
    pixels (h, w) where it may be used: inside the frame and away from clipped readings; and those where
    the kernel met more contrast than interpolation bears (a lamp's edge), so that its error exceeds the
    noise that the unresampled reference has there by itself.  There values are kept between the smallest
    and largest of the nearest pixels.

    ``shift`` (x, y) is in pixels of the file; see :class:`alignment.Alignment`.
    """
    p = stack.encoding.period
    (x, fx), (y, fy) = split(shift[0] / p), split(shift[1] / p)
    top, bottom, left, right = region
    h, w, _ = stack.shape
    rows = np.clip(np.arange(top + y - REACH, bottom + y + REACH), 0, h - 1)
    columns = np.clip(np.arange(left + x - REACH, right + x + REACH), 0, w - 1)
    light = stack.light(k, int(rows[0]), int(rows[-1]) + 1, int(columns[0]), int(columns[-1]) + 1)
    if len(rows) != light.shape[0] or len(columns) != light.shape[1]:  # beyond the frame's edge: repeated
        light = np.ascontiguousarray(light[rows - rows[0]][:, columns - columns[0]])
    whole: U8 = np.less(largest(light), np.float32(stack.clips[k])).view(np.uint8)
    whole[(np.arange(top + y - REACH, bottom + y + REACH) != rows)] = 0
    whole[:, (np.arange(left + x - REACH, right + x + REACH) != columns)] = 0
    inner = (slice(REACH, -REACH), slice(REACH, -REACH))
    moved = fractional(light, fx, fy)
    usable = shrink(whole, fx, fy)
    if not usable.all():
        # the kernel's outer taps (under 3 %) of a clipped pixel do no harm to one nearly as bright
        bright = np.less(largest(-moved), np.float32(-_BRIGHT * stack.clips[k])).view(np.uint8)
        usable = cv2.bitwise_or(usable, cv2.bitwise_and(bright, shrink(whole, fx, fy, _SPOILT)))
    usable = np.ascontiguousarray(usable[inner])
    if moved is light:
        return np.ascontiguousarray(light[inner]), usable, np.zeros_like(usable)
    low, high = cv2.erode(light, _NEAR).reshape(light.shape), cv2.dilate(light, _NEAR).reshape(light.shape)
    ratio = reference.s / own.s
    error = (high - low) * np.float32(_ERROR * ratio)
    noise = np.float32(reference.floor) + np.float32(reference.gain * ratio) * np.maximum(moved, 0)
    harsh = largest(np.greater(error * error, noise))
    if harsh.any():
        np.copyto(moved, np.clip(moved, low, high), where=harsh[..., None])
    wide: U8 = cv2.dilate(harsh.view(np.uint8), _NEAR)
    return np.ascontiguousarray(moved[inner]), usable, np.ascontiguousarray(wide[inner])


_NEAR = np.ones((3, 3), np.uint8)
_BRIGHT = 0.3  # of the clip level
_ERROR = 0.015  # of the range of the nearest pixels: what interpolation errs at an edge
