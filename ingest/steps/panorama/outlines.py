"""A mirror ball's outline, refined from its own reflections.

The edge is nearly invisible, since the rim reflects what stands behind the ball; a search for it is off
by pixels.  Two views reflect the same things: where their reflections must agree, the outline follows to
hundredths of a pixel.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from ingest.records.findings import finding
from ingest.records.lenses import LensFile, LensView, Outline
from ingest.steps.panorama import cameras, fitting, matching, seams
from ingest.steps.panorama.body import matrix
from ingest.steps.panorama.raster import Doubles

Single = NDArray[np.float32]
EDGE_SIGMA = 0.01  # of the radius: what an edge search is good for (2 to 12 px of 372 were seen)
PRIOR_TURN_DEG = 0.15  # how well a noted heading of a ball view is believed
_STAGES = ((1.2, 6.0, 3000), (0.6, 2.0, 8000), (0.35, 0.0, 12000), (0.35, 0.0, 16000))
_LEAST_MATCHES = 30


def refine(numbers: LensFile, pictures: Sequence[Single]) -> tuple[LensFile, list[dict[str, Any]]]:
    """Outlines from the views' pictures (h, w, 3; linear); an ``outline`` that is given stays as it is."""
    views = [numbers.view(i) for i in range(len(pictures))]
    if all(v.outline is not None for v in views):
        return numbers, []
    levels = [matching.logs(seams.thinned(p, 1)) for p in pictures]
    started = [v if v.outline is not None else _by_edge(v, level) for v, level in zip(views, levels, strict=True)]
    fitted = _by_reflections(numbers, started, levels) if len(pictures) > 1 else None
    if fitted is None:
        made = replace(numbers, views=tuple(started), notes=("ball outline from its edge: a pixel or more off",))
        radius = max(v.outline.radius_px for v in started if v.outline is not None)
        told = finding(
            "uncalibrated", "note",
            f"The ball's outline was found by its edge alone: good to about {EDGE_SIGMA * radius:.0f} px, which turns "
            "reflections by a degree or more.",
            "Shoot a second view 90 degrees round, or give the exact outline.", confidence=0.9,
        )  # fmt: skip
        return made, [told]
    return replace(numbers, views=tuple(fitted), calibration="exact"), []


def _by_edge(view: LensView, level: Single) -> LensView:
    """The circle near the hint with the largest mean step of log luminance across it."""
    hint = view.outline_hint
    assert hint is not None
    gx = np.asarray(cv2.Scharr(level, cv2.CV_32F, 1, 0), dtype=np.float32) / np.float32(32)
    gy = np.asarray(cv2.Scharr(level, cv2.CV_32F, 0, 1), dtype=np.float32) / np.float32(32)
    angle = np.linspace(0, 2 * np.pi, 360, endpoint=False)
    best = np.array([hint.cx, hint.cy, hint.radius_px])
    reach, step = 0.05 * hint.radius_px, max(1.0, 0.006 * hint.radius_px)
    while step > 0.1:
        offsets = np.arange(-reach, reach + step / 2, step)
        grid = np.stack(np.meshgrid(offsets, offsets, offsets, indexing="ij"), axis=-1).reshape(-1, 3) + best
        pieces = np.array_split(grid, 1 + len(grid) // 500)
        scores = np.concatenate([_step_across(gx, gy, part, angle) for part in pieces])
        best = grid[int(np.argmax(scores))]
        reach, step = 1.5 * step, step / 3
    sigma = EDGE_SIGMA * float(best[2])
    outline = Outline(cx=float(best[0]), cy=float(best[1]), radius_px=float(best[2]))
    return replace(view, outline=outline, sigma={"cx": sigma, "cy": sigma, "radius_px": sigma})


def _step_across(gx: Single, gy: Single, circles: Doubles, angle: Doubles) -> Doubles:
    x = (circles[:, :1] + circles[:, 2:] * np.cos(angle)).astype(np.float32)
    y = (circles[:, 1:2] + circles[:, 2:] * np.sin(angle)).astype(np.float32)
    how = (cv2.INTER_LINEAR, cv2.BORDER_CONSTANT)
    across = cv2.remap(gx, x, y, how[0], borderMode=how[1]) * np.cos(angle)
    across = across + cv2.remap(gy, x, y, how[0], borderMode=how[1]) * np.sin(angle)
    return np.asarray(np.minimum(np.abs(across), 0.3).mean(axis=1))


def _by_reflections(
    numbers: LensFile, views: Sequence[LensView], levels: Sequence[Single]
) -> list[LensView] | None:
    """Outlines (and small turns of the views after the first) under which all reflections agree."""
    count = len(views)
    start = np.zeros(6 * count)
    prior = np.zeros(6 * count)
    for i, view in enumerate(views):
        assert view.outline is not None
        start[6 * i : 6 * i + 3] = view.outline.cx, view.outline.cy, view.outline.radius_px
        if numbers.view(i).outline is None:
            prior[6 * i : 6 * i + 3] = 2 * EDGE_SIGMA * view.outline.radius_px
        if i > 0:
            prior[6 * i + 3 : 6 * i + 6] = np.radians(PRIOR_TURN_DEG)
    x, sigma, matches = start, prior, 0
    for pitch_deg, search_deg, marks in _STAGES:
        shown = [cameras.from_ball(v, cameras.standing(v), index=i) for i, v in enumerate(_written(views, x))]
        pitch = np.radians(pitch_deg)
        found = matching.find(shown, list(levels), marks=marks, pitch_rad=pitch, search_rad=np.radians(search_deg),
                              most_per_pair=1500)  # fmt: skip
        if len(found) < _LEAST_MATCHES:
            continue
        east, north = matching.tangents(found.direction)

        def apart(z: Doubles, found: matching.Matches = found, east: Doubles = east, north: Doubles = north) -> Doubles:
            moved = [cameras.from_ball(v, cameras.standing(v), index=i) for i, v in enumerate(_written(views, z))]
            gap = np.zeros((len(found), 3))
            for index, points, sign in ((found.first, found.a, 1.0), (found.second, found.b, -1.0)):
                for c in np.unique(index):
                    rows = index == c
                    gap[rows] += sign * moved[c].directions(points[rows, 0], points[rows, 1])[0]
            return np.concatenate([(gap * east).sum(1), (gap * north).sum(1)])

        fit = fitting.solve(apart, start, prior, begin=x, least_spread=0.01 * pitch, inflate=1.5)
        x, sigma, matches = fit.x, fit.sigma, len(found)
    if matches < _LEAST_MATCHES:
        return None
    told = []
    for i, view in enumerate(_written(views, x)):
        s = sigma[6 * i : 6 * i + 6]
        turn = float(np.degrees(np.sqrt((s[3:] ** 2).sum())))
        told.append(replace(view, sigma={
            "cx": float(s[0]), "cy": float(s[1]), "radius_px": float(s[2]), "world_from_body": turn,
        }))  # fmt: skip
    return told


def _written(views: Sequence[LensView], x: Doubles) -> list[LensView]:
    made = []
    for i, view in enumerate(views):
        cx, cy, radius = (float(v) for v in x[6 * i : 6 * i + 3])
        turn = np.asarray(cv2.Rodrigues(x[6 * i + 3 : 6 * i + 6])[0]) @ cameras.standing(view)
        world = matrix(turn) if i > 0 else view.world_from_body
        made.append(replace(view, outline=Outline(cx=cx, cy=cy, radius_px=radius), world_from_body=world))
    return made
