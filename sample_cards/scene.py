"""The invented places as light: radiance for any direction, so that the truth can be had at any size.

Everything is analytic (boxes, lamps, a sky), in numpy alone.  Directions are unit vectors, +Y up; the
middle of a lat-long looks along +Z, and +X lies a quarter of the picture to the left of it.  Radiance is
linear Rec.709 RGB in the show's unit: 1.0 saturates a picture taken with 1/64 s, f/5.657, ISO 100
(about 2458 cd/m2).  Distances are metres from the probe's place, which stands 1.4 m above the ground.

Places (``SCENES``): ``hall``, the sluice hall by daylight and one lamp; ``hall-relit``, the same with the
windows flagged and a second lamp; ``deck-sun``, the weir deck in low sun; ``deck-night`` and
``hut-night``, the deck by lamps, from two standpoints.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Vector = tuple[float, float, float]

# The deck's sun: 2026-04-14 16:52 UTC at 40.2 N 8.4 W, from the package astral 3.2 (azimuth 260.67, elevation
# 25.58 degrees); the middle of the picture looks at bearing 235.
CENTRE_BEARING_DEG = 235.0
SUN_AZIMUTH_DEG, SUN_ELEVATION_DEG = 260.67, 25.58
SUN_RADIUS_DEG = 0.2665  # half of 0.533 degrees
SUN_RADIANCE = (3.1e5, 2.6e5, 1.9e5)


@dataclass(frozen=True, kw_only=True, slots=True)
class Box:
    """An upright block; ``texture`` names its surface."""

    low: Vector
    high: Vector
    texture: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Lamp:
    """A frosted globe of even radiance."""

    at: Vector
    radius: float
    radiance: Vector


@dataclass(frozen=True, kw_only=True, slots=True)
class Pane:
    """A glowing rectangle: a window.  ``axis`` is the axis it is normal to; it shines to where ``side`` points."""

    axis: int
    at: float
    side: float
    low: tuple[float, float]  # the two other axes, in order
    high: tuple[float, float]
    radiance: Vector

    @property
    def middle(self) -> Array:
        point = [(a + b) / 2 for a, b in zip(self.low, self.high, strict=True)]
        point.insert(self.axis, self.at)
        return np.array(point)

    @property
    def area(self) -> float:
        return (self.high[0] - self.low[0]) * (self.high[1] - self.low[1])


@dataclass(frozen=True, kw_only=True, slots=True)
class Scene:
    """One place in one state of light, seen from ``eye``."""

    boxes: tuple[Box, ...]
    lamps: tuple[Lamp, ...] = ()
    panes: tuple[Pane, ...] = ()
    room: Box | None = None
    sky: str = ""
    ambient: Vector = (0.0, 0.0, 0.0)  # irradiance from everywhere
    sun: bool = False
    eye: Vector = (0.0, 0.0, 0.0)


def _window(z: float, level: float) -> Pane:
    return Pane(axis=0, at=5.0, side=-1.0, low=(-0.3, z), high=(1.7, z + 1.2),
                radiance=(1.9 * level, 2.1 * level, 2.4 * level))


_ROOM = Box(low=(-5.0, -1.4, -4.0), high=(5.0, 2.8, 7.0), texture="hall")
_HALL_BOXES = (
    Box(low=(-3.4, -1.4, 2.6), high=(-2.2, -0.3, 3.8), texture="crate"),
    Box(low=(1.3, -1.4, 4.6), high=(2.3, -0.7, 5.6), texture="crate"),
    Box(low=(2.6, -1.4, -3.2), high=(3.4, 0.4, -2.4), texture="iron"),
    Box(low=(-0.3, 2.3, -4.0), high=(0.1, 2.6, 7.0), texture="beam"),
)
_HALL = Scene(
    room=_ROOM, boxes=_HALL_BOXES, panes=(_window(0.2, 1.0), _window(2.2, 1.0), _window(4.2, 1.0)),
    lamps=(Lamp(at=(-2.0, 1.7, 3.0), radius=0.13, radiance=(10.5, 8.2, 5.2)),), ambient=(0.012, 0.013, 0.015),
)
_DECK_BOXES = (
    Box(low=(-7.0, -1.4, 2.0), high=(-4.0, 1.7, 5.5), texture="hut"),
    Box(low=(-30.0, -2.4, 9.0), high=(30.0, -0.2, 10.2), texture="wall"),
    Box(low=(2.1, -1.4, 3.2), high=(2.5, 1.4, 3.6), texture="iron"),
    Box(low=(1.0, -1.4, -4.4), high=(2.6, -0.6, -3.4), texture="crate"),
)
_DECK = Scene(boxes=_DECK_BOXES, sky="day", sun=True, ambient=(2.6, 3.1, 4.0))
_NIGHT = Scene(
    boxes=_DECK_BOXES, sky="night", ambient=(0.0012, 0.0016, 0.0026),
    lamps=(Lamp(at=(2.3, 1.75, 3.4), radius=0.14, radiance=(6.6, 4.1, 1.5)),
           Lamp(at=(-1.5, 1.0, -3.5), radius=0.10, radiance=(3.4, 4.3, 5.4))),
    panes=(Pane(axis=0, at=-3.999, side=1.0, low=(-0.1, 3.1), high=(0.9, 4.3), radiance=(0.5, 0.33, 0.15)),),
)
SCENES: dict[str, Scene] = {
    "hall": _HALL,
    "hall-relit": replace(
        _HALL, panes=(_window(0.2, 0.06), _window(2.2, 0.06), _window(4.2, 0.06)), ambient=(0.004, 0.004, 0.005),
        lamps=(Lamp(at=(-2.0, 1.7, 3.0), radius=0.13, radiance=(5.2, 4.1, 2.6)),
               Lamp(at=(2.5, 0.8, -1.8), radius=0.16, radiance=(7.0, 8.6, 11.5))),
    ),
    "deck-sun": _DECK,
    "deck-night": _NIGHT,
    "hut-night": replace(_NIGHT, lamps=_NIGHT.lamps[:1], eye=(-2.2, 0.0, 1.1)),
}


# ---- surfaces -------------------------------------------------------------------------------------

def _hash(i: NDArray[np.int64], j: NDArray[np.int64], salt: int) -> Array:
    """An even 0..1 value for each lattice point, the same on every machine."""
    h = (i.astype(np.uint64) * np.uint64(0x9E3779B1) + j.astype(np.uint64) * np.uint64(0x85EBCA77)
         + np.uint64(salt * 0xC2B2AE3D)) & np.uint64(0xFFFFFFFF)
    for shift, factor in ((15, 0x2C1B3C6D), (12, 0x297A2D39)):
        h = ((h ^ (h >> np.uint64(shift))) * np.uint64(factor)) & np.uint64(0xFFFFFFFF)
    return np.asarray((h ^ (h >> np.uint64(15))).astype(np.float64) / 4294967296.0)


def _noise(u: Array, v: Array, salt: int) -> Array:
    """Smooth value noise, 0..1, one lattice step per unit."""
    i, j = np.floor(u).astype(np.int64), np.floor(v).astype(np.int64)
    a, b = u - i, v - j
    a, b = a * a * (3 - 2 * a), b * b * (3 - 2 * b)
    top = _hash(i, j, salt) * (1 - a) + _hash(i + 1, j, salt) * a
    low = _hash(i, j + 1, salt) * (1 - a) + _hash(i + 1, j + 1, salt) * a
    return np.asarray(top * (1 - b) + low * b)


def _joint(u: Array, width: float) -> Array:
    """1 on the surface, 0 in the joint at whole numbers."""
    return np.asarray(np.clip(np.minimum(u - np.floor(u), np.ceil(u) - u) / width, 0.0, 1.0))


def _mix(low: Vector, high: Vector, share: Array) -> Array:
    return np.asarray(np.array(low) + (np.array(high) - np.array(low)) * share[..., None])


def _albedo(texture: str, p: Array, axis: NDArray[np.int64]) -> Array:
    """Reflectance of points (N, 3) on a face normal to ``axis`` (N)."""
    u = np.where(axis == 0, p[:, 2], p[:, 0])
    v = np.where(axis == 1, p[:, 2], p[:, 1])
    rough = 0.75 * _noise(u * 1.7, v * 1.7, 3) + 0.25 * _noise(u * 11, v * 11, 5)
    if texture == "planks":
        board = np.floor(u / 0.19).astype(np.int64)
        tone = 0.35 + 0.65 * _hash(board, board * 0, 7)
        colour = _mix((0.16, 0.12, 0.085), (0.42, 0.35, 0.27), tone * 0.6 + rough * 0.4)
        return colour * (0.15 + 0.85 * _joint(u / 0.19, 0.06))[:, None]
    if texture == "brick":
        row = np.floor(v / 0.24)
        along = u / 0.5 + 0.5 * (row % 2)
        tone = 0.6 * _hash(np.floor(along).astype(np.int64), row.astype(np.int64), 11) + 0.4 * rough
        joint = np.minimum(_joint(along, 0.04), _joint(v / 0.24, 0.08))
        return _mix((0.42, 0.40, 0.36), (0.0, 0.0, 0.0), joint) + \
            _mix((0.24, 0.10, 0.065), (0.50, 0.25, 0.16), tone) * joint[:, None]
    if texture == "crate":
        return _mix((0.30, 0.20, 0.10), (0.62, 0.47, 0.28), rough) * (0.3 + 0.7 * _joint(v / 0.22, 0.05))[:, None]
    if texture == "iron":
        return _mix((0.04, 0.045, 0.05), (0.20, 0.11, 0.06), rough * rough)
    if texture == "beam":
        return _mix((0.10, 0.075, 0.05), (0.22, 0.17, 0.12), rough)
    if texture == "hut":
        board = np.floor(u / 0.25).astype(np.int64)
        tone = 0.5 * _hash(board, board * 0, 13) + 0.5 * rough
        return _mix((0.08, 0.20, 0.22), (0.20, 0.42, 0.42), tone) * (0.25 + 0.75 * _joint(u / 0.25, 0.05))[:, None]
    return _mix((0.26, 0.25, 0.23), (0.52, 0.51, 0.48), rough)  # "wall", plaster and concrete


# ---- rays -----------------------------------------------------------------------------------------

def _through_box(origin: Array, d: Array, box: Box) -> tuple[Array, Array, NDArray[np.int64], NDArray[np.int64]]:
    """Nearest entry and farthest exit of rays and the axes of those faces; no hit: entry is inf."""
    safe = np.where(np.abs(d) < 1e-12, 1e-12, d)
    a, b = (np.array(box.low) - origin) / safe, (np.array(box.high) - origin) / safe
    near, far = np.minimum(a, b), np.maximum(a, b)
    enter, leave = near.max(axis=1), far.min(axis=1)
    missed = (enter > leave) | (leave < 0) | (enter < 1e-6)
    return np.where(missed, np.inf, enter), leave, near.argmax(axis=1), far.argmin(axis=1)


def sun_direction() -> Array:
    """Unit vector towards the sun of ``deck-sun``; bearings grow to the right, longitudes to the left."""
    lon, lat = np.radians(CENTRE_BEARING_DEG - SUN_AZIMUTH_DEG), np.radians(SUN_ELEVATION_DEG)
    return np.array([np.sin(lon) * np.cos(lat), np.sin(lat), np.cos(lon) * np.cos(lat)])


def _shine(scene: Scene, p: Array, n: Array, albedo: Array) -> Array:
    """Light that leaves points (N, 3) with normals ``n``: albedo / pi x irradiance.  Lamps cast no shadows."""
    e = np.ones_like(albedo) * np.array(scene.ambient) * (0.7 + 0.3 * n[:, 1:2])
    for lamp in scene.lamps:
        to = np.array(lamp.at) - p
        square = np.maximum((to * to).sum(1), 4 * lamp.radius**2)
        cosine = np.clip((to * n).sum(1) / np.sqrt(square), 0, None)
        e += (np.pi * lamp.radius**2 * cosine / square)[:, None] * np.array(lamp.radiance)
    for pane in scene.panes:
        to = pane.middle - p
        square = (to * to).sum(1) + pane.area / np.pi  # keeps the near field finite, as a disc of that area does
        cosine = np.clip((to * n).sum(1), 0, None) * np.clip(-to[:, pane.axis] * pane.side, 0, None) / square
        e += (pane.area * cosine / square)[:, None] * np.array(pane.radiance)
    if scene.sun:
        sun = sun_direction()
        lit = np.clip(n @ sun, 0, None)
        for box in scene.boxes:
            enter, _, _, _ = _through_box(p + 1e-4 * n, np.broadcast_to(sun, p.shape), box)
            lit = np.where(np.isfinite(enter), 0.0, lit)
        omega = 2 * np.pi * (1 - np.cos(np.radians(SUN_RADIUS_DEG)))
        e += (lit * omega)[:, None] * np.array(SUN_RADIANCE)
    return np.asarray(albedo * e / np.pi)


def _sky(scene: Scene, d: Array) -> Array:
    """Sky, far trees and, by day, the sun; for directions that meet nothing near."""
    up = np.clip(d[:, 1], 0, 1)
    azimuth = np.arctan2(d[:, 0], d[:, 2])
    trees = d[:, 1] < 0.035 + 0.05 * _noise(azimuth * 6 + 40, azimuth * 0 + 2, 17) \
        + 0.015 * _noise(azimuth * 60 + 400, azimuth * 0, 19)
    if scene.sky == "night":
        light = _mix((2.6e-4, 2.2e-4, 2.4e-4), (6e-5, 8e-5, 1.5e-4), np.sqrt(up))
        return np.where(trees[:, None], np.array([3.0e-5, 3.5e-5, 3.5e-5]), light)
    cloud = np.clip(_noise(azimuth * 3 + 9, up * 9, 23) * 1.4 - 0.55, 0, 1) * np.clip(up * 4, 0, 1)
    light = _mix((1.5, 1.55, 1.6), (0.42, 0.72, 1.35), np.sqrt(up)) * (1 + 0.9 * cloud)[:, None]
    angle = np.degrees(np.arccos(np.clip(d @ sun_direction(), -1, 1)))
    light = light + np.array([3.2, 2.6, 1.8]) * np.exp(-angle / 7)[:, None] + \
        np.array([6.0, 5.0, 3.6]) * np.exp(-angle / 1.5)[:, None]
    disc = np.clip((SUN_RADIUS_DEG - angle) / 0.04 + 0.5, 0, 1)
    light = light + disc[:, None] * np.array(SUN_RADIANCE)
    return np.where(trees[:, None], np.array([0.10, 0.14, 0.06]) * (1 + cloud)[:, None], light)


def _hit_lamps(scene: Scene, d: Array, eye: Array, near: Array, out: Array) -> None:
    for lamp in scene.lamps:
        to = np.array(lamp.at) - eye
        along = d @ to
        miss = to @ to - along**2
        hit = (miss < lamp.radius**2) & (along > 0) & (along < near)
        out[hit] = lamp.radiance
        near[hit] = along[hit]


def _behind(scene: Scene, d: Array, eye: Array) -> tuple[Array, Array]:
    """What lies farthest: the room's walls with their windows, or deck, water and sky.  Radiance, distance."""
    if scene.room is not None:
        _, leave, _, axis = _through_box(eye + np.zeros_like(d), d, scene.room)
        p = eye + d * leave[:, None]
        n = np.zeros_like(d)
        np.put_along_axis(n, axis[:, None], -np.sign(np.take_along_axis(d, axis[:, None], 1)), 1)
        floor, top = (axis == 1) & (d[:, 1] < 0), (axis == 1) & (d[:, 1] > 0)
        surface = _albedo("brick", p, axis)
        surface = np.where(floor[:, None], _albedo("planks", p, axis), surface)
        surface = np.where(top[:, None], _albedo("beam", p, axis), surface)
        wheel = np.hypot(p[:, 0] + 1.0, p[:, 1] - 0.5)
        spoke = np.cos(6 * np.arctan2(p[:, 1] - 0.5, p[:, 0] + 1.0)) > 0.86
        iron = (axis == 2) & (d[:, 2] > 0) & ((np.abs(wheel - 1.1) < 0.12) | ((wheel < 1.1) & spoke))
        surface = np.where(iron[:, None], _albedo("iron", p, axis), surface)
        door = (axis == 2) & (d[:, 2] < 0) & (np.abs(p[:, 0] + 0.4) < 0.6) & (p[:, 1] < 0.8)
        surface = np.where(door[:, None], 0.004, surface)
        return _shine(scene, p, n, surface), leave
    down = d[:, 1] < -1e-3
    leave = np.where(down, (-1.4 - eye[1]) / np.where(down, d[:, 1], -1.0), np.inf)
    p = eye + d * np.where(down, leave, 0.0)[:, None]
    n = np.zeros_like(d)
    n[:, 1] = 1.0
    axis = np.ones(len(d), dtype=np.int64)
    deck = _shine(scene, p, n, _albedo("planks", p, axis))
    ripple = 0.05 * (_noise(p[:, 0] * 2.3, p[:, 2] * 2.3, 29) - 0.5)
    mirrored = d * np.array([1.0, -1.0, 1.0]) + np.stack([ripple, 0.02 + 0 * ripple, ripple], axis=1)
    mirrored /= np.linalg.norm(mirrored, axis=1, keepdims=True)
    calm = replace(scene, sun=False)  # the glitter of the sun itself is left out
    gloss = 0.02 + 0.98 * (1 - np.clip(-d[:, 1], 0, 1)) ** 5
    reflected = np.minimum(_sky(calm, mirrored), 12.0)
    water = gloss[:, None] * reflected + _shine(calm, p, n, np.broadcast_to(np.array([0.03, 0.05, 0.045]), p.shape))
    ground = np.where((np.abs(p[:, 0]) < 3.0)[:, None], deck, water)
    return np.where(down[:, None], ground, _sky(scene, d)), leave


def radiance(name: str, directions: Array) -> Array:
    """Radiance (..., 3) that comes from unit ``directions`` (..., 3) in the scene ``name``."""
    scene = SCENES[name]
    shape = directions.shape
    d = np.asarray(directions, dtype=np.float64).reshape(-1, 3)
    eye = np.array(scene.eye)
    out, near = _behind(scene, d, eye)
    for box in scene.boxes:
        enter, _, axis, _ = _through_box(eye + np.zeros_like(d), d, box)
        hit = enter < near
        if hit.any():
            p, a = eye + d[hit] * enter[hit, None], axis[hit]
            n = np.zeros_like(p)
            np.put_along_axis(n, a[:, None], -np.sign(np.take_along_axis(d[hit], a[:, None], 1)), 1)
            out[hit] = _shine(scene, p, n, _albedo(box.texture, p, a))
            near[hit] = enter[hit]
    for pane in scene.panes:
        others = [axis for axis in range(3) if axis != pane.axis]
        t = (pane.at - eye[pane.axis]) / np.where(np.abs(d[:, pane.axis]) < 1e-12, 1e-12, d[:, pane.axis])
        p = eye + d * np.where(t > 0, t, 0)[:, None]
        inside = (t > 0) & (t < near * 1.0005 + 1e-3) & (d[:, pane.axis] * pane.side < 0)
        for k, axis in enumerate(others):
            inside &= (p[:, axis] > pane.low[k]) & (p[:, axis] < pane.high[k])
        bars = np.minimum(_joint((p[:, others[0]] - pane.low[0]) / 0.5, 0.05),
                          _joint((p[:, others[1]] - pane.low[1]) / 0.4, 0.06)) > 0.5
        glow = np.array(pane.radiance) * (0.8 + 0.4 * (p[:, 1:2] - pane.middle[1]))
        out[inside] = np.where(bars[:, None], glow, out)[inside]
    _hit_lamps(scene, d, eye, near, out)
    return out.reshape(shape)


# ---- pictures -------------------------------------------------------------------------------------

def _grid(width: int, height: int, samples: int) -> tuple[Array, Array]:
    """Sample places in pixels, (height, width, samples^2) each; a pixel's middle is at its index + 0.5."""
    offset = (np.arange(samples) + 0.5) / samples
    x = np.arange(width)[None, :, None] + np.tile(offset, samples)[None, None, :]
    y = np.arange(height)[:, None, None] + np.repeat(offset, samples)[None, None, :]
    return np.broadcast_to(x, (height, width, samples**2)), np.broadcast_to(y, (height, width, samples**2))


def latlong(name: str, width: int, height: int, *, samples: int = 2, every: int = 1) -> Array:
    """What an ideal 360 camera sees: (height, width, 3), each pixel the mean over its area; of ``every`` so many rows
    and columns one, from the first on.

    Pixel (x, y) has its middle at longitude 2 pi (0.5 - (x + 0.5) / width) and latitude
    pi (0.5 - (y + 0.5) / height).
    """
    x, y = (a[::every, ::every] for a in _grid(width, height, samples))
    lon, lat = 2 * np.pi * (0.5 - x / width), np.pi * (0.5 - y / height)
    d = np.stack([np.sin(lon) * np.cos(lat), np.sin(lat), np.cos(lon) * np.cos(lat)], axis=-1)
    return np.asarray(radiance(name, d).mean(axis=2))


def turned(d: Array, yaw_deg: float) -> Array:
    """Directions turned about +Y; positive turns +Z towards +X (to the left in a picture)."""
    c, s = np.cos(np.radians(yaw_deg)), np.sin(np.radians(yaw_deg))
    return np.stack([c * d[..., 0] + s * d[..., 2], d[..., 1], -s * d[..., 0] + c * d[..., 2]], axis=-1)


def fisheye(name: str, width: int, height: int, *, radius_px: float, field_deg: float = 185.0,
            yaw_deg: float = 0.0, samples: int = 2) -> Array:
    """An equidistant fisheye, r = radius_px x theta / (field / 2), black outside its circle."""
    x, y = _grid(width, height, samples)
    u, v = x - width / 2, y - height / 2
    r = np.hypot(u, v)
    theta = r / radius_px * np.radians(field_deg / 2)
    across = np.sin(theta) / np.maximum(r, 1e-9)
    d = np.stack([-u * across, -v * across, np.cos(theta)], axis=-1)
    seen = radiance(name, turned(d, yaw_deg)) * (r <= radius_px)[..., None]
    return np.asarray(seen.mean(axis=2))


def perspective(name: str, width: int, height: int, *, across_deg: float, yaw_deg: float = 0.0,
                samples: int = 1) -> Array:
    """An ideal flat picture ``across_deg`` wide, level."""
    x, y = _grid(width, height, samples)
    focal = width / 2 / np.tan(np.radians(across_deg / 2))
    d = np.stack([-(x - width / 2), -(y - height / 2), np.full_like(x, focal)], axis=-1)
    d /= np.linalg.norm(d, axis=-1, keepdims=True)
    return np.asarray(radiance(name, turned(d, yaw_deg)).mean(axis=2))


def _disc(size: int, yaw_deg: float) -> tuple[Array, NDArray[np.bool_]]:
    """Normals of a far ball's visible half (size, size, 3), turned into the place, and where it is."""
    at = (np.arange(size) + 0.5) / size * 2 - 1
    x, y = np.meshgrid(at, at)
    inside = x**2 + y**2 < 1
    z = np.sqrt(np.clip(1 - x**2 - y**2, 0, None))
    n = np.stack([x, -y, -z], axis=-1)  # the camera stands at the probe's place and looks along +Z
    n[..., 0] *= -1
    return turned(n, yaw_deg), inside


def irradiance(name: str, normals: Array) -> Array:
    """Irradiance (..., 3) for unit normals (..., 3), by summing a 96 x 48 picture of the surroundings."""
    env = latlong(name, 96, 48, samples=4)
    x, y = _grid(96, 48, 1)
    lon, lat = 2 * np.pi * (0.5 - x[..., 0] / 96), np.pi * (0.5 - y[..., 0] / 48)
    d = np.stack([np.sin(lon) * np.cos(lat), np.sin(lat), np.cos(lon) * np.cos(lat)], axis=-1).reshape(-1, 3)
    light = env.reshape(-1, 3) * (np.cos(lat) * (2 * np.pi / 96) * (np.pi / 48)).reshape(-1, 1)
    flat = normals.reshape(-1, 3)
    return np.asarray((np.clip(flat @ d.T, 0, None) @ light).reshape(normals.shape))


def grey_ball(name: str, size: int, *, reflectance: float = 0.18, yaw_deg: float = 0.0) -> tuple[Array, Array]:
    """A matt grey ball at the probe's place: radiance (size, size, 3) and where it is (size, size)."""
    n, inside = _disc(size, yaw_deg)
    return reflectance / np.pi * irradiance(name, n), inside.astype(np.float64)


def mirror_ball(name: str, size: int, *, reflectance: float = 0.6, yaw_deg: float = 0.0) -> tuple[Array, Array]:
    """A mirror ball at the probe's place, seen from far: d = v - 2 (v n) n, v along the view."""
    n, inside = _disc(size, yaw_deg)
    v = turned(np.array([0.0, 0.0, 1.0]), yaw_deg)
    d = v - 2 * (n @ v)[..., None] * n
    return reflectance * radiance(name, d), inside.astype(np.float64)
