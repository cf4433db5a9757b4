"""All that is filed of a show, as one: what was shot together bears witness for each other.

A take after the probe, a setup in which nothing was shot, a slate that another body saw: what probes and clips say of
the day is told only by both.  All is gathered and placed once a pass; each stage takes its own.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from ingest.records.clips import ClipFacts
from ingest.records.filing import Decision, Item, Placement, SlateReading
from ingest.records.setups import SetupLog
from ingest.records.stills import StillHeader
from ingest.records.views import View
from ingest.services import Services
from ingest.steps.clocks.clips import ClipMoment, ClipStart, clip_starts
from ingest.steps.codes.signs import upside_down
from ingest.steps.filing.placement import Evidences, place
from ingest.steps.setups.slates import read_code, reading
from ingest.steps.stills.frames import body_key


@dataclass(frozen=True, kw_only=True, slots=True)
class SlatesSeen:
    """Slates photographed in stills, all moments of the bodies that showed one, and slates that cannot count."""

    readings: tuple[SlateReading, ...] = ()
    moments: Mapping[str, Sequence[float]] = field(default_factory=dict)
    unused: tuple[tuple[str, str], ...] = ()  # (frame, why)


@dataclass(frozen=True, kw_only=True, slots=True)
class Gathered:
    """Probes and clips with what a person and the slates say of them.  ``starts`` and ``facts`` are by clip digest,
    ``bodies`` the clocks that clips tell, ``roles`` what slates in clips announce, by the clip's id."""

    items: tuple[Item, ...]
    decisions: Mapping[str, Decision]
    seen: SlatesSeen
    slates: tuple[SlateReading, ...]
    facts: Mapping[str, ClipFacts]
    starts: Mapping[str, ClipStart]
    bodies: tuple[Any, ...]
    roles: Mapping[str, str]


def gather(services: Services, views: Sequence[View]) -> Gathered:
    """All views and all clips that the ledger knows."""
    hand = services.work.decisions("assign")
    seen = slates_seen(services)
    probes = [
        Item(id=v.id, body=v.body, sigma_s=v.sigma_s, together=v.position,
             moments=tuple(f.taken_s for f in v.frames if f.taken_s is not None))
        for v in views
    ]
    decisions = {v.id: decision(said) for v in views if (said := said_of(v, hand)) is not None}
    codes = services.work.codes()
    facts = {d: ClipFacts.from_json(raw) if raw else ClipFacts(kind="unreadable", readable=False)
             for d, (raw, _) in sorted(services.work.clips().items())}
    moments = {
        d: ClipMoment(id=clip_id_of(d), body=clip_body(f), created_utc=f.created_utc, created_shown=f.created_shown,
                      codes=codes.get(d, ()))
        for d, f in facts.items()
    }
    starts, bodies = clip_starts(
        list(moments.values()), zone=services.settings.show.timezone, now_s=services.clock.now().timestamp()
    )
    slates = [s for m in moments.values() for s in _clip_slates(m, starts[m.id], services.show)]
    clips = [
        Item(id=m.id, kind="plate", body=m.body, sigma_s=starts[m.id].sigma_s, moments=_span(starts[m.id], facts[d]))
        for d, m in moments.items()
    ]
    decisions |= {clip_id_of(d): decision(hand[d]) for d in facts if d in hand}
    return Gathered(
        items=(*probes, *clips), decisions=decisions, seen=seen, slates=(*slates, *seen.readings), facts=facts,
        starts={d: starts[m.id] for d, m in moments.items()}, bodies=bodies,
        roles={s.item: s.role for s in reversed(slates) if s.role},
    )


@dataclass(frozen=True, kw_only=True, slots=True)
class Together:
    """All that was gathered, the log it was placed by, and where each item of it belongs, by id."""

    known: Gathered
    log: SetupLog
    placements: Mapping[str, Placement]


def together(services: Services, views: Sequence[View], log: SetupLog) -> Together:
    """All views and clips, placed."""
    known = gather(services, views)
    return Together(known=known, log=log, placements=placed(services, known, log))


def placed(
    services: Services, known: Gathered, log: SetupLog, more: Iterable[Item] = (),
    said: Mapping[str, Decision] | None = None,
) -> dict[str, Placement]:
    """Where each item gathered belongs, and ``more`` beside them; by id."""
    show = services.settings.show
    found = place(
        (*known.items, *more),
        Evidences(log=log, zone=show.timezone, zones=show.zones, day_starts=show.day_starts,
                  decisions={**known.decisions, **(said or {})}, slates=known.slates, frames=known.seen.moments),
    )
    return {p.item: p for p in found}


def decision(said: Mapping[str, Any]) -> Decision:
    """What a person filed by hand, from the ledger."""
    return Decision(shot=said.get("shot", ""), setup=said.get("setup", ""), day=said.get("day", ""),
                    unit=said.get("unit", ""))


def slates_seen(services: Services) -> SlatesSeen:
    """What the last look at the frames kept of slates; one of another show does not count."""
    kept = json.loads(services.work.recall("slates seen") or "{}")
    readings, unused = [], []
    for seen in kept.get("slates", ()):
        slate = read_code(seen["text"])
        if slate is None:
            continue
        if slate.show and slate.show != services.show:
            unused.append((seen["frame"], f"its slate is of another show, {slate.show}: {slate.setup}"))
        elif seen["at_s"] is None or not seen["body"]:
            unused.append((seen["frame"], f"its slate says {slate.setup}, but its header names no time or no camera"))
        else:
            readings.append(reading(slate, at_s=seen["at_s"], body=seen["body"], tail=seen["tail"]))
    return SlatesSeen(readings=tuple(readings), moments=kept.get("moments", {}), unused=tuple(unused))


def said_of(view: View, hand: Mapping[str, dict[str, Any]]) -> dict[str, Any] | None:
    """A hand decision clings to frame digests: the newest one on any frame of the view counts."""
    said = [hand[d] for d in view.digests if d in hand]
    return max(said, key=lambda s: str(s["utc"])) if said else None


def clip_id_of(digest: str) -> str:
    """A clip's lasting id, from its content."""
    return f"c{digest.rpartition(':')[2][:10]}"


def clip_body(facts: ClipFacts) -> str:
    """``make|model|serial`` as for stills; "" where the file is silent about all three."""
    return body_key(StillHeader(make=facts.make, model=facts.model, body_serial=facts.body_serial))


def _clip_slates(moment: ClipMoment, start: ClipStart, show: str) -> list[SlateReading]:
    """Slates in one clip: they speak for the clip itself, and for what follows on its body."""
    found = []
    for seen in moment.codes:
        slate = read_code(seen.text)
        if slate is not None and slate.show in ("", show):
            at_s = (start.start_s or 0.0) + (seen.at_s or 0.0)
            body = moment.body if start.start_s is not None else ""
            found.append(reading(slate, at_s=at_s, body=body, item=moment.id, source=moment.id,
                                 tail=upside_down(seen)))  # fmt: skip
    return found


def _span(start: ClipStart, facts: ClipFacts) -> tuple[float, ...]:
    return () if start.start_s is None else (start.start_s, start.start_s + (facts.duration_s or 0.0))
