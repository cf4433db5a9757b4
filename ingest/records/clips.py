"""What the file of a clip says of itself."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from datetime import datetime
from fractions import Fraction
from typing import Any


@dataclass(frozen=True, kw_only=True, slots=True)
class ClipFacts:
    """Facts of one clip or sound file as its container states them; None means "not said".

    ``kind`` is what the first bytes announce, in words ("MXF", "QuickTime or MP4", "R3D raw clip"); it stands
    also where nothing else could be read, and then ``readable`` is false.  ``frame_rate`` is frames a second,
    a ratio as the standards state it (30000/1001).  ``timecode`` is the label of the first frame as written
    (SMPTE ST 12-1), ``drop_frame`` whether it counts that way, None without a timecode.  ``created_utc`` (with
    zone) stands where the file states a zone, which many cameras fill with their own wall clock all the
    same; ``created_shown`` (naive) where it states none.  ``focal_mm`` also where only a prime's name tells it.
    """

    kind: str
    readable: bool
    duration_s: float | None = None
    frames: int | None = None
    width: int | None = None
    height: int | None = None
    frame_rate: Fraction | None = None
    timecode: str | None = None
    drop_frame: bool | None = None
    created_utc: datetime | None = None
    created_shown: datetime | None = None
    container: str | None = None
    codec: str | None = None
    sound_channels: int = 0
    make: str | None = None
    model: str | None = None
    body_serial: str | None = None
    lens: str | None = None
    lens_serial: str | None = None
    focal_mm: float | None = None
    reel: str | None = None
    problems: tuple[str, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """Plain values: the rate as ``"30000/1001"``, times as ISO 8601."""
        values = {f.name: getattr(self, f.name) for f in fields(self)}
        for name in ("created_utc", "created_shown"):
            if values[name] is not None:
                values[name] = values[name].isoformat()
        if self.frame_rate is not None:
            values["frame_rate"] = f"{self.frame_rate.numerator}/{self.frame_rate.denominator}"
        return values | {"problems": list(self.problems)}

    @classmethod
    def from_json(cls, value: Mapping[str, Any]) -> ClipFacts:
        """The inverse of :meth:`to_json`; fields of a newer version are left out."""
        values = {f.name: value[f.name] for f in fields(cls) if f.name in value}
        for name in ("created_utc", "created_shown"):
            if values.get(name) is not None:
                values[name] = datetime.fromisoformat(values[name])
        if values.get("frame_rate") is not None:
            values["frame_rate"] = Fraction(values["frame_rate"])
        values["problems"] = tuple(values.get("problems", ()))
        return cls(**values)
