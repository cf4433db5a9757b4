"""A body calibrates itself from its own frames: the overlap of its lenses, and between headings.

What the pictures can and cannot tell:
* in the ring that two lenses share only the *sum* of their angles is seen, so one burst closes the seam
  and fixes the turn between the lenses, but not the field of view of either; the prior then decides,
  and the result says "field of view not proven";
* a second heading carries every feature across each lens: the numbers follow to hundredths of a degree;
* the level is in no overlap: the views' average up is taken as up;
* near things shift between lens centres (parallax); the heavy tail of the fit keeps them from counting.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from ingest.records.findings import finding
from ingest.records.lenses import LensFile, LensView
from ingest.steps.panorama import body, cameras, falloff, fitting, matching, seams
from ingest.steps.panorama.body import Body
from ingest.steps.panorama.cameras import Camera
from ingest.steps.panorama.raster import Doubles

Single = NDArray[np.float32]
# (pitch, search) in degrees, coarse to fine; the last has no search, only least squares
_STAGES = ((0.35, 4.0, 12000), (0.2, 0.8, 20000), (0.12, 0.0, 30000))
_LEAST_MATCHES = 40
NOT_PROVEN = "field of view not proven: one burst shows only the sum of the lenses' angles"


def refine(numbers: LensFile, pictures: Sequence[Single]) -> tuple[LensFile, list[dict[str, Any]]]:
    """Lens numbers refined from the views' pictures (h, w, 3; linear, finite), and what to tell.

    Where the pictures tell nothing the numbers come back as they were, with a finding.
    """
    height, width = pictures[0].shape[:2]
    if any(p.shape[:2] != (height, width) for p in pictures):
        return numbers, [_not_done("the views' pictures differ in size")]
    if numbers.kind == "lat-long":
        return numbers, [_not_done("a finished lat-long has no lens numbers")]
    if numbers.kind == "mirror-ball":
        from ingest.steps.panorama import outlines

        return outlines.refine(numbers, pictures)
    numbers = numbers.scaled(width, height)
    known = body.of(numbers, len(pictures))
    thin = _Thinned(pictures)
    proven = _turned(numbers, len(pictures))
    x, sigma, count, spread = _geometry(known, thin, hold=not proven)
    if count < _LEAST_MATCHES:
        return numbers, [_not_done(f"only {count} features are shown by two lenses or headings")]
    lenses, views = known.written(x, sigma)
    views = _levelled(views)
    made = replace(
        numbers, lenses=lenses, views=views, size=(width, height), calibration="exact" if proven else "nominal",
        notes=() if proven else (NOT_PROVEN,),
    )  # fmt: skip
    made = falloff.measure(made, pictures)
    told = [] if proven else [finding(
        "uncalibrated", "note", f"Lens numbers refined from one burst; {NOT_PROVEN}.",
        "Shoot one position with four headings and calibrate once more.", confidence=1.0,
    )]  # fmt: skip
    note = f"{count} features matched, {np.degrees(spread):.4f} degrees apart (robust standard deviation)"
    return replace(made, notes=(*made.notes, note)), told


def _turned(numbers: LensFile, views: int) -> bool:
    """Whether some view stands at another heading than the first, by more than a few degrees."""
    first = cameras.standing(numbers.view(0))
    for i in range(1, views):
        turn = first.T @ cameras.standing(numbers.view(i))
        if np.degrees(np.arccos(np.clip((np.trace(turn) - 1) / 2, -1, 1))) > 10:
            return True
    return False


def _geometry(known: Body, thin: _Thinned, *, hold: bool) -> tuple[Doubles, Doubles, int, float]:
    """(unknowns, sigmas, matches, spread in radians) after all stages."""
    x = known.start()
    start, prior = x.copy(), known.prior(hold=hold)
    sigma = known.prior()
    count, spread = 0, 0.0
    for pitch_deg, search_deg, marks in _STAGES:
        shown, logs = thin.at(known, x, np.radians(pitch_deg))
        pitch = max(np.radians(pitch_deg), 1.0 / shown[0].pixels_per_radian)
        found = matching.find(shown, logs, marks=marks, pitch_rad=pitch, search_rad=np.radians(search_deg))
        if len(found) < _LEAST_MATCHES:
            continue
        points = _Points(found, shown, thin.factor)
        fit = fitting.solve(
            lambda z, points=points: points.apart(known, z),  # type: ignore[misc]
            start, prior, begin=x, least_spread=0.01 * pitch, inflate=1.5,
        )  # fmt: skip
        x, count, spread = fit.x, len(found), fit.spread
        # what was held fast is as uncertain as a nominal number, not as its prior
        sigma = np.where(prior < known.prior(), known.prior(), fit.sigma)
    return x, sigma, count, spread


class _Points:
    """Matched points in full-size pixels, grouped by camera."""

    def __init__(self, found: matching.Matches, shown: Sequence[Camera], factor: int) -> None:
        self._groups: list[tuple[int, int, NDArray[np.intp], int, Doubles]] = []
        for side, (index, points) in enumerate(((found.first, found.a), (found.second, found.b))):
            for c in np.unique(index):
                rows = np.flatnonzero(index == c)
                full = (points[rows] + 0.5) * factor - 0.5
                self._groups.append((shown[c].view, shown[c].lens, rows, side, full))
        self._east, self._north = matching.tangents(found.direction)
        self._count = len(found)

    def apart(self, known: Body, x: Doubles) -> Doubles:
        """(2 n,) how far apart the two ends of each match look, radians across."""
        d = np.zeros((2, self._count, 3))
        for view, lens, rows, side, points in self._groups:
            d[side, rows] = known.look(x, view, lens, points)
        gap = d[0] - d[1]
        return np.concatenate([(gap * self._east).sum(1), (gap * self._north).sum(1)])


class _Thinned:
    """Log luminance of the views at a chosen fineness."""

    def __init__(self, pictures: Sequence[Single]) -> None:
        self._pictures = pictures
        self.factor = 1

    def at(self, known: Body, x: Doubles, pitch_rad: float) -> tuple[list[Camera], list[Single]]:
        lenses, views = known.written(x, np.zeros_like(x))
        numbers = LensFile(kind="fisheye", lenses=lenses, views=views)
        whole = cameras.of_file(numbers, len(self._pictures))
        self.factor = max(1, int(pitch_rad * whole[0].pixels_per_radian))
        small = [matching.logs(seams.thinned(p, self.factor)) for p in self._pictures]
        return [seams.thinned_camera(c, self.factor) for c in whole], [small[c.view] for c in whole]


def _levelled(views: tuple[LensView, ...]) -> tuple[LensView, ...]:
    """World turned so that the views' average up is +Y (the smallest turn that does it)."""
    if len(views) < 2:
        return views
    ups = np.stack([cameras.standing(v)[:, 1] for v in views])
    up = ups.mean(axis=0)
    up /= np.linalg.norm(up)
    axis = np.cross(up, [0.0, 1.0, 0.0])
    sine, cosine = float(np.linalg.norm(axis)), float(up[1])
    if sine < 1e-9:
        return views
    turn = np.asarray(cv2.Rodrigues(axis / sine * np.arctan2(sine, cosine))[0])
    return tuple(replace(v, world_from_body=body.matrix(turn @ cameras.standing(v))) for v in views)


def _not_done(why: str) -> dict[str, Any]:
    return finding("uncalibrated", "note", f"The lens numbers could not be refined: {why}.",
                   "Shoot one position with four headings and calibrate with that.", confidence=1.0)  # fmt: skip
