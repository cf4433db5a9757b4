"""What commands and pages answer: facts from the ledger, judged and laid out for JSON and for words.

Paths are absolute on this machine, except a card's ``folder``, which is relative to a destination's root.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from ingest.errors import sentences
from ingest.faces.bundles import Bundle, bundled
from ingest.faces.outlook import outlook
from ingest.machinery.clock import utc_of_seconds
from ingest.machinery.disk.destinations import present_ids
from ingest.records.cards import DestinationRecord, FileKind
from ingest.records.findings import Finding
from ingest.records.names import shown
from ingest.records.sights import proposed_role
from ingest.records.views import FrameFile, View
from ingest.services import Services
from ingest.settings.model import Settings
from ingest.steps.audit.verdict import CardTally, CardVerdict, Policy, SlotState, judge_card, slot_state, tally, waits
from ingest.steps.audit.words import about, folded, number_word
from ingest.steps.copying.stage_second import FAILED as SECOND_FAILED


def production_day(settings: Settings, now: datetime) -> str:
    """The running shoot day, YYYY-MM-DD: it rolls over at ``day_starts``, not at midnight."""
    hours, minutes = settings.show.day_starts.split(":")
    local = now.astimezone(ZoneInfo(settings.show.timezone))
    return (local - timedelta(hours=int(hours), minutes=int(minutes))).strftime("%Y-%m-%d")


# Troubles of a destination that no waiting ends.
HELPLESS = ("destination in trouble", "too large", "not copied", "name taken", "copy does not verify")


def policy(settings: Settings) -> Policy:
    """The copy policy that the settings ask for."""
    twice = {
        "stills": frozenset({FileKind.STILL}),
        "all": frozenset(FileKind),
        "none": frozenset(),
    }[settings.copying.read_twice]
    return Policy(
        copies=max(2, sum(d.required for d in settings.destinations)), read_twice=twice,
        proof_demanded=settings.copying.demand_proof,
    )


def destinations(services: Services, *, lost: bool = False) -> tuple[DestinationRecord, ...]:
    """The ledger's destinations with what is true now: whether each is here and how much room it has."""
    return present_ids(services.disk, services.cards.destinations(lost=lost))


def judged(services: Services, where: Sequence[DestinationRecord]) -> list[tuple[CardVerdict, CardTally]]:
    """A verdict for every card, in the order they first came, and the evidence counted for it."""
    asked, names = policy(services.settings), {d.id: d.path for d in where}
    out = []
    for card in services.cards.cards():
        counted = tally(services.cards.evidence(card.id), asked)
        out.append((judge_card(card, counted, where, asked, names), counted))
    return out


def verdicts(services: Services) -> list[CardVerdict]:
    """A verdict for every card, in the order they first came."""
    return [verdict for verdict, _ in judged(services, destinations(services, lost=True))]


def status(services: Services) -> dict[str, Any]:
    """``status --json``."""
    where = destinations(services, lost=True)
    cards = judged(services, where)
    reading = set((services.work.recall("reading") or "").split())
    stuck, failed = helpless(services), unreadable(services)
    return {
        "show": services.show,
        "cards": [
            _card(v, services.show, slot_state(v, reading=v.card_id in reading, waits=waits(v, counted, stuck),
                                               second_failed=v.card_id in failed))
            for v, counted in cards
        ],
        "destinations": [_destination(d) for d in where if not d.lost_utc],
        "findings": [f.to_json() for f in all_findings(services)],
        "forecast": outlook(services, [v for v, _ in cards], where, policy(services.settings)),
        "clock_synchronised": services.work.recall("clock synchronised"),
        "as_of_utc": services.clock.utc(),
    }


def helpless(services: Services) -> frozenset[str]:
    """Destinations (ids) at which something stands that only a person can end."""
    return frozenset(disk for _, disk in services.cards.in_trouble(HELPLESS))


def unreadable(services: Services) -> frozenset[str]:
    """Cards (ids) of which a second reading was tried and failed: another reader may help, waiting does not."""
    return frozenset(card for card, _ in services.cards.in_trouble((SECOND_FAILED,)))


def all_findings(services: Services) -> list[Any]:
    """Standing findings: the copier's troubles and every step's."""
    return [*services.cards.findings(), *services.work.findings()]


def _card(verdict: CardVerdict, show: str, state: SlotState) -> dict[str, Any]:
    return {
        "id": verdict.card_id,
        "label": verdict.label,
        "day": verdict.day,
        "folder": f"{show}/{verdict.folder}",
        "files": verdict.files,
        "bytes": verdict.size_bytes,
        "policy_met": verdict.policy_met,
        "copies_once_reused": verdict.copies_once_reused,
        "copies_asked": verdict.copies_asked,
        "copies_now": verdict.copies_now,
        "on_one_disk": verdict.on_one_disk,
        "read": verdict.read,
        "here": verdict.here,
        "slot": {"word": str(state.word), "reason": state.reason, "figure": state.figure},
        "reasons": list(verdict.reasons),
        "destinations": [
            {
                "path": d.path,
                "verified": d.verified,
                "required": d.required,
                "present": d.present,
                "proof": str(d.proof) if d.proof else None,
                "read_back_utc": d.read_back_utc or None,
                "last_reread_utc": d.oldest_reread_utc or None,
            }
            for d in verdict.destinations
            if not d.lost
        ],
    }


def _destination(d: DestinationRecord) -> dict[str, Any]:
    return {
        "id": d.id, "path": d.path, "required": d.required, "present": d.present, "one_disk": d.one_disk,
        "free_bytes": d.free_bytes, "filesystem": d.filesystem, "encrypted": d.encrypted,
    }


def probes(services: Services, *, superseded: bool = False) -> list[dict[str, Any]]:
    """``probes --json``: one entry per set, the current version of each; with ``superseded`` all versions."""
    from ingest.steps.light.stage import unequal_views  # loads the picture libraries: not for every answer

    here = [d for d in destinations(services) if d.present]
    roots = {d.id: Path(d.path) for d in sorted(here, key=lambda d: not d.required)}
    views = {v.id: v for v in services.work.views()}
    doubts = json.loads(services.work.recall("placements") or "{}")
    filings = {i: {**f, **doubts.get(i, {})} for i, f in services.work.filings().items()}
    places = _file_places(services, roots)
    order = {root_id: n for n, root_id in enumerate(roots)}
    outputs: dict[tuple[str, str], str] = {}
    for output in sorted(
        (o for o in services.work.outputs() if o.destination_id in roots), key=lambda o: order[o.destination_id]
    ):
        outputs.setdefault((output.owner, output.kind), str(roots[output.destination_id] / output.path))
    made = {(p.id, p.version): p for p in services.work.probes(superseded=superseded)}
    current = {p.id: p for p in services.work.probes()}
    unequal: dict[str, list[Finding]] = {}
    for finding in unequal_views(list(views.values())):
        unequal.setdefault(finding.item.split(":", 1)[0], []).append(finding)
    stitched = {position: services.work.panorama(position) for position in {v.position for v in views.values()}}
    newest = _panoramas(outputs)
    entries = [
        _probe(view, current.get(i), filings.get(i), places, outputs, stitched[view.position],
               panorama=newest.get(view.position), told=unequal.get(i, ()))
        for i, view in sorted(views.items())
    ]
    if superseded:
        entries += [
            {
                "id": p.id, "version": p.version, "superseded_utc": p.superseded_utc,
                "exr": outputs.get((f"{p.id}/{p.version}", "probe")), "record": p.record,
            }
            for p in made.values() if p.superseded_utc is not None
        ]
    return entries


class Places:
    """Where frames' files lie now, at the first destination that has them: the very file, else its content."""

    def __init__(self) -> None:
        self._files: dict[tuple[str, str, str], str] = {}
        self._contents: dict[str, str] = {}

    def add(self, card_id: str, path: str, digest: str, place: str) -> None:
        self._files.setdefault((card_id, path, digest), place)
        self._contents.setdefault(digest, place)

    def of(self, file: FrameFile) -> str | None:
        return self._files.get((file.card_id, file.path, file.digest)) or self._contents.get(file.digest)


def _file_places(services: Services, roots: dict[str, Path]) -> Places:
    """All present copies, required destinations first."""
    found = Places()
    for root_id, root in roots.items():
        for card in services.cards.cards():
            base = root / services.show / card.folder
            for copy in services.cards.copies(card.id):
                if copy.destination_id == root_id:
                    found.add(card.id, shown(copy.path), _digest(copy.source_digest), str(base / copy.stored_path))
    return found


def _digest(value: str) -> str:
    return value if ":" in value else f"xxh3_128:{value}"


def _probe(
    view: View, made: Any, filing: dict[str, Any] | None, places: Places,
    outputs: dict[tuple[str, str], str], stitched: tuple[str, Mapping[str, Any]] | None, *,
    panorama: str | None, told: Sequence[Finding] = (),
) -> dict[str, Any]:
    from ingest.steps.light.stage import ceiling

    record = made.record if made is not None and made.record is not None else {}
    version = made.version if made is not None else None
    filed = filing or {}
    reasons = list(view.reasons) + ([made.trouble] if made is not None and made.trouble else [])
    reasons += list(filed.get("reasons", []))
    picture = outputs.get((f"{view.id}/{version}", "probe"))
    whole, of_whole = stitched or ("", {})
    return {
        "id": view.id,
        "shot": filed.get("shot") or None,
        "setup": filed.get("setup") or None,
        "day": filed.get("day") or None,
        "complete": view.complete,
        "review": bool(view.review or filed.get("review")),
        "reasons": reasons,
        "why": list(view.why),
        "exr": picture,
        "preview": outputs.get((f"{view.id}/{version}", "preview")),
        "findings_picture": outputs.get((f"{view.id}/{version}", "findings")),
        "panorama": panorama or (picture if view.kind == "lat-long" else None),
        "position": view.position,
        "view": view.view,
        "version": version,
        "repeat_of": view.repeat_of,
        "body": view.body,
        "lens": view.lens or None,
        "kind": view.kind,
        "ceiling": ceiling(view),
        # what is said of a position's panorama stands with each of its views, as its path does
        "findings": [*record.get("findings", []), *(f.to_json() for f in told),
                     *({**f, "of": "panorama"} for f in of_whole.get("findings", []))],
        "checks": [*record.get("checks", []), *({**c, "of": "panorama"} for c in of_whole.get("checks", []))],
        "panorama_findings_picture": outputs.get((whole, "findings")),
        "frames": [
            {
                "files": [{"digest": f.digest, "path": places.of(f)} for f in frame.files],
                "exposure_s": frame.exposure_s,
                "f_number": frame.f_number,
                "iso": frame.iso,
                "taken_utc": utc_of_seconds(frame.taken_s) if frame.taken_s is not None else None,
            }
            for frame in view.frames
        ],
    }


def _panoramas(outputs: Mapping[tuple[str, str], str]) -> dict[str, str]:
    """The newest upright lat-long of each position."""
    made: dict[str, tuple[int, str]] = {}
    for (owner, kind), path in outputs.items():
        if kind == "panorama":
            position, _, version = owner.rpartition("/")
            made[position] = max((int(version), path), made.get(position, (-1, "")))
    return {position: path for position, (_, path) in made.items()}


def setups(services: Services) -> list[dict[str, Any]]:
    """``setups --json``: as the last pass at the desk found them."""
    return list(json.loads(services.work.recall("coverage") or "[]"))


def clips(services: Services) -> list[dict[str, Any]]:
    """``clips --json``."""
    return list(json.loads(services.work.recall("clips filed") or "[]"))


def sights(services: Services) -> list[dict[str, Any]]:
    """``sights --json``: content in which a chart or ball is seen, or that a person said to be one."""
    from ingest.steps.filing.stage import read_setup_log
    from ingest.steps.filing.stage_clips import file_stills
    from ingest.steps.filing.stage_items import together

    seen = services.work.sights()
    roles = {d: str(s.get("role", "")) for d, s in services.work.decisions("role").items()}
    paths = {f.digest: f"{c.folder}/{f.path}" for c in services.cards.cards() for f in services.cards.files(c.id)}
    everything = together(services, services.work.views(), read_setup_log(services))
    stills = {s.digest: s for s in file_stills(services, everything)}
    filed = {c["id"]: c for c in clips(services)}
    out = []
    for digest in sorted({*seen, *roles}, key=lambda d: paths.get(d, "")):
        still, clip = stills.get(digest), filed.get(f"c{digest.rpartition(':')[2][:10]}")
        if still is None and clip is None:
            continue
        role = roles.get(digest, "")
        out.append({
            "id": still.id if still else clip["id"] if clip else "", "kind": "still" if still else "clip",
            "path": shown(paths[digest]) if digest in paths else None,
            "day": (still.placement.day or None) if still else clip["day"] if clip else None,
            "shot": (still.placement.shot or None) if still else clip["shot"] if clip else None,
            "setup": (still.placement.setup or None) if still else clip["setup"] if clip else None,
            "seen": [s.to_json() for s in seen.get(digest, ())], "role": role or None,
            "proposed_role": None if role else proposed_role(seen.get(digest, ()), clip=still is None),
        })
    return out


def lenses(services: Services) -> list[dict[str, Any]]:
    """``lenses --json``: each serial in the log or a clip's header, its days and setups, and its grids."""
    return list(json.loads(services.work.recall("lenses") or "[]"))


def bodies(services: Services) -> list[dict[str, Any]]:
    """``bodies --json``: offsets with true local time = what the body showed + offset_s."""
    out = []
    stills = json.loads(services.work.recall("bodies") or "[]")
    have = {known["body"] for known in stills}
    clips = [c for c in json.loads(services.work.recall("clip bodies") or "[]") if c["body"] not in have]
    for known in (*stills, *clips):
        make, model, serial = [*known["body"].split("|"), "", "", ""][:3]
        out.append({
            "make": make, "model": model, "serial": serial, "nickname": known.get("nickname", ""),
            "offset_s": known["offset_s"], "drift_s_per_day": known["drift_s_per_day"],
            "uncertainty_s": known["uncertainty_s"], "source": known["source"],
        })
    return out


SOON_DAYS = 60  # a disk that lasts longer needs no word about it


def status_words(answer: dict[str, Any], width: int = 80) -> str:
    """``status`` for a person, at most ``width`` columns."""
    forecast = answer["forecast"]
    free_at = {c["id"]: c["free_at_utc"] for c in forecast["cards"]}
    full_on = {d["path"]: d for d in forecast["disks"]}
    lines = [f"{answer['show']}: {number_word(len(answer['cards']), 'card')}"]
    for card in answer["cards"]:
        name = card["label"] or card["folder"].rsplit("/", 1)[-1]
        lines.append("")
        size = f"{number_word(card['files'], 'file')}, {number_word(card['bytes'], 'byte')}"
        lines += folded(f"{shown(name)}  {size}", width)
        lines += folded(f"  {card['slot']['figure']}", width)
        state = card["slot"]["word"] + (f": {card['slot']['reason']}" if card["slot"]["reason"] else "")
        lines += folded(f"  {shown(state)}", width)
        if free_at.get(card["id"]):
            lines.append(f"  read at about {free_at[card['id']][11:16]}Z if it goes on like this")
        for d in card["destinations"]:
            words = "verified" if d["verified"] else "not verified"
            if d["proof"]:
                words += f", read back ({d['proof']}) {d['read_back_utc'][:16]}Z" if d["read_back_utc"] else ""
            words += "" if d["present"] else ", disk absent"
            lines += folded(f"  {shown(d['path'])}: {words}", width)
    lines.append("")
    for d in answer["destinations"]:
        room = f"{d['free_bytes']:,} bytes free" if d["free_bytes"] is not None else "absent"
        one = (", on one disk" if d["one_disk"] else "") + (", encrypted" if d["encrypted"] else "")
        full = full_on.get(d["path"])
        if full and full["days_left"] < SOON_DAYS:
            room += f", full on {full['full_on']} at the mean of {number_word(full['from_days'], 'day')}"
        lines += folded(f"{shown(d['path'])}: {room}{one}", width)
    if forecast["night_ends_utc"]:
        lines.append(f"All that is here is read and verified at about {forecast['night_ends_utc'][11:16]}Z")
    told = bundled(Finding.from_json(f) for f in answer["findings"] if f["severity"] != "note")
    lines.append(f"{number_word(len(told), 'thing')} for a person" if told else "nothing needs a person")
    for bundle in told[:20]:
        lines += folded(f"! {shown(_line_of(bundle))}", width)
    if len(told) > 20:
        lines.append(f"... and {len(told) - 20} more; `nightloader audit` lists all")
    lines += folded("A card's release is decided by the production's policy and the person responsible.", width)
    return "\n".join(lines)


def _line_of(bundle: Bundle) -> str:
    if not bundle.lacks:
        return sentences(about(shown(bundle.item), bundle.says[0]), bundle.next)
    return f"{shown(bundle.item)}: {bundle.state}: {bundle.title}. " + (
        "Waive what was not needed; file by hand what was shot (`nightloader setups` says why each is asked)."
        if bundle.lacks == "lost" else "Take it, or waive it (`nightloader setups` says why and until when).")
