"""What the setup log says, as understood; what was written is kept beside it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction


@dataclass(frozen=True, kw_only=True, slots=True)
class SetupRow:
    """One understood row of the setup log.

    ``day`` is the shoot day (YYYY-MM-DD); ``start_s`` and ``end_s`` are true time, seconds since the
    epoch (``end_s`` None: until the next row, which the reader has filled in where it could; still None
    for the last row of a day).  ``until_s`` is where the row stops counting: ``end_s``, or for a last
    open row the next row of its unit or the day's roll-over, whichever comes first.  ``open_ended``: the
    log gives no end.  ``coarse_s`` is how coarsely the start was written (60 for HH:MM).

    The key of a setup is (day, unit, setup).  ``shot`` "" means not known yet; several shots are kept as
    written, split in ``shots``.  ``setup`` is the slate where the log has no column of that name.
    ``doubts`` are words about the row itself (out of order, longer than a day's work): what it decides is
    for review.  ``cells`` holds every column as written, known columns under our names.
    """

    line: int
    day: str
    file: str = ""
    unit: str = ""
    shot: str = ""
    shots: tuple[str, ...] = ()
    setup: str = ""
    start_s: float | None = None
    end_s: float | None = None
    until_s: float | None = None
    open_ended: bool = False
    coarse_s: int = 60
    take: str = ""
    lighting: str = ""
    doubts: tuple[str, ...] = ()
    camera: str = ""
    lens: str = ""
    notes: str = ""
    cells: Mapping[str, str] = field(default_factory=dict)

    @property
    def key(self) -> tuple[str, str, str]:
        return (self.day, self.unit, self.setup)

    @property
    def place(self) -> tuple[str, int]:
        """(file, line): the row among those of several logs."""
        return (self.file, self.line)


@dataclass(frozen=True, kw_only=True, slots=True)
class Question:
    """A cell that could not be understood, or could mean two things."""

    file: str
    line: int
    column: str
    written: str
    asks: str


@dataclass(frozen=True, kw_only=True, slots=True)
class SetupLog:
    """Everything one reading of the log gave: rows in order and questions.  ``units`` are what headers
    say about their column ("camera height (cm)": camera_height -> cm)."""

    rows: tuple[SetupRow, ...] = ()
    questions: tuple[Question, ...] = ()
    units: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True, slots=True)
class Sheet:
    """The numbers of one row's camera sheet, as understood; None where nothing (clear) is written.

    Lengths in metres, ``*_to`` the end of a move; tilt in degrees, up positive; ``frame_rate`` frames a
    second as recorded; ``stop_kind`` T, f or "", ``stop_in`` the column it was read in (stop or lens).
    ``approximate`` names the columns written with "about".
    """

    line: int
    camera_height_m: float | None = None
    camera_height_to_m: float | None = None
    object_height_m: float | None = None
    probe_height_m: float | None = None
    focus_m: float | None = None
    focus_to_m: float | None = None
    tilt_deg: float | None = None
    focal_mm: float | None = None
    stop: float | None = None
    stop_kind: str = ""
    stop_in: str = ""
    frame_rate: Fraction | None = None
    shutter_deg: float | None = None
    nd_stops: float | None = None
    sensor_mm: tuple[float, float] | None = None  # active area, width and height
    approximate: tuple[str, ...] = ()
    questions: tuple[Question, ...] = ()
