"""From one merged mosaic to colour: gradient-corrected linear interpolation.

Demosaicing comes after the merge, so it meets one picture of high dynamic range with almost no noise,
not nine noisy ones.  Malvar, He and Cutler 2004 ("High-quality linear interpolation for demosaicing of
Bayer-patterned color images", figure 2) is chosen because it is linear: it scales with light (a lamp a
thousand times brighter gets the same treatment), bends nothing, chooses no direction by threshold, and
costs little.  Its one vice, over- and undershoot at hard edges, is bounded here by the neighbouring
measurements of the same colour, as a lamp's edge would otherwise ring far below zero.  Measured sites
keep their measured value.  Other mosaics (periods over 2) get a plain normalised blur of each colour.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

F32 = npt.NDArray[np.float32]

# Figure 2 of the paper, in eighths: green at red or blue; red at green in a red row (and blue alike);
# red at green in a blue row (the transpose); red at blue.
_GREEN = np.array([[0, 0, -1, 0, 0], [0, 0, 2, 0, 0], [-1, 2, 4, 2, -1], [0, 0, 2, 0, 0], [0, 0, -1, 0, 0]]) / 8
_ALONG = np.array([[0, 0, 0.5, 0, 0], [0, -1, 0, -1, 0], [-1, 4, 5, 4, -1], [0, -1, 0, -1, 0],
                   [0, 0, 0.5, 0, 0]]) / 8  # fmt: skip
_ACROSS = _ALONG.T
_DIAGONAL = np.array([[0, 0, -1.5, 0, 0], [0, 2, 0, 2, 0], [-1.5, 0, 6, 0, -1.5], [0, 2, 0, 2, 0],
                      [0, 0, -1.5, 0, 0]]) / 8  # fmt: skip
#: Rows and columns a filter reaches beyond its pixel.
REACH = 2


def planes(mosaic: npt.NDArray[np.float32], period: int) -> F32:
    """(H, W) to (H/p, W/p, p*p): each site of the period as a channel.  H and W are multiples of p."""
    h, w = mosaic.shape
    split = mosaic.reshape(h // period, period, w // period, period)
    return np.ascontiguousarray(split.transpose(0, 2, 1, 3)).reshape(h // period, w // period, period * period)


def interleave(sites: npt.NDArray[Any], period: int) -> npt.NDArray[Any]:
    """The inverse of :func:`planes`."""
    h, w, _ = sites.shape
    split = sites.reshape(h, w, period, period).transpose(0, 2, 1, 3)
    return np.ascontiguousarray(split).reshape(h * period, w * period)


def demosaic(mosaic: F32, pattern: npt.NDArray[np.int64]) -> F32:
    """(H, W) linear light to (H, W, 3) R, G, B.

    ``pattern`` is the colour index (0 R, 1 G, 2 B) over the period, starting at the first pixel.  White
    balance the mosaic first, so that the correction between colours works on comparable numbers.
    """
    if pattern.shape == (2, 2) and sorted(pattern.ravel().tolist()) == [0, 1, 1, 2]:
        return _bayer(mosaic, pattern)
    return _blurred(mosaic, pattern)


def _bayer(mosaic: F32, pattern: npt.NDArray[np.int64]) -> F32:
    h, w = mosaic.shape
    edge = cv2.BORDER_REFLECT_101  # keeps the parity of the mosaic
    filtered = {
        name: cv2.filter2D(mosaic, cv2.CV_32F, kernel.astype(np.float32), borderType=edge)
        for name, kernel in (("green", _GREEN), ("along", _ALONG), ("across", _ACROSS), ("diagonal", _DIAGONAL))
    }
    rgb = np.empty((h, w, 3), np.float32)
    for (dy, dx), own in np.ndenumerate(pattern):
        here = (slice(dy, None, 2), slice(dx, None, 2))
        beside = int(pattern[dy, 1 - dx])
        for colour in range(3):
            if colour == own:
                rgb[(*here, colour)] = mosaic[here]
            elif colour == 1:
                rgb[(*here, 1)] = filtered["green"][here]
            elif own == 1:
                rgb[(*here, colour)] = filtered["along" if beside == colour else "across"][here]
            else:
                rgb[(*here, colour)] = filtered["diagonal"][here]
    return _bounded(rgb, mosaic, pattern)


def _bounded(rgb: F32, mosaic: F32, pattern: npt.NDArray[np.int64]) -> F32:
    """Keep interpolated values within the neighbouring measurements of their colour, give or take half
    their spread: enough for real detail, too little for a lamp's edge to ring below zero."""
    kernel = np.ones((3, 3), np.uint8)
    for colour in range(3):
        here = _sites(pattern == colour, mosaic.shape)
        low = cv2.erode(np.where(here, mosaic, np.float32(3e38)), kernel)
        high = cv2.dilate(np.where(here, mosaic, np.float32(-3e38)), kernel)
        slack = (high - low) * np.float32(0.5)
        np.subtract(low, np.minimum(slack, np.maximum(low, 0) * np.float32(0.5)), out=low)
        np.add(high, slack, out=high)
        rgb[..., colour] = np.where(here, mosaic, np.clip(rgb[..., colour], low, high))
    return rgb


def _sites(cell: npt.NDArray[np.bool_], shape: tuple[int, ...]) -> npt.NDArray[np.bool_]:
    repeats = (-(-shape[0] // cell.shape[0]), -(-shape[1] // cell.shape[1]))
    return np.tile(cell, repeats)[: shape[0], : shape[1]]


def _blurred(mosaic: F32, pattern: npt.NDArray[np.int64]) -> F32:
    """Normalised convolution a colour (Knutsson and Westin 1993) for mosaics other than Bayer's."""
    rgb = np.empty((*mosaic.shape, 3), np.float32)
    for colour in range(3):
        here = _sites(pattern == colour, mosaic.shape).astype(np.float32)
        total = cv2.GaussianBlur(mosaic * here, (0, 0), 1.0, borderType=cv2.BORDER_REFLECT_101)
        weight = cv2.GaussianBlur(here, (0, 0), 1.0, borderType=cv2.BORDER_REFLECT_101)
        rgb[..., colour] = np.where(here > 0, mosaic, total / np.maximum(weight, 1e-6))
    return rgb
