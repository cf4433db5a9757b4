"""A body's lens numbers: the lens file (JSON or TOML), the same keys as a body's ``lens`` table in the settings.

Pixel centres are whole numbers.  Camera axes: x right, y down, z forward; body and world: +Y up, +Z front,
right-handed (so +X is to the left of the picture).  A lens file that exists is legal; what is wrong with
one that is not is said all at once, each with its place.
"""

from __future__ import annotations

import difflib
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

from ingest.errors import NightloaderError

Matrix = tuple[tuple[float, float, float], tuple[float, float, float], tuple[float, float, float]]
KINDS = ("dual-fisheye", "fisheye", "mirror-ball", "lat-long")
MODELS = ("equidistant", "equisolid")
UPRIGHT: Matrix = ((-1.0, 0.0, 0.0), (0.0, -1.0, 0.0), (0.0, 0.0, 1.0))


class LensFileWrong(NightloaderError):
    """The lens file says something that cannot be; ``problems`` lists every place."""

    exit_code = 2

    def __init__(self, problems: Sequence[str]) -> None:
        super().__init__("; ".join(problems), next="Correct the lens numbers.")
        self.problems = tuple(problems)


@dataclass(frozen=True, kw_only=True, slots=True)
class Lens:
    """One fisheye lens.

    ``cx, cy`` px, ``f`` px per radian on the axis, ``fov_deg`` the full angle it shows.  ``model``:
    equidistant r = f th (1 + k1 th^2 + k2 th^4 + ...) or equisolid r = 2 f sin(th/2).  ``rotation`` takes
    camera axes to body axes.  The picture is radiance x ``gain`` x (1 - a q^2 - b q^4) with
    q = th / (fov/2) and (a, b) = ``vig``.  ``sigma`` holds standard deviations by the same names
    (``R`` in degrees), empty where nobody measured.
    """

    cx: float
    cy: float
    f: float
    fov_deg: float
    model: str = "equidistant"
    k: tuple[float, ...] = ()
    rotation: Matrix = UPRIGHT
    vig: tuple[float, float] = (0.0, 0.0)
    gain: float = 1.0
    sigma: Mapping[str, Any] = field(default_factory=dict)

    def to_json(self) -> dict[str, Any]:
        out: dict[str, Any] = {
            "cx": self.cx, "cy": self.cy, "f": self.f, "fov": self.fov_deg, "model": self.model, "k": list(self.k),
            "R": [list(row) for row in self.rotation], "vig": list(self.vig), "gain": self.gain,
        }  # fmt: skip
        return out | ({"sigma": dict(self.sigma)} if self.sigma else {})


@dataclass(frozen=True, kw_only=True, slots=True)
class Outline:
    """A ball's edge in the picture: centre and radius, px."""

    cx: float
    cy: float
    radius_px: float

    def to_json(self) -> dict[str, float]:
        return {"cx": self.cx, "cy": self.cy, "radius_px": self.radius_px}


@dataclass(frozen=True, kw_only=True, slots=True)
class LensView:
    """How one view stands.  world = Ry(``heading_deg``) x body, or ``world_from_body`` where given.

    For a mirror ball the body is the camera that looks at it along +Z; ``outline`` is exact,
    ``outline_hint`` to be refined; ``focal_px`` the camera's (None: seen from far away);
    ``reflectivity`` at normal incidence, per channel.
    """

    heading_deg: float = 0.0
    world_from_body: Matrix | None = None
    outline: Outline | None = None
    outline_hint: Outline | None = None
    focal_px: float | None = None
    reflectivity: tuple[float, float, float] = (1.0, 1.0, 1.0)
    sigma: Mapping[str, Any] = field(default_factory=dict)

    def to_json(self) -> dict[str, Any]:
        out: dict[str, Any] = {"heading_deg": self.heading_deg}
        if self.world_from_body is not None:
            out["world_from_body"] = [list(row) for row in self.world_from_body]
        if self.outline is not None:
            out["outline"] = self.outline.to_json()
        if self.outline_hint is not None:
            out["outline_hint"] = self.outline_hint.to_json()
        if self.outline is not None or self.outline_hint is not None:
            out["focal_px"] = self.focal_px
            out["reflectivity_normal"] = list(self.reflectivity)
        return out | ({"sigma": dict(self.sigma)} if self.sigma else {})


@dataclass(frozen=True, kw_only=True, slots=True)
class LensFile:
    """All numbers of a body.  ``calibration`` is "exact" or "nominal"; ``size`` (width, height) of the
    frames they were measured on, None where the file does not say."""

    kind: str
    calibration: str = "nominal"
    lenses: tuple[Lens, ...] = ()
    views: tuple[LensView, ...] = ()
    size: tuple[int, int] | None = None
    notes: tuple[str, ...] = ()

    def view(self, index: int) -> LensView:
        """The numbers of a view; one the file does not list stands as heading 0."""
        return self.views[index] if index < len(self.views) else LensView()

    def scaled(self, width: int, height: int) -> LensFile:
        """The numbers for frames of another size with the same picture (a half-size decode)."""
        if self.size is None or self.size == (width, height):
            return self
        ratio = width / self.size[0]
        if abs(height / self.size[1] / ratio - 1) > 0.01:
            mine = f"{self.size[0]}x{self.size[1]}"
            raise LensFileWrong([f"frames are {width}x{height}, the lens numbers are for {mine}"])

        def at(x: float) -> float:
            return (x + 0.5) * ratio - 0.5

        lenses = tuple(replace(lens, cx=at(lens.cx), cy=at(lens.cy), f=lens.f * ratio) for lens in self.lenses)
        return replace(self, lenses=lenses, size=(width, height))

    def to_json(self) -> dict[str, Any]:
        out: dict[str, Any] = {"kind": self.kind, "calibration": self.calibration}
        if self.size is not None:
            out["width"], out["height"] = self.size
        out["lenses"] = [lens.to_json() for lens in self.lenses]
        out["views"] = [view.to_json() for view in self.views]
        return out | ({"notes": list(self.notes)} if self.notes else {})

    @classmethod
    def from_json(cls, value: object) -> LensFile:
        """From parsed JSON or TOML.  Raises :class:`LensFileWrong` with every problem and its place."""
        reader = _Reader()
        made = reader.file(value)
        if reader.problems or made is None:
            raise LensFileWrong(reader.problems)
        return made


_KNOWN = {
    "": ("kind", "calibration", "lenses", "views", "width", "height", "notes"),
    "lenses": ("cx", "cy", "f", "fov", "model", "k", "R", "vig", "gain", "sigma"),
    "views": ("heading_deg", "world_from_body", "outline", "outline_hint", "focal_px", "reflectivity_normal", "sigma"),
}


def doubts(value: Mapping[str, Any], views: int) -> list[str]:
    """What is legal in a lens file and yet perhaps not meant, for so many views of one standpoint: keys that nothing
    reads, and views that stand as heading 0 because the file does not list them."""
    tables: list[tuple[str, str, Any]] = [("", "", value)]
    for name in ("lenses", "views"):
        listed = value.get(name)
        tables += [(name, f"{name}[{i}].", v) for i, v in enumerate(listed if isinstance(listed, list) else ())]
    found = []
    for name, where, table in tables:
        for key in sorted(set(map(str, table)) - set(_KNOWN[name]) if isinstance(table, Mapping) else ()):
            near = difflib.get_close_matches(key, _KNOWN[name], n=1, cutoff=0.6)
            found.append(f"{where}{key} is not read" + (f"; did you mean {near[0]}?" if near else "."))
    listed = len(value["views"]) if isinstance(value.get("views"), list) else 0
    if views > max(1, listed) and value.get("kind") != "lat-long":
        found.append(f"it lists {listed} of {views} views; those that it does not list stand as heading 0.")
    return found


class _Reader:
    """Reads untrusted numbers; ``problems`` collects what is wrong and where."""

    def __init__(self) -> None:
        self.problems: list[str] = []

    def file(self, value: object) -> LensFile | None:
        if not isinstance(value, Mapping):
            self.problems.append("the lens file is no table of numbers")
            return None
        kind = value.get("kind")
        if kind not in KINDS:
            self.problems.append(f"kind: {kind!r} is none of {', '.join(KINDS)}")
            return None
        calibration = value.get("calibration", "nominal")
        if calibration not in ("exact", "nominal"):
            self.problems.append(f"calibration: {calibration!r} is neither exact nor nominal")
        lenses = tuple(self.lens(v, f"lenses[{i}]") for i, v in enumerate(self.table_list(value, "lenses")))
        views = tuple(self.view(v, f"views[{i}]") for i, v in enumerate(self.table_list(value, "views")))
        needed = {"dual-fisheye": 2, "fisheye": 1}.get(str(kind), 0)
        if len(lenses) < needed:
            self.problems.append(f"lenses: a {kind} needs {needed}, {len(lenses)} given")
        if kind == "mirror-ball" and not all(v.outline or v.outline_hint for v in views):
            self.problems.append("views: a mirror ball needs an outline or an outline_hint in each view")
        if kind == "mirror-ball" and not views:
            self.problems.append("views: a mirror ball needs a view")
        size = None
        if "width" in value or "height" in value:
            w, h = self.number(value, "width", "", low=1), self.number(value, "height", "", low=1)
            size = (int(w), int(h))
        return LensFile(kind=str(kind), calibration=str(calibration), lenses=lenses, views=views, size=size)

    def table_list(self, value: Mapping[str, Any], name: str) -> list[Mapping[str, Any]]:
        items = value.get(name, [])
        if not isinstance(items, list) or not all(isinstance(v, Mapping) for v in items):
            self.problems.append(f"{name}: is no list of tables")
            return []
        return items

    def lens(self, value: Mapping[str, Any], where: str) -> Lens:
        model = value.get("model", "equidistant")
        if model not in MODELS:
            self.problems.append(f"{where}.model: {model!r} is none of {', '.join(MODELS)}")
        return Lens(
            cx=self.number(value, "cx", where),
            cy=self.number(value, "cy", where),
            f=self.number(value, "f", where, low=1e-6),
            fov_deg=self.number(value, "fov", where, low=1, high=360),
            model=str(model),
            k=tuple(self.numbers(value, "k", where, ())),
            rotation=self.rotation(value, "R", where) or UPRIGHT,
            vig=self.pair(value, where),
            gain=self.number(value, "gain", where, default=1.0, low=1e-9),
            sigma=value.get("sigma", {}) if isinstance(value.get("sigma", {}), Mapping) else {},
        )

    def view(self, value: Mapping[str, Any], where: str) -> LensView:
        reflects = self.numbers(value, "reflectivity_normal", where, (1.0, 1.0, 1.0))
        if len(reflects) != 3 or not all(0 < r <= 1.5 for r in reflects):
            self.problems.append(f"{where}.reflectivity_normal: three numbers above 0 are needed")
            reflects = [1.0, 1.0, 1.0]
        focal = None if value.get("focal_px") is None else self.number(value, "focal_px", where, low=1e-6)
        return LensView(
            heading_deg=self.number(value, "heading_deg", where, default=0.0),
            world_from_body=self.rotation(value, "world_from_body", where),
            outline=self.outline(value, "outline", where),
            outline_hint=self.outline(value, "outline_hint", where),
            focal_px=focal,
            reflectivity=(reflects[0], reflects[1], reflects[2]),
            sigma=value.get("sigma", {}) if isinstance(value.get("sigma", {}), Mapping) else {},
        )

    def outline(self, value: Mapping[str, Any], name: str, where: str) -> Outline | None:
        found = value.get(name)
        if found is None:
            return None
        place = f"{where}.{name}"
        if not isinstance(found, Mapping):
            self.problems.append(f"{place}: is no table")
            return None
        return Outline(
            cx=self.number(found, "cx", place),
            cy=self.number(found, "cy", place),
            radius_px=self.number(found, "radius_px", place, low=1.0),
        )

    def number(
        self, value: Mapping[str, Any], name: str, where: str, *, default: float | None = None, low: float = -1e9,
        high: float = 1e9,
    ) -> float:  # fmt: skip
        place = f"{where}.{name}" if where else name
        found = value.get(name, default)
        if found is None:
            self.problems.append(f"{place}: is missing")
        elif isinstance(found, bool) or not isinstance(found, int | float) or not math.isfinite(found):
            self.problems.append(f"{place}: {found!r} is no number")
        elif not low <= found <= high:
            self.problems.append(f"{place}: {found} lies outside {low:g} to {high:g}")
        else:
            return float(found)
        return max(low, 1.0)

    def numbers(self, value: Mapping[str, Any], name: str, where: str, default: Sequence[float]) -> list[float]:
        found = value.get(name)
        if found is None:
            return list(default)
        if not isinstance(found, list | tuple) or len(found) > 16:
            self.problems.append(f"{where}.{name}: is no short list of numbers")
            return list(default)
        return [self.number({str(i): v}, str(i), f"{where}.{name}") for i, v in enumerate(found)]

    def pair(self, value: Mapping[str, Any], where: str) -> tuple[float, float]:
        found = self.numbers(value, "vig", where, (0.0, 0.0))
        if len(found) != 2:
            self.problems.append(f"{where}.vig: two numbers are needed")
            return (0.0, 0.0)
        if not 1 - found[0] - found[1] > 0.01:
            self.problems.append(f"{where}.vig: nothing is left at the edge")
        return (found[0], found[1])

    def rotation(self, value: Mapping[str, Any], name: str, where: str) -> Matrix | None:
        found = value.get(name)
        if found is None:
            return None
        place = f"{where}.{name}"
        rows = found if isinstance(found, list) and len(found) == 3 else []
        if len(rows) != 3 or not all(isinstance(r, list) and len(r) == 3 for r in rows):
            self.problems.append(f"{place}: three rows of three numbers are needed")
            return None
        m = [[self.number({"": v}, "", place) for v in row] for row in rows]
        product = [[sum(m[i][k] * m[j][k] for k in range(3)) for j in range(3)] for i in range(3)]
        turned = (
            m[0][0] * (m[1][1] * m[2][2] - m[1][2] * m[2][1])
            - m[0][1] * (m[1][0] * m[2][2] - m[1][2] * m[2][0])
            + m[0][2] * (m[1][0] * m[2][1] - m[1][1] * m[2][0])
        )
        off = max(abs(product[i][j] - (i == j)) for i in range(3) for j in range(3))
        if off > 0.01 or turned < 0:
            self.problems.append(f"{place}: is no rotation")
            return None
        return ((m[0][0], m[0][1], m[0][2]), (m[1][0], m[1][1], m[1][2]), (m[2][0], m[2][1], m[2][2]))
