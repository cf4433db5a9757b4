"""A field of 6 x 4 squares in a picture, from whichever of its squares can be outlined.

The library's own chart finder misses charts that are turned, small or under a soft shadow, so squares are outlined
at several thresholds, joined to their neighbours step by step (which follows perspective), and each way in which the
joined squares can lie in a field of 6 x 4 is offered; colours then decide.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt

COLUMNS, ROWS = 6, 4
FEWEST = 7  # joined squares; fewer lie in too many ways in the field
SMALLEST = 7.0  # pixels a side
Points = npt.NDArray[np.float64]


def fields(small: npt.NDArray[np.uint8]) -> Iterator[npt.NDArray[np.float32]]:
    """Corners (4, 2) of fields that the squares of an (H, W, 3) picture may belong to, largest group first; each in
    one of its turns, so that the caller tries all four."""
    squares = outlines(small)
    groups = sorted(_groups(squares), key=lambda g: -len(g))
    for group in groups[:3]:
        if len(group) >= FEWEST:
            yield from _windows(group)


def outlines(small: npt.NDArray[np.uint8]) -> Points:
    """(N, 4, 2) convex quadrangles that are nearly squares, one for each place."""
    lightness = small.max(axis=2)
    planes = [lightness, small[..., 1], small[..., 2]]
    found: list[Points] = []
    for plane in planes:
        for block, below in ((31, 4), (61, 8), (121, 4)):
            marked = cv2.adaptiveThreshold(
                np.ascontiguousarray(plane), 255, cv2.ADAPTIVE_THRESH_MEAN_C, cv2.THRESH_BINARY, block, -below + 6
            )
            marked = cv2.erode(marked, np.ones((3, 3), np.uint8))
            contours, _ = cv2.findContours(marked, cv2.RETR_LIST, cv2.CHAIN_APPROX_SIMPLE)
            found += [q for c in contours if (q := _square(c)) is not None]
    kept: list[Points] = []
    centres = np.empty((0, 2))
    for quad in sorted(found, key=lambda q: -_area(q)):
        centre = quad.mean(axis=0)
        if not len(centres) or np.hypot(*(centres - centre).T).min() > 0.4 * np.sqrt(_area(quad)):
            kept.append(quad)
            centres = np.vstack([centres, centre])
    return np.array(kept[:400]).reshape(-1, 4, 2)


def _square(contour: Any) -> Points | None:
    area = cv2.contourArea(contour)
    if area < SMALLEST**2 or area > 4e4:
        return None
    quad = cv2.approxPolyDP(contour, 0.08 * cv2.arcLength(contour, True), True)
    if len(quad) != 4 or not cv2.isContourConvex(quad):
        return None
    points: Points = quad.reshape(4, 2).astype(float)
    sides = np.hypot(*(np.roll(points, -1, axis=0) - points).T)
    return points if sides.max() < 2.2 * sides.min() and area > 0.75 * _area(points) else None


def _area(quad: Points) -> float:
    x, y = quad.T
    return abs(float(x @ np.roll(y, -1) - y @ np.roll(x, -1))) / 2


def _groups(squares: Points) -> list[dict[tuple[int, int], Points]]:
    """Squares joined to neighbours: place in a grid -> centre."""
    if not len(squares):
        return []
    centres = squares.mean(axis=1)
    areas = np.array([_area(q) for q in squares])
    apart = np.hypot(*np.moveaxis(centres[:, None] - centres[None], -1, 0))
    alike = np.abs(np.log(areas[:, None] / areas[None])) < np.log(1.8)
    crowd = ((apart < 1.9 * np.sqrt(areas)[:, None]) & alike).sum(axis=1)
    free = np.ones(len(squares), bool)
    out = []
    for start in np.argsort(-crowd, kind="stable"):
        if free[start] and crowd[start] > 2:  # itself and two more
            out.append({place: centres[n] for place, n in _joined(int(start), squares, centres, alike, free).items()})
    return out


def _joined(
    start: int, squares: Points, centres: Points, alike: npt.NDArray[np.bool_], free: npt.NDArray[np.bool_]
) -> dict[tuple[int, int], int]:
    """The group around one square; takes its members out of ``free``."""
    free[start] = False
    quad = squares[start]
    right, down = (quad[1] - quad[0] + quad[2] - quad[3]) / 2, (quad[3] - quad[0] + quad[2] - quad[1]) / 2
    group = {(0, 0): (start, right * 1.2, down * 1.2)}
    edge = [(0, 0)]
    while edge:
        column, row = edge.pop(0)
        n, right, down = group[column, row]
        for step, way, across in (((1, 0), right, down), ((-1, 0), -right, down), ((0, 1), down, right),
                                  ((0, -1), -down, right)):  # fmt: skip
            place = (column + step[0], row + step[1])
            if place in group or max(abs(place[0]), abs(place[1])) > COLUMNS:
                continue
            away = np.where(free & alike[n], np.hypot(*(centres - centres[n] - way).T), np.inf)
            m = int(away.argmin())
            if away[m] > 0.35 * np.hypot(*way):
                continue
            free[m] = False
            moved = (step[0] + step[1]) * (centres[m] - centres[n])
            group[place] = (m, moved, across) if step[0] else (m, across, moved)
            edge.append(place)
    return {place: n for place, (n, *_) in group.items()}


def _windows(group: dict[tuple[int, int], Points]) -> Iterator[npt.NDArray[np.float32]]:
    places = np.array(list(group), float)
    if np.ptp(places[:, 0]) < 1 or np.ptp(places[:, 1]) < 1:
        return
    to_picture, _ = cv2.findHomography(places + 0.5, np.array(list(group.values())), cv2.RANSAC, 4.0)
    if to_picture is None:
        return
    low, high = places.min(axis=0), places.max(axis=0) + 1
    for across, down in ((COLUMNS, ROWS), (ROWS, COLUMNS)):
        inside = {}
        for left in range(int(high[0]) - across - 2, int(low[0]) + 3):
            for top in range(int(high[1]) - down - 2, int(low[1]) + 3):
                held = (places[:, 0] >= left) & (places[:, 0] < left + across) & (places[:, 1] >= top)
                inside[left, top] = int((held & (places[:, 1] < top + down)).sum())
        for (left, top), count in inside.items():
            if count >= max(FEWEST, max(inside.values()) - 2):
                box = np.array([[left, top], [left + across, top], [left + across, top + down], [left, top + down]])
                seen = cv2.perspectiveTransform(box[None].astype(np.float64), to_picture)[0]
                if np.isfinite(seen).all():
                    yield seen.astype(np.float32)
