"""What goes out with a shot: per setup the sheet, its numbers, pictures and clips."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from ingest.records.coverage import DueItem
from ingest.records.measurements import Measurement


@dataclass(frozen=True, kw_only=True, slots=True)
class Fact:
    """One line of the sheet: what, its value with unit, the same in the other units, and as written."""

    label: str
    value: str
    also: str = ""
    written: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Picture:
    """A picture beside the sheet; ``path`` relative to it, ``/`` between parts."""

    caption: str
    path: str


@dataclass(frozen=True, kw_only=True, slots=True)
class ClipLine:
    """A clip of the list: times as shown to a person, ``files`` as they lie on their card."""

    name: str
    role: str = ""
    take: str = ""
    start: str = ""
    duration: str = ""
    frame_rate: str = ""
    timecode: str = ""
    files: tuple[str, ...] = ()
    note: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class SetupSheet:
    """Everything the one page of a setup says.  ``start`` and ``end`` local, in ``zone``; ``also_for`` the other shots
    that were cut from the setup."""

    show: str
    shot: str
    setup: str
    day: str
    also_for: tuple[str, ...] = ()
    unit: str = ""
    camera: str = ""
    start: str = ""
    end: str = ""
    zone: str = ""
    facts: tuple[Fact, ...] = ()
    measurements: tuple[Measurement, ...] = ()
    doubted: frozenset[int] = frozenset()  # lines of the measurements whose figure is in question
    items: tuple[DueItem, ...] = ()
    pictures: tuple[Picture, ...] = ()
    clips: tuple[ClipLine, ...] = ()
    roles: tuple[tuple[str, str], ...] = ()
    findings: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class StageFacts:
    """What the USD stage of a setup is built from; metres, degrees, millimetres; None where unknown.

    ``texture`` is the lat-long EXR relative to the stage.  ``centre_to_camera_deg`` is where the taking
    camera stands in it: 0 at the picture's centre, positive to the left (right-handed about +Y).
    ``distance_words`` name what ``camera_distance_m`` was measured to, ``stop_words`` what ``f_number`` rests on where
    it is more than a written f-number.  ``white_luminance`` is the cd/m2 of pixel 1.0 by the record.  ``left_out`` says
    of figures that were written and that no set is likely to have, by what they are of, why they are not here.
    """

    name: str
    texture: str = ""
    centre_to_camera_deg: float = 0.0
    white_luminance: float | None = None
    probe_height_m: float | None = None
    camera: str = ""
    camera_height_m: float | None = None
    camera_distance_m: float | None = None
    distance_words: str = ""
    tilt_deg: float | None = None
    focal_mm: float | None = None
    sensor_mm: tuple[float, float] | None = None
    f_number: float | None = None
    stop_words: str = ""
    focus_m: float | None = None
    measurements: tuple[Measurement, ...] = ()
    left_out: Mapping[str, str] = field(default_factory=dict)
