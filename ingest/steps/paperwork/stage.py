"""The papers of cards, probes and the show, at every destination that is here.

A paper is made from facts alone and carries the time of its newest fact, so that the same facts give the
same bytes and nothing is written twice.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence
from typing import Any

from ingest import __version__
from ingest.errors import Unreadable
from ingest.machinery.clock import utc_of_seconds
from ingest.machinery.disk.destinations import OpenDestination
from ingest.machinery.disk.hashing import digest_of
from ingest.machinery.ledger.work import ProbeFact
from ingest.originals import Originals
from ingest.outbox import Outbox
from ingest.records import papers
from ingest.records.cards import CardRecord, CopyFact, FileRecord
from ingest.records.filing import Place, Placement
from ingest.records.findings import Finding
from ingest.records.names import shown
from ingest.records.views import View
from ingest.services import Services
from ingest.steps.paperwork import history
from ingest.steps.paperwork.checksums import CHECKERS, card_logs, unlisted_finding
from ingest.steps.paperwork.folder_hashes import FolderHash, folder_hashes
from ingest.steps.paperwork.history_reading import ReadList, parse_chain, parse_list, standing
from ingest.steps.paperwork.lists import began, is_whole
from ingest.steps.paperwork.manifest import card_manifest, probe_record, show_manifest
from ingest.steps.paperwork.showlog import line

LOG = "paperwork/show_log.jsonl"


def card_papers(services: Services, outbox: Outbox, card: CardRecord) -> list[Finding]:
    """Manifest and checksum logs of one card, beside its folder."""
    files = services.cards.files(card.id)
    copies = services.cards.copies(card.id)
    if not copies and not files:
        return []
    left_out = services.cards.left_out(card.id)
    empty = services.cards.empty_folders(card.id)
    troubles = services.cards.troubles(card.id)
    problems = [(t.path, t.what) for t in troubles if t.kind in ("listing not whole", "not read")]
    # What changes with every look at the card (when it was last seen) is no reason for a new paper.
    last_seen = max([card.first_seen_utc, *(c.read_back_utc for c in copies), *(f.second_read_utc for f in files)])
    stamp = max([last_seen, *(c.reread_utc for c in copies)])
    steady = dataclasses.replace(card, last_seen_utc=last_seen)
    base = f"{services.show}/{card.folder}"

    def manifest(destination_id: str) -> bytes:
        return card_manifest(
            steady, files, show=services.show, destination_id=destination_id, copies=copies, left_out=left_out,
            empty_folders=empty, problems=problems, software_version=__version__, written_utc=stamp,
        )

    name = card.folder.rsplit("/", 1)[-1]
    found: dict[str, Finding] = {}
    logs = {d.id: card_logs(files, copies, destination_id=d.id, prefix=f"{name}/") for d in outbox.here}
    for algorithm in dict.fromkeys(made.algorithm for each in logs.values() for made in each):
        by_destination = {d: next((m for m in each if m.algorithm == algorithm), None) for d, each in logs.items()}

        def data(destination_id: str, of: Mapping[str, Any] = by_destination) -> bytes:
            made = of.get(destination_id)
            return made.data if made is not None else b""

        outbox.put(f"{base}{CHECKERS[algorithm].suffix}", data, kind=f"checksums {algorithm}", owner=card.id)
        for made in by_destination.values():
            finding = unlisted_finding(made, card_id=card.id, label=card.roll or card.label or name) if made else None
            if finding is not None:
                found[finding.key] = finding
    outbox.put(f"{base}.manifest.json", manifest, kind="manifest", owner=card.id)
    return list(found.values())


def probe_papers(
    services: Services, outbox: Outbox, originals: Originals, view: View, fact: ProbeFact, placement: Placement,
    place: Place, paths: Mapping[str, str], findings: Sequence[Finding], filed_utc: str = "",
) -> None:
    """The record beside a merged picture; ``filed_utc`` is when it came to where it lies ("": when it was merged)."""
    if fact.record is None or fact.merged_utc is None:
        return
    owner = f"{view.id}/{fact.version}"
    prefix = f"{services.show}/"
    outputs = {}
    for kind in ("probe", "preview", "findings"):
        for output in outbox.known(owner=owner, kind=kind).values():
            outputs[output.path] = papers.Output(
                path=output.path.removeprefix(prefix), size_bytes=output.size_bytes, digest=output.digest
            )
    frames = []
    for frame in view.frames:
        files = []
        for file in frame.files:
            same = originals.with_digest(file.digest)
            found = [o for o in same if (o.card_id, shown(o.path)) == (file.card_id, file.path)] or same
            places = sorted(path for o in found for _, path in o.places)
            if places:
                files.append(papers.ProbeFile(digest=file.digest, path=shown(places[0].removeprefix(prefix))))
        frames.append(
            papers.ProbeFrame(
                files=files, exposure_s=frame.exposure_s, f_number=frame.f_number, iso=frame.iso,
                taken_utc=utc_of_seconds(frame.taken_s) if frame.taken_s is not None else None,
            )
        )
    record = {k: v for k, v in fact.record.items() if k != "seconds"}
    data = probe_record(
        show=services.show, id=view.id, version=fact.version, position=view.position, view=view.view,
        complete=view.complete, review=view.review or placement.review,
        reasons=[*view.reasons, *placement.reasons], frames=frames,
        filing=papers.Filing(
            shot=placement.shot or None, setup=placement.setup or None, day=placement.day or None,
            unit=placement.unit, folder=place.folder, why="; ".join(placement.why) or "matches nothing in the log",
            utc=filed_utc or fact.merged_utc,
        ),
        merge=record, outputs=list(outputs.values()), findings=findings, software_version=__version__,
        written_utc=max(fact.merged_utc, filed_utc),
    )
    outbox.put(paths["record"], lambda _: data, kind="record", owner=owner)


def show_paper(services: Services, outbox: Outbox) -> None:
    """Everything of the show, by its papers."""
    settings = services.settings
    prefix = f"{services.show}/"
    manifests = {(o.owner, o.destination_id): o for o in services.work.outputs(kind="manifest")}
    records = {(o.owner, o.destination_id): o for o in services.work.outputs(kind="record")}
    cards = services.cards.cards()
    filings = services.work.filings()
    current = [p for p in services.work.probes() if p.record is not None]
    stamp = max(
        ["2000-01-01T00:00:00.000Z", *(c.first_seen_utc for c in cards), *(o.written_utc for o in manifests.values()),
         *(o.written_utc for o in records.values()), *(str(f["utc"]) for f in filings.values())]
    )

    def paper(output: Any) -> papers.Output | None:
        if output is None:
            return None
        return papers.Output(
            path=output.path.removeprefix(prefix), size_bytes=output.size_bytes, digest=output.digest
        )

    kept = {c.id: services.cards.kept(c.id) for c in cards}

    def data(destination_id: str) -> bytes:
        return show_manifest(
            show=services.show, time_zone=settings.show.timezone, destination_id=destination_id,
            destinations=[
                papers.ShowDestination(id=d.id, required=d.required, lost_utc=d.lost_utc or None)
                for d in services.cards.destinations(lost=True)
            ],
            cards=[
                papers.ShowCard(
                    id=c.id, label=c.label, roll=c.roll, day=c.day, folder=c.folder, files=kept[c.id][0],
                    size_bytes=kept[c.id][1], manifest=paper(manifests.get((c.id, destination_id))),
                )
                for c in cards
            ],
            probes=[
                papers.ShowProbe(
                    id=p.id, probe_version=p.version, shot=filings[p.id]["shot"] or None,
                    setup=filings[p.id]["setup"] or None, day=filings[p.id]["day"] or None,
                    folder=filings[p.id]["folder"], record=paper(records.get((f"{p.id}/{p.version}", destination_id))),
                )
                for p in current if p.id in filings
            ],
            software_version=__version__, written_utc=stamp,
        )

    outbox.put(f"{services.show}/paperwork/show.manifest.json", data, kind="show manifest", owner=services.show)


def running_log(services: Services, outbox: Outbox) -> None:
    """Append what was filed, moved or decided since the last time, to each destination what it lacks."""
    newest = {"show log": 0, "show decisions": 0}
    here = {d.id: d for d in outbox.here}

    def since(key: str, destination_id: str) -> int:
        return int(services.work.recall(f"{key}|{destination_id}") or 0)

    def owed(destination_id: str) -> list[bytes]:
        lines = [*filed(since("show log", destination_id)), *decided(since("show decisions", destination_id))]
        if lines and services.work.recall(f"show log|{destination_id}") is None:
            # A log that this ledger never wrote to (it was lost, or the disk is new): what stands there stays once.
            there = outbox.read(here[destination_id], f"{services.show}/{LOG}") or b""
            known = set(there.splitlines(keepends=True))
            lines = [one for one in lines if one not in known]
        return lines

    def filed(after: int) -> list[bytes]:
        out = []
        for n, item, version, folder, shot, setup, day, why, utc, earlier in services.work.filings_since(after):
            newest["show log"] = max(newest["show log"], n)
            out.append(
                line(
                    utc=utc, event="moved" if earlier else "filed", item=item, version=version, folder=folder,
                    shot=shot or None, setup=setup or None, day=day or None, why=why,
                )
            )
        return out

    def decided(after: int) -> list[bytes]:
        out = []
        for n, kind, item, body, utc in services.work.decisions_since(after):
            newest["show decisions"] = max(newest["show decisions"], n)
            if kind != "adopted":  # that one is from papers already
                if isinstance(body, dict) and "by" in body:
                    body = {**body, "by": services.settings.security.alias(str(body["by"]))}
                out.append(line(utc=utc, event="decided", item=item, decision=kind, said=body))
        return out

    def written(destination_id: str) -> None:
        for key, number in newest.items():
            if number > since(key, destination_id):
                services.work.put(f"{key}|{destination_id}", str(number))

    outbox.append(f"{services.show}/{LOG}", owed, written)


def card_history(
    services: Services, outbox: Outbox, card: CardRecord,
    reread: Mapping[str, Mapping[str, tuple[int, Mapping[str, str]]]] | None = None, started_utc: str = "",
) -> None:
    """The next list of the card's hash-list history at each destination that is here, if one is due.

    Without ``reread`` it lists what a whole copy added; with it (destination id -> stored path -> size and
    digests by our names) what an audit read again there, *verified* or *failed*.
    """
    files, copies = services.cards.files(card.id), services.cards.copies(card.id)
    name = card.folder.rsplit("/", 1)[-1]
    base = f"{services.show}/{card.folder}/{history.FOLDER}"
    for destination in outbox.here:
        if not is_whole(files, copies, destination.id):
            continue
        held = _held_lists(services, outbox, destination, card.id, base)
        if held is None:
            continue
        links, lists = held
        known = standing(lists)
        if reread is None:
            listed = history.first_listing(files, copies, destination_id=destination.id, known=known)
            started = began(files, (x.path for x in listed), card.first_seen_utc)
        else:
            listed = history.verified_listing(reread.get(destination.id, {}), known)
            started = started_utc[:19] + "Z"
        inner = _inner(services, outbox, destination, card, copies)
        # What an inner history covers is never listed here, so it is no reason for a further list.
        if not listed or (reread is None and links and all(history.is_inside(x.path, inner) for x in listed)):
            continue
        made = history.generation(
            listed, number=len(links) + 1, folder=name, started_utc=started,
            process="transfer" if reread is None else "in-place", host=services.settings.security.host,
            tool_version=__version__, inner=inner,
            folders=_folder_hashes(services, card.id, files, copies, destination.id, listed),
        )
        if made is None:
            continue
        # The list first, then the chain that names it: a stop between leaves a list the next run finds equal.
        if outbox.put_at(destination, f"{base}/{made.link.name}", made.data, kind=f"history {made.link.number}",
                         owner=card.id):
            outbox.put_at(destination, f"{base}/{history.CHAIN}", history.chain([*links, made.link]), kind="chain",
                          owner=card.id)


def _inner(
    services: Services, outbox: Outbox, destination: OpenDestination, card: CardRecord, copies: Sequence[CopyFact]
) -> list[history.Reference]:
    """The newest list of every history that the card brings itself, by its place in the card's folder."""
    here = [c.stored_path for c in copies if c.destination_id == destination.id]
    found = []
    for lists in history.inner_scopes(here).values():
        data = outbox.read(destination, f"{services.show}/{card.folder}/{lists[-1]}")
        if data is not None:
            found.append(history.Reference(path=lists[-1], c4=history.c4(data)))
    return found


def _folder_hashes(
    services: Services, card_id: str, files: Sequence[FileRecord], copies: Sequence[CopyFact], destination_id: str,
    listed: Sequence[history.Listed],
) -> tuple[FolderHash, ...]:
    """Of every folder of the card, if this list holds every file of it with the digest that was found equal."""
    digests = {
        one.path: digest for one in listed
        if (digest := one.digests.get("xxh128", ("", history.Action.FAILED))[0])
        and one.digests["xxh128"][1] is not history.Action.FAILED
    }
    stored = {c.stored_path for c in copies if c.destination_id == destination_id}
    if stored != digests.keys() or len(stored) != len(files):
        return ()
    return folder_hashes(
        digests, lambda data: bytes.fromhex(digest_of(data)), empty_folders=services.cards.empty_folders(card_id)
    )


def _held_lists(
    services: Services, outbox: Outbox, destination: OpenDestination, card_id: str, base: str
) -> tuple[list[history.Link], list[ReadList]] | None:
    """The chain and the lists at a destination; None where they do not fit each other (the audit tells)."""
    chain = outbox.read(destination, f"{base}/{history.CHAIN}")
    if chain is None:
        return [], []
    try:
        links = list(parse_chain(chain, item=f"{base}/{history.CHAIN}"))
        lists = []
        for link in links:
            data = outbox.read(destination, f"{base}/{link.name}")
            if data is None or history.c4(data) != link.c4:
                services.log.warning("history does not fit its chain", card=card_id, list=link.name)
                return None
            lists.append(parse_list(data, item=link.name))
    except Unreadable as error:
        services.log.warning("history cannot be read", card=card_id, why=error.what)
        return None
    return links, lists
