"""What shows each finding of a panorama: the whole with the place marked, a close look, and where its views differ."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from ingest.machinery.worker import preview
from ingest.machinery.worker.jobs import finding_pictures
from ingest.machinery.worker.jobs.finding_pictures import MARK, U8
from ingest.steps.panorama import raster as rasters
from ingest.steps.panorama.projection import Projected
from ingest.steps.panorama.raster import Raster
from ingest.steps.panorama.seams import Agreement

_WIDE, _TALL = 640, 320  # pixels of the whole
_CLOSE_DEG = 40.0  # across a close look
_DIFFER_STOPS = 0.5  # that stand for the full colour
_OF_VIEWS = ("seam", "near_objects", "flare", "uncalibrated")  # what only a comparison of the views shows


def pictured(
    findings: Sequence[Mapping[str, Any]], made: Projected, raster: Raster, agreement: Agreement | None
) -> tuple[list[dict[str, Any]], str]:
    """The findings, each with the number of its row (``picture``), and the rows as one JPEG in base64 ("" for none)."""
    if not findings:
        return [], ""
    linear = np.asarray(cv2.resize(np.ascontiguousarray(made.rgb, np.float32), (_WIDE, _TALL),
                                   interpolation=cv2.INTER_AREA), np.float32)  # fmt: skip
    small = preview.tone_map(linear)
    scale = _middle(linear)
    differ = None if agreement is None else _differences(agreement)

    def cells(finding: Mapping[str, Any]) -> list[tuple[str, U8]]:
        towards = finding.get("direction")
        whole = small.copy()
        shown = [("the panorama", whole)]
        if finding["kind"] == "tilt" and towards:
            _horizon(whole, np.asarray(towards, np.float64))
            shown = [("grey: the picture's own horizon; red: level by its upright edges", whole)]
        elif towards:
            _ring(whole, np.asarray(towards, np.float64))
            shown.append((f"{_CLOSE_DEG:.0f} degrees around the place",
                          _close(made, raster, np.asarray(towards, np.float64), scale)))
        if differ is not None and finding["kind"] in _OF_VIEWS:
            marked = differ.copy()
            if towards:
                _ring(marked, np.asarray(towards, np.float64))
            shown.append((f"brightest view over darkest: black 0, white {_DIFFER_STOPS:g} stops; blue: one view only",
                          marked))
        return shown

    return finding_pictures.page(findings, cells)


def _middle(linear: npt.NDArray[np.float32]) -> float:
    """The factor that brings the picture's middle to 18 % grey."""
    level = linear @ preview.LUMINANCE
    lit = level[level > 0]
    return preview.KEY / max(float(np.median(lit)), 1e-9) if lit.size else 1.0


def _at(towards: npt.NDArray[np.float64]) -> tuple[int, int]:
    x, y = Raster(height=_TALL, width=_WIDE).pixels(towards[None])
    return round(float(x[0])), round(float(y[0]))


def _ring(on: U8, towards: npt.NDArray[np.float64]) -> None:
    x, y = _at(towards)
    for turn in (-_WIDE, 0, _WIDE):  # a place at the edge shows at both
        cv2.circle(on, (x + turn, y), 14, MARK, 2, cv2.LINE_AA)


def _horizon(on: U8, up: npt.NDArray[np.float64]) -> None:
    """The great circle at right angles to ``up``, and the picture's own middle row."""
    cv2.line(on, (0, _TALL // 2), (_WIDE - 1, _TALL // 2), (160, 160, 160), 1)
    across = np.cross(up, [0.0, 0.0, 1.0])
    across /= max(float(np.linalg.norm(across)), 1e-9)
    onward = np.cross(across, up)
    turn = np.linspace(0, 2 * np.pi, 721)[:, None]
    x, y = Raster(height=_TALL, width=_WIDE).pixels(np.cos(turn) * across + np.sin(turn) * onward)
    for at in zip(np.rint(x).astype(int), np.rint(y).astype(int), strict=True):
        cv2.circle(on, (int(at[0]), int(at[1])), 1, MARK, -1)


def _close(made: Projected, raster: Raster, towards: npt.NDArray[np.float64], scale: float) -> U8:
    """A plain view (rectilinear) towards a place, upright, as bright as the whole's middle asks."""
    right = np.cross(towards, [0.0, 1.0, 0.0] if abs(towards[1]) < 0.99 else [0.0, 0.0, 1.0])
    right /= np.linalg.norm(right)
    up = np.cross(right, towards)
    reach = np.tan(np.radians(_CLOSE_DEG / 2))
    line = np.linspace(-reach, reach, _TALL)
    rays = towards + line[None, :, None] * right - line[:, None, None] * up
    light = rasters.sample(made.rgb, raster, rays / np.linalg.norm(rays, axis=-1, keepdims=True))
    return preview.codes(light * scale)


def _differences(agreement: Agreement) -> U8 | None:
    """How many stops lie between the views at each place, grey; blue where one view alone shows it."""
    if not agreement.logs:
        return None
    stack = np.stack(agreement.logs)
    count = np.isfinite(stack).sum(axis=0)
    top = np.where(np.isfinite(stack), stack, -np.inf).max(axis=0)
    low = np.where(np.isfinite(stack), stack, np.inf).min(axis=0)
    apart = np.zeros(count.shape)
    np.subtract(top, low, out=apart, where=count > 1)
    grey = np.rint(255 * np.clip(apart / _DIFFER_STOPS, 0, 1)).astype(np.uint8)
    out = np.repeat(grey[..., None], 3, axis=2)
    out[count == 1] = (40, 60, 110)
    return np.asarray(cv2.resize(out, (_WIDE, _TALL), interpolation=cv2.INTER_NEAREST), np.uint8)
