"""From stills to sets: gather frames over all cards, correct their clocks, group them, give them lasting ids.

The grouping is computed from all stills known, each time anew; nothing of it depends on the order in
which cards came.  It is computed again only when the stills, the clock notes or the settings changed.
"""

from __future__ import annotations

import hashlib
import json
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from ingest.errors import DestinationUnavailable
from ingest.machinery.disk.destinations import find_destination
from ingest.machinery.ledger.work import StillFact
from ingest.originals import Original, Originals
from ingest.records.cards import DestinationRecord, FileKind
from ingest.records.codes import SeenCode
from ingest.records.findings import Finding, Severity
from ingest.records.frames import Frame
from ingest.records.names import shown
from ingest.records.probes import GroupingSettings, ProbeSet
from ingest.records.stills import StillFile, StillHeader, StillLook
from ingest.records.views import FrameFile, View, ViewFrame
from ingest.services import Services
from ingest.settings.model import Body
from ingest.steps.probes.grouping import Remembered, group
from ingest.steps.probes.lineage import inherit
from ingest.steps.stills.exposure import snap_series
from ingest.steps.stills.frames import as_frame, body_key, card_order, class_of, frame_id, merged, pair


@dataclass(frozen=True, kw_only=True, slots=True)
class Regrouped:
    """What a grouping went by (``mark``) and what a person should know of it."""

    mark: str
    findings: tuple[Finding, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Shot:
    """One exposure: its files by content, the header that speaks for it, and its frame."""

    files: tuple[FrameFile, ...]
    stills: tuple[StillFile, ...]
    header: StillHeader
    look: StillLook | None
    frame_id: str


def is_here(services: Services, record: DestinationRecord) -> bool:
    """Whether the destination is here now."""
    try:
        find_destination(services.disk, record.path, record.id).close()
    except DestinationUnavailable:
        return False
    return True


# Codes that frames show, by frame.
Signs = Mapping[str, Sequence[SeenCode]]
# Gives frames their true times: (frames, headers by frame, codes by frame) -> (frames, why a person must look by
# frame, findings).
Clocking = Callable[
    [Services, Mapping[str, Frame], Mapping[str, StillHeader], Signs],
    tuple[dict[str, Frame], dict[str, str], tuple[Finding, ...]],
]
# Frames that show a clock or a slate and so are no probe's: id -> (what, why).  Keeps the slates for the filing.
Apart = Callable[[Services, Mapping[str, Frame], Signs], dict[str, tuple[str, str]]]
# Whether a block of the settings means a body ``make|model|serial``.
Means = Callable[[Body, str], bool]


def regroup(
    services: Services, originals: Originals, *, before: str | None, notes: bytes, clock: Clocking, means: Means,
    apart: Apart, remembered: Remembered,
) -> Regrouped | None:
    """Group everything anew if what it depends on changed since ``before``; None if it did not.

    ``notes`` are the clock notes as they are now, which ``clock`` reads.
    """
    codes = services.work.codes()
    mark = _mark(services, originals, notes, codes)
    if mark == before:
        return None
    stills = services.work.stills()
    shots = gather(originals.read_of_kind(FileKind.STILL), stills)
    untimed = _frames(shots)
    signs = {
        s.frame_id: seen for s in shots if (seen := [c for f in s.files for c in codes.get(f.digest, ())])
    }
    frames, doubts, clock_findings = clock(services, untimed, {s.frame_id: s.header for s in shots}, signs)
    no_probes = apart(services, frames, signs)
    kinds = {
        f.body: b.frames for f in frames.values() for b in services.settings.bodies if b.frames and means(b, f.body)
    }
    grouping = group((f for i, f in frames.items() if i not in no_probes), GroupingSettings(kinds=kinds), remembered)
    by_id = {s.frame_id: s for s in shots}
    utc = services.clock.utc()
    partners = _partners(grouping.partner_of)
    members = [
        [f.digest for i in found.frames for own in (i, *partners.get(i, ())) for f in by_id[own].files]
        for found in grouping.sets
    ]
    ids, lineage = inherit(services.work.lineage(), members)
    reviewed = services.work.decisions("review")
    views = [
        _view(ids, index, grouping.sets, by_id, frames, partners, reviewed, doubts, kinds)
        for index in range(len(grouping.sets))
    ]
    said = {i: (what, grouping.why_loose.get(i, "")) for i, what in grouping.loose.items()} | no_probes
    loose = {by_id[i].files[0].digest: words for i, words in said.items()}
    gone = {p.id for p in services.work.probes()} - {v.id for v in views}
    services.work.set_grouping(views, loose, lineage, utc)
    if gone:
        services.work.retire_probes(gone, utc)
    services.log.info("grouped", stills=len(shots), sets=len(views), loose=len(loose))
    found = (*clock_findings, *_findings(views), *_still_findings(originals, stills))
    return Regrouped(mark=mark, findings=found)


def _partners(partner_of: Mapping[str, str]) -> dict[str, list[str]]:
    """Frame id -> ids of the same exposure's files on other cards."""
    found: dict[str, list[str]] = defaultdict(list)
    for second, first in sorted(partner_of.items()):
        found[first].append(second)
    return found


def gather(originals: Iterable[Original], stills: Mapping[str, StillFact]) -> list[Shot]:
    """Every exposure on every card, once however often its files were met."""
    files = []
    for original in originals:
        fact = stills.get(original.digest)
        if fact is not None:
            files.append(
                StillFile(
                    digest=original.digest, card=original.card_id, path=original.path, header=fact.header,
                    look=fact.look,
                )
            )
    shots = []
    for group_of_files in pair(files):
        looks = [f.look for f in group_of_files if f.look is not None and f.look.decodes]
        shots.append(
            Shot(
                files=tuple(
                    FrameFile(digest=f.digest, card_id=f.card, path=shown(f.path), raw=class_of(f.path) == "raw")
                    for f in group_of_files
                ),
                stills=group_of_files,
                header=merged([f.header for f in group_of_files]) or StillHeader(),
                look=looks[0] if looks else None,
                frame_id=frame_id(group_of_files[0]),
            )
        )
    return shots


def _frames(shots: Sequence[Shot]) -> dict[str, Frame]:
    """Frames with exact exposures, per body as far as its whole day lies on one ladder of marks."""
    by_body: dict[str, list[int]] = defaultdict(list)
    for i, shot in enumerate(shots):
        by_body[body_key(shot.header)].append(i)
    exposures: dict[int, Any] = {}
    for indices in by_body.values():
        for i, exposure in zip(indices, snap_series([shots[i].header for i in indices]), strict=True):
            exposures[i] = exposure
    order: dict[str, int] = {}
    for card in dict.fromkeys(s.stills[0].card for s in shots):
        own = sorted((s for s in shots if s.stills[0].card == card), key=lambda s: card_order(s.stills[0].path))
        order.update({s.frame_id: i for i, s in enumerate(own)})
    return {s.frame_id: as_frame(s.stills, exposures[i], card_index=order[s.frame_id]) for i, s in enumerate(shots)}


def _view(
    ids: Sequence[str], index: int, sets: Sequence[ProbeSet], shots: Mapping[str, Shot], frames: Mapping[str, Frame],
    partners: Mapping[str, Sequence[str]], reviewed: Mapping[str, dict[str, Any]], doubts: Mapping[str, str],
    kinds: Mapping[str, str],
) -> View:
    """One set with everything later steps need."""
    found = sets[index]
    members = [shots[i] for i in found.frames]
    exact = snap_series([m.header for m in members])
    view_frames = []
    for shot, exposure, i in zip(members, exact, found.frames, strict=True):
        frame = frames[i]
        files = [*shot.files, *(f for p in partners.get(i, ()) for f in shots[p].files)]
        view_frames.append(
            ViewFrame(
                files=tuple(files), exposure_s=exposure.time_s, f_number=exposure.f_number, iso=exposure.iso,
                taken_s=frame.time_s, taken_sigma_s=frame.time_sigma_s,
                shown=shot.header.taken.isoformat() if shot.header.taken else "",
                utc_offset_s=shot.header.utc_offset_s, usable=frame.usable,
            )
        )
    header = merged([m.header for m in members]) or StillHeader()
    kind, proposed = kind_of(kinds.get(body_key(header)), members)
    doubted = tuple(dict.fromkeys(doubts[i] for i in found.frames if i in doubts))
    seen = reviewed.get(members[0].files[0].digest)
    digests = [f.digest for frame in view_frames for f in frame.files]
    looked_at = seen is not None and set(seen.get("frames", ())) == set(digests)
    position = min(ids[i] for i, other in enumerate(sets) if other.position == found.position)
    return View(
        id=ids[index], frames=tuple(view_frames), complete=found.complete,
        review=(found.review or bool(doubted)) and not looked_at,
        reasons=(*found.reasons, *doubted), why=found.why, position=f"s{position[1:]}", view=found.view,
        repeat_of=ids[found.repeat_of] if found.repeat_of is not None else None, body=body_key(header),
        make=header.make or "", model=header.model or "", serial=header.body_serial or "",
        lens=header.lens_model or "", focal_mm=header.focal_length_mm, kind=kind, kind_proposed=proposed,
    )


def kind_of(said: str | None, members: Sequence[Shot]) -> tuple[str, bool]:
    """What the frames are, and whether only the picture says so.

    What the settings say counts; else 2:1 is lat-long and two circles are dual-fisheye, as a proposal, and
    everything else flat.  Unknown means that no frame decoded.
    """
    if said:
        return said, False
    looks = [m.look for m in members if m.look is not None]
    if not looks:
        return "unknown", False
    if sum(bool(k.two_circles) for k in looks) * 2 > len(looks):
        return "dual-fisheye", True
    sizes = {(k.width, k.height) for k in looks if k.width and k.height}
    if sizes and all(w == 2 * h for w, h in sizes if w and h):
        return "lat-long", True
    return "flat", False


def _mark(services: Services, originals: Originals, notes: bytes, codes: Signs) -> str:
    """Changes exactly when the grouping could."""
    known, held = services.work.still_digests(), hashlib.sha256()
    for still in originals.read_of_kind(FileKind.STILL):
        if still.digest in known:
            held.update(json.dumps([still.digest, still.card_id, still.path]).encode())
    said = [
        held.hexdigest(), notes.hex(), services.settings.model_dump_json(include={"show", "bodies"}),
        sorted(services.work.decisions("review")), {d: [c.to_json() for c in found] for d, found in codes.items()},
    ]
    return hashlib.sha256(json.dumps(said).encode()).hexdigest()


def _findings(views: Sequence[View]) -> list[Finding]:
    found = []
    for view in views:
        if view.review:
            found.append(Finding(
                kind="set under review", item=view.id, severity=Severity.PERSON,
                what=f"{len(view.frames)} frames: {'; '.join(view.reasons) or 'a person could not be sure either'}",
                next=f"Look at its frames (`nightloader probes --why {view.id}`); if it is right say so: "
                f"`nightloader review {view.id}`.",
            ))
        elif view.complete is False:
            found.append(Finding(
                kind="set incomplete", item=view.id, severity=Severity.PERSON,
                what=f"{len(view.frames)} frames: {'; '.join(view.reasons) or 'exposures are missing'}",
                next="Shoot it again if the light still stands; look for its frames on another card.",
            ))
        if view.kind_proposed:
            found.append(Finding(
                kind="kind proposed", item=view.body or view.id, severity=Severity.NOTE,
                what=f"The pictures of this body look {view.kind}; nobody said so.",
                next="Name the body in the settings, with frames = "
                f"\"{view.kind}\", or with what they are.",
            ))
    return found


def _still_findings(originals: Originals, stills: Mapping[str, StillFact]) -> list[Finding]:
    """Files that were copied whole and still cannot be used."""
    found = []
    for original in originals.of_kind(FileKind.STILL):
        fact = stills.get(original.digest)
        if fact is None:
            continue
        item = f"{original.folder}/{shown(original.path)}"
        if fact.look is not None and not fact.look.decodes:
            found.append(Finding(
                kind="picture damaged", item=item, severity=Severity.PERSON,
                what=f"It was copied as it is, but its picture cannot be decoded: {fact.look.trouble}",
                next="Look at it on the camera; shoot again if it mattered.", more={"card": original.card_id},
            ))
        elif fact.header is None:
            found.append(Finding(
                kind="metadata unreadable", item=item, severity=Severity.NOTE,
                what=f"Its header cannot be read: {fact.trouble}", next="Its picture and its place still count.",
                more={"card": original.card_id},
            ))
    return found

