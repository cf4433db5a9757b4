"""Which probes are merged again: a choice from what is asked for, what stands, and what was asked before.

Nothing is kept of an asking but a decision on each probe it chose.  So a stop at any moment leaves probes that
are made and probes that are owed, and asking for the same again chooses nothing twice: what was made with these
settings by this program stands, what is still owed goes on.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from enum import StrEnum

from ingest.records.merges import Again, PixelSettings


@dataclass(frozen=True, kw_only=True, slots=True)
class Selection:
    """A part of a show.  Names of one kind widen it, kinds narrow it: two shots and a day are what was taken on that
    day for either shot.  ``everything`` must be said: a selection that names nothing takes nothing."""

    everything: bool = False
    shots: frozenset[str] = frozenset()
    setups: frozenset[str] = frozenset()
    days: frozenset[str] = frozenset()
    probes: frozenset[str] = frozenset()
    bodies: frozenset[str] = frozenset()

    @property
    def empty(self) -> bool:
        return not (self.everything or self.shots or self.setups or self.days or self.probes or self.bodies)

    def takes(self, subject: Subject) -> bool:
        """Whether the probe belongs to it.  Case does not matter, as nowhere in the log."""
        if self.empty:
            return False
        asked = ((self.shots, subject.shots), (self.setups, {subject.setup}), (self.days, {subject.day}),
                 (self.probes, {subject.id}), (self.bodies, subject.bodies))
        return all(not names or _folded(names) & (_folded(own) - {""}) for names, own in asked)

    def unknown(self, subjects: Iterable[Subject]) -> list[str]:
        """Names that no probe answers to: a slip of the hand must not look like work done."""
        known: dict[str, set[str]] = {"shot": set(), "setup": set(), "day": set(), "probe": set(), "body": set()}
        for s in subjects:
            for kind, own in (("shot", s.shots), ("setup", {s.setup}), ("day", {s.day}), ("probe", {s.id}),
                              ("body", s.bodies)):
                known[kind] |= _folded(own)
        named = {"shot": self.shots, "setup": self.setups, "day": self.days, "probe": self.probes, "body": self.bodies}
        return [f"{kind} {name}" for kind, names in named.items() for name in sorted(names)
                if name.casefold() not in known[kind]]


def _folded(names: Iterable[str]) -> set[str]:
    return {n.casefold() for n in names}


@dataclass(frozen=True, kw_only=True, slots=True)
class Subject:
    """A probe as far as the choice goes.  ``bodies`` are all names its camera answers to.

    ``made`` says how its present version was made (None where there is none, or it was refused, or the record is
    older than this knowledge), ``program`` by which program; ``owed`` is what it was asked for and has not got.
    """

    id: str
    shots: frozenset[str] = frozenset()
    setup: str = ""
    day: str = ""
    bodies: frozenset[str] = field(default_factory=frozenset)
    made: PixelSettings | None = None
    program: str = ""
    owed: Again | None = None


class What(StrEnum):
    AGAIN = "again"
    GOES_ON = "goes on"  # it was asked for before and is still owed
    STANDS = "stands"  # its present version was made just so


@dataclass(frozen=True, kw_only=True, slots=True)
class Choice:
    id: str
    what: What


def choose(
    subjects: Iterable[Subject], selection: Selection, settings: PixelSettings, program: str, *, force: bool = False
) -> list[Choice]:
    """For each probe of the selection, by id, what becomes of it under these settings and this program.

    ``force`` merges again also what was made just so (the decoder or the machine is doubted).
    """
    out = []
    for subject in sorted(subjects, key=lambda s: s.id):
        if not selection.takes(subject):
            continue
        if subject.owed is not None and subject.owed.settings == settings:
            what = What.GOES_ON
        elif subject.owed is None and not force and subject.made == settings and subject.program == program:
            what = What.STANDS
        else:
            what = What.AGAIN
        out.append(Choice(id=subject.id, what=what))
    return out
