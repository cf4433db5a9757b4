"""The comparison picture of a merge: every frame, its share in the result, the result, and the proof.

For a person who doubts the merge.  Top: the frames from dark to bright as they were shot, under each its
share in every pixel of the result (black none, white all).  Below: the result at three exposures, how
well each pixel is known, and a chart of each frame's own light over the merged light by level: frames that
agree lie on the middle line.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import pairwise
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from ingest.steps.merging.evidence import Evidence
from ingest.steps.merging.stack import srgb_encode

U8 = npt.NDArray[np.uint8]
Circles = Callable[[npt.NDArray[Any]], npt.NDArray[np.bool_] | None]
Turn = Callable[[npt.NDArray[Any]], npt.NDArray[Any]]

COLUMNS = 5
_CELL = 300  # pixels wide
_GAP = 14
_LINE = 17  # pixels a line of text
_INK, _PALE, _PAPER = (30, 30, 30), (150, 150, 150), (246, 246, 246)
_RANGE = 0.05  # of the chart, to either side
_LOWEST, _HIGHEST = 0.001, 0.25  # relative deviations that stand for black and white


def sheet(evidence: Evidence, labels: Sequence[Sequence[str]], result: npt.NDArray[Any], heading: Sequence[str],
          turn: Turn, kind: str, circles: Circles) -> bytes:  # fmt: skip
    """PNG or JPEG (``kind`` "png" or "jpg").  ``circles`` says where a lens lit the picture, see ``preview``.
    ``labels`` are lines of text a frame, ``result`` (H, W, 3) linear Rec.709, upright; ``turn`` brings the
    evidence upright."""
    thumbs = [seen(turn(v)) for v in evidence.frames]
    shares = [_grey(turn(v)) for v in evidence.shares]
    height = max(40, round(_CELL * thumbs[0].shape[0] / thumbs[0].shape[1]))
    blocks = [words(heading, COLUMNS * (_CELL + _GAP) - _GAP, big=True)]
    for first in range(0, len(thumbs), COLUMNS):
        cells = []
        for k in range(first, min(len(thumbs), first + COLUMNS)):
            cells.append(np.vstack([words(labels[k], _CELL), _fit(thumbs[k], height), gap(4, _CELL),
                                    _fit(shares[k], height)]))  # fmt: skip
        blocks.append(row(cells))
    blocks.append(words(["Above: each frame as shot and, below it, its share in every pixel of the result "
                          "(black: none, white: all of it)."], COLUMNS * (_CELL + _GAP) - _GAP))  # fmt: skip
    shown = [np.vstack([words([told], _CELL), _fit(picture, height)]) for told, picture in _exposed(result, circles)]
    known = np.log(np.clip(turn(evidence.sigma), _LOWEST, _HIGHEST) / _LOWEST) / np.log(_HIGHEST / _LOWEST)
    shown.append(np.vstack([words(["how well known: black 0.1 %, white 25 %"], _CELL), _fit(_grey(known), height)]))
    blocks.append(row(shown))
    blocks.append(_chart(evidence, COLUMNS * (_CELL + _GAP) - _GAP, 320))
    wide = COLUMNS * (_CELL + _GAP) + _GAP
    page = np.full((sum(b.shape[0] + _GAP for b in blocks) + _GAP, wide, 3), _PAPER, np.uint8)
    top = _GAP
    for block in blocks:
        page[top : top + block.shape[0], _GAP : _GAP + block.shape[1]] = block
        top += block.shape[0] + _GAP
    return bytes(cv2.imencode(".png" if kind == "png" else ".jpg", page[..., ::-1])[1])


def seen(light: npt.NDArray[Any]) -> U8:
    """Light of one frame (h, w, C) as sRGB codes; the sites of a mosaic as one grey."""
    if light.shape[2] != 3:
        light = np.repeat(light.mean(axis=2, keepdims=True), 3, axis=2)
    return np.rint(255 * np.clip(srgb_encode(np.clip(light, 0, 1)), 0, 1)).astype(np.uint8)


def _grey(share: npt.NDArray[Any]) -> U8:
    return np.repeat(np.rint(255 * np.clip(share, 0, 1)).astype(np.uint8)[..., None], 3, axis=2)


def _exposed(result: npt.NDArray[Any], circles: Circles) -> list[tuple[str, U8]]:
    """The result at three exposures: its middle at 18 % grey, and far to either side."""
    step = max(1, result.shape[1] // (2 * _CELL))
    light = np.maximum(result[::step, ::step].astype(np.float32), 0)
    level = light.max(axis=2)
    inside = circles(level)
    lit = level[level > 0] if inside is None else level[inside & (level > 0)]
    middle = float(np.median(lit)) if lit.size else 1.0
    stops = max(2.0, np.log2(max(float(lit.max()) if lit.size else 1.0, middle) / middle) - 1)
    out = []
    darker = (f"result, {stops:.0f} stops darker", -stops)
    for told, by in (darker, ("result", 0.0), ("result, 4 stops brighter", 4.0)):
        out.append((told, seen(np.clip(light * (0.18 / middle) * 2.0**by, 0, 1))))
    return out


def _fit(picture: U8, height: int) -> U8:
    shrinks = picture.shape[1] >= _CELL
    return np.asarray(cv2.resize(np.ascontiguousarray(picture), (_CELL, height),
                                 interpolation=cv2.INTER_AREA if shrinks else cv2.INTER_NEAREST), np.uint8)  # fmt: skip


def gap(height: int, width: int) -> U8:
    return np.full((height, width, 3), _PAPER, np.uint8)


def row(cells: Sequence[U8]) -> U8:
    tall = max(c.shape[0] for c in cells)
    out = []
    for cell in cells:
        out += [np.vstack([cell, gap(tall - cell.shape[0], cell.shape[1])]), gap(tall, _GAP)]
    return np.hstack(out[:-1])


def words(lines: Sequence[str], width: int, *, big: bool = False) -> U8:
    line = _LINE + (5 if big else 0)
    out = gap(line * len(lines) + 4, width)
    for i, text in enumerate(lines):
        _write(out, text, (0, line * (i + 1) - 3), 0.5 if big else 0.42)
    return out


def _write(on: U8, text: str, at: tuple[int, int], size: float, ink: tuple[int, int, int] = _INK) -> None:
    plain = text.encode("ascii", "replace").decode()  # the library's line font knows no more
    cv2.putText(on, plain, at, cv2.FONT_HERSHEY_SIMPLEX, size, ink, 1, cv2.LINE_AA)


def _chart(evidence: Evidence, width: int, height: int) -> U8:
    out = gap(height, width)
    _write(out, "Each frame's own light over the merged light, by level (stops below what saturates the shortest "
                "frame): on the line they agree.", (0, 14), 0.42)  # fmt: skip
    left, right, top, bottom = 60, width - 10, 30, height - 26
    points = [p for curve in evidence.agreement for p in curve]
    if not points:
        _write(out, "No level was held by a frame well enough to compare.", (left, height // 2), 0.42)
        return out
    low, high = min(p[0] for p in points) - 0.5, max(p[0] for p in points) + 0.5

    def place(level: float, off: float) -> tuple[int, int]:
        x = left + (level - low) / (high - low) * (right - left)
        y = (top + bottom) / 2 - np.clip(off / _RANGE, -1, 1) * (bottom - top) / 2
        return round(x), round(float(y))

    for percent in (-5, -2.5, 0, 2.5, 5):
        y = place(low, percent / 100)[1]
        cv2.line(out, (left, y), (right, y), _PALE if percent else _INK, 1)
        _write(out, f"{percent:+g} %", (0, y + 5), 0.38)
    for stop in range(int(np.ceil(low)), int(high) + 1, 2):
        x = place(stop, 0)[0]
        cv2.line(out, (x, bottom), (x, bottom + 4), _INK, 1)
        _write(out, str(stop), (x - 8, height - 6), 0.38)
    count = len(evidence.agreement)
    for k, curve in enumerate(evidence.agreement):
        ink = _colour(k, count)
        for one, other in pairwise(curve):
            cv2.line(out, place(*one), place(*other), ink, 2, cv2.LINE_AA)
        for point in curve:
            cv2.circle(out, place(*point), 3, ink, -1, cv2.LINE_AA)
        if curve:
            x, y = place(*curve[-1])
            _write(out, str(k + 1), (min(x + 5, right - 12), y - 4), 0.42, ink)
    return out


def _colour(k: int, count: int) -> tuple[int, int, int]:
    """Hues apart, dark enough for paper; the number beside the curve says the same."""
    hue = np.array([[[round(165 * k / max(1, count - 1)), 220, 170]]], np.uint8)
    r, g, b = cv2.cvtColor(hue, cv2.COLOR_HSV2RGB)[0, 0]
    return int(r), int(g), int(b)
