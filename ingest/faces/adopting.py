"""The ledger out of the papers at a destination, every file read again before it counts.

Order of facts: probes, filings and decisions (papers say them, nothing vouches for a file), cards with what was
read of them, copies as each is read, our own files last.  A stop leaves cards with fewer copies than there are
and a finding that the adoption is not finished; run again, it goes on with what has no fact yet.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from dataclasses import replace as changed

from ingest.errors import UsageError, sentences
from ingest.machinery.disk.destinations import OpenDestination, find_destination
from ingest.machinery.disk.files import read_small
from ingest.machinery.disk.folders import list_tree
from ingest.machinery.disk.hashing import digest_of
from ingest.machinery.disk.readback import Buffer, read_from_device
from ingest.machinery.disk.sampling import head_and_tail
from ingest.machinery.ledger.cards import Landed, Trouble
from ingest.machinery.ledger.restore import (
    keep_samples,
    restore_card,
    restore_decisions,
    restore_filings,
    restore_probes,
)
from ingest.machinery.ledger.work import Output, ProbeFact
from ingest.outbox import weakest
from ingest.records.cards import CardFile, CopyFact, DestinationRecord, EntryKind, FileRecord, Proof
from ingest.records.findings import Finding, Severity
from ingest.records.names import shown
from ingest.records.papers import ProbeRecord
from ingest.services import Services
from ingest.steps.audit.words import number_word
from ingest.steps.cards.identity import to_sample
from ingest.steps.cards.inventory import odd_names
from ingest.steps.paperwork.adopt import Adopted, Candidate, adopt, combine, is_paper
from ingest.steps.paperwork.own_files import OwnFile, own_files

LARGEST_PAPER = 256 << 20
BATCH = 64


@dataclass(slots=True)
class Result:
    """What an adoption found; ``read`` files were equal, ``known`` had their facts already."""

    destination: str
    cards: int = 0
    probes: int = 0
    read: int = 0
    size_bytes: int = 0
    known: int = 0
    interrupted: bool = False
    findings: list[Finding] = field(default_factory=list)

    @property
    def needs_a_person(self) -> bool:
        return any(f.severity is not Severity.NOTE for f in self.findings)

    def words(self) -> str:
        """For a person."""
        lines = [
            f"{self.destination}: {number_word(self.cards, 'card')} and {number_word(self.probes, 'probe')} from its "
            f"papers; {number_word(self.read, 'file')}"
            f" ({self.size_bytes:,} bytes) read again and equal"
            + (f", {self.known:,} known already" if self.known else "") + "."
        ]
        lines += [
            f"! {shown(f.item)}: {sentences(f.what, f.next)}" for f in self.findings if f.severity is not Severity.NOTE
        ]
        if self.interrupted:
            lines.append("Stopped before the end; run it again to go on.")
        return "\n".join(lines)


def record_of(services: Services, path: str) -> DestinationRecord | None:
    """The ledger's destination at this path; None if it knows none."""
    real = path.rstrip("/\\")
    return next((d for d in services.cards.destinations() if d.path.rstrip("/\\") == real), None)


def adopt_destination(
    services: Services, path: str, *, progress: Callable[[str], None] = lambda _: None
) -> Result:
    """Adopt the destination at ``path``, which the ledger knows by its identity.

    Raises UsageError where nothing of this show lies there, DestinationUnavailable, OSError.
    """
    record = record_of(services, path)
    if record is None:
        raise UsageError("it is no destination of this show.", item=path,
                         next="Name it with `nightloader destination add`, then adopt it.")
    destination = find_destination(services.disk, record.path, record.id)
    try:
        return _Adoption(services, destination, progress).run()
    finally:
        destination.close()


class _Adoption:
    """One destination; every step stores what it found before the next begins."""

    def __init__(self, services: Services, destination: OpenDestination, progress: Callable[[str], None]) -> None:
        self.services, self.at, self.progress = services, destination, progress
        self.result = Result(destination=destination.path)
        self.buffer = Buffer()

    def run(self) -> Result:
        services = self.services
        try:
            sizes = self.listing()
            papers = self.adopted(sizes)
            self.result.findings += papers.findings
            self.unfinished()
            self.decisions(papers)
            self.probes(papers)
            cards = self.cards(papers)
            self.result.cards, self.result.probes = len(cards), len({p.id for p in papers.probes})
            self.copies([c for c in papers.candidates if c.card_id in cards], papers.claims)
            self.absent(papers.absent)
            self.own(own_files(papers, sizes.keys(), show=services.show))
            if not self.result.interrupted:
                services.work.set_findings(self.source, self.result.findings, services.clock.utc())
        finally:
            self.buffer.close()
        return self.result

    @property
    def source(self) -> str:
        return f"adopt {self.at.id}"

    def say(self, kind: str, item: str, what: str, todo: str, severity: Severity = Severity.PERSON) -> None:
        self.result.findings.append(Finding(
            kind=kind, item=item, severity=severity, what=what, next=todo, more={"destination": self.at.path},
        ))

    def unfinished(self) -> None:
        self.services.work.set_findings(self.source, [Finding(
            kind="adoption not finished", item=self.at.path, severity=Severity.PERSON,
            what="Its papers are taken in, but not all its files were read again yet.",
            next=f"Run `nightloader adopt {self.at.path}` again; it goes on where it was.",
        )], self.services.clock.utc())

    # -- what lies there

    def listing(self) -> dict[str, int]:
        self.progress(f"listing {self.at.path}")
        try:
            with self.at.folders.hold(self.services.show) as folder:
                entries = list_tree(self.services.disk, folder)
        except FileNotFoundError:
            raise UsageError(
                f"nothing of show {self.services.show} lies there.", item=self.at.path,
                next="Check the path, and that `init` was given the show's own code.",
            ) from None
        for entry in entries:
            if entry.kind is EntryKind.UNREADABLE:
                self.say("folder unreadable", shown(entry.path), f"It cannot be listed: {entry.trouble}.",
                         "Check the disk; adopt it again when it reads.")
        return {e.path: e.size_bytes for e in entries if e.kind is EntryKind.FILE}

    def adopted(self, sizes: Mapping[str, int]) -> Adopted:
        found = {}
        for path in sizes:
            if is_paper(path):
                try:
                    found[path] = self.paper(path)
                except OSError as error:
                    self.say("paper unreadable", shown(path), f"It cannot be read: {error.strerror or error}.",
                             "The copy at another destination may be whole.")
        made = adopt(found, destination_id=self.at.id, sizes=sizes, adopted_utc=self.services.clock.utc())
        others = set(made.shows) - {self.services.show}
        if others and self.services.show not in made.shows:
            raise UsageError(f"its papers are of show {', '.join(sorted(others))}.", item=self.at.path,
                             next="Make the show with that code and adopt it there.")
        return changed(made, probes=tuple(p for p in made.probes if p.show == self.services.show))

    def paper(self, path: str) -> bytes:
        folder, _, name = f"{self.services.show}/{path}".rpartition("/")
        with self.at.folders.hold(folder) as held:
            return read_small(self.services.disk, held, name, most=LARGEST_PAPER)

    def read(self, path: str) -> tuple[str, int, str]:
        """(XXH128 hex, bytes, proof) as the device returns a file under the show's folder.  Raises OSError."""
        folder, _, name = f"{self.services.show}/{path}".rpartition("/")
        volume = self.at.volume
        with self.at.folders.hold(folder) as held:
            digests, proof = read_from_device(
                self.services.disk, held, name, filesystem=volume.filesystem, device=volume.device, buffer=self.buffer
            )
        return digests.digest, digests.size_bytes, str(proof)

    # -- what papers alone say

    def decisions(self, papers: Adopted) -> None:
        """Decisions and filings, and for each probe where its record says it lies: the weakest evidence there is,
        for a setup log that is empty here."""
        store, work, here = self.services.store, self.services.work, self.at.id
        decided = [
            (line.decision, line.item, json.dumps(line.said), line.utc)
            for line in papers.log if line.event == "decided" and line.decision
        ]
        filed = [
            (line.item, line.item_version, line.folder, line.shot or "", line.setup or "", line.day or "", line.why,
             line.utc)
            for line in papers.log if line.event in ("filed", "moved") and line.folder is not None
        ]
        told = {"show log": restore_filings(store, filed), "show decisions": restore_decisions(store, decided)}
        for key, number in told.items():
            if number > int(work.recall(f"{key}|{here}") or 0):
                work.put(f"{key}|{here}", str(number))
        restore_decisions(store, [row for p in _newest(papers.probes) for row in _as_filed(p, papers.records)])

    def probes(self, papers: Adopted) -> None:
        facts = []
        for probe in papers.probes:
            signature = str(probe.merge.get("signature", ""))
            facts.append(ProbeFact(
                id=probe.id, version=probe.probe_version, signature=signature,
                frames=tuple(f.digest for frame in probe.frames for f in frame.files), record=dict(probe.merge),
                trouble="", superseded_utc=None, merged_utc=probe.written_utc,
            ))
        restore_probes(self.services.store, facts, self.services.clock.utc())

    def cards(self, papers: Adopted) -> set[str]:
        """Cards and their files, together with what the ledger has of them; answers those that may be read on."""
        ledger = self.services.cards
        known = Adopted(
            destination_id="", cards=ledger.cards(), files=tuple(f for c in ledger.cards() for f in ledger.files(c.id))
        )
        cards, files, disagree = combine([known, papers])
        ours = {c.id for c in papers.cards}
        self.result.findings += [f for f in disagree if f.item.split(":", 1)[0] in ours]
        by_card: dict[str, list[FileRecord]] = {}
        for file in files:
            by_card.setdefault(file.card_id, []).append(file)
        taken = set()
        for card in cards:
            if card.id not in ours:
                continue
            own = by_card.get(card.id, [])
            if not restore_card(
                self.services.store, card, own, samples={}, left_out=papers.left_out.get(card.id, ()),
                empty_folders=papers.empty_folders.get(card.id, ()),
            ):
                self.say("folder of another card", card.id,
                         f"{shown(card.folder)} is another card's folder in this ledger; nothing of it was adopted.",
                         "Find out which of the two disks belongs to this show.")
                continue
            taken.add(card.id)
            ledger.trouble(_troubles(card.id, own, papers), self.services.clock.utc())
        return taken

    # -- files, each read before it counts

    def copies(self, candidates: Sequence[Candidate], claims: Mapping[tuple[str, str, int], CopyFact]) -> None:
        ledger = self.services.cards
        for card_id, own in _by_card(candidates):
            files = {(f.path, f.generation): f for f in ledger.files(card_id)}
            have = {(c.path, c.generation) for c in ledger.copies(card_id) if c.destination_id == self.at.id}
            ledger_card = ledger.card(card_id)
            folder = ledger_card.folder if ledger_card else card_id
            good: list[Candidate] = []
            batch: list[tuple[Landed, CopyFact]] = []
            for n, one in enumerate(own):
                if self.services.stop.is_set():
                    self.result.interrupted = True
                    break
                key = (one.path, one.generation)
                if key in have:
                    self.result.known += 1
                    good.append(one)
                    continue
                made = self.one_copy(one, files[key], claims.get((card_id, *key)))
                if made is not None:
                    good.append(one)
                    batch.append(made)
                if len(batch) >= BATCH:
                    self.keep(batch)
                    batch = []
                    self.progress(f"{folder}: {n + 1:,} of {len(own):,} files read again")
            self.keep(batch)
            self.sample(card_id, good)
            if self.result.interrupted:
                return

    def one_copy(self, one: Candidate, file: FileRecord, claim: CopyFact | None) -> tuple[Landed, CopyFact] | None:
        """The copy's fact with this reading of it, None (and a finding) if it is not what the card gave."""
        own, said = file.digests.get("xxh3_128", ""), one.digests["xxh3_128"]
        where = f"{one.at} at {self.at.path}"
        if own != said:
            return None  # the papers of two destinations disagree: said where they were put together
        try:
            digest, size, proof = self.read(one.at)
        except OSError as error:
            self.say("copy unreadable", where, f"It cannot be read: {error.strerror or error}.",
                     "Check the disk; another destination or the card may still have it.")
            return None
        if (digest, size) != (own, file.size_bytes):
            self.say("copy differs", where, "It is not what was read from the card: it does not count as a copy.",
                     "Adopt another destination or put the card in: a good copy is made beside it.")
            return None
        utc = self.services.clock.utc()
        landed = Landed(
            row=file.row, destination_id=self.at.id, stored_path=one.stored_path, source_digest=own, back_digest=digest,
            proof=Proof(weakest([proof, str(claim.proof)] if claim else [proof])),
            read_back_utc=claim.read_back_utc if claim else utc, folder_synced=claim.folder_synced if claim else False,
        )
        return landed, CopyFact(
            card_id=one.card_id, path=one.path, destination_id=self.at.id, stored_path=one.stored_path,
            size_bytes=size, source_digest=own, back_digest=digest, proof=landed.proof, read_back_utc=utc,
            folder_synced=landed.folder_synced, generation=one.generation, reread_proof=proof,
        )

    def keep(self, batch: Sequence[tuple[Landed, CopyFact]]) -> None:
        if batch:
            self.services.cards.record(landed=[landed for landed, _ in batch])
            self.services.cards.record_reread((c, c.back_digest, c.reread_proof, c.read_back_utc) for _, c in batch)
            self.result.read += len(batch)
            self.result.size_bytes += sum(c.size_bytes for _, c in batch)

    def sample(self, card_id: str, good: Sequence[Candidate]) -> None:
        """What a card is recognised by when it comes back, from copies that read as they should."""
        at = {c.path: c.at for c in sorted(good, key=lambda c: c.generation)}
        sizes = {c.path: c.size_bytes for c in good}
        samples = {}
        for path in to_sample([CardFile(path=p, size_bytes=sizes[p], mtime_ns=0) for p in at]):
            try:
                samples[path] = head_and_tail(
                    self.services.disk, self.at.folders, f"{self.services.show}/{at[path]}"
                )
            except OSError:
                continue  # it was read whole a moment ago: without its sample the listing alone recognises it
        keep_samples(self.services.store, card_id, samples)

    def absent(self, candidates: Sequence[Candidate]) -> None:
        for one in candidates:
            self.say("file missing", f"{shown(one.at)} at {self.at.path}", "Its papers name it, and it is not there.",
                     "Adopt another destination or put the card in: it is copied again.")

    def own(self, files: Sequence[OwnFile]) -> None:
        """Our own files: pictures against what their record vouches for, papers as they are."""
        known = {o.path: o for o in self.services.work.outputs() if o.destination_id == self.at.id}
        for file in files:
            path = f"{self.services.show}/{file.path}"
            if self.services.stop.is_set() or self.result.interrupted:
                self.result.interrupted = True
                return
            if path in known:
                self.result.known += 1
                continue
            try:
                digest, size, proof = self.read(file.path)
                text = self.paper(file.path) if file.kind == "light" else b""
            except OSError as error:
                self.say("own file unreadable", f"{shown(path)} at {self.at.path}",
                         f"It cannot be read: {error.strerror or error}.", "Check the disk.")
                continue
            if file.digest not in ("", f"xxh3_128:{digest}"):
                self.say("own file differs", f"{shown(path)} at {self.at.path}",
                         "It is not the picture that its record names; it was left alone and does not count.",
                         "Move it away: it is brought from another destination, or merged again.")
                continue
            utc = self.services.clock.utc()
            self.services.work.set_output(Output(
                destination_id=self.at.id, path=path, kind=file.kind, owner=file.owner, size_bytes=size,
                digest=f"xxh3_128:{digest}", proof=proof, written_utc=utc, reread_utc=utc,
                reread_digest=f"xxh3_128:{digest}",
            ))
            if file.kind == "light" and digest_of(text) == digest:
                self.services.work.remember(f"light|{file.owner}", text.decode("utf-8", "replace").rstrip("\n"))
            self.result.read += 1
            self.result.size_bytes += size


def _by_card(candidates: Sequence[Candidate]) -> Iterator[tuple[str, list[Candidate]]]:
    cards: dict[str, list[Candidate]] = {}
    for one in candidates:
        cards.setdefault(one.card_id, []).append(one)
    yield from cards.items()


def _newest(probes: Sequence[ProbeRecord]) -> list[ProbeRecord]:
    newest = {p.id: p for p in sorted(probes, key=lambda p: p.probe_version)}
    return list(newest.values())


def _as_filed(probe: ProbeRecord, places: Mapping[tuple[str, int], str]) -> Iterator[tuple[str, str, str, str]]:
    """Where its record says a probe was filed, by each of its files' digests."""
    filing = probe.filing
    place = places.get((probe.id, probe.probe_version), "")
    if filing.setup is None or not place:
        return
    folder, _, name = place.rpartition("/")
    body = json.dumps({
        "shot": filing.shot or "", "setup": filing.setup, "day": filing.day or "", "unit": filing.unit,
        "why": filing.why, "folder": folder, "stem": name.removesuffix(".json"),
        "version": probe.probe_version, "review": probe.review, "reasons": probe.reasons,
    })
    for frame in probe.frames:
        for file in frame.files:
            yield "adopted", file.digest, body, filing.utc


def _troubles(card_id: str, files: Sequence[FileRecord], papers: Adopted) -> list[Trouble]:
    """What the papers and the names themselves say of a card."""
    again = "Plug the card in again or try another reader."
    found = [
        Trouble(kind="not read", card_id=card_id, path=f.path, what=f.trouble, next=again)
        for f in files if f.trouble and not f.digests
    ]
    whole = [(p, w) for p, w in papers.problems.get(card_id, ()) if not p]
    found += [Trouble(kind="listing not whole", card_id=card_id, what=words, next=again) for _, words in whole]
    listed = [CardFile(path=f.path, size_bytes=f.size_bytes, mtime_ns=f.mtime_ns) for f in files]
    return found + [
        Trouble(kind="odd name", card_id=card_id, path=path, severity=Severity.NOTE,
                what=f"{why}; it is kept as it is.", next="Nothing to do.")
        for path, why in odd_names(listed)
    ]

