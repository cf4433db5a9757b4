"""Frames as codes, and how their codes become light.

The codes stay in the integers the files hold; a tile becomes float light only while it is worked on, so
memory does not grow with what is done to a frame.  Light is linear, black is 0, saturation is 1.

JPEG components go from Y, Cb, Cr to RGB in steps of 1/192 code with head room on both sides (index =
192 code + 8192): the rounding and cutting to 0..255 of a usual decoder adds 11 to 15 % of variance and
hides where white begins.  Conversion: ITU-T T.871 (JFIF), full range.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

F32 = npt.NDArray[np.float32]
F64 = npt.NDArray[np.float64]

STEPS = 192  # index steps a code in the JPEG's index scale
OFFSET = 8192
_YCC = np.array([[1, 0, 1.402], [1, -0.114 * 1.772 / 0.587, -0.299 * 1.402 / 0.587], [1, 1.772, 0]])


def _ycc_matrix() -> F64:
    """3x4 from shifted u16 Y, Cb, Cr (192 v + 8192 each) to shifted u16 R, G, B."""
    centre = STEPS * 128 + OFFSET
    constant = -_YCC[:, 1:].sum(axis=1, keepdims=True) * centre
    return np.hstack([_YCC, constant])


_SHIFTED = _ycc_matrix()
_ROUNDED = np.hstack([_YCC, -128 * _YCC[:, 1:].sum(axis=1, keepdims=True)])


def codes_of_index() -> F64:
    """The code each of the 65536 JPEG indices stands for, -42.7 to 298.7."""
    return (np.arange(65536) - OFFSET) / STEPS


def srgb_decode(v: npt.NDArray[Any]) -> F64:
    """sRGB code (0 to 1) to linear light, IEC 61966-2-1; straight on below 0 and above 1."""
    v = np.asarray(v, float)
    power = ((np.maximum(v, 0.04045) + 0.055) / 1.055) ** 2.4
    return np.where(v <= 0.04045, v / 12.92, power)


def srgb_encode(x: npt.NDArray[Any]) -> F64:
    """The inverse of :func:`srgb_decode`."""
    x = np.asarray(x, float)
    power = 1.055 * np.maximum(x, 0.0031308) ** (1 / 2.4) - 0.055
    return np.where(x <= 0.0031308, 12.92 * x, power)


@dataclass(frozen=True, kw_only=True, slots=True)
class Encoding:
    """How codes of one set become light.

    ``layout``: "ycc", "rgb", "grey" or "mosaic" with ``period``; ``top`` the largest code of the format.
    Linear codes: light = (code - black[c]) x unit[c].  Otherwise ``table`` is light by index, (65536,)
    or (65536, C): index as in the module's text for "ycc" and 8-bit codes, the code itself for 16 bits.
    """

    layout: str
    channels: int
    top: float
    period: int = 1
    black: tuple[float, ...] = (0.0,)
    unit: tuple[float, ...] = (1.0,)
    table: F32 | None = None

    def light(self, codes: npt.NDArray[Any]) -> F32:
        """(h, w, C) codes, or (h, w, 1) of a mosaic, to light: (h, w, C), or (h/p, w/p, p*p)."""
        if self.layout == "mosaic":
            codes = _sites(codes[..., 0], self.period)
        if self.table is None:
            out = codes.astype(np.float32)
            if any(self.black):
                np.subtract(out, np.array(self.black, np.float32), out=out)
            np.multiply(out, np.array(self.unit, np.float32), out=out)
            return out
        return look_up(self.table, self.index(codes))

    def rough(self, codes: npt.NDArray[Any]) -> F32:
        """As :meth:`light`, but 8-bit codes are rounded to whole RGB codes first: half the work, and 11 to
        15 % more variance."""
        if self.table is None or codes.dtype != np.uint8 or self.table.ndim != 1:
            return self.light(codes)
        if self.layout == "ycc":
            codes = cv2.transform(np.ascontiguousarray(codes), _ROUNDED)
        whole = self.table[OFFSET : OFFSET + 256 * STEPS : STEPS]
        out: F32 = cv2.LUT(np.ascontiguousarray(codes), np.ascontiguousarray(whole)[None])
        return out.reshape(codes.shape)

    def index(self, codes: npt.NDArray[Any]) -> npt.NDArray[np.uint16]:
        """Table index of each code; see the module's text."""
        if codes.dtype == np.uint16:
            return codes
        shifted: npt.NDArray[np.uint16] = np.multiply(codes, np.uint16(STEPS), dtype=np.uint16)
        np.add(shifted, np.uint16(OFFSET), out=shifted)
        if self.layout != "ycc":
            return shifted
        rgb: npt.NDArray[np.uint16] = cv2.transform(np.ascontiguousarray(shifted), _SHIFTED)
        return rgb

    def codes(self, codes: npt.NDArray[Any]) -> F32:
        """Codes of each channel as numbers on the format's own scale (JPEG: RGB in fractions of a code)."""
        if self.layout == "mosaic":
            return _sites(codes[..., 0], self.period).astype(np.float32)
        if codes.dtype == np.uint16:
            return codes.astype(np.float32)
        index = self.index(codes).astype(np.float32)
        return (index - np.float32(OFFSET)) * np.float32(1 / STEPS)


def grey(light: F32, weights: Sequence[float] | None = None) -> F32:
    """(h, w, C) to (h, w): the weighted sum of channels, their mean by default.  (numpy's own reduction
    over a short last axis is twenty times slower.)"""
    channels = light.shape[2]
    if channels == 1:
        return light[..., 0]
    row = np.full((1, channels), 1.0 / channels) if weights is None else np.array([weights], float)
    if channels <= 4:
        out: F32 = cv2.transform(np.ascontiguousarray(light), row)
        return out
    return np.asarray(light @ row[0].astype(np.float32), np.float32)


def largest(values: npt.NDArray[Any]) -> npt.NDArray[Any]:
    """(h, w, C) to (h, w): the largest of the channels."""
    out = values[..., 0]
    for c in range(1, values.shape[2]):
        out = np.maximum(out, values[..., c])
    return out


def look_up(table: F32, index: npt.NDArray[np.uint16]) -> F32:
    """Light by index through a table (65536,) or (65536, C)."""
    channels = index.shape[2]
    if table.ndim == 2 and table.shape[1] != channels:
        table = np.ascontiguousarray(table[:, 0])
    if _HAS_WIDE_LUT:
        lut = table.reshape(1, 65536, -1)
        out: F32 = cv2.LUT(index, lut if channels == lut.shape[2] else table.reshape(1, 65536))
        return out.reshape(index.shape)
    if table.ndim == 1:
        return np.take(table, index)
    return np.stack([np.take(table[:, c], index[..., c]) for c in range(channels)], axis=-1)


def _wide_lut() -> bool:
    try:
        probe = cv2.LUT(np.zeros((1, 1), np.uint16), np.ones((1, 65536), np.float32))
    except cv2.error:
        return False
    return bool(probe.dtype == np.float32 and float(probe.ravel()[0]) == 1.0)


#: Version 5 of the array library looks 16-bit indices up five times faster than numpy; version 4 cannot.
_HAS_WIDE_LUT = _wide_lut()


def _sites(mosaic: npt.NDArray[Any], period: int) -> npt.NDArray[Any]:
    h, w = mosaic.shape
    split = mosaic.reshape(h // period, period, w // period, period).transpose(0, 2, 1, 3)
    return np.ascontiguousarray(split).reshape(h // period, w // period, period * period)


def thinned(codes: npt.NDArray[Any], period: int, step: int) -> npt.NDArray[Any]:
    """Every ``step``-th pixel of a frame's codes (H, W, C), whole periods of a mosaic kept together."""
    h, w = (n // (period * step) * period * step for n in codes.shape[:2])
    if period == 1:
        return codes[:h:step, :w:step]
    grid = codes[:h, :w].reshape(h // (period * step), step, period, w // (period * step), step, period, 1)
    return np.ascontiguousarray(grid[:, 0, :, :, 0]).reshape(h // step, w // step, 1)


def _nothing() -> None:
    """Frames in memory stay there."""


@dataclass(frozen=True, kw_only=True, slots=True)
class Stack:
    """The frames of a set, dark to bright, as codes.

    ``frames[k]`` is (H, W, C) as decoded, C-contiguous (a memory map will do); for a mosaic H and W are
    multiples of the period.  ``clips[k]`` is the reading (light) from which on frame k is saturated.
    Whoever reads frames calls ``forget`` after each, or after each band of all: pages of mapped frames go back,
    so that what is in memory does not grow with the number of frames.
    """

    frames: tuple[npt.NDArray[Any], ...]
    encoding: Encoding
    clips: tuple[float, ...] = ()
    forget: Callable[[], None] = _nothing

    @property
    def count(self) -> int:
        return len(self.frames)

    @property
    def shape(self) -> tuple[int, int, int]:
        """Rows, columns and channels of the light a frame gives (sites of a mosaic are channels)."""
        h, w, _ = self.frames[0].shape
        p = self.encoding.period
        return h // p, w // p, self.encoding.channels

    @property
    def bytes_a_pixel(self) -> int:
        """Of all frames together."""
        return sum(f.itemsize * f.shape[2] for f in self.frames)

    @property
    def lowest(self) -> float:
        """The smallest light that linear codes can hold; minus infinity behind a tone curve, whose rounding and
        codec blur it."""
        if self.encoding.table is not None:
            return float("-inf")
        return max(-b * u for b, u in zip(self.encoding.black, self.encoding.unit, strict=True))

    def light(self, k: int, first: int, last: int, left: int = 0, right: int | None = None) -> F32:
        """Light of frame k in rows first..last and columns left..right (of :attr:`shape`)."""
        p = self.encoding.period
        end = None if right is None else right * p
        return self.encoding.light(self.frames[k][first * p : last * p, left * p : end])

    def with_encoding(self, encoding: Encoding, clips: Sequence[float]) -> Stack:
        return replace(self, encoding=encoding, clips=tuple(clips))
