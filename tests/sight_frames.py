"""Frames with a chart, a grey ball or a mirror ball in them, rendered from a scene of known radiance.

A pinhole camera looks into a scene of ``tests/scenes.py``; a ball reflects it (mirror: the radiance along the
reflected ray, times its reflectance; grey: the irradiance of its normal), a chart is lit by the irradiance on its
plane.  Then lens blur, noise, white balance and a display encoding.  Invented data.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
import numpy.typing as npt

from ingest.steps.sights.chart import REFERENCE
from tests.scenes import Scene, at, outdoor, room, texture

Codes = npt.NDArray[np.uint8]
# round or squared things that are none of the three
DECOYS = ("disc", "wheel", "poster", "lamp", "tiles", "clock", "plate", "toy", "globe", "porthole")
REFLECTANCE = 0.62  # of a steel ball, common practice, no source


@dataclass(frozen=True, kw_only=True)
class Thing:
    """``what`` chart, grey_ball, mirror_ball or a decoy; centre and size in shares of the picture's width."""

    what: str
    x: float
    y: float
    size: float
    turn: float = 0.0  # radians, of a chart in the picture
    lean: float = 0.0  # radians about its upright, of a chart


@dataclass(frozen=True, kw_only=True)
class Frame:
    rgb: Codes
    light: npt.NDArray[np.float32]
    things: tuple[Thing, ...]


def frame(seed: int, things: tuple[Thing, ...] = (), *, width: int = 1000, height: int = 667) -> Frame:
    """One frame of an invented set, indoors or out, seeded."""
    rng = np.random.default_rng(seed)
    scene = room(seed) if seed % 2 else outdoor(seed, sun=at(rng.uniform(-150, 150), rng.uniform(20, 60)))
    field = np.radians(rng.uniform(24, 55))
    facing = _facing(at(rng.uniform(-180, 180), rng.uniform(-12, 8)))
    x, y = np.meshgrid((np.arange(width) + 0.5) / width - 0.5, ((np.arange(height) + 0.5) - height / 2) / width)
    rays = _unit(np.stack([x * 2 * np.tan(field / 2), -y * 2 * np.tan(field / 2), np.ones_like(x)], axis=-1))
    # Four times as quick as in double precision, which an 8-bit picture has no use for.
    light = scene.radiance(_turned(rays, facing).astype(np.float32)).astype(np.float64)
    samples = _sphere(4000)
    seen = scene.radiance(samples)
    for thing in things:
        if thing.what == "chart":
            facing_us = _turned(np.array([[0.0, 0.0, -1.0]]), facing)
            _chart(light, thing, _irradiance(samples, seen, facing_us, scene)[0])
        elif thing.what in DECOYS:
            _decoy(light, thing, rng)
        else:
            _ball(light, thing, facing, scene, samples, seen)
    return _photographed(light, things, rng)


def _photographed(light: npt.NDArray[np.float64], things: tuple[Thing, ...], rng: np.random.Generator) -> Frame:
    """Exposure on the things, else the picture's middle; blur, noise, a slightly wrong balance, display codes."""
    spots = [_around(light, t).mean() for t in things]
    level = np.mean(spots) / rng.uniform(0.10, 0.25) if spots else np.percentile(light, rng.uniform(50, 80)) / 0.25
    seen = np.clip(light / max(float(level), 1e-9) * rng.uniform(0.9, 1.1, 3), 0, 4).astype(np.float32)
    seen = cv2.GaussianBlur(seen, (0, 0), rng.uniform(0.5, 1.3))
    noise = np.sqrt(2e-5 + 4e-4 * np.clip(seen, 0, 1)) * rng.uniform(0.3, 2)
    seen += rng.normal(size=seen.shape).astype(np.float32) * noise
    seen = np.clip(seen, 0, 1)
    codes = np.where(seen <= 0.0031308, 12.92 * seen, 1.055 * seen ** (1 / 2.4) - 0.055)
    ok, coded = cv2.imencode(".jpg", np.round(codes[..., ::-1] * 255).astype(np.uint8), [cv2.IMWRITE_JPEG_QUALITY, 85])
    assert ok
    return Frame(rgb=cv2.imdecode(coded, cv2.IMREAD_COLOR)[..., ::-1].copy(), light=seen, things=things)


def _around(light: npt.NDArray[np.float64], thing: Thing) -> npt.NDArray[np.float64]:
    width, reach = light.shape[1], thing.size / 4
    y0, y1, x0, x1 = (int(v * width) for v in (thing.y - reach, thing.y + reach, thing.x - reach, thing.x + reach))
    return light[max(0, y0) : y1 + 1, max(0, x0) : x1 + 1]


def _facing(forward: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    right = _unit(np.cross([0.0, 1.0, 0.0], forward))
    return np.stack([right, np.cross(forward, right), forward])  # rows: right, up, forward


def _turned(rays: npt.NDArray[np.float64], facing: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    return np.asarray(rays @ facing)


def _unit(v: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    return np.asarray(v / np.linalg.norm(v, axis=-1, keepdims=True))


def _sphere(count: int) -> npt.NDArray[np.float64]:
    """Even directions (a Fibonacci lattice)."""
    n = np.arange(count) + 0.5
    y, turn = 1 - 2 * n / count, np.pi * (1 + 5**0.5) * n
    s = np.sqrt(1 - y**2)
    return np.stack([s * np.cos(turn), y, s * np.sin(turn)], axis=-1)


def _irradiance(
    samples: npt.NDArray[np.float64], seen: npt.NDArray[np.float64], normals: npt.NDArray[np.float64], scene: Scene
) -> npt.NDArray[np.float64]:
    """(N, 3): the background by the samples outside the sources, the sources by their own irradiance."""
    outside = np.ones(len(samples), bool)
    for disc in scene.discs:
        outside &= samples @ disc.direction < np.cos(disc.radius_rad)
    cosine = np.clip(normals @ samples[outside].T, 0, None)
    total = cosine @ seen[outside] * (4 * np.pi / len(samples))
    for disc in scene.discs:
        total += np.clip(normals @ disc.direction, 0, None)[:, None] * disc.irradiance
    return np.asarray(total)


def _ball(
    light: npt.NDArray[np.float64], thing: Thing, facing: npt.NDArray[np.float64], scene: Scene,
    samples: npt.NDArray[np.float64], seen: npt.NDArray[np.float64],
) -> None:
    width = light.shape[1]
    cx, cy, r = thing.x * width, thing.y * width, thing.size * width / 2
    y, x = np.mgrid[0 : light.shape[0], 0:width]
    nx, ny = (x + 0.5 - cx) / r, -(y + 0.5 - cy) / r
    inside = nx**2 + ny**2 < 1
    n = np.stack([nx[inside], ny[inside], -np.sqrt(1 - nx[inside] ** 2 - ny[inside] ** 2)], axis=-1)
    if thing.what == "grey_ball":
        light[inside] = 0.18 / np.pi * _irradiance(samples, seen, _turned(n, facing), scene)
    else:
        forward = np.array([0.0, 0.0, 1.0])
        mirrored = forward - 2 * (n @ forward)[:, None] * n
        light[inside] = REFLECTANCE * scene.radiance(_turned(mirrored, facing))
    pole = (np.abs(x - cx) < 0.08 * r) & (y > cy + r) & (y < cy + 5 * r)
    light[pole] = 0.02 * light[inside].mean(axis=0)


def _chart(light: npt.NDArray[np.float64], thing: Thing, irradiance: npt.NDArray[np.float64]) -> None:
    """24 patches with dark gaps on a dark board, in perspective."""
    unit = 40
    board = np.full((4 * unit + unit, 6 * unit + unit, 3), 0.03)
    reference = REFERENCE["before November 2014"]
    for n in range(24):
        top, left = unit // 2 + n // 6 * unit + 3, unit // 2 + n % 6 * unit + 3
        board[top : top + unit - 6, left : left + unit - 6] = np.clip(reference[n], 0.002, 1)
    board = np.clip(board, 0, None) * irradiance / np.pi
    width = light.shape[1]
    half = thing.size * width / 2
    corners = np.array([[-1, -0.714], [1, -0.714], [1, 0.714], [-1, 0.714]]) * half
    corners[:, 0] *= np.cos(thing.lean)
    corners[[0, 3], 1] *= 1 + 0.25 * np.sin(thing.lean)
    corners[[1, 2], 1] *= 1 - 0.25 * np.sin(thing.lean)
    c, s = np.cos(thing.turn), np.sin(thing.turn)
    corners = corners @ np.array([[c, s], [-s, c]]) + [thing.x * width, thing.y * width]
    h, w = board.shape[:2]
    to = cv2.getPerspectiveTransform(np.array([[0, 0], [w, 0], [w, h], [0, h]], np.float32), corners.astype(np.float32))
    size = (width, light.shape[0])
    mask = cv2.warpPerspective(np.ones((h, w), np.float32), to, size)
    drawn = cv2.warpPerspective(board.astype(np.float32), to, size, flags=cv2.INTER_AREA)
    light[mask > 0.5] = drawn[mask > 0.5]


def _decoy(light: npt.NDArray[np.float64], thing: Thing, rng: np.random.Generator) -> None:
    """A flat disc, a spoked wheel, a round picture, a glowing lamp, a wall of coloured tiles, a clock, a china plate, a
    coloured matt ball, a ball with a pattern painted on it, a round window with another view behind it."""
    width = light.shape[1]
    r = thing.size * width / 2
    y, x = np.mgrid[0 : light.shape[0], 0:width]
    dx, dy = (x + 0.5 - thing.x * width) / r, (y + 0.5 - thing.y * width) / r
    rho, angle = np.hypot(dx, dy), np.arctan2(dy, dx)
    level = light.mean()
    inside = rho < 1
    colour = level * rng.uniform(0.3, 1.6, 3)
    if thing.what == "disc":
        light[inside] = colour * (1 + 0.05 * dy[inside, None])
    elif thing.what == "wheel":
        spokes = np.cos(angle * rng.integers(4, 12)) > 0.4
        solid = (rho > 0.8) | (rho < 0.2) | (spokes & (rho < 0.8))
        light[inside & solid] = colour * 0.3
        light[inside & ~solid] *= 0.7
    elif thing.what == "poster":
        detail = cv2.GaussianBlur(rng.normal(size=light.shape), (0, 0), r / 12)
        light[inside] = (colour * (1 + 0.7 * detail / detail.std()).clip(0.05))[inside]
    elif thing.what == "lamp":
        light[inside] = colour * 4 * np.exp(-2.0 * rho[inside, None] ** 2) * np.array([1.3, 1.0, 0.6])
    elif thing.what == "clock":
        light[inside] = level * rng.uniform(0.9, 1.6) * (1 + 0.1 * dx[inside, None])
        ticks = np.abs((angle * 6 / np.pi + 0.5) % 1 - 0.5) < 0.06 / np.maximum(rho, 0.1)
        ticks &= (rho > 0.75) & (rho < 0.88)
        hands = np.zeros(inside.shape, bool)
        for length in (0.5, 0.75):
            turn = rng.uniform(0, 2 * np.pi)
            along, across = dx * np.cos(turn) + dy * np.sin(turn), dy * np.cos(turn) - dx * np.sin(turn)
            hands |= (along > -0.1) & (along < length) & (np.abs(across) < 0.035)
        light[inside & (ticks | hands | (rho > 0.93))] = level * 0.08
    elif thing.what == "plate":
        turn = rng.uniform(0, 2 * np.pi)
        lean = dx * np.cos(turn) + dy * np.sin(turn)
        tilt = np.where(rho > 0.65, 0.5, np.where(rho > 0.6, -1.5, 0.0))  # rim and well face the light differently
        china = level * rng.uniform(0.8, 1.5) * (1 + 0.25 * tilt * lean / np.maximum(rho, 0.1) + 0.1 * lean)
        light[inside] = (china[..., None] * rng.uniform(0.95, 1.05, 3))[inside]
        line = (rho > 0.9) & (rho < 0.93)
        light[line] *= np.array([0.3, 0.4, 0.8])
    elif thing.what in ("toy", "globe"):
        z = np.sqrt(np.clip(1 - rho**2, 0, 1))
        sun = _unit(rng.normal(size=3) * [1, 1, 0.5])
        shade = 0.35 + np.clip(dx * sun[0] + dy * sun[1] + z * abs(sun[2]), 0, 1)
        paint = np.broadcast_to(rng.permutation([0.7, rng.uniform(0.2, 0.4), 0.1]), light.shape)
        if thing.what == "globe":
            spots = texture(np.stack([dx, dy, z], axis=-1) * 1.0, int(rng.integers(1000)), octaves=4, base=4.0)
            paint = 0.4 * 2.0 ** (2.0 * spots[..., None] * rng.uniform(0.5, 1.0, 3))
        light[inside] = (level * shade[..., None] * paint)[inside]
    elif thing.what == "porthole":
        away = rng.integers(40, width - 40)
        light[inside] = np.roll(light, (int(away) // 3, int(away)), axis=(0, 1))[::-1][inside] * rng.uniform(0.5, 2.0)
        light[(rho > 0.9) & inside] = level * 0.15
    else:
        columns, rows = np.floor((dx + 1) * 3).astype(int), np.floor((dy + 1) * 3).astype(int)
        tiled = (np.abs(dx) < 1) & (np.abs(dy) < 1)
        colours = level * rng.uniform(0.1, 1.6, (6, 6, 3))
        light[tiled] = colours[rows[tiled], columns[tiled]]
        gap = (((dx + 1) * 3) % 1 < 0.12) | (((dy + 1) * 3) % 1 < 0.12)
        light[tiled & gap] = level * 0.05
