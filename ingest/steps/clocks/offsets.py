"""Each frame's true time, from what its body showed and what is known of that body's clock.

One sign everywhere: true local time = what the body showed + offset_s.  Strongest first: a photographed
clock, the clock notes, the settings, the header's own offset tag, nothing (then the body is taken to have shown
the show's local time).  A stronger source that does not reach a frame leaves it to the next.

A clock that was plainly set back to its maker's first day is pointed out with a proposal; nothing believes it.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median
from zoneinfo import ZoneInfo

from ingest.records.clocks import (
    BodyClock,
    ClockNote,
    ClockOddity,
    ClockReading,
    Clocks,
    ClockSource,
    Shown,
    Timing,
)
from ingest.records.frames import Frame
from ingest.steps.clocks.anchors import READ_OFF_S, Anchor, Setting, Stretch, sought, stretches
from ingest.steps.clocks.bodies import matches
from ingest.steps.clocks.resets import plainly_reset, reset_oddity
from ingest.steps.clocks.sequence import in_order
from ingest.steps.clocks.zones import local_seconds, to_utc, wall_seconds

# How far a clock may be off that nobody checked (common practice, no source).
SETTINGS_SIGMA_S, HEADER_SIGMA_S, NONE_SIGMA_S = 5.0, 20.0, 60.0
LEFT_OPEN = "the clock was set between two notes, and the files do not tell before or after this frame"
UNKNOWN_SIGMA_S = 366 * 86400.0  # the date itself is not believed


@dataclass(frozen=True, kw_only=True, slots=True)
class _Known:
    """One kind of anchors over one body: its stretches, and where the clock was set between them."""

    stretches: tuple[Stretch, ...]
    settings: tuple[Setting, ...]

    def at(self, place: int, shown_s: float) -> tuple[float, float, str] | None:
        """Offset, sigma and a word for review at one place in the order of shooting; None out of reach."""
        for k, setting in enumerate(self.settings):
            if place < setting.first:
                return _clear(self.stretches[k].at(shown_s))
            if place < setting.last:
                return self._open(k, shown_s)
        return _clear(self.stretches[-1].at(shown_s))

    def _open(self, k: int, shown_s: float) -> tuple[float, float, str] | None:
        """Between two stretches where nothing says on which side: the earlier offset, and the doubt."""
        leap = abs(self.stretches[k].anchors[-1].offset_s - self.stretches[k + 1].anchors[0].offset_s)
        found = self.stretches[k].at(shown_s) or self.stretches[k + 1].at(shown_s)
        if found is None:
            return None
        return found[0], leap, LEFT_OPEN


def _clear(found: tuple[float, float] | None) -> tuple[float, float, str] | None:
    return None if found is None else (*found, "")


def correct(
    shown: Sequence[Shown],
    *,
    zone: str,
    notes: Sequence[ClockNote] = (),
    readings: Sequence[ClockReading] = (),
    settings_offsets: Mapping[str, float] | None = None,
    nicknames: Mapping[str, str] | None = None,
) -> Clocks:
    """The true time of every frame, every body's clock, and what is odd about them.

    ``settings_offsets`` and ``nicknames`` go by body (``make|model|serial``).  ``zone`` is the show's IANA
    zone.  The order of input changes nothing.  Raises ``zoneinfo.ZoneInfoNotFoundError`` for an unknown zone.
    """
    place = ZoneInfo(zone)
    by_body: dict[str, list[Shown]] = defaultdict(list)
    for one in sorted({s.frame: s for s in shown}.values(), key=lambda s: s.frame):
        by_body[one.body].append(one)
    usual_s = _usual(shown)
    timings: dict[str, Timing] = {}
    bodies: list[BodyClock] = []
    oddities: list[ClockOddity] = _unmatched(notes, by_body, nicknames or {})
    for body in sorted(by_body):
        own = _Body(body=body, shown=by_body[body], zone=place, usual_s=usual_s,
                    settings_offset=(settings_offsets or {}).get(body))
        mine = [n for n in notes if matches(n, body, (nicknames or {}).get(body, ""))]
        found, clock, odd = own.corrected(mine, readings)
        timings.update(found)
        bodies += [clock] if clock else []
        oddities += odd
    return Clocks(timings=timings, bodies=tuple(bodies), oddities=tuple(oddities))


def _usual(shown: Sequence[Shown]) -> float | None:
    times = [wall_seconds(s.shown) for s in shown if s.shown is not None]
    return median(times) if times else None


def _unmatched(
    notes: Sequence[ClockNote], by_body: Mapping[str, Sequence[Shown]], nicknames: Mapping[str, str]
) -> list[ClockOddity]:
    """Rows of the clock notes that name no body seen, or more than one."""
    odd = []
    for note in notes:
        named = [b for b in by_body if b and matches(note, b, nicknames.get(b, ""))]
        if len(named) > 1:
            what = f"line {note.line} of clock_notes.csv ({note.camera}) speaks for {len(named)} bodies of this name"
            odd.append(ClockOddity(kind="clock-note-for-several", body=named[0], what=what,
                                   next="Give the serial number in that row."))
        elif not named and by_body:
            named_as = note.camera or note.serial
            what = f"line {note.line} of clock_notes.csv names {named_as}, which no still was taken with"
            odd.append(ClockOddity(kind="clock-note-unused", body="", what=what,
                                   next="Write the body as its headers name it (bodies lists them), or its nickname."))
    return odd


@dataclass(frozen=True, kw_only=True, slots=True)
class _Body:
    """One body's frames and what the settings say of it."""

    body: str
    shown: Sequence[Shown]
    zone: ZoneInfo
    usual_s: float | None
    settings_offset: float | None

    def corrected(
        self, notes: Sequence[ClockNote], readings: Sequence[ClockReading]
    ) -> tuple[dict[str, Timing], BodyClock | None, list[ClockOddity]]:
        by_id = {s.frame: s for s in self.shown}
        frames, _ = in_order([_as_frame(s) for s in self.shown])
        sources = [
            (ClockSource.PHOTOGRAPHED, _known(frames, self._photographed(by_id, readings))),
            (ClockSource.NOTES, _known(frames, [_noted(n) for n in notes])),
        ]
        resets = plainly_reset(frames, self.usual_s)
        timings: dict[str, Timing] = {}
        last_utc: float | None = None
        newest: tuple[float, float, float, ClockSource] | None = None
        for place, frame in enumerate(frames):
            if frame.shown_s is None:
                timings[frame.id] = Timing(utc_s=None, sigma_s=UNKNOWN_SIGMA_S, source=ClockSource.NONE)
                continue
            offset, sigma, source, review = self._offset(place, frame.shown_s, by_id[frame.id], sources)
            utc, doubt_s = self._utc(frame.shown_s, offset, by_id[frame.id], source, last_utc)
            if source in (ClockSource.HEADER, ClockSource.NONE) and any(r.holds(place) for r in resets):
                sigma, review = UNKNOWN_SIGMA_S, "the body's clock was reset: its date cannot be believed"
            else:
                last_utc = utc
                newest = (frame.shown_s, local_seconds(utc, self.zone) - frame.shown_s, sigma, source)
            timings[frame.id] = Timing(utc_s=utc, sigma_s=max(sigma, doubt_s), source=source, review=review)
        odd = [reset_oddity(self.body, frames, r) for r in resets if timings[frames[r.first].id].review]
        return timings, self._clock(newest, sources), odd

    def _photographed(self, by_id: Mapping[str, Shown], readings: Sequence[ClockReading]) -> list[Anchor]:
        found = []
        for reading in readings:
            one = by_id.get(reading.frame)
            if one is not None and one.shown is not None:
                at = wall_seconds(one.shown)
                found.append(Anchor(shown_s=at, offset_s=local_seconds(reading.true_utc_s, self.zone) - at,
                                    sigma_s=reading.sigma_s + one.tick_s / 2, source=ClockSource.PHOTOGRAPHED))
        return found

    def _offset(
        self, place: int, shown_s: float, one: Shown, sources: Sequence[tuple[ClockSource, _Known | None]]
    ) -> tuple[float, float, ClockSource, str]:
        for source, known in sources:
            found = known.at(place, shown_s) if known else None
            if found is not None:
                return found[0], found[1], source, found[2]
        if self.settings_offset is not None:
            return self.settings_offset, SETTINGS_SIGMA_S, ClockSource.SETTINGS, ""
        if one.utc_offset_s is not None:
            return 0.0, HEADER_SIGMA_S, ClockSource.HEADER, ""
        return 0.0, NONE_SIGMA_S, ClockSource.NONE, ""

    def _utc(
        self, shown_s: float, offset_s: float, one: Shown, source: ClockSource, last_utc: float | None
    ) -> tuple[float, float]:
        """True time and what daylight saving leaves open about it, both in seconds."""
        if source is ClockSource.HEADER and one.utc_offset_s is not None:
            return shown_s - one.utc_offset_s, 0.0
        return to_utc(shown_s + offset_s, self.zone, last_utc)

    def _clock(
        self,
        newest: tuple[float, float, float, ClockSource] | None,
        sources: Sequence[tuple[ClockSource, _Known | None]],
    ) -> BodyClock | None:
        if newest is None:
            return None
        _, offset, sigma, source = newest
        known = dict(sources).get(source)
        drift = known.stretches[-1].drift_s_per_day if known else 0.0
        return BodyClock(body=self.body, offset_s=round(offset, 3), drift_s_per_day=round(drift, 3),
                         uncertainty_s=round(sigma, 3), source=source)


def _as_frame(one: Shown) -> Frame:
    """As the order of shooting wants it."""
    return Frame(id=one.frame, body=one.body, shown_s=None if one.shown is None else wall_seconds(one.shown),
                 tick_s=one.tick_s, card=one.card, card_index=one.card_index, prefix=one.prefix, number=one.number,
                 folder_number=one.folder_number)


def _noted(note: ClockNote) -> Anchor:
    return Anchor(shown_s=wall_seconds(note.camera_shows), offset_s=note.offset_s, sigma_s=READ_OFF_S,
                  source=ClockSource.NOTES)


def _known(frames: Sequence[Frame], anchors: Sequence[Anchor]) -> _Known | None:
    """Stretches of one kind of anchors, with the places where the clock was set between them."""
    if not anchors:
        return None
    parts = stretches(anchors)
    settings: list[Setting] = []
    for before, after in pairwise(parts):
        settings.append(sought(frames, before, after, settings[-1].first if settings else 0))
    return _Known(stretches=tuple(parts), settings=tuple(settings))

