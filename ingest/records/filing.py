"""What is filed, on which evidence, and where it then lies."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Evidence(StrEnum):
    """What a placement rests on, strongest first."""

    HAND = "hand"
    SLATE = "slate"
    LOG = "log"
    PAPERS = "papers"  # its own record at a destination, where nothing here says anything
    NONE = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Item:
    """Something to be filed: a probe set, a clip, a reference still.

    ``moments`` are the true times of its frames (a clip: its start and end), seconds since the epoch;
    empty where no header told a time.  ``sigma_s`` is the standard uncertainty of the body's clock.
    ``unit`` and ``camera`` (the taking camera's letter) are "" where nobody said.  ``together`` names the standpoint
    that a probe's views share: they count as one probe.
    """

    id: str
    kind: str = "probe"
    body: str = ""
    moments: tuple[float, ...] = ()
    sigma_s: float = 0.0
    unit: str = ""
    camera: str = ""
    together: str = ""

    @property
    def standpoint(self) -> str:
        return self.together or self.id


@dataclass(frozen=True, kw_only=True, slots=True)
class Decision:
    """A person filed this by hand.  ``day`` and ``unit`` may be "" where the setup's name is unique."""

    shot: str
    setup: str
    day: str = ""
    unit: str = ""
    by: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class SlateReading:
    """A slate read in a still (``body``, ``at_s``) or in a clip (``item``: that clip's id).

    A ``tail`` slate, held upside down, speaks for what was recorded before it.  ``role`` is what it announces
    (probe, clean_plate, dirty_plate, chart, balls, reference), "" for the setup alone.
    """

    setup: str
    at_s: float
    body: str = ""
    item: str = ""
    shot: str = ""
    take: str = ""
    unit: str = ""
    day: str = ""
    camera: str = ""
    role: str = ""
    tail: bool = False
    source: str = ""  # the frame or clip it was read in


@dataclass(frozen=True, kw_only=True, slots=True)
class Placement:
    """Where an item belongs and why.  ``setup`` "" means unfiled; then ``nearest`` is the setup next in
    time and ``minutes_away`` how far (None: the log has no row that day).

    ``day`` is the shoot day; ``shots`` all shots of the setup, the first being ``shot``.  ``review`` marks
    what a person must look at, with ``reasons``; ``why`` says what decided (for ``--why``), ``notes`` is
    worth knowing but no reason for review.  ``line`` is the log's row, 0 if none decided.
    """

    item: str
    day: str = ""
    unit: str = ""
    shot: str = ""
    shots: tuple[str, ...] = ()
    setup: str = ""
    evidence: Evidence = Evidence.NONE
    review: bool = False
    reasons: tuple[str, ...] = ()
    why: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    nearest: str = ""
    minutes_away: float | None = None
    line: int = 0

    @property
    def key(self) -> tuple[str, str, str] | None:
        """(day, unit, setup), or None while unfiled."""
        return (self.day, self.unit, self.setup) if self.setup else None


@dataclass(frozen=True, kw_only=True, slots=True)
class Place:
    """Folder relative to the show's folder at a destination (``/`` between parts) and file stem.

    ``also`` are further folders for the setup's other shots, linked to the first.
    """

    folder: str
    stem: str
    also: tuple[str, ...] = ()
