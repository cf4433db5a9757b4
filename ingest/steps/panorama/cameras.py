"""What a picture shows in which pixel: fisheye lenses, mirror balls, lat-longs, each as a :class:`Camera`.

Fisheyes and balls are round: a direction's angle from the axis gives the distance from the centre.  A ball
looks like a lens that looks back at the photographer.

Ball seen from a finite distance: with the camera D ball radii from the ball's centre and the surface
normal at angle phi from the ball-to-camera axis, beta = atan(sin phi / (D - cos phi)) is the angle under
which the camera sees that point, r = focal tan(beta), and it reflects the direction at 2 phi + beta from
the axis (plane geometry of the mirror law).  From far away beta = 0 and r = radius sin(theta/2).
Reflectance towards the rim: Schlick 1994, R0 + (1 - R0)(1 - cos i)^5 with i = phi + beta.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from ingest.records.lenses import Lens, LensFile, LensView
from ingest.steps.panorama.raster import Doubles, Floats, Layout, Raster

_TABLE = 4096


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Camera:
    """A round picture: centre, ``from_world`` (3x3), and tables over the angle from the axis.

    ``sees_back`` is true for a ball: the axis is then the camera's -z.  ``theta`` ascends from 0 to the
    largest angle shown; ``radius`` px; ``response`` (n, 3) what the picture must be divided by;
    ``view`` is the index of the picture.
    """

    view: int
    cx: float
    cy: float
    from_world: Doubles
    theta: Doubles
    radius: Doubles
    response: Doubles
    sees_back: bool = False
    lens: int = 0
    slope: Doubles = field(init=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "slope", np.gradient(self.radius, self.theta, edge_order=2))

    @property
    def theta_max(self) -> float:
        return float(self.theta[-1])

    @property
    def pixels_per_radian(self) -> float:
        """At the axis for a lens; the middling value for a ball."""
        return float(np.median(self.slope))

    def angles(self, directions: Floats) -> tuple[Floats, Floats, Floats]:
        """(theta, ux, uy): angle from the axis and the unit vector outward in the picture."""
        c = directions @ self.from_world.T
        return self.from_axes(c[..., 0], c[..., 1], c[..., 2])

    def from_axes(self, x: Floats, y: Floats, z: Floats) -> tuple[Floats, Floats, Floats]:
        """The same from components on the camera's axes."""
        across = np.hypot(x, y)
        theta = np.arctan2(across, -z if self.sees_back else z)
        safe = np.maximum(across, np.finfo(across.dtype).tiny)
        return theta, x / safe, y / safe

    def pixels(self, directions: Floats) -> tuple[Floats, Floats, Floats]:
        """(x, y, theta) of directions (..., 3); points with theta over ``theta_max`` are not shown."""
        theta, ux, uy = self.angles(directions)
        r = np.interp(theta, self.theta, self.radius)
        return self.cx + r * ux, self.cy + r * uy, theta

    def directions(self, x: Floats, y: Floats) -> tuple[Doubles, Doubles]:
        """(unit world directions (..., 3), theta) of pixels; beyond the edge theta is clamped to it."""
        dx, dy = np.asarray(x, dtype=np.float64) - self.cx, np.asarray(y, dtype=np.float64) - self.cy
        r = np.hypot(dx, dy)
        theta = np.interp(r, self.radius, self.theta)
        safe = np.maximum(r, 1e-12)
        s = np.sin(theta)
        c = np.stack([s * dx / safe, s * dy / safe, np.cos(theta) * (-1 if self.sees_back else 1)], axis=-1)
        return c @ self.from_world, theta

    def solid_angle(self, theta: Floats) -> Doubles:
        """sr of a pixel: sin(theta) / (r dr/dtheta)."""
        t = np.maximum(theta, 1e-6)
        r, slope = np.interp(t, self.theta, self.radius), np.interp(t, self.theta, self.slope)
        return np.asarray(np.sin(t) / np.maximum(r * slope, 1e-12))


def from_lens(lens: Lens, world_from_body: Doubles, *, view: int, index: int) -> Camera:
    """A fisheye lens in one view.  Where the polynomial turns back the shown angle ends."""
    half = np.radians(lens.fov_deg / 2)
    theta = np.linspace(0.0, half, _TABLE)
    radius = lens_radius(lens, theta)
    rising = np.diff(radius) > 0
    end = _TABLE if rising.all() else max(8, int(np.argmin(rising)))
    q = theta[:end] / half
    falloff = lens.gain * (1 - lens.vig[0] * q**2 - lens.vig[1] * q**4)
    return Camera(
        view=view,
        lens=index,
        cx=lens.cx,
        cy=lens.cy,
        from_world=(world_from_body @ np.array(lens.rotation)).T,
        theta=theta[:end],
        radius=radius[:end],
        response=np.repeat(falloff[:, None], 3, axis=1),
    )


def lens_radius(lens: Lens, theta: Floats) -> Doubles:
    """r(theta) in px: equidistant with polynomial, or equisolid."""
    theta = np.asarray(theta, dtype=np.float64)
    if lens.model == "equisolid":
        return np.asarray(2 * lens.f * np.sin(theta / 2))
    factor = np.ones_like(theta)
    for i, k in enumerate(lens.k):
        factor += k * theta ** (2 * i + 2)
    return np.asarray(lens.f * theta * factor)


def from_ball(view: LensView, world_from_body: Doubles, *, index: int) -> Camera:
    """A mirror ball in one view; the camera looks along the body's +Z with +Y up."""
    outline = view.outline or view.outline_hint
    assert outline is not None
    theta, radius, incidence = ball_table(outline.radius_px, view.focal_px)
    r0 = np.array(view.reflectivity)
    response = r0 + (1 - np.minimum(r0, 1.0)) * (1 - np.cos(incidence))[:, None] ** 5
    body_from_camera = np.diag([-1.0, -1.0, 1.0])
    return Camera(
        view=index,
        cx=outline.cx,
        cy=outline.cy,
        from_world=(world_from_body @ body_from_camera).T,
        theta=theta,
        radius=radius,
        response=response,
        sees_back=True,
    )


def ball_table(radius_px: float, focal_px: float | None) -> tuple[Doubles, Doubles, Doubles]:
    """(theta, r, incidence) over the visible part of a ball whose outline has ``radius_px``."""
    if focal_px is None:
        phi = np.linspace(0.0, np.pi / 2 * 0.99995, _TABLE)
        return 2 * phi, radius_px * np.sin(phi), phi
    distance = 1.0 / np.sin(np.arctan(radius_px / focal_px))
    phi = np.linspace(0.0, np.arccos(1.0 / distance) * 0.99995, _TABLE)
    beta = np.arctan(np.sin(phi) / (distance - np.cos(phi)))
    return 2 * phi + beta, focal_px * np.tan(beta), phi + beta


def turn(heading_deg: float) -> Doubles:
    """Ry: right-handed about +Y, takes +Z towards +X."""
    a = np.radians(heading_deg)
    return np.array([[np.cos(a), 0, np.sin(a)], [0, 1, 0], [-np.sin(a), 0, np.cos(a)]])


def levelled(heading_deg: float = 0.0, pitch_deg: float = 0.0, roll_deg: float = 0.0) -> Doubles:
    """A further turn of the whole panorama: roll about +Z (what leans to +X comes up), then pitch about +X,
    then heading."""
    p, r = np.radians([pitch_deg, roll_deg])
    pitch = np.array([[1, 0, 0], [0, np.cos(p), -np.sin(p)], [0, np.sin(p), np.cos(p)]])
    roll = np.array([[np.cos(r), -np.sin(r), 0], [np.sin(r), np.cos(r), 0], [0, 0, 1]])
    return np.asarray(turn(heading_deg) @ pitch @ roll)


def of_file(numbers: LensFile, views: int, *, world: Doubles | None = None) -> list[Camera]:
    """All cameras of ``views`` pictures (for a lat-long there is none: see :class:`Equirect`)."""
    whole = np.eye(3) if world is None else world
    found: list[Camera] = []
    for index in range(views):
        view = numbers.view(index)
        stands = whole @ standing(view)
        if numbers.kind == "mirror-ball":
            found.append(from_ball(view, stands, index=index))
        else:
            found += [from_lens(lens, stands, view=index, index=i) for i, lens in enumerate(numbers.lenses)]
    return found


def standing(view: LensView) -> Doubles:
    """World from body of a view."""
    return turn(view.heading_deg) if view.world_from_body is None else np.array(view.world_from_body)


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Equirect:
    """A finished lat-long as a camera that shows everything."""

    view: int
    raster: Raster
    from_world: Doubles

    @property
    def pixels_per_radian(self) -> float:
        return self.raster.period / (2 * np.pi)

    def pixels(self, directions: Floats) -> tuple[Floats, Floats]:
        return self.raster.pixels(directions @ self.from_world.T)

    def directions(self, x: Floats, y: Floats) -> Doubles:
        raster = self.raster
        if raster.layout is Layout.CORNERS:
            lon, lat = np.pi - 2 * np.pi * x / (raster.width - 1), np.pi / 2 - np.pi * y / (raster.height - 1)
        else:
            lon, lat = np.pi - 2 * np.pi * (x + 0.5) / raster.width, np.pi / 2 - np.pi * (y + 0.5) / raster.height
        lat = np.clip(lat, -np.pi / 2, np.pi / 2)
        c = np.stack([np.sin(lon) * np.cos(lat), np.sin(lat), np.cos(lon) * np.cos(lat)], axis=-1)
        return np.asarray(c @ self.from_world)
