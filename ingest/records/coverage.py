"""What was due at each setup, and whether it is there."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum


class Status(StrEnum):
    """Where a due item stands."""

    HAVE = "have"
    DUE = "due"  # missing, and still possible
    WAIVED = "waived"
    LOST = "lost"  # missing, and its time is over


@dataclass(frozen=True, kw_only=True, slots=True)
class Taken:
    """Something that was captured and filed: evidence that an item is there.

    ``item`` is the due item it serves (probe, clean_plate, dirty_plate, chart, balls, measured, lens_grid,
    clock_check ... or "clip" for a take); ``start_s`` and ``end_s`` true times; ``proposed`` where a role was
    found by looking and no person confirmed it; ``review`` where the filing is in doubt.  ``lens_serial``
    and ``body`` as its header says.
    """

    id: str
    item: str
    day: str
    unit: str = ""
    setup: str = ""
    start_s: float | None = None
    end_s: float | None = None
    proposed: bool = False
    review: bool = False
    body: str = ""
    lens_serial: str = ""

    @property
    def key(self) -> tuple[str, str, str]:
        return (self.day, self.unit, self.setup)


@dataclass(frozen=True, kw_only=True, slots=True)
class Waiver:
    """A person decided that an item is not needed.  ``setup`` "" waives it for the day."""

    day: str
    item: str
    unit: str = ""
    setup: str = ""
    by: str = ""
    why: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class DueItem:
    """One item of one setup.  ``because`` says which change made it due again ("lens 35 to 50"), "" for the
    first; ``why`` the rule's reason; ``due_until_s`` true time, None where nothing ends it or it is there;
    ``evidence`` ids of probes, clips, stills or a line of the log; ``words`` more for the person."""

    item: str
    status: Status
    why: str
    because: str = ""
    due_until_s: float | None = None
    evidence: tuple[str, ...] = ()
    words: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class SetupCoverage:
    """A setup with all that was due.  ``end_s`` None while its last row is open; ``until_s`` is where it stops
    counting at the latest, ``closed`` once that has passed."""

    day: str
    unit: str
    setup: str
    shot: str
    camera: str
    lens: str
    start_s: float
    end_s: float | None
    until_s: float
    closed: bool
    items: tuple[DueItem, ...] = ()

    @property
    def key(self) -> tuple[str, str, str]:
        return (self.day, self.unit, self.setup)
