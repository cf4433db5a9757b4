"""When clips began: by a clock photographed in them, by one photographed in another clip of that body, else as their
files say."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from statistics import median
from zoneinfo import ZoneInfo

from ingest.records.clocks import BodyClock, ClockReading, ClockSource, Shown
from ingest.records.codes import SeenCode
from ingest.steps.clocks.code import SIGMA_S, read_clock
from ingest.steps.clocks.offsets import correct
from ingest.steps.clocks.photographed import AHEAD_S

UNCHECKED_SIGMA_S = 60.0  # a clip's creation time is the camera's own clock, which nobody compared (common practice)


@dataclass(frozen=True, kw_only=True, slots=True)
class ClipMoment:
    """What a clip says of when it began: ``body`` (``make|model|serial``), its creation time with a zone or, where
    the file names none, as wall clock, and the codes of its frames."""

    id: str
    body: str = ""
    created_utc: datetime | None = None
    created_shown: datetime | None = None
    codes: Sequence[SeenCode] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class ClipStart:
    """True time of a clip's first frame, seconds since the epoch (None: nobody knows)."""

    start_s: float | None
    sigma_s: float
    source: ClockSource = ClockSource.NONE


def clip_starts(
    clips: Sequence[ClipMoment], *, zone: str, now_s: float
) -> tuple[dict[str, ClipStart], tuple[BodyClock, ...]]:
    """The start of every clip, and the clocks of bodies that a clip tells.

    A creation time is when recording began or ended, to a few seconds (cameras differ, common practice): offsets of
    other clips by it carry that doubt only where the clip's own frames do not show a clock.
    """
    seen = {c.id: start for c in clips if (start := _photographed(c, now_s)) is not None}
    told = {c.body for c in clips if c.body and c.id in seen}
    shown = [
        Shown(frame=c.id, body=c.body, shown=wall, card=c.id)
        for c in clips if c.body in told and (wall := _wall(c)) is not None
    ]
    readings = [ClockReading(frame=i, true_utc_s=s.start_s, sigma_s=2.0) for i, s in seen.items()
                if s.start_s is not None]
    clocks = correct(shown, zone=zone, readings=readings)
    starts = {}
    for clip in clips:
        timing = clocks.timings.get(clip.id)
        if clip.id in seen:
            starts[clip.id] = seen[clip.id]
        elif timing is not None and timing.source is ClockSource.PHOTOGRAPHED:
            starts[clip.id] = ClipStart(start_s=timing.utc_s, sigma_s=timing.sigma_s, source=timing.source)
        else:
            starts[clip.id] = ClipStart(start_s=_as_written(clip, ZoneInfo(zone)), sigma_s=UNCHECKED_SIGMA_S)
    return starts, tuple(b for b in clocks.bodies if b.source is ClockSource.PHOTOGRAPHED)


def _photographed(clip: ClipMoment, now_s: float) -> ClipStart | None:
    """The start by the clocks in its own frames, None without one that can be believed."""
    found = [
        clock.middle_s - (seen.at_s or 0.0)
        for seen in clip.codes if (clock := read_clock(seen.text)) and clock.middle_s <= now_s + AHEAD_S
    ]
    if not found or max(found) - min(found) > 3.0:  # a clock that stood still while the clip ran is none
        return None
    return ClipStart(start_s=median(found), sigma_s=SIGMA_S, source=ClockSource.PHOTOGRAPHED)


def _wall(clip: ClipMoment) -> datetime | None:
    """The body's own clock as written: many fill the field of UTC with it."""
    if clip.created_shown is not None:
        return clip.created_shown
    return clip.created_utc.replace(tzinfo=None) if clip.created_utc is not None else None


def _as_written(clip: ClipMoment, zone: ZoneInfo) -> float | None:
    if clip.created_utc is not None:
        return clip.created_utc.timestamp()
    return clip.created_shown.replace(tzinfo=zone).timestamp() if clip.created_shown is not None else None
