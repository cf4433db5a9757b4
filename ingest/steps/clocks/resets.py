"""A clock that fell back to its maker's first day, as after a change of battery: noticed, never believed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from ingest.records.clocks import ClockOddity
from ingest.records.frames import Frame

DAY_S = 86400.0
AWAY_S = 180 * DAY_S  # from the middle of the show's stills
NEW_YEAR_S = 4 * DAY_S  # factory dates are a first of January (common practice, no source)
PACE_S = 60.0  # a battery is changed within a minute or so; the proposal says "at least"


@dataclass(frozen=True, kw_only=True, slots=True)
class Reset:
    """Frames ``first`` to before ``last`` (order of shooting) carry a date that cannot be."""

    first: int
    last: int

    def holds(self, place: int) -> bool:
        return self.first <= place < self.last


def plainly_reset(frames: Sequence[Frame], usual_s: float | None) -> list[Reset]:
    """Stretches of one body's frames whose clock was plainly reset.

    Plain is: the date is half a year or more before the show's other stills, and it is the first days of a
    year or the clock fell there from a right date in the middle of a card.
    """
    found: list[Reset] = []
    if usual_s is None:
        return found
    last_right = False
    for place, frame in enumerate(frames):
        if frame.shown_s is None:
            continue
        far = usual_s - frame.shown_s > AWAY_S
        running = bool(found) and found[-1].last == place
        if far and (running or _first_days(frame.shown_s) or last_right):
            if running:
                found[-1] = Reset(first=found[-1].first, last=place + 1)
            else:
                found.append(Reset(first=place, last=place + 1))
        last_right = not far
    return found


def _first_days(shown_s: float) -> bool:
    try:
        moment = datetime.fromtimestamp(shown_s, UTC)
    except (OverflowError, ValueError, OSError):
        return True
    new_year = datetime(moment.year, 1, 1, tzinfo=UTC)
    return (moment - new_year).total_seconds() < NEW_YEAR_S


def reset_oddity(body: str, frames: Sequence[Frame], reset: Reset) -> ClockOddity:
    """The finding, with an offset proposed from the last frame before the reset where there is one."""
    before = next((f for f in reversed(frames[: reset.first]) if f.shown_s is not None), None)
    first = frames[reset.first]
    assert first.shown_s is not None
    moment = datetime.fromtimestamp(max(first.shown_s, 0.0), UTC)
    proposed = None
    guess = "Add a row to clock_notes.csv for this body: what it shows now and the true time."
    if before is not None and before.shown_s is not None:
        proposed = round(before.shown_s + PACE_S - first.shown_s)
        guess = (f"If it happened right after the frame before, offset_s is at least {proposed}; confirm it with a row "
                 "in clock_notes.csv: what the body shows now and the true time.")
    return ClockOddity(
        kind="clock-reset",
        body=body,
        what=f"the clock of {body.replace('|', ' ').strip() or 'an unnamed body'} fell back to {moment:%Y-%m-%d %H:%M} "
             f"for {reset.last - reset.first} frame(s)",
        next=guess,
        proposed_offset_s=proposed,
        frames=tuple(f.id for f in frames[reset.first : reset.last]),
    )
