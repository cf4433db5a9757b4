"""What the grouping answers: sets, loose frames, and why."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field


@dataclass(frozen=True, kw_only=True, slots=True)
class GroupingSettings:
    """What a show may change about the grouping.

    ``longest_pause_s`` is the longest idle time that is ever considered inside one set, ``longest_set``
    its most frames.  A set whose share of all readings' likelihood is below ``review_below`` goes to
    review.  ``position_pause_s`` is how long turning the head to the next view may take.  ``kinds`` says
    what a body's frames are ("lat-long", "dual-fisheye", "fisheye", "flat"), by ``Frame.body``.
    """

    longest_pause_s: float = 600.0
    longest_set: int = 24
    review_below: float = 0.9
    position_pause_s: float = 75.0
    kinds: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True, slots=True)
class ProbeSet:
    """Frames of one bracket (one view).

    ``frames`` are frame ids from dark to bright (equal exposures and unknown ones in time order).
    ``complete`` is None where nobody could say.  ``review`` marks what a person must look at, with
    ``reasons`` in words; ``why`` explains the decision in the grouping's own terms (for ``--why``).
    ``position`` is an index shared by the sets of one standpoint, ``view`` counts within it from 1;
    ``repeat_of`` is the index of the set (in ``Grouping.sets``) that this one repeats, None else.
    ``proposed`` is false where a repeat of the same view looks better; the view's best one keeps it true.
    ``share`` is how sure the grouping is (0 to 1).
    """

    frames: tuple[str, ...]
    complete: bool | None
    review: bool = False
    reasons: tuple[str, ...] = ()
    why: tuple[str, ...] = ()
    position: int = 0
    view: int = 1
    repeat_of: int | None = None
    proposed: bool = True
    share: float = 1.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Grouping:
    """A partition: every frame id given stands in exactly one set, in ``loose`` (id -> what it is: "test
    exposure", "burst", "time-lapse", "single", "unreadable", "left over"), or in ``partner_of``: the second
    file of an exposure that was written to two cards (id -> id of the frame that stands for both)."""

    sets: tuple[ProbeSet, ...] = ()
    loose: dict[str, str] = field(default_factory=dict)
    why_loose: dict[str, str] = field(default_factory=dict)
    partner_of: dict[str, str] = field(default_factory=dict)
