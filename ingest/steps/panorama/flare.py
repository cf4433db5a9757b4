"""Flare and dirt, where two views or lenses show the same place: what only one of them shows is not in the scene.

* A reflection between the faces of a lens makes a patch that one camera shows and the others do not.  It lies on the
  line through the source's picture and the lens's axis, which things of the scene would do by chance only.
* Dirt and drops stay where they are on the lens while the body turns: a patch at one place of one lens, in several
  views.

Near things shift between lens centres, which leaves a bright and a dark patch side by side; such pairs are left out.
One lens alone, or what a single view shows, cannot be checked: a lamp that hangs there looks the same.  Measured on
made captures: ``tests/bench/light.py flare``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from ingest.records.findings import finding
from ingest.steps.panorama.cameras import Camera
from ingest.steps.panorama.raster import Doubles

STRONG_STOPS = 8.0  # over the median: a weaker source has no reflections that show
PATCH_STOPS, PATCH_SIGMAS = 0.12, 3.5  # by which a patch differs from the other views, and from what differs anyway
SCORE = 18.0  # of a patch: standard deviations times the root of its cells
_LEAST, _LARGEST = 6, 900  # cells of about a degree
_INNER = 0.93  # of the lens's angle: its rim is the blend's
_MISPLACED = 0.4  # cells by which a picture may be misplaced against another
_GLARE_STOPS, _GLARE_CELLS = 6.0, 5
_LINE_DEG = 7.0
_SPOT_RAD = 0.05  # how well a spot on the lens must return to its place
_BESIDE = 0.35  # of a patch's own strength that may lie beside it with the other sign


@dataclass(frozen=True, kw_only=True, slots=True)
class Patch:
    """A place that one camera shows otherwise than the others: ``stops`` brighter (+) or darker (-), its ``direction``
    in the world, and in the lens its angle from the axis (radians) and around it."""

    camera: int
    direction: tuple[float, float, float]
    theta: float
    phi: float
    stops: float
    score: float


def judge(
    cameras: Sequence[Camera], logs: Sequence[Doubles], directions: Doubles
) -> tuple[list[dict[str, Any]], float]:
    """Findings, and the share of directions that could be checked.

    ``logs`` (h, w) log2 of what each camera shows in ``directions`` (h, w, 3), NaN where it shows nothing.
    """
    stack = np.stack([np.asarray(one) for one in logs])
    seen = np.isfinite(stack)
    share = float((seen.sum(axis=0) > 1).mean())
    if len(cameras) < 2 or share == 0:
        return [], share
    found = [p for i in range(len(cameras)) for p in _patches(i, cameras[i], stack, seen, directions)]
    return [*_ghosts(cameras, found, stack, directions), *_spots(cameras, found)], share


def _patches(
    i: int, camera: Camera, stack: Doubles, seen: NDArray[np.bool_], directions: Doubles
) -> list[Patch]:
    others = np.delete(stack, i, axis=0)
    count = np.isfinite(others).sum(axis=0)
    from_axis, _, _ = camera.angles(directions)
    both = seen[i] & (count > 0) & (from_axis < _INNER * camera.theta_max)
    if both.sum() < 200:
        return []
    rest = np.where(np.isfinite(others), others, 0.0).sum(axis=0) / np.maximum(count, 1)
    left = np.where(both, stack[i] - rest, 0.0)
    known = both.astype(np.float32)
    left = np.where(both, left - _mean(left, known, 31), 0.0)  # falloff that is not quite known is wide
    left = np.where(both, _mean(left, known, 3), 0.0)
    spread = max(1.4826 * float(np.median(np.abs(left[both]))), 0.004)
    # an edge that lies half a cell elsewhere, and a source's own glow, differ too
    filled = np.where(count > 0, rest, float(np.median(rest[count > 0])))
    steep = np.hypot(*(cv2.Scharr(filled, cv2.CV_64F, *way) / 32 for way in ((1, 0), (0, 1))))
    steep = cv2.dilate(np.asarray(steep, np.float32), np.ones((3, 3), np.uint8))
    strong = (filled > float(np.median(rest[count > 0])) + _GLARE_STOPS).astype(np.uint8)
    glare = cv2.dilate(strong, np.ones((2 * _GLARE_CELLS + 1, 2 * _GLARE_CELLS + 1), np.uint8)).astype(bool)
    sure = np.where(both & ~glare, left / np.hypot(spread, _MISPLACED * steep), 0.0)
    out = []
    for sign in (1, -1):
        mask = ((sign * left > PATCH_STOPS) & (sign * sure > PATCH_SIGMAS)).astype(np.uint8)
        labels_of, labels, facts, _ = cv2.connectedComponentsWithStats(mask, connectivity=8)
        for k in range(1, labels_of):
            area = int(facts[k][cv2.CC_STAT_AREA])
            if not _LEAST <= area <= _LARGEST:
                continue
            place = np.asarray(labels) == k
            ring = cv2.dilate(place.astype(np.uint8), np.ones((7, 7), np.uint8)).astype(bool) & ~place
            against = float(np.maximum(-sign * left[ring & both], 0).sum())
            own = float((sign * left[place]).sum())
            if against > _BESIDE * own:
                continue
            score = float((sign * sure[place]).mean()) * np.sqrt(area)
            towards = (directions[place] * np.abs(left[place])[:, None]).sum(axis=0)
            towards = towards / np.linalg.norm(towards)
            theta, phi = _in_lens(camera, towards)
            out.append(Patch(camera=i, direction=_triple(towards), theta=theta, phi=phi,
                             stops=sign * own / area, score=float(score)))
    return out


def _mean(field: Doubles, known: NDArray[np.float32], size: int) -> Doubles:
    total = cv2.blur(np.asarray(field * known, np.float32), (size, size), borderType=cv2.BORDER_REFLECT)
    count = cv2.blur(known, (size, size), borderType=cv2.BORDER_REFLECT)
    return np.asarray(total / np.maximum(count, 1e-3), np.float64)


def _in_lens(camera: Camera, towards: Doubles) -> tuple[float, float]:
    theta, ux, uy = camera.angles(np.asarray(towards)[None])
    return float(theta[0]), float(np.arctan2(uy[0], ux[0]))


def _ghosts(
    cameras: Sequence[Camera], found: Sequence[Patch], stack: Doubles, directions: Doubles
) -> list[dict[str, Any]]:
    level = np.where(np.isfinite(stack), stack, -np.inf).max(axis=0)
    lit = level[np.isfinite(level)]
    if not lit.size or float(lit.max()) < float(np.median(lit)) + STRONG_STOPS:
        return []
    source = directions[np.unravel_index(int(np.argmax(level)), level.shape)]
    out = []
    for patch in found:
        theta, phi = _in_lens(cameras[patch.camera], source)
        off = abs(np.degrees(np.angle(np.exp(1j * (patch.phi - phi - np.pi)))))
        shown = theta <= cameras[patch.camera].theta_max
        if patch.stops > 0 and patch.score > SCORE and shown and theta > 0.1 and off < _LINE_DEG:
            out.append(patch)
    if not out:
        return []
    best = max(out, key=lambda p: p.score)
    return [finding(
        "flare", "note",
        f"One view is {best.stops:.1f} stops brighter at a place than the others, on the line through the strongest"
        " source and the middle of its lens: a reflection within the lens.",
        "Look there in the panorama; shade the lens from the source where that is possible.",
        confidence=_confidence(best.score), direction=best.direction, amount=best.stops, unit="stops",
    )]  # fmt: skip


def _spots(cameras: Sequence[Camera], found: Sequence[Patch]) -> list[dict[str, Any]]:
    """Patches at one place of one lens in two views or more."""
    best: tuple[float, list[Patch]] | None = None
    for one in found:
        at = _on_lens(one)
        same = [p for p in found if cameras[p.camera].lens == cameras[one.camera].lens and p.stops * one.stops > 0
                and np.hypot(*(np.array(_on_lens(p)) - at)) < _SPOT_RAD]
        views = {cameras[p.camera].view for p in same}
        together = float(np.sqrt(sum(max({q.score for q in same if cameras[q.camera].view == v}) ** 2 for v in views)))
        if len(views) > 1 and together > SCORE and (best is None or together > best[0]):
            best = together, same
    if best is None:
        return []
    score, same = best
    stops = float(np.mean([p.stops for p in same]))
    theta = float(np.degrees(same[0].theta))
    return [finding(
        "flare", "note",
        f"A spot {theta:.0f} degrees from the axis of lens {cameras[same[0].camera].lens + 1} is {abs(stops):.1f} "
        f"stops {'brighter' if stops > 0 else 'darker'} than other views show the same place, in {len(same)} views: "
        "dirt, a drop or a scratch.",
        "Clean the lens and shoot again; the other views cover most of the place.",
        confidence=_confidence(score), direction=same[0].direction, amount=stops, unit="stops",
    )]  # fmt: skip


def _on_lens(patch: Patch) -> tuple[float, float]:
    return patch.theta * np.cos(patch.phi), patch.theta * np.sin(patch.phi)


def _confidence(score: float) -> float:
    return round(1.0 - 0.1 * SCORE / max(score, SCORE), 3)


def _triple(v: Doubles) -> tuple[float, float, float]:
    return (float(v[0]), float(v[1]), float(v[2]))
