"""Scenes known as a function of direction, and pictures of them: the truth that panorama and light are scored on.

A scene is a background (any radiance of direction) and sources (uniform discs), so that the sources'
directions and energies are exact.  Invented data.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np

from ingest.steps.panorama.raster import Doubles, Layout, Raster

LUMINANCE = np.array([0.212639, 0.715169, 0.072192])
SUN_RADIUS_RAD = np.radians(0.533 / 2)
Background = Callable[[Doubles, Doubles], Doubles]


@dataclass(frozen=True, kw_only=True)
class Disc:
    """A source: uniform radiance inside ``radius_rad`` of ``direction``.  Where it stands at a finite
    ``distance_m`` the direction is that seen from the origin."""

    direction: Doubles
    radius_rad: float
    radiance: Doubles
    distance_m: float = np.inf

    @property
    def solid_angle(self) -> float:
        return float(2 * np.pi * (1 - np.cos(self.radius_rad)))

    @property
    def irradiance(self) -> Doubles:
        """On a plane facing it: L pi sin^2(radius)."""
        return self.radiance * np.pi * np.sin(self.radius_rad) ** 2

    def seen_from(self, origin: Doubles) -> Doubles:
        if not np.isfinite(self.distance_m):
            return self.direction
        offset = self.direction * self.distance_m - origin
        return offset / np.linalg.norm(offset)


@dataclass(frozen=True, kw_only=True)
class Scene:
    background: Background
    discs: Sequence[Disc] = field(default_factory=tuple)

    def radiance(self, directions: Doubles, origin: Doubles | None = None) -> Doubles:
        """(..., 3) at unit directions (..., 3) from a lens centre ``origin`` (m)."""
        where = np.zeros(3) if origin is None else origin
        out = self.background(directions, where)
        for disc in self.discs:
            inside = directions @ disc.seen_from(where) >= np.cos(disc.radius_rad)
            out[inside] = disc.radiance
        return out

    def lights(self) -> list[Disc]:
        return sorted(self.discs, key=lambda d: -float(d.irradiance @ LUMINANCE))


def unit(x: float, y: float, z: float) -> Doubles:
    v = np.array([x, y, z], dtype=np.float64)
    return np.asarray(v / np.linalg.norm(v))


def at(longitude_deg: float, latitude_deg: float) -> Doubles:
    """Longitude 0 is +Z, 90 is +X."""
    lon, lat = np.radians([longitude_deg, latitude_deg])
    return unit(np.sin(lon) * np.cos(lat), np.sin(lat), np.cos(lon) * np.cos(lat))


def texture(points: Doubles, seed: int, *, octaves: int = 6, base: float = 3.0) -> Doubles:
    """Smooth and edged detail in [-1, 1] as a function of points (..., 3): sums of plane waves."""
    rng = np.random.default_rng(seed)
    total = np.zeros(points.shape[:-1])
    for octave in range(octaves):
        for _ in range(3):
            wave = rng.normal(size=3)
            wave *= base * 2.0**octave / np.linalg.norm(wave)
            value = np.sin(points @ wave + rng.uniform(0, 2 * np.pi))
            total += (np.tanh(6 * value) if octave % 2 else value) * 0.75**octave
    return total / 6.0


def outdoor(seed: int = 0, *, sun: Doubles | None = None, sun_level: float = 4.6e4) -> Scene:
    """Sky, ground, dark and light masses at the horizon, and a .533 degree sun of ``sun_level`` x white."""
    towards = at(-65.0, 38.0) if sun is None else sun

    def background(d: Doubles, _origin: Doubles) -> Doubles:
        up = d[..., 1]
        glow = np.exp((d @ towards - 1) / 0.05)
        sky = (0.35 + 0.4 * (1 - np.clip(up, 0, 1)) ** 3)[..., None] * np.array([0.55, 0.75, 1.15])
        sky = sky * (1 + 0.25 * texture(d, seed + 1))[..., None] + glow[..., None] * np.array([1.2, 1.1, 0.9])
        ground = (0.16 * 2.0 ** (1.6 * texture(d, seed + 2, base=5.0)))[..., None] * np.array([1.05, 1.0, 0.85])
        mass = texture(d * np.array([1.0, 0.25, 1.0]), seed + 3, base=4.0)
        wall = (0.12 * 2.0 ** (2.4 * texture(d, seed + 4, base=8.0)))[..., None] * np.array([1.1, 1.0, 0.8])
        out = np.where((up > 0)[..., None], sky, ground)
        return np.where(((up > -0.05) & (up < 0.22 + 0.35 * mass))[..., None], wall, out)

    disc = Disc(direction=towards, radius_rad=SUN_RADIUS_RAD, radiance=sun_level * np.array([1.05, 1.0, 0.88]))
    return Scene(background=background, discs=(disc,))


def room(seed: int = 0, *, walls_m: Sequence[float] = (2.0, 4.0, 1.4, 1.5, 3.0, 2.5)) -> Scene:
    """A box of walls at finite distances (-x, +x, -y, +y, -z, +z) with four lamps of 2.4 to 10 degrees."""
    low = np.array([-walls_m[0], -walls_m[2], -walls_m[4]])
    high = np.array([walls_m[1], walls_m[3], walls_m[5]])

    def background(d: Doubles, origin: Doubles) -> Doubles:
        with np.errstate(divide="ignore", invalid="ignore"):
            reach = np.where(d > 0, (high - origin) / d, (low - origin) / d)
        reach = np.where(np.isfinite(reach), reach, np.inf).min(axis=-1)
        points = origin + d * reach[..., None]
        detail = 2.0 ** (1.8 * texture(points, seed + 11, base=2.0))
        face = np.array([0.10, 0.10, 0.09]) * (1.2 + 0.5 * points[..., 1:2] / high[1])
        return face * detail[..., None] * (1 + 0.15 * np.sin(points * 1.7))

    lamps = (
        (at(40, 30), 2.4, 900.0, (1.0, 0.80, 0.55)),
        (at(-100, 20), 5.0, 110.0, (1.0, 0.82, 0.60)),
        (at(170, 5), 10.0, 22.0, (0.80, 0.95, 1.20)),
        (at(-30, 62), 4.0, 60.0, (1.0, 0.95, 0.90)),
    )
    discs = tuple(
        Disc(direction=d, radius_rad=np.radians(size / 2), radiance=level * np.array(rgb))
        for d, size, level, rgb in lamps
    )
    return Scene(background=background, discs=discs)


def latlong(scene: Scene, width: int, *, layout: Layout = Layout.CORNERS, parts: int = 3, discs: int = 16) -> Doubles:
    """(width/2, width, 3): each pixel the mean of its footprint (parts x parts, discs finer)."""
    raster = Raster(height=width // 2, width=width, layout=layout)
    lat, lon = raster.latitudes(), raster.longitudes()
    dlat = abs(lat[1] - lat[0])
    return _averaged(
        scene,
        (raster.height, raster.width),
        lambda y, x: _latlong_directions(lat, lon, dlat, raster.pitch_rad, y, x),
        parts,
        discs,
    )


def _latlong_directions(
    lat: Doubles, lon: Doubles, dlat: float, dlon: float, y: Doubles, x: Doubles
) -> tuple[Doubles, Doubles]:
    a = np.clip(lat[0] - y * dlat, -np.pi / 2, np.pi / 2)
    o = lon[0] - x * dlon
    d = np.stack([np.sin(o) * np.cos(a), np.sin(a) + 0 * o, np.cos(o) * np.cos(a)], axis=-1)
    return d, np.maximum(np.cos(a), 1e-9) + 0 * o


def _averaged(
    scene: Scene,
    shape: tuple[int, int],
    look: Callable[[Doubles, Doubles], tuple[Doubles, Doubles]],
    parts: int,
    fine: int,
    origin: Doubles | None = None,
) -> Doubles:
    """Footprint means; ``look(y, x)`` gives directions and weights (0 where the lens sees nothing)."""
    height, width = shape
    where = np.zeros(3) if origin is None else origin
    out = np.zeros((height, width, 3))
    plain = Scene(background=scene.background)
    steps = (np.arange(parts) + 0.5) / parts - 0.5
    for top in range(0, height, 128):
        ys = np.arange(top, min(height, top + 128), dtype=np.float64)
        total = np.zeros((len(ys), width, 1))
        part = np.zeros((len(ys), width, 3))
        for oy in steps:
            for ox in steps:
                y, x = np.meshgrid(ys + oy, np.arange(width) + ox, indexing="ij")
                d, w = look(y, x)
                part += plain.radiance(d, where) * w[..., None]
                total += w[..., None]
        out[top : top + len(ys)] = part / np.maximum(total, 1e-12)
    steps = (np.arange(fine) + 0.5) / fine - 0.5
    yy, xx = np.meshgrid(np.arange(height, dtype=np.float64), np.arange(width, dtype=np.float64), indexing="ij")
    centre, seen = look(yy, xx)
    corner = look(np.clip(yy + 0.5, 0, height - 0.5), xx + 0.5)[0]
    reach = np.arccos(np.clip((centre * corner).sum(-1), -1, 1)) * 2.5 + 1e-4
    for disc in scene.discs:
        towards = disc.seen_from(where)
        near = (np.arccos(np.clip(centre @ towards, -1, 1)) < disc.radius_rad + reach) & (seen >= 0)
        ys, xs = yy[near][:, None], xx[near][:, None]
        oy, ox = np.meshgrid(steps, steps, indexing="ij")
        d, w = look(ys + oy.ravel(), xs + ox.ravel())
        inside = (d @ towards >= np.cos(disc.radius_rad)) * w
        share = inside.sum(1) / np.maximum(w.sum(1), 1e-12)
        out[near] = out[near] * (1 - share[:, None]) + disc.radiance * share[:, None]
    return out
