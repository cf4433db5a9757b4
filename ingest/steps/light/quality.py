"""What went wrong while a bracket was shot, from its frames: thresholds come from simulated truth.

Frames are compared in pairs of neighbours in exposure.  One least-squares fit on log radiance of what
both hold (neither clipped nor dark) gives the camera's turn, the change of light and of colour; what is
left after warping by that turn is movement.  So the faults do not pass for one another.  A pair that
shares too little is *not checkable*, which is said, not "fine".

The thresholds below are the 99th percentiles of each statistic among simulated bursts without the fault
in question and with every other fault present (``tests/bench/quality.py`` measures them and the rates).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from ingest.steps.panorama.raster import Doubles, Layout, Raster
from ingest.steps.panorama.record import finding

Single = NDArray[np.float32]
LUMINANCE = np.array([0.212639, 0.715169, 0.072192], dtype=np.float32)
CLIPPED_AT = 0.995
LOW, HIGH = 0.02, 0.85  # of white: where a reading tells its light
LEAST_SHARED = 0.02  # of the picture
TURN_ERRORS, TURN_DEG = 3.0, 0.02
LIGHT_STOPS, WHITE_RATIO, MOTION_SHARE = 0.062, 0.005, 0.0008
MOTION_LOG, MOTION_SIGMAS = 0.2, 6.0
NOISE_STOPS = 1.0


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class FrameLook:
    """One exposure: ``units`` (t x S / N^2), ``light`` (h, w, 3) linear with 1 = saturation, averaged down
    to 128 to 512 pixels across, ``peak`` the largest photosite of the *whole* frame (1 = saturation), where
    it lies (``peak_at``: x, y as parts of width and height), and ``clipped_share`` of all photosites."""

    units: float
    light: Single
    peak: float
    peak_at: tuple[float, float] = (0.5, 0.5)
    clipped_share: float = 0.0


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Pair:
    """Neighbours compared: ``turn_deg`` (3,) about x, y, z for a lat-long, else shifts in px and a roll;
    ``turn_sigma`` alike; ``light_stops``, ``red_blue`` (natural log) of the brighter frame's radiance over
    the darker's; ``moved`` (h, w) where something else moved; ``shared`` share of the picture."""

    first: int
    second: int
    shared: float
    turn: Doubles
    turn_sigma: Doubles
    light_stops: float
    red_blue: float
    moved: NDArray[np.bool_]

    @property
    def checkable(self) -> bool:
        return self.shared >= LEAST_SHARED


def compare(looks: Sequence[FrameLook], *, latlong: bool, corrections: Sequence[float] | None = None) -> list[Pair]:
    """All pairs of neighbours, dark to bright.  ``corrections`` are refined exposure factors, where known."""
    order = sorted(range(len(looks)), key=lambda i: looks[i].units)
    shape = looks[0].light.shape[:2]
    basis = _turn_flows(shape) if latlong else _shift_flows(shape)
    made = []
    for a, b in pairwise(order):
        factors = (1.0, 1.0) if corrections is None else (corrections[a], corrections[b])
        made.append(_pair(looks, a, b, basis, factors, latlong))
    return made


def judge(
    looks: Sequence[FrameLook], *, latlong: bool, corrections: Sequence[float] | None = None
) -> list[dict[str, Any]]:
    """Findings on a bracket; ``frames`` are indices into ``looks``."""
    pairs = compare(looks, latlong=latlong, corrections=corrections)
    found = [*_clipped(looks, latlong), *_noise(looks)]
    for judged in (_turned(pairs, latlong), _light(pairs), _white(pairs), _moved(looks, pairs, latlong)):
        found += judged
    return found


def not_checkable(pairs: Sequence[Pair]) -> tuple[int, ...]:
    """Frames that share too little with any neighbour to be judged for movement, turn or light."""
    frames = {i for p in pairs for i in (p.first, p.second)}
    return tuple(sorted(frames - {i for p in pairs if p.checkable for i in (p.first, p.second)}))


# -- one pair ------------------------------------------------------------------------------------------


def _pair(
    looks: Sequence[FrameLook], a: int, b: int, basis: Sequence[tuple[Doubles, Doubles]], factors: tuple[float, float],
    latlong: bool,
) -> Pair:  # fmt: skip
    one, two = looks[a], looks[b]
    rays = [x.light.astype(np.float64) / (x.units * f) for x, f in zip((one, two), factors, strict=True)]
    weight = _pixel_weight(one.light.shape[:2], latlong)
    turn = np.zeros(len(basis))
    sigma = np.full(len(basis), np.inf)
    light = red_blue = 0.0
    moved = np.zeros(one.light.shape[:2], dtype=bool)
    shared = 0.0
    logs_a = _logs(rays[0])
    for _ in range(4):
        warped, valid = _warped(two.light, basis, turn, latlong)
        both = _held(one.light) & _held(warped) & valid
        shared = float((weight * both).sum() / weight.sum())
        if shared < LEAST_SHARED:
            break
        logs_b = _logs(warped.astype(np.float64) / (two.units * factors[1]))
        step = (logs_b - logs_a)[both]
        level = step @ LUMINANCE
        solved, sigma, residual = _fit(logs_a, both, level, basis)
        turn = turn + solved[:-1]
        light = float(solved[-1]) / math.log(2)
        red_blue = float(np.median(step[:, 0] - step[:, 2]))
        moved = _movement(both, residual)
        if np.abs(solved[:-1]).max(initial=0.0) < 1e-3:
            break
    return Pair(first=a, second=b, shared=shared, turn=turn, turn_sigma=sigma, light_stops=light, red_blue=red_blue,
                moved=moved)  # fmt: skip


def _held(light: Single) -> NDArray[np.bool_]:
    return np.asarray((light.min(axis=2) > LOW) & (light.max(axis=2) < HIGH))


def _logs(light: Doubles) -> Doubles:
    return np.asarray(np.log(np.maximum(light, 1e-12)))


def _fit(
    logs_a: Doubles, both: NDArray[np.bool_], level: Doubles, basis: Sequence[tuple[Doubles, Doubles]]
) -> tuple[Doubles, Doubles, Doubles]:
    """(turn..., change of light), the turn's standard errors, and the residual; Cauchy-weighted."""
    field = logs_a @ LUMINANCE
    gy, gx = np.gradient(cv2.GaussianBlur(field, (0, 0), 0.8))
    columns = [(gx * bx + gy * by)[both] for bx, by in basis]
    design = np.stack([*columns, np.ones(int(both.sum()))], axis=1)
    steep = np.abs(design[:, :-1]).max(axis=1)
    usable = steep <= np.percentile(steep, 97)  # the steepest edges are finer than the pixels
    weight = usable.astype(np.float64)
    solved = np.zeros(design.shape[1])
    residual = level
    for _ in range(5):
        normal = (design * weight[:, None]).T @ design + 1e-9 * np.eye(design.shape[1])
        solved = np.linalg.solve(normal, design.T @ (weight * level))
        residual = level - design @ solved
        spread = max(1e-4, 1.4826 * float(np.median(np.abs(residual[usable]))))
        weight = usable / (1 + (residual / (2.4 * spread)) ** 2)
    # scaled so that three of them are the 99th percentile among simulated bursts that did not turn
    errors = spread * np.sqrt(np.diag(np.linalg.inv(normal)))
    solved[:-1] *= -1
    return solved, errors[:-1], residual


def _movement(both: NDArray[np.bool_], residual: Doubles) -> NDArray[np.bool_]:
    """Patches of 3 x 3 that changed by more than noise and edges explain."""
    left = np.zeros(both.shape)
    left[both] = residual
    spread = max(1e-4, 1.4826 * float(np.median(np.abs(residual))))
    count = cv2.blur(both.astype(np.float64), (3, 3))
    mean = np.abs(cv2.blur(left, (3, 3))) / np.maximum(count, 1e-9)
    return np.asarray(both & (count > 0.6) & (mean > max(MOTION_LOG, MOTION_SIGMAS * spread / 2)))


def _turn_flows(shape: tuple[int, ...]) -> list[tuple[Doubles, Doubles]]:
    """Pixel motion (dx, dy) of a lat-long per degree of turn about x, y and z."""
    raster = Raster(height=shape[0], width=shape[1], layout=Layout.CENTRES)
    d = raster.directions()
    flows = []
    for axis in np.eye(3):
        moved = d + np.radians(1.0) * np.cross(axis, d)
        moved /= np.linalg.norm(moved, axis=-1, keepdims=True)
        x, y = raster.pixels(moved)
        dx = x - np.arange(shape[1])
        dx = (dx + shape[1] / 2) % shape[1] - shape[1] / 2
        dy = y - np.arange(shape[0])[:, None]
        near_pole = np.abs(d[..., 1]) > 0.95
        flows.append((np.where(near_pole, 0, dx), np.where(near_pole, 0, dy)))
    return flows


def _shift_flows(shape: tuple[int, ...]) -> list[tuple[Doubles, Doubles]]:
    """Pixel motion per pixel of shift in x and y, and per degree of roll."""
    yy, xx = np.mgrid[0 : shape[0], 0 : shape[1]].astype(np.float64)
    one, none = np.ones(shape), np.zeros(shape)
    a = np.radians(1.0)
    return [(one, none), (none, one), (-a * (yy - shape[0] / 2), a * (xx - shape[1] / 2))]


def _warped(
    light: Single, basis: Sequence[tuple[Doubles, Doubles]], turn: Doubles, latlong: bool
) -> tuple[Single, NDArray[np.bool_]]:
    if not turn.any():
        return light, np.ones(light.shape[:2], dtype=bool)
    yy, xx = np.mgrid[0 : light.shape[0], 0 : light.shape[1]].astype(np.float32)
    for (bx, by), amount in zip(basis, turn, strict=True):
        xx += (bx * amount).astype(np.float32)
        yy += (by * amount).astype(np.float32)
    valid = (xx >= 0) & (yy >= 0) & (xx <= light.shape[1] - 1) & (yy <= light.shape[0] - 1)
    how = cv2.BORDER_WRAP if latlong else cv2.BORDER_REPLICATE
    out = cv2.remap(light, xx, yy, cv2.INTER_CUBIC, borderMode=how)
    return np.asarray(out, dtype=np.float32), np.asarray(valid | latlong)


def _pixel_weight(shape: tuple[int, ...], latlong: bool) -> Doubles:
    if not latlong:
        return np.ones(shape)
    return Raster(height=shape[0], width=shape[1], layout=Layout.CENTRES).solid_angles()


# -- findings ------------------------------------------------------------------------------------------


def _clipped(looks: Sequence[FrameLook], latlong: bool) -> list[dict[str, Any]]:
    darkest = min(range(len(looks)), key=lambda i: looks[i].units)
    look = looks[darkest]
    if look.peak < CLIPPED_AT:
        return []
    return [finding(
        "clipped", "person", "A light source is clipped in the shortest exposure: its light is missing in the probe.",
        "Shoot again with a shorter exposure, a smaller stop or ND; else photograph the grey ball.", confidence=1.0,
        frames=[darkest], direction=_direction(look.peak_at) if latlong else None,
        amount=0.0, unit="stops",
    )]  # fmt: skip


def _noise(looks: Sequence[FrameLook]) -> list[dict[str, Any]]:
    """How many stops longer the longest exposure should be for the darkest twentieth to reach 1 % of white."""
    longest = max(range(len(looks)), key=lambda i: looks[i].units)
    level = float(np.percentile(looks[longest].light @ LUMINANCE, 5))
    stops = math.log2(0.01 / max(level, 1e-5))
    if stops < NOISE_STOPS:
        return []
    return [finding(
        "noise", "note", f"The shadows are noisy: the longest exposure is {stops:.1f} stops short for them.",
        "Add longer exposures.", confidence=0.8, frames=[longest], amount=stops, unit="stops",
    )]  # fmt: skip


def _turned(pairs: Sequence[Pair], latlong: bool) -> list[dict[str, Any]]:
    found = []
    for p in pairs:
        if not p.checkable:
            continue
        size, error = float(np.linalg.norm(p.turn)), float(np.linalg.norm(p.turn_sigma))
        if size > max(TURN_ERRORS * error, TURN_DEG):
            unit = "degrees" if latlong else "pixels of the small view"
            found.append(finding(
                "camera_moved", "person", f"The camera moved by {size:.2f} {unit}.",
                "Look at edges in the merged picture; shoot again if they are double.",
                confidence=_confidence(size, max(TURN_ERRORS * error, TURN_DEG)), frames=[p.first, p.second],
                amount=size, unit=unit,
            ))  # fmt: skip
    return found


def _light(pairs: Sequence[Pair]) -> list[dict[str, Any]]:
    return [finding(
        "light_changed", "person", f"The light changed by {p.light_stops:+.2f} stops within the bracket.",
        "Check for clouds, flicker or a dimmer; shoot again.", confidence=_confidence(abs(p.light_stops), LIGHT_STOPS),
        frames=[p.first, p.second], amount=p.light_stops, unit="stops",
    ) for p in pairs if p.checkable and abs(p.light_stops) > LIGHT_STOPS]  # fmt: skip


def _white(pairs: Sequence[Pair]) -> list[dict[str, Any]]:
    return [finding(
        "white_shift", "person", f"Red against blue changed by {100 * p.red_blue:+.1f} % within the bracket.",
        "Set the white balance by hand; merge the raws.", confidence=_confidence(abs(p.red_blue), WHITE_RATIO),
        frames=[p.first, p.second], amount=100 * p.red_blue, unit="percent",
    ) for p in pairs if p.checkable and abs(p.red_blue) > WHITE_RATIO]  # fmt: skip


def _moved(looks: Sequence[FrameLook], pairs: Sequence[Pair], latlong: bool) -> list[dict[str, Any]]:
    patch, share = largest_patch(pairs, looks[0].light.shape[:2], latlong)
    if share < MOTION_SHARE:
        return []
    y, x = np.nonzero(patch)
    at = (float((x.mean() + 0.5) / patch.shape[1]), float((y.mean() + 0.5) / patch.shape[0]))
    frames = sorted({i for p in pairs if p.checkable and (p.moved & patch).any() for i in (p.first, p.second)})
    return [finding(
        "motion", "note",
        f"Something moved while the bracket was shot ({100 * share:.2f} % of the picture at one place).",
        "Look there for ghosts.", confidence=_confidence(share, MOTION_SHARE), frames=frames,
        direction=_direction(at) if latlong else None, amount=100 * share, unit="percent",
    )]  # fmt: skip


def largest_patch(
    pairs: Sequence[Pair], shape: tuple[int, ...], latlong: bool
) -> tuple[NDArray[np.bool_], float]:
    """The largest connected place where something moved, and its share of the picture.

    What is left of edges after an imperfect warp is thin and scattered; a thing that moved is a patch, so
    specks of a pixel's width are opened away first.
    """
    weight = _pixel_weight(shape, latlong)
    best, most = np.zeros(shape, dtype=bool), 0.0
    for p in pairs:
        if not p.checkable or not p.moved.any():
            continue
        solid = cv2.morphologyEx(p.moved.astype(np.uint8), cv2.MORPH_OPEN, np.ones((2, 2), np.uint8))
        count, labels = cv2.connectedComponents(np.asarray(solid))
        for k in range(1, count):
            place = np.asarray(labels) == k
            size = float((weight * place).sum() / weight.sum())
            if size > most:
                best, most = place, size
    return best, most


def _confidence(value: float, threshold: float) -> float:
    """.9 at the threshold (a hundredth of false alarms among few faults), towards 1 above it."""
    return round(1.0 - 0.1 * threshold / max(value, threshold), 3)


def _direction(at: tuple[float, float]) -> tuple[float, float, float]:
    """Of a place in a lat-long, as parts of its width and height."""
    lon, lat = np.pi - 2 * np.pi * at[0], np.pi / 2 - np.pi * at[1]
    return (float(np.sin(lon) * np.cos(lat)), float(np.sin(lat)), float(np.cos(lon) * np.cos(lat)))
