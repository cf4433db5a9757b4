"""Where each probe belongs now, and moving what lies elsewhere.

The log is read anew each time: a corrected row re-files what it moves.  Only our own files move, by
rename on their own volume; every move is a fact in the ledger and a line in the show's running log.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from ingest.machinery.disk.files import read_plain
from ingest.outbox import Outbox
from ingest.records.clips import ClipFacts
from ingest.records.filing import Decision, Evidence, Item, Place, Placement, SlateReading
from ingest.records.findings import Finding, Severity
from ingest.records.setups import Question, SetupLog
from ingest.records.sights import proposed_role
from ingest.records.stills import StillHeader
from ingest.records.views import View
from ingest.services import Services
from ingest.steps.clocks.clips import UNCHECKED_SIGMA_S, ClipMoment, ClipStart, clip_starts
from ingest.steps.codes.signs import upside_down
from ingest.steps.filing.naming import Convention, Named
from ingest.steps.filing.placement import Evidences, place
from ingest.steps.setups.page import PAGE_FILE, read_logs
from ingest.steps.setups.questions import findings as question_findings
from ingest.steps.setups.slates import read_code, reading
from ingest.steps.stills.frames import body_key


@dataclass(frozen=True, kw_only=True, slots=True)
class SlatesSeen:
    """Slates photographed in stills, all moments of the bodies that showed one, and slates that cannot count."""

    readings: tuple[SlateReading, ...] = ()
    moments: Mapping[str, Sequence[float]] = field(default_factory=dict)
    unused: tuple[tuple[str, str], ...] = ()  # (frame, why)


@dataclass(frozen=True, kw_only=True, slots=True)
class Filing:
    """What the log, the slates and the person say about the views of now."""

    log: SetupLog
    placements: Mapping[str, Placement]
    places: Mapping[str, Place]
    slates: SlatesSeen
    differ: tuple[Finding, ...] = ()  # where the person's log and the page's say different things


def read_setup_log(services: Services) -> SetupLog:
    """The log as it is now, with what the page keeps beside it; a log that is not there has no rows."""
    return read_setup_logs(services)[0]


def read_setup_logs(services: Services) -> tuple[SetupLog, list[Finding]]:
    """The person's log and the page's as one, and where they differ."""
    show = services.settings.show
    path = services.settings.beside(show.setup_log)
    troubles: list[Question] = []

    def read(file: Path) -> bytes:
        try:
            return read_plain(file)
        except FileNotFoundError:
            return b""
        except OSError as error:
            troubles.append(
                Question(file=file.name, line=0, column="", written="", asks=f"it cannot be read ({error.strerror})")
            )
            return b""

    log, differ = read_logs(
        read(path), read(path.with_name(PAGE_FILE)), zone=show.timezone, day_starts=show.day_starts, file=path.name,
        date_order=show.date_order, zones=show.zones,
    )
    return replace(log, questions=(*log.questions, *troubles)), differ


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


def convention_of(services: Services) -> Convention:
    """The naming convention that the settings ask for; SettingsError if it cannot work."""
    filing = services.settings.filing
    return Convention.parse(show=services.show, tree=filing.convention, pattern=filing.probe_name)


def decide(services: Services, views: Sequence[View], versions: Mapping[str, int]) -> Filing:
    """Placement and place of every view."""
    log, differ = read_setup_logs(services)
    hand = services.work.decisions("assign")
    decisions = {
        v.id: Decision(
            shot=said.get("shot", ""), setup=said.get("setup", ""), day=said.get("day", ""), unit=said.get("unit", "")
        )
        for v in views
        if (said := _said_of(v, hand)) is not None
    }
    items = [
        Item(
            id=v.id, body=v.body, sigma_s=v.sigma_s,
            moments=tuple(f.taken_s for f in v.frames if f.taken_s is not None),
        )
        for v in views
    ]
    show = services.settings.show
    seen = slates_seen(services)
    placed = place(
        items,
        Evidences(log=log, zone=show.timezone, zones=show.zones, day_starts=show.day_starts, decisions=decisions,
                  slates=seen.readings, frames=seen.moments),
    )
    placements, kept = _as_papers_say(services, views, versions, {p.item: p for p in placed})
    named = _named(views, placements, versions, show.timezone)
    places = {**convention_of(services).places(named), **kept}
    return Filing(log=log, placements=placements, places=places, slates=seen, differ=tuple(differ))


def _as_papers_say(
    services: Services, views: Sequence[View], versions: Mapping[str, int], placements: Mapping[str, Placement]
) -> tuple[dict[str, Placement], dict[str, Place]]:
    """After a ledger was lost: what log and slates here do not place stays where its own record says it was filed."""
    papers = services.work.decisions("adopted")
    out, kept = dict(placements), dict[str, Place]()
    for view in views:
        said = _said_of(view, papers)
        if said is None or out[view.id].setup:
            continue
        reasons = tuple(r for r in said["reasons"] if r not in view.reasons) if said["review"] else ()
        out[view.id] = Placement(
            item=view.id, day=said["day"], unit=said["unit"], shot=said["shot"],
            shots=(said["shot"],) if said["shot"] else (), setup=said["setup"], evidence=Evidence.PAPERS,
            review=bool(reasons), reasons=reasons, why=(said["why"],),
            notes=("as its record at a destination says; nothing in the log here places it",),
        )
        if versions.get(view.id) == said["version"]:
            kept[view.id] = Place(folder=said["folder"], stem=said["stem"])
    return out, kept


def _said_of(view: View, hand: Mapping[str, dict[str, Any]]) -> dict[str, Any] | None:
    """A hand decision clings to frame digests: the newest one on any frame of the view counts."""
    said = [hand[d] for d in view.digests if d in hand]
    return max(said, key=lambda s: str(s["utc"])) if said else None


def _named(
    views: Sequence[View], placements: Mapping[str, Placement], versions: Mapping[str, int], zone: str
) -> list[Named]:
    out = []
    for view in views:
        placement = placements[view.id]
        taken = view.taken_s
        local = datetime.fromtimestamp(taken[0], ZoneInfo(zone)).strftime("%H%M") if taken else ""
        out.append(
            Named(
                id=view.id, shots=placement.shots, setup=placement.setup, day=placement.day, unit=placement.unit,
                version=versions.get(view.id, 1), lens=view.lens, time=local,
            )
        )
    return out


@dataclass(frozen=True, kw_only=True, slots=True)
class FiledClip:
    """A clip with what its file says and where it belongs."""

    id: str
    digest: str
    files: tuple[str, ...]  # paths on the card
    card_id: str
    facts: ClipFacts
    start_s: float | None
    role: str
    placement: Placement
    trouble: str
    proposed: str = ""  # the role that looking at it suggests; nobody confirmed it


def file_clips(services: Services, originals: Sequence[tuple[str, str, str]], log: SetupLog) -> list[FiledClip]:
    """Every clip known, placed by a slate or by when it began.  ``originals`` are (digest, card id, path)."""
    known, codes = services.work.clips(), services.work.codes()
    hand, roles = services.work.decisions("assign"), services.work.decisions("role")
    show = services.settings.show
    where: dict[str, list[tuple[str, str]]] = {}
    for digest, card_id, path in originals:
        if digest in known:
            where.setdefault(digest, []).append((card_id, path))
    order = sorted(where, key=lambda d: where[d][0])
    facts = {
        d: ClipFacts.from_json(raw) if (raw := known[d][0]) else ClipFacts(kind="unreadable", readable=False)
        for d in order
    }
    moments = [
        ClipMoment(id=clip_id_of(d), body=clip_body(facts[d]), created_utc=facts[d].created_utc,
                   created_shown=facts[d].created_shown, codes=codes.get(d, ()))
        for d in order
    ]
    starts, clocks = clip_starts(moments, zone=show.timezone, now_s=services.clock.now().timestamp())
    services.work.put("clip bodies", json.dumps([{**asdict(c), "source": str(c.source)} for c in clocks]))
    slates = [s for m in moments for s in _clip_slates(m, starts[m.id], services.show)]
    items = [
        Item(id=m.id, kind="plate", body=m.body, sigma_s=starts[m.id].sigma_s, moments=_span(starts[m.id], facts[d]))
        for d, m in zip(order, moments, strict=True)
    ]
    decisions = {
        clip_id_of(d): Decision(
            shot=s.get("shot", ""), setup=s.get("setup", ""), day=s.get("day", ""), unit=s.get("unit", "")
        )
        for d in order if (s := hand.get(d)) is not None
    }
    shown = slates_seen(services)
    placed = place(
        items, Evidences(log=log, zone=show.timezone, zones=show.zones, day_starts=show.day_starts,
                         decisions=decisions, slates=(*slates, *shown.readings), frames=shown.moments),
    )
    said = {s.item: s.role for s in reversed(slates) if s.role}
    seen = services.work.sights()
    return [
        FiledClip(id=m.id, digest=d, files=tuple(p for _, p in where[d]), card_id=where[d][0][0], facts=facts[d],
                  start_s=starts[m.id].start_s, role=said.get(m.id, "") if d not in roles else _role(roles[d]),
                  placement=placement, trouble=known[d][1],
                  proposed="" if d in roles else proposed_role(seen.get(d, ()), clip=True))
        for d, m, placement in zip(order, moments, placed, strict=True)
    ]


def _role(said: Mapping[str, Any]) -> str:
    role = str(said.get("role", ""))
    return "" if role == "none" else role


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


@dataclass(frozen=True, kw_only=True, slots=True)
class FiledStill:
    """A still with a role, with its true time and where it belongs.  ``proposed``: the role is what looking at it
    suggests, and no person confirmed it."""

    id: str
    digest: str
    role: str
    start_s: float | None
    placement: Placement
    proposed: bool = False


def file_stills(services: Services, log: SetupLog) -> list[FiledStill]:
    """Stills with a confirmed or proposed role, placed by their body's corrected clock."""
    show = services.settings.show
    zone = ZoneInfo(show.timezone)
    hand = services.work.decisions("assign")
    offsets = {c["body"]: c for c in json.loads(services.work.recall("bodies") or "[]")}
    items, drafts = [], []
    proposals = {d: proposed_role(seen, clip=False) for d, seen in services.work.sights().items()}
    confirmed = {d: str(said.get("role", "")) for d, said in services.work.decisions("role").items()}
    roles = {**proposals, **confirmed}
    known = services.work.stills(roles)
    for digest, role in roles.items():
        fact = known.get(digest)
        if fact is None:
            continue
        body = body_key(fact.header)
        taken = fact.header.taken if fact.header is not None else None
        clock = offsets.get(body, {})
        start = None if taken is None else taken.replace(tzinfo=zone).timestamp() + float(clock.get("offset_s") or 0)
        id = still_id_of(digest)
        items.append(Item(id=id, kind="still", body=body, moments=() if start is None else (start,),
                          sigma_s=float(clock.get("uncertainty_s") or UNCHECKED_SIGMA_S)))
        drafts.append((id, digest, role, start))
    decisions = {
        i: Decision(shot=s.get("shot", ""), setup=s.get("setup", ""), day=s.get("day", ""), unit=s.get("unit", ""))
        for i, digest, *_ in drafts if (s := hand.get(digest)) is not None
    }
    placed = place(
        items, Evidences(log=log, zone=show.timezone, zones=show.zones, day_starts=show.day_starts, decisions=decisions)
    )
    return [
        FiledStill(id=i, digest=digest, role=role, start_s=start, placement=placement,
                   proposed=digest not in confirmed)
        for (i, digest, role, start), placement in zip(drafts, placed, strict=True)
    ]


def still_id_of(digest: str) -> str:
    """A still's lasting id, from its content."""
    return f"f{digest.rpartition(':')[2][:10]}"


def clip_id_of(digest: str) -> str:
    """A clip's lasting id, from its content."""
    return f"c{digest.rpartition(':')[2][:10]}"


def settle(
    services: Services, outbox: Outbox, views: Sequence[View], filing: Filing, versions: Mapping[str, int],
    paths: Mapping[str, Mapping[str, str]],
) -> None:
    """Bring every output of these views to its place and record it.

    ``paths`` are the wanted paths by output kind for each view's present version.  Superseded versions stay
    beside the present one: they move with it.
    """
    before = services.work.filings()
    for view in views:
        placement, home = filing.placements[view.id], filing.places[view.id]
        for kind, path in paths[view.id].items():
            outbox.settle(f"{view.id}/{versions[view.id]}", kind, path)
        folder = f"{services.show}/{home.folder}"
        for version in range(1, versions[view.id]):
            for kind in paths[view.id]:
                for output in outbox.known(owner=f"{view.id}/{version}", kind=kind).values():
                    outbox.settle(f"{view.id}/{version}", kind, f"{folder}/{output.path.rsplit('/', 1)[-1]}")
        was = before.get(view.id)
        now = (home.folder, placement.shot, placement.setup, placement.day, versions[view.id])
        if was is None or now != tuple(was[k] for k in ("folder", "shot", "setup", "day", "version")):
            services.work.file(
                view.id, version=versions[view.id], folder=home.folder, shot=placement.shot, setup=placement.setup,
                day=placement.day, why="; ".join(placement.why) or "matches nothing in the log",
                utc=services.clock.utc(),
            )
            services.log.info("filed", probe=view.id, folder=home.folder, before=was["folder"] if was else "")


def reviewed(services: Services, views: Sequence[View]) -> frozenset[str]:
    """Views that a person has looked at as they are now, frame for frame."""
    said = services.work.decisions("review")
    return frozenset(
        v.id for v in views
        if v.digests and (seen := said.get(v.digests[0])) is not None and set(seen.get("frames", ())) == set(v.digests)
    )


def remember(services: Services, views: Sequence[View], filing: Filing, looked_at: frozenset[str]) -> None:
    """Keep what is doubtful of each placement, for whoever asks about the probes."""
    services.work.put("placements", json.dumps({
        v.id: {"review": filing.placements[v.id].review and v.id not in looked_at,
               "reasons": list(filing.placements[v.id].reasons)}
        for v in views
    }))


def findings(views: Sequence[View], filing: Filing, looked_at: frozenset[str] = frozenset()) -> list[Finding]:
    """What a person should know: unfiled probes, doubtful placements, rows that could not be read."""
    found = [*question_findings(filing.log.questions), *filing.differ]
    found += [
        Finding(kind="slate not used", item=frame, severity=Severity.NOTE, what=f"In this still {why}.",
                next="File what follows by hand if it matters (`nightloader file`).")
        for frame, why in filing.slates.unused
    ]
    for view in views:
        placement = filing.placements[view.id]
        if not placement.setup:
            near = f" Nearest is {placement.nearest}, {placement.minutes_away:.0f} min away." \
                if placement.nearest and placement.minutes_away is not None else ""
            found.append(
                Finding(
                    kind="unfiled", item=view.id, severity=Severity.PERSON,
                    what=f"This probe matches no setup.{near} {'; '.join(placement.reasons)}".strip(),
                    next=f"Mend the log, or say `nightloader file {view.id} --shot S --setup N`.",
                )
            )
        elif placement.review and view.id not in looked_at:
            found.append(
                Finding(
                    kind="filing doubtful", item=view.id, severity=Severity.PERSON,
                    what=f"Filed under {placement.setup}, but: {'; '.join(placement.reasons)}",
                    next=f"Confirm with `nightloader review {view.id}`, or correct it with `nightloader file`.",
                )
            )
    return found
