"""What the grouping answers: sets, loose frames, and why."""

from __future__ import annotations

from dataclasses import dataclass, field


@dataclass(frozen=True, kw_only=True, slots=True)
class ProbeSet:
    """Frames of one bracket (one view).

    ``frames`` are frame ids from dark to bright (equal exposures and unknown ones in time order).
    ``complete`` is None where nobody could say.  ``review`` marks what a person must look at, with
    ``reasons`` in words; ``why`` explains the decision in the grouping's own terms (for ``--why``).
    ``position`` is an index shared by the sets of one standpoint, ``view`` counts within it from 1;
    ``repeat_of`` is the index of the set (in ``Grouping.sets``) that this one repeats, None else.
    """

    frames: tuple[str, ...]
    complete: bool | None
    review: bool = False
    reasons: tuple[str, ...] = ()
    why: tuple[str, ...] = ()
    position: int = 0
    view: int = 1
    repeat_of: int | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Grouping:
    """A partition: every frame id given stands in exactly one set or in ``loose`` (id -> what it is:
    "test exposure", "burst", "time-lapse", "single", "unreadable", "left over")."""

    sets: tuple[ProbeSet, ...] = ()
    loose: dict[str, str] = field(default_factory=dict)
    why_loose: dict[str, str] = field(default_factory=dict)
