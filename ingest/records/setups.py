"""What the setup log says, as understood; what was written is kept beside it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True, kw_only=True, slots=True)
class SetupRow:
    """One understood row of the setup log.

    ``day`` is the shoot day (YYYY-MM-DD); ``start_s`` and ``end_s`` are true time, seconds since the
    epoch (``end_s`` None: until the next row, which the reader has filled in where it could; still None
    for the last row of a day).  The key of a setup is (day, unit, setup).  ``shot`` "" means not known
    yet; several shots are kept as written, split in ``shots``.  ``cells`` holds every column as written.
    """

    line: int
    day: str
    unit: str = ""
    shot: str = ""
    shots: tuple[str, ...] = ()
    setup: str = ""
    start_s: float | None = None
    end_s: float | None = None
    open_ended: bool = False
    camera: str = ""
    lens: str = ""
    notes: str = ""
    cells: Mapping[str, str] = field(default_factory=dict)

    @property
    def key(self) -> tuple[str, str, str]:
        return (self.day, self.unit, self.setup)


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
    """Everything one reading of the log gave: rows in order and questions."""

    rows: tuple[SetupRow, ...] = ()
    questions: tuple[Question, ...] = ()
