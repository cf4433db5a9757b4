"""What the frames of a merge say of each other, and a picture of every finding.

The frames are judged small, thinned before they are averaged: what a person acts on is larger than a pixel, and
a bracket of large frames must not cost another merge.  Exposures are taken as the headers say: a change of light
is what the plan would otherwise correct away.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

from ingest.machinery.worker.decoders.picture import Picture
from ingest.machinery.worker.jobs import finding_pictures
from ingest.machinery.worker.jobs.finding_pictures import MARK
from ingest.machinery.worker.jobs.merge_comparison import seen
from ingest.records.checks import check
from ingest.records.merges import MergeRequest
from ingest.steps.light import bracket, quality
from ingest.steps.light.quality import FrameLook
from ingest.steps.merging import curves, image_circle, verdicts
from ingest.steps.merging.calibration import Plan
from ingest.steps.merging.stack import largest, thinned
from ingest.steps.merging.verdicts import Compared
from ingest.steps.panorama import level
from ingest.steps.panorama.raster import Layout, Raster

U8 = npt.NDArray[np.uint8]
F32 = npt.NDArray[np.float32]
_READ = 2048  # columns that are read of a frame, of which so many are kept:
_KEPT = 512
#: How far the black level may be off, of white: a raw states it, a developed file's is fitted from its frames.
_BLACK = {"raw": 2e-5, "tiff": 1e-4, "jpeg": 0.0}
_LIT = 0.02  # of white: one clipped photosite of the sixteen that are averaged makes more
_CELL, _MOST = 420, 3  # pixels wide; pictures a finding


def judge(
    request: MergeRequest, order: tuple[int, ...], plan: Plan, first: Picture, *, at_rail: bool = True
) -> tuple[list[dict[str, Any]], list[FrameLook], list[dict[str, Any]], Compared]:
    """Findings from the headers and from comparing the frames, their indices dark to bright; the small frames; which
    checks could be made (``record.check``), and what they could tell of movement and of a turn.

    ``at_rail``: that the shortest frame clips is known already.
    """
    told = bracket.judge([request.frames[i] for i in order])
    if not at_rail and plan.source == "jpeg":
        told += quality.near_white(_nearest_to_white(plan))
    if request.quick or len(order) < 2:
        why = "it was a first look only" if request.quick else "it is a single frame"
        return told, [], [check(kind, False, why) for kind in (*quality.BETWEEN_FRAMES, "tilt")], Compared()
    looks = looks_of(request, plan, first)
    pairs = quality.compare(looks, latlong=request.kind == "lat-long")
    doubt = float(plan.response.get("residual") or 0.0) if plan.stack.encoding.table is not None else 0.0
    told += quality.changes(looks, pairs, latlong=request.kind == "lat-long", doubt=doubt)
    checks = quality.checks(pairs, len(looks), doubt=doubt)
    compared = _compared(pairs, checks, plan, quality.stray(looks, doubt, latlong=request.kind == "lat-long"))
    if request.kind == "lat-long":
        small = quality.together(looks)
        raster = Raster(height=small.shape[0], width=small.shape[1], layout=Layout.CENTRES)
        found = level.find(small @ quality.LUMINANCE, raster)
        told += level.judge(found)
        checks.append(check("tilt", found is not None and found.sure,
                            "it shows too few edges that stand upright to tell whether it stands level"))
    return told, looks, checks, compared


def _compared(
    pairs: Sequence[quality.Pair], checks: Sequence[Mapping[str, Any]], plan: Plan, stray: float
) -> Compared:
    of = {str(c["check"]): c for c in checks}
    shown = quality.turn_shown(pairs, stray, verdicts.steps(plan.shifts)) if plan.shifts is not None else 0.0
    return Compared(
        motion=bool(of["motion"]["made"]), turn=bool(of["camera_moved"]["made"]),
        no_turn_of=frozenset(of["camera_moved"]["frames"]), consents=shown >= quality.CONSENT_ERRORS,
    )  # fmt: skip


def _nearest_to_white(plan: Plan) -> float:
    """The largest reading of the shortest frame, as a part of what saturates, where its first component peaks."""
    frame, stack = plan.stack.frames[0], plan.stack
    _, _, _, (x, y) = cv2.minMaxLoc(np.ascontiguousarray(frame[..., 0]))
    around = np.ascontiguousarray(frame[max(0, y - 1) : y + 2, max(0, x - 1) : x + 2])
    return float(largest(stack.encoding.light(around)).max()) / stack.clips[0]


def looks_of(request: MergeRequest, plan: Plan, first: Picture) -> list[FrameLook]:
    """Every frame small, dark to bright, as stored (not turned upright)."""
    stack, p = plan.stack, plan.stack.encoding.period
    step = max(1, stack.shape[1] // _READ)
    grid = np.linspace(0, 1, 256)
    own = stack.encoding
    linear_file = plan.source == "tiff" and own.table is None
    offset = float(np.mean(own.black)) * float(np.mean(own.unit)) if linear_file else 0.0
    out = []
    circles: npt.NDArray[np.bool_] | None = None
    for k in reversed(range(stack.count)):  # the brightest shows best where a lens lights the picture
        model = plan.models[k]
        light = stack.encoding.light(np.ascontiguousarray(thinned(stack.frames[k], p, step)))
        stack.forget()
        clipped = (largest(light) >= stack.clips[k]).astype(np.float32)
        if offset:  # readings cut off at zero look like a black level above it: judged as the file has them
            light += np.float32(offset)
        rgb = _rgb(light, first) / np.float32(model.clip)
        h, w = rgb.shape[:2]
        size = (min(w, _KEPT), max(1, round(h * min(w, _KEPT) / w)))
        small = np.asarray(cv2.resize(rgb, size, interpolation=cv2.INTER_AREA), np.float32)
        whole = np.asarray(cv2.resize(clipped, size, interpolation=cv2.INTER_AREA) == 0)
        if k == stack.count - 1:
            circles = image_circle.inside(small.mean(axis=2), request.kind)
        if circles is not None:
            whole &= circles
        out.append(FrameLook(
            units=plan.units[k], light=small, peak=float(small.max()), floor=model.floor / model.clip**2,
            gain=model.gain / model.clip, sites=max(1.0, h * w / (size[0] * size[1])), whole=whole,
            black=max(_BLACK[plan.source], abs(offset)),
            step=np.sqrt(curves.rounding(own, grid * model.clip)) / model.clip,
        ))  # fmt: skip
    return out[::-1]


def _rgb(light: F32, first: Picture) -> F32:
    """Three channels of what a frame holds: a grey three times, the sites of a mosaic by their colour."""
    if light.shape[2] == 3:
        return light
    if first.pattern is None:
        return np.repeat(light[..., :1], 3, axis=2)
    colours = np.asarray(first.pattern).ravel()
    return np.stack([light[..., np.flatnonzero(colours == c)].mean(axis=2) for c in range(3)], axis=2)


def pictured(
    findings: Sequence[Mapping[str, Any]], looks: Sequence[FrameLook]
) -> tuple[list[dict[str, Any]], str]:
    """The findings, each with the number of its row (``picture``), and the rows as one JPEG in base64."""
    if not findings or not looks:
        return [dict(f) for f in findings], ""
    return finding_pictures.page(findings, lambda finding: _cells(finding, looks))


def _cells(finding: Mapping[str, Any], looks: Sequence[FrameLook]) -> list[tuple[str, U8]]:
    frames = [k for k in finding.get("frames", ()) if 0 <= k < len(looks)] or [len(looks) - 1]
    if len(frames) > _MOST:
        frames = [frames[0], frames[len(frames) // 2], frames[-1]]
    return [(f"frame {k + 1} of {len(looks)}", _shown(looks, k, frames, finding)) for k in frames]


def _shown(looks: Sequence[FrameLook], k: int, frames: Sequence[int], finding: Mapping[str, Any]) -> U8:
    """Frame k as bright as the darkest of its row would be at a middle grey, what it clips in red, the place framed."""
    look = looks[k]
    light = look.light / look.units
    reference = looks[min(frames)].light / looks[min(frames)].units
    middle = max(float(np.median(reference.mean(axis=2))), 1e-9)
    picture = seen(np.clip(light * np.float32(0.18 / middle), 0, 1))
    if finding["kind"] in ("clipped", "noise", "missing_step", "mixed_settings"):
        picture = seen(look.light)
    clips = _clips(look) if finding["kind"] == "clipped" else None
    if clips is not None:
        picture[clips] = MARK
    height = max(40, round(_CELL * picture.shape[0] / picture.shape[1]))
    out = np.asarray(cv2.resize(np.ascontiguousarray(picture), (_CELL, height), interpolation=cv2.INTER_AREA
                                if picture.shape[1] > _CELL else cv2.INTER_NEAREST), np.uint8)  # fmt: skip
    if clips is not None:
        for x, y in _places(clips):
            cv2.circle(out, (round(x * _CELL), round(y * height)), 12, MARK, 2, cv2.LINE_AA)
    box = finding.get("place")
    if box:
        x0, y0, x1, y1 = (round(v * n) for v, n in zip(box, (_CELL, height, _CELL, height), strict=True))
        cv2.rectangle(out, (x0 - 4, y0 - 4), (x1 + 4, y1 + 4), MARK, 2)
    return out


def _clips(look: FrameLook) -> npt.NDArray[np.bool_] | None:
    """Where a photosite clips; outside of image circles, which are not whole either, it is dark."""
    return None if look.whole is None else ~look.whole & (look.light.max(axis=2) > _LIT)


def _places(mask: npt.NDArray[np.bool_], most: int = 8) -> list[tuple[float, float]]:
    """Middles of the largest connected places, as shares of width and height."""
    _, _, facts, middles = cv2.connectedComponentsWithStats(mask.astype(np.uint8), connectivity=8)
    largest_first = np.argsort(-facts[1:, cv2.CC_STAT_AREA])[:most] + 1
    return [((float(middles[k][0]) + 0.5) / mask.shape[1], (float(middles[k][1]) + 0.5) / mask.shape[0])
            for k in largest_first]
