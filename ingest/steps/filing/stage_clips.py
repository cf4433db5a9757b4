"""Clips, and stills that show something, where they belong now: by hand, by a slate in them, by when they were taken.

A clip that belongs nowhere, or only perhaps, is told to a person like a probe, many in one line: a card holds hundreds.
"""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from typing import Any
from zoneinfo import ZoneInfo

from ingest.records.clips import ClipFacts
from ingest.records.filing import Item, Placement
from ingest.records.findings import Finding, Severity
from ingest.records.names import shown
from ingest.records.sights import proposed_role
from ingest.services import Services
from ingest.steps.cards.inventory import in_trash
from ingest.steps.clocks.clips import UNCHECKED_SIGMA_S
from ingest.steps.filing.stage_items import Together, clip_id_of, decision, placed
from ingest.steps.stills.frames import body_key


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

    @property
    def trashed(self) -> bool:
        return all(in_trash(f) for f in self.files)


def file_clips(
    services: Services, originals: Sequence[tuple[str, str, str]], everything: Together
) -> list[FiledClip]:
    """Every clip known, placed by a slate or by when it began.  ``originals`` are (digest, card id, path)."""
    known, roles = services.work.clips(), services.work.decisions("role")
    where: dict[str, list[tuple[str, str]]] = {}
    for digest, card_id, path in originals:
        if digest in known:
            where.setdefault(digest, []).append((card_id, path))
    of, placements = everything.known, everything.placements
    services.work.put("clip bodies", json.dumps([{**asdict(c), "source": str(c.source)} for c in of.bodies]))
    seen = services.work.sights()
    return [
        FiledClip(id=clip_id_of(d), digest=d, files=tuple(p for _, p in where[d]), card_id=where[d][0][0],
                  facts=of.facts[d], start_s=of.starts[d].start_s,
                  role=of.roles.get(clip_id_of(d), "") if d not in roles else _role(roles[d]),
                  placement=placements[clip_id_of(d)], trouble=known[d][1],
                  proposed="" if d in roles else proposed_role(seen.get(d, ()), clip=True))
        for d in sorted(where, key=lambda d: where[d][0]) if d in of.facts
    ]


def _role(said: Mapping[str, Any]) -> str:
    role = str(said.get("role", ""))
    return "" if role == "none" else role


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
    lens_serial: str = ""  # as its header says


def file_stills(services: Services, everything: Together) -> list[FiledStill]:
    """Stills with a confirmed or proposed role, placed by their body's corrected clock beside all the rest.  They bear
    no witness themselves: a chart or a ball is also shot while a setup is being changed."""
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
        drafts.append((id, digest, role, start, (fact.header.lens_serial if fact.header is not None else None) or ""))
    if not items:
        return []
    said = {i: decision(hand[digest]) for i, digest, *_ in drafts if digest in hand}
    placements = placed(services, everything.known, everything.log, items, said)
    return [
        FiledStill(id=i, digest=digest, role=role, start_s=start, placement=placements[i],
                   proposed=digest not in confirmed, lens_serial=lens)
        for i, digest, role, start, lens in drafts
    ]


def still_id_of(digest: str) -> str:
    """A still's lasting id, from its content."""
    return f"f{digest.rpartition(':')[2][:10]}"


SAID = 6  # names in one line; `nightloader clips` has them all


def findings(clips: Sequence[FiledClip]) -> list[Finding]:
    """Clips without a home, one finding for those of a card that lie near the same setup, and one a shoot day for the
    clips that are filed but doubtful.  A clip that cannot be read tells no time, so it is among the first."""
    homeless: dict[tuple[str, str, bool], list[FiledClip]] = defaultdict(list)
    doubtful: dict[str, list[FiledClip]] = defaultdict(list)
    for clip in clips:
        if not clip.placement.setup:
            homeless[clip.card_id, clip.placement.nearest, bool(clip.trouble)].append(clip)
        elif clip.placement.review:
            doubtful[clip.placement.day].append(clip)
    return [*(_unfiled(group) for group in homeless.values()), *(_doubtful(d, group) for d, group in doubtful.items())]


def _unfiled(group: Sequence[FiledClip]) -> Finding:
    first = group[0]
    one = len(group) == 1
    what = f"{_names(group)}: {'this clip matches' if one else f'these {len(group)} clips match'} no setup."
    if first.placement.nearest and first.placement.minutes_away is not None:
        what += f" Nearest is {first.placement.nearest}, {first.placement.minutes_away:.0f} min away."
    if first.trouble:
        what += f" {'It' if one else 'They'} cannot be read: {shown(first.trouble).rstrip('.')}."
    elif first.placement.reasons:
        what += f" {'; '.join(first.placement.reasons)}."
    look = "Play it from the card before the card is reused; then say" if first.trouble else "Mend the log, or say"
    return Finding(
        kind="unfiled", item=first.id, severity=Severity.PERSON, what=what,
        next=f"{look} `nightloader file {' '.join(c.id for c in group[:SAID])}{'' if len(group) <= SAID else ' ...'} "
             "--setup N`.",
        more={"of": "clip", "card": first.card_id, "clips": [c.id for c in group]},
    )


def _doubtful(day: str, group: Sequence[FiledClip]) -> Finding:
    said = [f"{_name(c)} in {c.placement.setup}: {'; '.join(c.placement.reasons)}" for c in group[:SAID]]
    more = f" And {len(group) - SAID} more (`nightloader clips`)." if len(group) > SAID else ""
    return Finding(
        kind="filing doubtful", item=f"clips of {day}", severity=Severity.PERSON,
        what=f"{len(group)} {'clip is' if len(group) == 1 else 'clips are'} filed, but: {'. '.join(said)}.{more}",
        next=f"Say where they belong, also where that is right: `nightloader file {group[0].id} --setup "
             f"{shown(group[0].placement.setup)}`.",
        more={"day": day, "clips": [c.id for c in group]},
    )


def _names(group: Iterable[FiledClip]) -> str:
    names = [_name(c) for c in group]
    return ", ".join(names[:SAID]) + (" ..." if len(names) > SAID else "")


def _name(clip: FiledClip) -> str:
    return shown(clip.files[0].rsplit("/", 1)[-1])
