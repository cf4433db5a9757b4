"""What was due at each setup, and whether it is there."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction


class Status(StrEnum):
    """Where a due item stands."""

    HAVE = "have"
    DUE = "due"  # missing, and still possible
    WAIVED = "waived"
    LOST = "lost"  # missing, and its time is over


def item_word(item: str) -> str:
    """An item of the due rules in running words.

    >>> item_word("clean_plate"), item_word("measured")
    ('clean plate', 'measurements')
    """
    return "measurements" if item == "measured" else item.replace("_", " ")


@dataclass(frozen=True, kw_only=True, slots=True)
class Taken:
    """Something that was captured and filed: evidence that an item is there.

    ``item`` is the due item it serves (probe, clean_plate, dirty_plate, chart, balls, measured, lens_grid,
    clock_check ... or "clip" for a take); ``start_s`` and ``end_s`` true times; ``proposed`` where a role was
    found by looking and no person confirmed it; ``review`` where the filing is in doubt; ``sigma_s`` the
    standard uncertainty of its clock.  ``lens_serial`` and ``body`` as its header says.
    """

    id: str
    item: str
    day: str
    unit: str = ""
    setup: str = ""
    start_s: float | None = None
    end_s: float | None = None
    sigma_s: float = 0.0
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
    ``evidence`` ids of probes, clips, stills or a line of the log; ``proposed`` ids of pictures that may show it, which
    nobody confirmed or refused yet: until somebody does, it is due and never lost; ``words`` more for the person."""

    item: str
    status: Status
    why: str
    because: str = ""
    due_until_s: float | None = None
    evidence: tuple[str, ...] = ()
    proposed: tuple[str, ...] = ()
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


@dataclass(frozen=True, kw_only=True, slots=True)
class Captured:
    """What the header of a clip or still says, beside where it was filed; "" and None where it is silent.

    ``kind`` is clip or still.  ``number`` is its place in the body's own numbering (the last figures of a
    DCF or clip name), ``series`` what stands before them.  ``take`` as read from a slate; ``role``
    clean_plate, dirty_plate, reference, or "" for a take.
    """

    id: str
    kind: str
    name: str
    role: str = ""
    body: str = ""
    start_s: float | None = None
    day: str = ""
    unit: str = ""
    setup: str = ""
    take: str = ""
    camera: str = ""
    focal_mm: float | None = None
    frame_rate: Fraction | None = None
    lens: str = ""
    lens_serial: str = ""
    body_serial: str = ""
    series: str = ""
    number: int | None = None
    duration_s: float | None = None
    proposed: str = ""  # the role that looking at it suggests, while nobody confirmed one
    card: str = ""
    trashed: bool = False  # deleted on the card, and kept all the same

    @property
    def key(self) -> tuple[str, str, str]:
        return (self.day, self.unit, self.setup)


@dataclass(frozen=True, kw_only=True, slots=True)
class CardSeen:
    """A card that came: the day it came and the ``days`` its pictures are of, what it is called, which bodies wrote it,
    what is on it (still, clip, sound)."""

    id: str
    day: str
    label: str = ""
    roll: str = ""
    unit: str = ""
    bodies: tuple[str, ...] = ()
    kinds: tuple[str, ...] = ()
    days: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class LensEntry:
    """One lens by serial: on which days and setups it was used, and the grids shot of it."""

    serial: str
    lens: str
    days: tuple[str, ...] = ()
    setups: tuple[str, ...] = ()
    grids: tuple[str, ...] = ()
