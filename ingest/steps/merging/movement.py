"""Where the scene moved between frames: consensus of the bracket, window by window.

Each frame's windows of a few pixels give a radiance.  Their weighted median over the frames is the
consensus; a frame that disagrees with it by more than its noise and a few per cent is left out there,
with a margin, and at least one frame is kept everywhere, so that a place shows one moment and not a
mixture.  A frame that is clipped is compared from below: more light than the consensus allows is
evidence as well, and it has a vote against every lower value, or a figure before a lamp would win where few
frames hold the lamp.  Weights are capped: beyond a signal-to-noise ratio of about 25 every frame has one
vote, or the longest exposure would always be right.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from ingest.steps.merging import rectified
from ingest.steps.merging.radiance import FrameModel
from ingest.steps.merging.stack import largest

F32 = npt.NDArray[np.float32]
U8 = npt.NDArray[np.uint8]
#: Rows first..last of frame k, aligned: light (h, w, C) and usable (h, w) or None.
LoadRows = Callable[[int, int, int], tuple[F32, U8 | None]]
#: Half a step of rounding by light.
Grain = Callable[[npt.NDArray[np.float32]], npt.NDArray[np.float32]]

_PROOF = 4.5  # standard deviations
_EDGE_RESAMPLED = 0.15  # of the local range: what differs at an edge where frames were resampled
_VOTE = 0.04  # relative deviation below which all votes are alike
_BRIGHTER = 1.05
_SUSPICIOUS = 4.0
_GLARING = 2.5  # times the limit: no noise


@dataclass(frozen=True, kw_only=True, slots=True)
class Tolerance:
    """By how much still frames may differ beside noise: ``relative`` of the consensus, ``steps`` half steps of
    rounding (which averaging over a window does not remove), ``edge`` of the local range."""

    relative: float
    steps: float
    edge: float


#: A tenth of a pixel at an edge does ``edge`` to the mean of a window of four.
LINEAR = Tolerance(relative=0.012, steps=1.0, edge=0.025)
#: Behind a tone curve, which is known less well than exposures are.
CODED = Tolerance(relative=0.025, steps=1.0, edge=0.025)
#: Red and blue of a codec, which stores colour coarsely: it errs by more than a code in dark frames.
CODED_COLOUR = Tolerance(relative=0.06, steps=5.0, edge=0.025)


@dataclass(frozen=True, kw_only=True, slots=True)
class Movement:
    """``masks[k]`` (h/side, w/side): 1 where frame k is used, None where it is used everywhere.
    ``share`` of windows in which some frame is left out; ``by_frame`` the share a frame."""

    side: int
    masks: tuple[U8 | None, ...]
    share: float
    by_frame: tuple[float, ...]


def find(
    frames: Sequence[FrameModel], load: LoadRows, shape: tuple[int, int, int], side: int, grain: Grain,
    margin: int = 1, tolerance: Tolerance = LINEAR, colour: Tolerance = LINEAR, rows: int = 128,
) -> Movement:  # fmt: skip
    """Compare all frames (dark to bright) in bands of ``rows``; ``shape`` is that of the stack.

    Colour pictures are compared by luminance, and by red and blue (with the tolerance ``colour``), as a figure may
    be as bright as the wall behind it.  ``grain(light)`` is half a step of rounding at that light.  ``margin`` is
    how many windows a rejection grows by: a block codec drags the figure's edge through the whole block.
    """
    h, w, _ = shape
    high, wide = -(-h // side), -(-w // side)
    by_channel = (tolerance, colour, colour) if shape[2] == 3 else (tolerance,) * shape[2]
    blurred = any(f.resampled for f in frames)
    allowed = _Allowed(
        relative=np.array([t.relative for t in by_channel], np.float32),
        steps=np.array([t.steps for t in by_channel], np.float32),
        edge=np.array([max(t.edge, _EDGE_RESAMPLED) if blurred else t.edge for t in by_channel], np.float32),
    )
    out = np.zeros((len(frames), high, wide), np.uint8)
    whole = np.zeros_like(out)
    for top in range(0, h, rows):
        bottom = min(h, top + rows)
        windows = [_reduce(*load(k, top, bottom), _rail(frames[k]), side) for k in range(len(frames))]
        band = slice(top // side, -(-bottom // side))
        out[:, band] = _outliers(frames, windows, side, grain, allowed)
        whole[:, band] = [v.present & (1 - v.clipped) for v in windows]
    return _grown(out, whole, side, margin)


@dataclass(frozen=True, slots=True)
class _Allowed:
    """:class:`Tolerance` a channel."""

    relative: F32
    steps: F32
    edge: F32


def _rail(frame: FrameModel) -> float:
    """From here on a reading may be a saturated one that noise pulled down; one in a window is enough to make
    it look far too dark."""
    return frame.clip - _PROOF * frame.sigma(frame.clip)


@dataclass(frozen=True, slots=True)
class _Windows:
    mean: F32  # (h, w, C)
    clipped: U8  # (h, w): some reading of the window is at the rail
    present: U8  # (h, w)


def _reduce(light: F32, usable: U8 | None, clip: float, side: int) -> _Windows:
    h, w, c = light.shape
    high, wide = -(-h // side), -(-w // side)
    if (high * side, wide * side) != (h, w):
        light = cv2.copyMakeBorder(light, 0, high * side - h, 0, wide * side - w, cv2.BORDER_REPLICATE).reshape(
            high * side, wide * side, c)  # fmt: skip
    size = (wide, high)
    light = np.ascontiguousarray(light)
    if c <= 4:
        mean = cv2.resize(light, size, interpolation=cv2.INTER_AREA).reshape(high, wide, c)
        top = cv2.resize(cv2.compare(_flat(light), float(clip), cv2.CMP_GE).reshape(light.shape), size,
                         interpolation=cv2.INTER_AREA).reshape(high, wide, c)  # fmt: skip
        clipped = (largest(top) > 0).astype(np.uint8)
    else:
        blocks = light.reshape(high, side, wide, side, c)
        mean = blocks.mean(axis=(1, 3))
        clipped = (blocks.max(axis=(1, 3, 4)) >= clip).astype(np.uint8)
    if c == 3:
        mean = cv2.transform(np.ascontiguousarray(mean), _COMPARED)
    present = np.ones((high, wide), np.uint8)
    if usable is not None:
        padded = cv2.copyMakeBorder(usable, 0, high * side - h, 0, wide * side - w, cv2.BORDER_REPLICATE)
        present = (padded.reshape(high, side, wide, side).min(axis=(1, 3)) > 0).astype(np.uint8)
        clipped = clipped & present
    return _Windows(mean=mean, clipped=clipped, present=present)


#: Luminance (Rec.709's weights made rounder, as a camera's channels are not the standard's), red, blue.
_COMPARED = np.array([[0.25, 0.6, 0.15], [1.0, 0.0, 0.0], [0.0, 0.0, 1.0]])


def _flat(light: F32) -> F32:
    return light.reshape(light.shape[0], -1)


def _outliers(
    frames: Sequence[FrameModel], windows: Sequence[_Windows], side: int, grain: Grain, allowed: _Allowed
) -> U8:
    """(K, h, w): 1 where a frame disagrees with the consensus, 2 where glaringly."""
    mean = np.stack([v.mean for v in windows])
    count, h, w, _ = mean.shape
    s = np.array([f.s for f in frames], np.float32)[:, None, None, None]
    floor = np.array([f.floor for f in frames], np.float32)[:, None, None, None]
    gain = np.array([f.gain for f in frames], np.float32)[:, None, None, None]
    present = np.stack([v.present for v in windows])[..., None] > 0
    whole = present & (np.stack([v.clipped for v in windows])[..., None] == 0)
    weight = np.where(whole, s, 0)
    exposure = np.maximum(weight.sum(axis=0), 1e-20)
    if any(f.rectifies for f in frames):
        mean = _without_excess(frames, mean, whole, exposure)
    radiance = mean / s
    centre = np.where(whole, mean, 0).sum(axis=0) / exposure
    expected = s * np.maximum(centre, 0)
    variance = (floor + gain * expected) / (side * side * 0.5)
    least = float(grain(np.zeros(1, np.float32))[0])
    off = (mean - expected) / np.sqrt(variance + (least / 2 * allowed.steps + allowed.relative / 2 * expected) ** 2)
    wrong = np.where(whole, np.abs(off), np.where(present, off, 0)) > _SUSPICIOUS
    suspicious = wrong.any(axis=(0, 3))
    out = np.zeros((count, h, w), np.uint8)
    if not suspicious.any():
        return out
    local = cv2.dilate(_single(centre), _NEAR) - cv2.erode(_single(centre), _NEAR)
    at = np.flatnonzero(suspicious)
    stacks = (radiance, whole, present)
    picked: list[npt.NDArray[Any]] = [v.reshape(count, h * w, -1)[:, at] for v in stacks]
    near = local.reshape(h * w, 1)[at]
    bad = _judge(
        picked[0], picked[1], picked[2], s[:, :, 0], floor[:, :, 0], gain[:, :, 0], near, side, grain, allowed
    )
    out.reshape(count, -1)[:, at] = bad
    return out


def _without_excess(frames: Sequence[FrameModel], mean: F32, whole: npt.NDArray[np.bool_], exposure: F32) -> F32:
    """Window means less what cutting noise off at black adds to them, which no movement is: by the level that
    all frames together say, found in two turns as that level is lifted itself."""
    out = mean
    for _ in range(2):
        level = np.maximum(np.where(whole, out, 0).sum(axis=0) / exposure, np.float32(0))
        out = mean.copy()
        for k, f in enumerate(frames):
            m = level * np.float32(f.s)
            sd = np.sqrt(np.float32(f.floor) + np.float32(f.gain) * m)
            if float(m.min()) < rectified.CLEAR * f.sigma(0.0) * 2:
                out[k] -= rectified.excess(m, sd, f.lowest)
    return out


_NEAR = np.ones((3, 3), np.uint8)


def _single(centre: F32) -> F32:
    return np.ascontiguousarray(centre.mean(axis=2), np.float32)


def _judge(
    radiance: F32, whole: npt.NDArray[np.bool_], present: npt.NDArray[np.bool_], s: F32, floor: F32, gain: F32,
    local: F32, side: int, grain: Grain, allowed: _Allowed,
) -> U8:  # fmt: skip
    """(K, n): 1 for frames that disagree with the weighted median in any channel, 2 where glaringly; never
    all of a window."""
    share = np.float32(1.0 / (side * side * 0.5))
    positive = np.maximum(radiance, 0)
    own = (floor + gain * s * positive) / (s * s) * share
    # first each frame's vote by its own signal over noise: a frame that is off must not say what all are worth
    first = 1.0 / (own / np.maximum(positive * positive, own) + _VOTE**2)
    level = np.maximum(_consensus(radiance, first, whole, present), 0)
    vote = 1.0 / ((floor + gain * s * level) / (s * s) * share + (_VOTE * level) ** 2 + 1e-30)
    consensus = _consensus(radiance, vote, whole, present)
    vote = np.where(whole, vote, 0.0)
    level = np.maximum(consensus, 0)
    variance = (floor + gain * s * level) / (s * s) / (side * side * 0.5)
    variance = variance + 1.0 / np.maximum(vote.sum(axis=0), 1e-30)
    limit = _PROOF * np.sqrt(variance) + allowed.relative * level + allowed.edge * local
    limit += allowed.steps * grain(s * level) / s
    off = radiance - consensus
    away = np.max(np.where(whole, np.abs(off), np.where(present, off, 0)) / limit, axis=2)
    bad_frame: npt.NDArray[np.bool_] = away > 1
    usable = whole.any(axis=2)
    left = (usable & ~bad_frame).any(axis=0)
    if not left.all():  # keep the frame with the strongest vote
        best = np.argmax(np.where(usable, vote.min(axis=2), -1), axis=0)
        lost = np.flatnonzero(~left)
        bad_frame[best[lost], lost] = False
    out: U8 = bad_frame.astype(np.uint8)
    out[bad_frame & (away > _GLARING)] = 2
    return out


def _consensus(
    radiance: F32, weights: F32, whole: npt.NDArray[np.bool_], present: npt.NDArray[np.bool_]
) -> F32:
    """The value v that is least away from all frames: sum of w |v - x| over whole frames and of w max(0, x - v) over
    clipped ones, which is (|v - x| + x - v) / 2: half a vote for the bound, half for anything brighter (and a little
    more, so that ties go to what was seen)."""
    clipped = present & ~whole
    if not clipped.any():
        return _weighted_median(radiance, np.where(whole, weights, 0.0))
    half = np.where(clipped, weights / 2, 0.0)
    values = np.concatenate([radiance, radiance.max(axis=0, keepdims=True)])
    votes = np.where(whole, weights, half)
    return _weighted_median(values, np.concatenate([votes, _BRIGHTER * half.sum(axis=0, keepdims=True)]))


def _weighted_median(values: F32, weights: F32) -> F32:
    """Weighted median over the first axis; a value halfway is the mean of its two neighbours."""
    order = np.argsort(values, axis=0)
    v = np.take_along_axis(values, order, axis=0)
    w = np.cumsum(np.take_along_axis(np.broadcast_to(weights, values.shape), order, axis=0), axis=0)
    half = w[-1] / 2
    low = np.argmax(w >= half * (1 - 1e-6), axis=0)
    high = np.argmax(w > half * (1 + 1e-6), axis=0)
    high = np.where(w[-1] > 0, high, low)
    pick = np.take_along_axis(v, low[None], axis=0)[0], np.take_along_axis(v, high[None], axis=0)[0]
    return (pick[0] + pick[1]) / 2  # type: ignore[no-any-return]


def _grown(out: U8, whole: U8, side: int, margin: int) -> Movement:
    """Lonely windows dropped unless they disagree glaringly, the rest grown by a window, and one frame that
    holds the place kept everywhere: the growth never takes the last."""
    grown = np.zeros_like(out)
    for k in range(len(out)):
        neighbours = cv2.filter2D(cv2.min(out[k], 1.0), cv2.CV_8U, _NEAR)
        kept = ((out[k] > 0) & ((neighbours >= 2) | (out[k] > 1))).astype(np.uint8)
        grown[k] = cv2.dilate(kept, np.ones((2 * margin + 1, 2 * margin + 1), np.uint8))
    nobody = ((grown == 0) & (whole > 0)).max(axis=0) == 0
    if nobody.any():  # those that agreed with each other before anything grew
        score = whole * (3 - out)
        grown[(score == score.max(axis=0)) & nobody] = 0
    share = float((grown.max(axis=0) > 0).mean())
    masks = tuple((1 - g) if g.any() else None for g in grown)
    return Movement(side=side, masks=masks, share=share, by_frame=tuple(float(g.mean()) for g in grown))
