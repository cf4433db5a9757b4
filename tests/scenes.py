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
    """Smooth and edged detail in [-1, 1] as a function of points (..., 3): sums of plane waves, as exact as they."""
    rng = np.random.default_rng(seed)
    total = np.zeros(points.shape[:-1], points.dtype)
    for octave in range(octaves):
        frequency = base * 2.0**octave
        sharp = min(6.0, 120.0 / frequency)  # no edge finer than about half a degree
        for _ in range(3):
            wave = rng.normal(size=3)
            wave *= frequency / np.linalg.norm(wave)
            value = np.sin(points @ wave.astype(points.dtype) + rng.uniform(0, 2 * np.pi))
            total += (np.tanh(sharp * value) if octave % 2 else value) * 0.75**octave
    return total / 6.0


def _edge(x: Doubles, width: float = 0.004) -> Doubles:
    """A soft step, so that no edge is finer than the rasters that score it; (..., 1)."""
    return 0.5 * (1 + np.tanh(x / width))[..., None]


def outdoor(seed: int = 0, *, sun: Doubles | None = None, sun_level: float = 4.6e4) -> Scene:
    """Sky, ground, dark and light masses at the horizon, and a .533 degree sun of ``sun_level`` x white."""
    towards = at(-65.0, 38.0) if sun is None else sun

    def background(d: Doubles, _origin: Doubles) -> Doubles:
        up = d[..., 1]
        glow = np.exp((d @ towards - 1) / 0.05)
        sky = (0.35 + 0.4 * (1 - np.clip(up, 0, 1)) ** 3)[..., None] * np.array([0.55, 0.75, 1.15])
        sky = sky * (1 + 0.25 * texture(d, seed + 1))[..., None] + glow[..., None] * np.array([1.2, 1.1, 0.9])
        ground = (0.16 * 2.0 ** (1.6 * texture(d, seed + 2, base=5.0)))[..., None] * np.array([1.05, 1.0, 0.85])
        mass = texture(d * np.array([1.0, 0.25, 1.0], d.dtype), seed + 3, base=4.0)
        wall = (0.12 * 2.0 ** (2.4 * texture(d, seed + 4, base=8.0)))[..., None] * np.array([1.1, 1.0, 0.8])
        above = _edge(up)
        out = above * sky + (1 - above) * ground
        inside = _edge(up + 0.05) * _edge(0.22 + 0.35 * mass - up)
        return inside * wall + (1 - inside) * out

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
        points = (origin + d * reach[..., None]).astype(d.dtype, copy=False)
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


def built(seed: int, *, tilt: Doubles | None = None) -> Scene:
    """A place with walls at any heading: windows, doors, courses of stone, a ceiling or sky; seen by a body that leans
    (``tilt``, 3x3: world from picture)."""
    rng = np.random.default_rng(seed)
    heading = rng.uniform(0, np.pi / 2)
    turn = np.array([[np.cos(heading), 0, np.sin(heading)], [0, 1, 0], [-np.sin(heading), 0, np.cos(heading)]])
    low = -np.array([rng.uniform(2, 9), 1.5, rng.uniform(2, 9)])
    high = np.array([rng.uniform(2, 9), rng.uniform(1.3, 8), rng.uniform(2, 9)])
    wide, tall = rng.uniform(0.8, 2.5, 4), rng.uniform(0.9, 2.5, 4)
    share, dark = rng.uniform(0.3, 0.7, 4), rng.uniform(-2.5, 2.0, 4)
    open_air = rng.random() < 0.5
    lean = np.eye(3) if tilt is None else tilt

    def background(d: Doubles, _origin: Doubles) -> Doubles:
        d = (d @ lean.T) @ turn
        with np.errstate(divide="ignore", invalid="ignore"):
            reach = np.where(d > 0, high / d, low / d)
        reach = np.where(np.isfinite(reach), reach, np.inf)
        face = reach.argmin(axis=-1)
        p = d * reach.min(axis=-1)[..., None]
        level = -2.0 + 0.5 * texture(p, seed + 31, base=1.5)
        for k, (axis, along) in enumerate(((0, 2), (2, 0))):
            on = face == axis
            side = np.where(d[..., axis] > 0, 0, 2) + k
            u = p[..., along] / wide[side] % 1.0
            v = (p[..., 1] - low[1]) / tall[side] % 1.0
            window = (np.abs(u - 0.5) < share[side] / 2) & (np.abs(v - 0.5) < 0.35)
            level = np.where(on & window, level + dark[side], level)
            level = np.where(on, level + 0.3 * (side - 1.5), level)
        ceiling = (face == 1) & (d[..., 1] > 0)
        level = np.where(ceiling, (0.5 if open_air else -1.0) + 0.2 * texture(d, seed + 5, base=2.0), level)
        return (2.0**level)[..., None] * np.array([1.05, 1.0, 0.9])

    return Scene(background=background)


def cluttered(seed: int) -> Scene:
    """A place without anything straight: growth, rocks, cloud."""

    def background(d: Doubles, _origin: Doubles) -> Doubles:
        level = 2.2 * texture(d, seed + 71, base=4.0) + 1.2 * texture(d, seed + 72, base=9.0)
        return (0.3 * 2.0**level)[..., None] * np.array([1.0, 1.0, 0.9])

    return Scene(background=background)


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


def fisheye(
    scene: Scene, lenses: Sequence[dict[str, object]], size: tuple[int, int], *, world_from_body: Doubles | None = None,
    noise: float = 0.003, seed: int = 0, parts: int = 2, baseline_m: float = 0.0,
) -> Doubles:  # fmt: skip
    """(h, w, 3) merged picture of one or two fisheye circles by the lens file's own keys (``size`` = w, h).

    ``noise`` is relative, with a floor of a hundredth of the median.  ``baseline_m`` puts the lens centres
    half of it before the body's middle along each axis.  Written apart from the code under test.
    """
    width, height = size
    body = np.eye(3) if world_from_body is None else world_from_body
    out = np.zeros((height, width, 3))
    yy, xx = np.mgrid[0:height, 0:width]
    for lens in lenses:
        look, theta_max, radius = _lens_look(lens, body)
        cx, cy = float(lens["cx"]), float(lens["cy"])  # type: ignore[arg-type]
        x0, x1 = max(0, int(cx - radius - 2)), min(width, int(cx + radius + 3))
        y0, y1 = max(0, int(cy - radius - 2)), min(height, int(cy + radius + 3))
        forward = (body @ np.array(lens["R"], dtype=float))[:, 2]
        piece = _averaged(
            scene, (y1 - y0, x1 - x0),
            lambda y, x, look=look, ox=x0, oy=y0: look(y + oy, x + ox), parts, 16, forward * baseline_m / 2,
        )  # fmt: skip
        r = np.hypot(xx[y0:y1, x0:x1] - cx, yy[y0:y1, x0:x1] - cy)
        t = np.linspace(0, theta_max, 4000)
        q = np.interp(r, _radius(lens, t), t) / theta_max
        a, b = lens.get("vig", (0.0, 0.0))  # type: ignore[misc]
        piece = piece * (float(lens.get("gain", 1.0)) * (1 - a * q**2 - b * q**4))[..., None]  # type: ignore[arg-type]
        inside = r < radius
        out[y0:y1, x0:x1][inside] = piece[inside]
    return noisy(out, noise, seed)


def noisy(picture: Doubles, noise: float, seed: int) -> Doubles:
    rng = np.random.default_rng(seed)
    lit = picture[picture > 0]
    floor = 0.01 * float(np.median(lit)) if lit.size else 0.0
    spread = noise * np.sqrt(picture**2 + floor**2)
    return np.where(picture > 0, np.maximum(picture + spread * rng.normal(size=picture.shape), 0.0), 0.0)


def _radius(lens: dict[str, object], theta: Doubles) -> Doubles:
    f = float(lens["f"])  # type: ignore[arg-type]
    if lens.get("model") == "equisolid":
        return 2 * f * np.sin(theta / 2)
    factor = 1 + sum(k * theta ** (2 * i + 2) for i, k in enumerate(lens.get("k", ())))  # type: ignore[arg-type]
    return f * theta * factor


def _lens_look(
    lens: dict[str, object], body: Doubles
) -> tuple[Callable[[Doubles, Doubles], tuple[Doubles, Doubles]], float, float]:
    theta_max = float(np.radians(lens["fov"]) / 2)  # type: ignore[arg-type]
    table = np.linspace(0, theta_max * 1.02, 20000)
    radii = _radius(lens, table)
    cx, cy = float(lens["cx"]), float(lens["cy"])  # type: ignore[arg-type]
    turn = body @ np.array(lens["R"], dtype=float)

    def look(y: Doubles, x: Doubles) -> tuple[Doubles, Doubles]:
        dx, dy = x - cx, y - cy
        r = np.hypot(dx, dy)
        theta = np.interp(r, radii, table)
        s = np.where(r > 0, np.sin(theta) / np.maximum(r, 1e-12), 0)
        c = np.stack([s * dx, s * dy, np.cos(theta)], axis=-1)
        return c @ turn.T, np.ones_like(r)

    return look, theta_max, float(_radius(lens, np.array(theta_max)))


def ball(
    scene: Scene, size: tuple[int, int], outline: tuple[float, float, float], focal_px: float, *,
    world_from_body: Doubles | None = None, reflectivity: Sequence[float] = (0.6, 0.6, 0.58), noise: float = 0.003,
    seed: int = 0, parts: int = 2, person: bool = True,
) -> Doubles:  # fmt: skip
    """(h, w, 3) picture of a mirror ball (cx, cy, radius px) by tracing rays from a pinhole; around it the
    scene itself, and a dark photographer reflected in the middle."""
    width, height = size
    cx, cy, radius = outline
    body = np.eye(3) if world_from_body is None else world_from_body
    turn = body @ np.diag([-1.0, -1.0, 1.0])
    sine = np.sin(np.arctan(radius / focal_px))
    distance = 1.0 / sine
    r0 = np.array(reflectivity)

    def trace(y: Doubles, x: Doubles) -> tuple[Doubles, Doubles, Doubles]:
        ray = np.stack([x - cx, y - cy, np.full_like(x, focal_px)], axis=-1)
        ray /= np.linalg.norm(ray, axis=-1, keepdims=True)
        along = ray[..., 2] * distance
        inside = along**2 - distance**2 + 1
        hits = inside > 0
        point = ray * (along - np.sqrt(np.maximum(inside, 0)))[..., None]
        normal = point - np.array([0, 0, distance])
        normal /= np.linalg.norm(normal, axis=-1, keepdims=True)
        cosine = -(ray * normal).sum(-1)
        mirrored = ray + 2 * cosine[..., None] * normal
        return np.where(hits[..., None], mirrored, ray) @ turn.T, hits, np.clip(cosine, 0, 1)

    def look(y: Doubles, x: Doubles) -> tuple[Doubles, Doubles]:
        d, _, _ = trace(y, x)
        return d, np.ones(d.shape[:-1])

    camera = -(body @ np.array([0.0, 0.0, 1.0]))
    side = body @ np.array([1.0, 0.0, 0.0])

    def background(d: Doubles, origin: Doubles) -> Doubles:
        light = scene.background(d, origin)
        if person:
            across, up = d @ side, d[..., 1]
            stands = (d @ camera > 0) & (np.abs(across) < 0.14) & (up < 0.1) & (up > -0.7)
            light = np.where(stands[..., None], 0.03, light)
        return light

    out = _averaged(Scene(background=background, discs=scene.discs), (height, width), look, parts, 16)
    yy, xx = np.mgrid[0:height, 0:width].astype(np.float64)
    _, hits, cosine = trace(yy, xx)
    reflect = r0 + (1 - r0) * (1 - cosine[..., None]) ** 5
    return noisy(np.where(hits[..., None], out * reflect, out), noise, seed)


# -- scoring ------------------------------------------------------------------------------------------


def marks(count: int, seed: int = 5) -> Doubles:
    """Directions spread evenly over the sphere (a turned Fibonacci spiral)."""
    i = np.arange(count) + 0.5
    y = 1 - 2 * i / count
    turn = np.pi * (1 + 5**0.5) * i + seed
    r = np.sqrt(1 - y * y)
    return np.stack([r * np.sin(turn), y, r * np.cos(turn)], axis=1)


def direction_errors(result: Doubles, truth: Doubles, where: Doubles, *, half: int = 8) -> tuple[Doubles, Doubles]:
    """(n, 3) shift of the result against the truth, radians in the tangent plane, and what was usable (n,).

    Marks are matched by least squares on log luminance (Gauss-Newton with gain and offset); both are
    ``CORNERS`` lat-longs of one size.
    """
    from scipy.ndimage import spline_filter

    raster = Raster(height=truth.shape[0], width=truth.shape[1])
    logs = []
    for picture in (result, truth):
        level = np.log(np.maximum(picture @ LUMINANCE, 1e-6))
        pad = 16
        body = level[:, :-1]
        wide = np.concatenate([body[:, -pad:], body, body[:, : pad + 1]], axis=1)
        logs.append(spline_filter(wide, order=3))
    step = raster.pitch_rad
    shifts, usable = np.zeros((len(where), 3)), np.zeros(len(where), dtype=bool)
    v, u = np.mgrid[-half : half + 1, -half : half + 1] * step
    for n, d in enumerate(where):
        east = np.cross([0.0, 1.0, 0.0], d)
        if np.linalg.norm(east) < 0.12:
            continue
        east /= np.linalg.norm(east)
        north = np.cross(d, east)

        def patch(k: int, du: float, dv: float, d: Doubles = d, e: Doubles = east, m: Doubles = north) -> Doubles:
            from scipy.ndimage import map_coordinates

            p = d + (u + du)[..., None] * e + (v + dv)[..., None] * m
            p = p / np.linalg.norm(p, axis=-1, keepdims=True)
            x, y = raster.pixels(p)
            return map_coordinates(logs[k], [y, x + 16], order=3, prefilter=False, mode="nearest")

        target = patch(1, 0, 0)
        if np.ptp(target) > 4 or target.std() < 0.05:
            continue
        h = 0.5 * step
        du = ((patch(1, h, 0) - patch(1, -h, 0)) / (2 * h)).ravel()
        dv = ((patch(1, 0, h) - patch(1, 0, -h)) / (2 * h)).ravel()
        jacobian = np.stack([du, dv, np.ones(target.size), target.ravel()], axis=1)
        shift = np.zeros(2)
        for _ in range(8):
            residual = (patch(0, shift[0], shift[1]) - target).ravel()
            solved = np.linalg.lstsq(jacobian, -residual, rcond=None)[0]
            shift += solved[:2]
            if np.abs(solved[:2]).max() < 1e-3 * step or np.abs(shift).max() > 12 * step:
                break
        left = (patch(0, shift[0], shift[1]) - target).std()
        gradient = jacobian[:, :2].T @ jacobian[:, :2]
        firm = np.linalg.eigvalsh(gradient)[0] * step**2 > 0.3
        if firm and np.abs(shift).max() < 12 * step and left < 0.5 * target.std():
            shifts[n] = shift[0] * east + shift[1] * north
            usable[n] = True
    return shifts, usable


def after_turn(shifts: Doubles, where: Doubles) -> Doubles:
    """The shifts left after the best common small rotation."""
    rows = np.zeros((3 * len(where), 3))
    for i, d in enumerate(where):
        rows[3 * i : 3 * i + 3] = -np.array([[0, -d[2], d[1]], [d[2], 0, -d[0]], [-d[1], d[0], 0]])
    turn = np.linalg.lstsq(rows, shifts.ravel(), rcond=None)[0]
    return shifts - (rows @ turn).reshape(-1, 3)


def percentiles(shifts: Doubles) -> tuple[float, float, float]:
    """Median, 95th percentile and worst, degrees."""
    if not len(shifts):  # nothing could be matched
        return float("nan"), float("nan"), float("nan")
    size = np.degrees(np.linalg.norm(shifts, axis=1))
    return float(np.median(size)), float(np.percentile(size, 95)), float(size.max())


def cap_energy(
    picture: Doubles, disc: Disc, *, scale: float = 2.0, layout: Layout = Layout.CORNERS, astray_rad: float = 0.0
) -> float:
    """Luminance of what a cap round a source holds above the ring around it, over the truth, minus 1.  Where directions
    are off by up to ``astray_rad`` the cap is as much wider: else it would measure them once more."""
    raster = Raster(height=picture.shape[0], width=picture.shape[1], layout=layout)
    angle = np.arccos(np.clip(raster.directions() @ disc.direction, -1, 1))
    reach = max(scale * disc.radius_rad, disc.radius_rad + 4 * raster.pitch_rad) + astray_rad
    level = picture @ LUMINANCE
    ring = (angle > reach) & (angle < reach + 4 * raster.pitch_rad)
    base = float(np.median(level[ring]))
    cap = angle <= reach
    energy = float(((level - base) * raster.solid_angles())[cap].sum())
    truth = float(disc.radiance @ LUMINANCE - base) * disc.solid_angle
    return energy / truth - 1
