"""A view: one probe set with everything the merge, the filing and the papers need to know of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any


@dataclass(frozen=True, kw_only=True, slots=True)
class FrameFile:
    """One file of a frame: by content, and where it was met first."""

    digest: str
    card_id: str
    path: str
    raw: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class ViewFrame:
    """One exposure of a view.  ``exposure_s``, ``f_number`` and ``iso`` are exact (after snapping, before
    the pixels refine them), None where the header is silent.  ``taken_s`` is true time, seconds since the
    epoch; ``shown`` what the body's clock said (ISO, no zone)."""

    files: tuple[FrameFile, ...]
    exposure_s: float | None
    f_number: float | None
    iso: float | None
    taken_s: float | None
    taken_sigma_s: float = 0.0
    shown: str = ""
    utc_offset_s: int | None = None
    usable: bool = True


@dataclass(frozen=True, kw_only=True, slots=True)
class View:
    """One probe set under its lasting id; frames from dark to bright.

    ``complete`` is None where nobody could say; ``kind`` is lat-long, dual-fisheye, fisheye, flat,
    mirror-ball or unknown, ``kind_proposed`` true where only the picture says so.
    """

    id: str
    frames: tuple[ViewFrame, ...]
    complete: bool | None
    review: bool
    reasons: tuple[str, ...]
    why: tuple[str, ...]
    position: str
    view: int
    repeat_of: str | None
    body: str
    make: str
    model: str
    serial: str
    lens: str
    focal_mm: float | None
    kind: str
    kind_proposed: bool

    @property
    def digests(self) -> tuple[str, ...]:
        """Every file of the view, in frame order."""
        return tuple(f.digest for frame in self.frames for f in frame.files)

    @property
    def taken_s(self) -> tuple[float, float] | None:
        """First and last true time, None where no frame has one."""
        times = [f.taken_s for f in self.frames if f.taken_s is not None]
        return (min(times), max(times)) if times else None

    @property
    def sigma_s(self) -> float:
        """How far its times may be off; a frame without a time says nothing of it."""
        sigmas = [f.taken_sigma_s for f in self.frames if f.taken_s is not None]
        return max(sigmas or [f.taken_sigma_s for f in self.frames], default=0.0)

    def to_json(self) -> dict[str, Any]:
        return asdict(self)

    @classmethod
    def from_json(cls, value: Mapping[str, Any]) -> View:
        frames = tuple(
            ViewFrame(**{**frame, "files": tuple(FrameFile(**f) for f in frame["files"])}) for frame in value["frames"]
        )
        return cls(**{**value, "frames": frames, "reasons": tuple(value["reasons"]), "why": tuple(value["why"])})
