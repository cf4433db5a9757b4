"""From codes in pictures to readings of the cart's clock, and whether other sources agree with them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from zoneinfo import ZoneInfo

from ingest.records.clocks import ClockNote, ClockReading, Shown
from ingest.records.codes import SeenCode
from ingest.steps.clocks.anchors import DAY_S, DRIFT_S_PER_DAY, REACH_S
from ingest.steps.clocks.bodies import matches
from ingest.steps.clocks.code import ClockCode, read_clock
from ingest.steps.clocks.zones import local_seconds, wall_seconds

AHEAD_S = 90.0  # a picture cannot be of a moment that is still to come, by the same clock
TWO_PAGES_S = 3.0  # further apart than one page and its echo in a mirror or a second screen
# Two people reading two clocks, or a setting made in a hurry (common practice, no source).
DISAGREE_S = 10.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Photographed:
    """Readings by frame; ``refused`` frames with why; ``unkept`` frames whose clock no time service kept."""

    readings: tuple[ClockReading, ...] = ()
    refused: Mapping[str, str] = field(default_factory=dict)
    unkept: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class Contradiction:
    """A body whose photographed clock says another offset than the person wrote."""

    body: str
    what: str


def photographed(signs: Mapping[str, Sequence[SeenCode]], *, now_s: float) -> Photographed:
    """What the clocks shown by frames say.  ``now_s`` is now by the cart's clock, seconds since the epoch."""
    readings: list[ClockReading] = []
    refused: dict[str, str] = {}
    unkept: list[str] = []
    for frame in sorted(signs):
        clocks = [c for seen in signs[frame] if (c := read_clock(seen.text))]
        if not clocks:
            continue
        latest = max(clocks, key=lambda c: c.utc)
        if any((latest.utc - c.utc).total_seconds() > TWO_PAGES_S for c in clocks):
            refused[frame] = "It shows two clocks that differ: one of them had stopped."
        elif latest.middle_s > now_s + AHEAD_S:
            refused[frame] = f"The clock in it says {latest.utc:%Y-%m-%d %H:%M:%S} UTC, which is still to come."
        else:
            readings.append(reading_of(frame, latest))
            unkept += [frame] if latest.synchronised is False else []
    return Photographed(readings=tuple(readings), refused=refused, unkept=tuple(unkept))


def reading_of(frame: str, code: ClockCode) -> ClockReading:
    return ClockReading(frame=frame, true_utc_s=code.middle_s, sigma_s=code.sigma_s)


def contradictions(
    shown: Sequence[Shown], readings: Sequence[ClockReading], notes: Sequence[ClockNote], *, zone: str,
    settings_offsets: Mapping[str, float], nicknames: Mapping[str, str],
) -> list[Contradiction]:
    """Where a photographed clock and a row of the notes or the settings differ by more than hurry and drift explain,
    the worst of each body and source."""
    by_id = {s.frame: s for s in shown}
    worst: dict[tuple[str, str], tuple[float, Contradiction]] = {}
    for reading in readings:
        one = by_id.get(reading.frame)
        if one is None or one.shown is None:
            continue
        at = wall_seconds(one.shown)
        offset = local_seconds(reading.true_utc_s, ZoneInfo(zone)) - at
        said: list[tuple[str, float, float]] = [
            (f"line {n.line} of clock_notes.csv", n.offset_s, abs(wall_seconds(n.camera_shows) - at))
            for n in notes if matches(n, one.body, nicknames.get(one.body, ""))
        ]
        if one.body in settings_offsets:
            said.append(("the settings", settings_offsets[one.body], 0.0))
        for where, theirs, apart_s in said:
            differ = abs(theirs - offset)
            if apart_s > REACH_S or differ <= DISAGREE_S + DRIFT_S_PER_DAY * apart_s / DAY_S:
                continue
            what = f"The photographed clock gives {offset:+.0f} s, {where} {theirs:+.0f} s."
            if differ > worst.get((one.body, where), (0.0, None))[0]:
                worst[one.body, where] = (differ, Contradiction(body=one.body, what=what))
    return [found for _, found in worst.values()]
