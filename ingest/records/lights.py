"""What the light summary answers; its JSON is what outside scripts read."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

Triple = tuple[float, float, float]


@dataclass(frozen=True, kw_only=True, slots=True)
class Light:
    """One source above its surround.

    ``direction`` is a unit vector (+Y up, +Z the picture's centre, +X a quarter from the left), the
    energy-weighted centroid.  ``irradiance_rgb`` is what it gives on a plane facing it, linear Rec.709,
    units of the picture times sr.  ``share`` is its part of the picture's integral of luminance, 0 to 1.
    ``solid_angle_sr`` is an upper bound where ``solid_angle_at_most`` (fewer than about 12 pixels).
    ``at_least`` says that the source clips in every frame: irradiance and share are lower bounds.
    ``xy`` is CIE 1931, ``cct_k`` None where a colour has no temperature.
    """

    direction: Triple
    irradiance_rgb: Triple
    share: float
    solid_angle_sr: float
    solid_angle_at_most: bool = False
    at_least: bool = False
    xy: tuple[float, float] | None = None
    cct_k: float | None = None

    def to_json(self) -> dict[str, Any]:
        return {
            "direction": list(self.direction),
            "irradiance_rgb": list(self.irradiance_rgb),
            "share": self.share,
            "solid_angle_sr": self.solid_angle_sr,
            "solid_angle_at_most": self.solid_angle_at_most,
            "at_least": self.at_least,
            "xy": None if self.xy is None else list(self.xy),
            "cct_K": self.cct_k,
        }


    @classmethod
    def from_json(cls, value: Mapping[str, Any]) -> Light:
        xy = value["xy"]
        return cls(
            direction=_triple(value["direction"]), irradiance_rgb=_triple(value["irradiance_rgb"]),
            share=float(value["share"]), solid_angle_sr=float(value["solid_angle_sr"]),
            solid_angle_at_most=bool(value.get("solid_angle_at_most")), at_least=bool(value.get("at_least")),
            xy=None if xy is None else (float(xy[0]), float(xy[1])),
            cct_k=None if value["cct_K"] is None else float(value["cct_K"]),
        )


@dataclass(frozen=True, kw_only=True, slots=True)
class Difference:
    """What became of the previous probe's key: how far it moved (degrees) and changed (stops, up is
    brighter); ``sentence`` for the person.  Both None when either probe has no light of its own, or the key is
    ``gone``.  ``other``: a sentence on the light that is the key now, "" where it is the same one."""

    key_moved_deg: float | None
    key_stops: float | None
    total_stops: float | None
    sentence: str
    gone: bool = False
    other: str = ""

    def to_json(self) -> dict[str, Any]:
        return {
            "key_moved_deg": self.key_moved_deg,
            "key_stops": self.key_stops,
            "total_stops": self.total_stops,
            "sentence": " ".join(filter(None, (self.sentence, self.other))),
        }


@dataclass(frozen=True, kw_only=True, slots=True)
class LightSummary:
    """The light of one lat-long.  ``lights`` strongest first; ``key_to_fill`` None without a light or a
    fill.  ``layout`` names the raster convention taken; ``repaired`` counts pixels that were no numbers."""

    width: int
    height: int
    layout: str
    lights: tuple[Light, ...]
    total_rgb: Triple
    sh_radiance: tuple[Triple, ...]
    irradiance: tuple[tuple[Triple, Triple], ...]
    key_to_fill: float | None
    repaired: int = 0
    unseen_share: float = 0.0
    difference: Difference | None = None
    notes: Sequence[str] = field(default_factory=tuple)

    def to_json(self) -> dict[str, Any]:
        out: dict[str, Any] = {
            "width": self.width,
            "height": self.height,
            "layout": self.layout,
            "lights": [light.to_json() for light in self.lights],
            "total_rgb": list(self.total_rgb),
            "sh_radiance": [list(row) for row in self.sh_radiance],
            "irradiance": [{"normal": list(n), "rgb": list(rgb)} for n, rgb in self.irradiance],
            "key_to_fill": self.key_to_fill,
            "repaired_pixels": self.repaired,
            "unseen_share": self.unseen_share,
            "notes": list(self.notes),
        }
        if self.difference is not None:
            out["difference"] = self.difference.to_json()
        return out

    @classmethod
    def from_json(cls, value: Mapping[str, Any]) -> LightSummary:
        """A summary as :meth:`to_json` wrote it, without its difference; KeyError, TypeError or ValueError where it is
        none."""
        return cls(
            width=int(value["width"]), height=int(value["height"]), layout=str(value["layout"]),
            lights=tuple(Light.from_json(one) for one in value["lights"]), total_rgb=_triple(value["total_rgb"]),
            sh_radiance=tuple(_triple(row) for row in value["sh_radiance"]),
            irradiance=tuple((_triple(e["normal"]), _triple(e["rgb"])) for e in value["irradiance"]),
            key_to_fill=None if value["key_to_fill"] is None else float(value["key_to_fill"]),
            repaired=int(value.get("repaired_pixels", 0)), unseen_share=float(value.get("unseen_share", 0.0)),
            notes=tuple(str(n) for n in value.get("notes", ())),
        )


def _triple(value: Sequence[float]) -> Triple:
    x, y, z = (float(v) for v in value)
    return (x, y, z)
