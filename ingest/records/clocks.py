"""What is known of a body's clock, and what each frame's true time is by it.

One sign everywhere: **true local time = what the body showed + offset_s** (a body 17 h slow has 61200).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum


class ClockSource(StrEnum):
    """Where a body's offset comes from, strongest first."""

    PHOTOGRAPHED = "photographed"
    NOTES = "notes"
    SETTINGS = "settings"
    HEADER = "header"
    NONE = "none"


@dataclass(frozen=True, kw_only=True, slots=True)
class Shown:
    """What one frame says of its body's clock.  ``body`` is ``make|model|serial``; ``shown`` the body's wall
    clock (naive), None where the header has no time; ``utc_offset_s`` the header's local minus UTC.  ``tick_s``
    is the clock's resolution.  The rest is the order of shooting: card, place on it, file and folder number."""

    frame: str
    body: str
    shown: datetime | None
    utc_offset_s: int | None = None
    tick_s: float = 1.0
    card: str = ""
    card_index: int = 0
    prefix: str = ""
    number: int | None = None
    folder_number: int | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class ClockNote:
    """One understood row of ``clock_notes.csv``: ``camera`` as written (make and model, model, or nickname),
    ``serial`` may be "".  ``true_time`` is local time in the show's zone, naive."""

    line: int
    camera: str
    serial: str
    camera_shows: datetime
    true_time: datetime | None
    offset_s: float
    note: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class ClockReading:
    """A photographed clock: this frame was taken at ``true_utc_s`` (seconds since the epoch), as the cart's
    clock had it, give or take ``sigma_s``."""

    frame: str
    true_utc_s: float
    sigma_s: float = 0.6


@dataclass(frozen=True, kw_only=True, slots=True)
class Timing:
    """A frame's true time.  ``utc_s`` is None where its header has no time.  ``review`` says why a person
    must look, "" otherwise."""

    utc_s: float | None
    sigma_s: float
    source: ClockSource
    review: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class BodyClock:
    """A body's clock as ``bodies --json`` gives it.  Where it was set during the show the newest stretch
    counts; ``drift_s_per_day`` is 0 where only one moment is known."""

    body: str
    offset_s: float
    drift_s_per_day: float
    uncertainty_s: float
    source: ClockSource


@dataclass(frozen=True, kw_only=True, slots=True)
class ClockOddity:
    """Something about a body's clock that a person should know: ``what`` it is, ``next`` what to do.
    ``proposed_offset_s`` is a guess to be confirmed, never used by itself."""

    kind: str
    body: str
    what: str
    next: str
    proposed_offset_s: float | None = None
    frames: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class Clocks:
    """Everything one look at the clocks gave; ``timings`` by frame id."""

    timings: dict[str, Timing]
    bodies: tuple[BodyClock, ...] = ()
    oddities: tuple[ClockOddity, ...] = ()
