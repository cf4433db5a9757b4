"""The ledger's records out of the papers at a destination, for a machine that has never seen it.

Nothing a paper says is believed as a copy: every file with a known digest becomes a :class:`Candidate`, which the
stage reads from the device, and only an equal one becomes a fact.  Manifest, checksum log and hash-list history
say the same thing three times; where they disagree the file is *disputed*, its candidate is left out, and a person
is told.  Without a manifest a card is rebuilt from the others, but its listing then counts as not whole.

A card's own folder is untrusted content: what looks like a paper of ours in there is none, but for the history in
``<card>/ascmhl`` (a card's own history lies one folder deeper).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

from ingest.errors import Unreadable
from ingest.records import papers
from ingest.records.cards import CardRecord, CopyFact, FileKind, FileRecord, LeftOut
from ingest.records.findings import Finding, Severity
from ingest.records.names import shown
from ingest.steps.paperwork import checksums, history, history_reading, manifest, showlog

_LOG_SUFFIXES = {checker.suffix: algorithm for algorithm, checker in checksums.CHECKERS.items()}
_OURS = {element: name for name, element in history.ELEMENTS.items()}
_CARD_FOLDER = re.compile(r"cards/(\d{4}-\d{2}-\d{2})/([^/]+)")
_PAPER = re.compile(rb'\s*\{\s*"paper": "([a-z ]+)"')
_ASK = "Look at both papers and at the copy on another destination; until then this file counts as not verified here."


@dataclass(frozen=True, kw_only=True, slots=True)
class Candidate:
    """A file that may be a verified copy here: read it, and if size and digests are equal, say so as a fact.

    ``at`` is its place under the show's folder, ``digests`` by algorithm (``xxh3_128`` always among them).
    """

    card_id: str
    path: str
    stored_path: str
    at: str
    size_bytes: int
    digests: Mapping[str, str]
    generation: int = 1


@dataclass(frozen=True, kw_only=True, slots=True)
class Adopted:
    """What the papers of one destination give.  ``filings`` is where each item was filed last; ``log`` every line.

    ``claims`` are the copies as this destination's own manifests tell them, by (card, path, generation): worth
    keeping only beside a reading that agrees.  ``records`` says where each probe's record lies.  ``absent`` are
    files that a manifest says were copied here and that are not in the listing.
    """

    destination_id: str
    shows: tuple[str, ...] = ()
    cards: tuple[CardRecord, ...] = ()
    files: tuple[FileRecord, ...] = ()
    candidates: tuple[Candidate, ...] = ()
    left_out: Mapping[str, tuple[LeftOut, ...]] = field(default_factory=dict)
    probes: tuple[papers.ProbeRecord, ...] = ()
    filings: Mapping[str, papers.ShowLogLine] = field(default_factory=dict)
    log: tuple[papers.ShowLogLine, ...] = ()
    findings: tuple[Finding, ...] = ()
    claims: Mapping[tuple[str, str, int], CopyFact] = field(default_factory=dict)
    empty_folders: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    problems: Mapping[str, tuple[tuple[str, str], ...]] = field(default_factory=dict)
    records: Mapping[tuple[str, int], str] = field(default_factory=dict)
    absent: tuple[Candidate, ...] = ()


def is_paper(path: str) -> bool:
    """Whether a file at this place under the show's folder may be a paper worth reading for :func:`adopt`."""
    folder, _, name = path.rpartition("/")
    inside = _CARD_FOLDER.match(path)
    if inside and path.startswith(f"{inside[0]}/"):
        return folder == f"{inside[0]}/{history.FOLDER}" and (name == history.CHAIN or name.endswith(".mhl"))
    return name.endswith((".json", ".jsonl", *_LOG_SUFFIXES))


def adopt(
    found: Mapping[str, bytes], *, destination_id: str, sizes: Mapping[str, int], adopted_utc: str
) -> Adopted:
    """Records from ``found`` (path under the show's folder -> bytes of each paper there).

    ``sizes`` is the listing of the show's folder (path -> bytes); a file that is not in it is no candidate but
    stays on its card's list.  What is no paper of ours is passed over.
    """
    found = {path: data for path, data in found.items() if is_paper(path)}
    work = _Work(destination_id, adopted_utc)
    for path in sorted(found, key=_bytes):
        work.take(path, found[path])
    work.histories(found)
    for card_id, card in work.cards.items():
        work.cross_check(card_id, card, found)
    work.without_manifest(found, sizes)
    return work.result(sizes)


def combine(every: Iterable[Adopted]) -> tuple[tuple[CardRecord, ...], tuple[FileRecord, ...], tuple[Finding, ...]]:
    """Cards and files of several destinations as one, with a finding for each file they do not agree on.

    Of a card the record of the highest generation counts, of a file the first destination that has a digest.
    """
    cards: dict[str, CardRecord] = {}
    files: dict[tuple[str, str, int], FileRecord] = {}
    said: list[Finding] = []
    for one in every:
        for card in one.cards:
            known = cards.get(card.id)
            if known is None or (card.listing_whole, card.generation) > (known.listing_whole, known.generation):
                cards[card.id] = card
        for file in one.files:
            key = (file.card_id, file.path, file.generation)
            before = files.get(key)
            if before is None or (file.digest and not before.digest):
                files[key] = file
            elif before.digest and file.digest and before.digest != file.digest:
                said.append(
                    _finding(
                        "papers disagree", f"{file.card_id}:{shown(file.path)}", Severity.PERSON,
                        f"Two destinations hold different digests of {shown(file.path)}.", _ASK,
                    )
                )
                files[key] = replace(before, trouble="the papers of two destinations disagree")
    return tuple(cards.values()), tuple(files.values()), tuple(said)


class _Work:
    """The collecting of one destination; ends as :class:`Adopted`."""

    def __init__(self, destination_id: str, adopted_utc: str) -> None:
        self.destination_id = destination_id
        self.adopted_utc = adopted_utc
        self.shows: dict[str, None] = {}
        self.cards: dict[str, CardRecord] = {}
        self.files: dict[str, dict[str, FileRecord]] = {}  # card -> stored path -> file
        self.left_out: dict[str, tuple[LeftOut, ...]] = {}
        self.claims: dict[tuple[str, str, int], CopyFact] = {}
        self.empty: dict[str, tuple[str, ...]] = {}
        self.problems: dict[str, tuple[tuple[str, str], ...]] = {}
        self.probes: dict[tuple[str, int], papers.ProbeRecord] = {}
        self.records: dict[tuple[str, int], str] = {}
        self.log: list[papers.ShowLogLine] = []
        self.standing: dict[str, dict[str, dict[str, str]]] = {}  # folder -> stored path -> our algorithm -> digest
        self.disputed: set[tuple[str, str]] = set()
        self.findings: list[Finding] = []

    def say(self, kind: str, item: str, severity: Severity, what: str, todo: str) -> None:
        self.findings.append(_finding(kind, item, severity, what, todo))

    def take(self, path: str, data: bytes) -> None:
        if path.endswith(".jsonl"):
            self.show_log(path, data)
            return
        kind = _PAPER.match(data[:200])
        if kind is None:
            return
        try:
            match kind[1]:
                case b"card manifest":
                    self.manifest(path, manifest.parse_card_manifest(data, item=path))
                case b"probe record":
                    probe = papers.parse(papers.ProbeRecord, data, item=path)
                    stems = {o.path.rpartition("/")[2].rpartition(".")[0] for o in probe.outputs}
                    if path.rpartition("/")[2].removesuffix(".json") in stems:
                        self.records[probe.id, probe.probe_version] = path
                    self.probes[probe.id, probe.probe_version] = probe
                    self.shows[probe.show] = None
        except Unreadable as error:
            self.say("paper unreadable", shown(path), Severity.PERSON, f"{shown(path)}: {error.what}", error.next)

    def show_log(self, path: str, data: bytes) -> None:
        read = showlog.parse(data)
        self.log += read.lines
        lost = len(read.problems) + read.torn
        if lost:
            self.say("log line unreadable", shown(path), Severity.NOTE,
                     f"{shown(path)}: {lost} of its lines cannot be read.",
                     "What they filed is looked for again; another destination's log may hold them.")

    def manifest(self, path: str, read: manifest.ReadManifest) -> None:
        card = read.card
        if path != manifest.manifest_path(card.folder):
            self.say("folder moved", card.id, Severity.PERSON,
                     f"{shown(path)} is the manifest of {shown(card.folder)}, which lies elsewhere.",
                     "Move the folder back, or leave it: it is not counted as that card's copy.")
            return
        if read.destination_id != self.destination_id:
            self.say("manifest of another disk", card.id, Severity.NOTE,
                     f"{shown(path)} was written for another destination: this folder was copied by hand.",
                     "Its files are read here and count from then on.")
        before = self.cards.get(card.id)
        if before is not None and before.generation >= card.generation:
            return
        self.shows[read.show] = None
        stored = {(c.path, c.generation): c.stored_path for c in read.copies}
        self.cards[card.id] = card
        self.files[card.id] = {stored.get((f.path, f.generation), f.path): f for f in read.files}
        self.left_out[card.id] = read.left_out
        self.empty[card.id] = read.empty_folders
        self.problems[card.id] = read.problems
        if read.destination_id == self.destination_id:
            self.claims |= {(card.id, c.path, c.generation): c for c in read.copies}

    def histories(self, found: Mapping[str, bytes]) -> None:
        for path in sorted(found, key=_bytes):
            folder, _, name = path.rpartition("/")
            match = _CARD_FOLDER.fullmatch(folder.removesuffix(f"/{history.FOLDER}"))
            if name != history.CHAIN or match is None:
                continue
            try:
                self.history(match[0], folder, found)
            except Unreadable as error:
                self.say("paper unreadable", shown(path), Severity.PERSON, f"{shown(path)}: {error.what}", error.next)

    def history(self, card_folder: str, folder: str, found: Mapping[str, bytes]) -> None:
        links = history_reading.parse_chain(found[f"{folder}/{history.CHAIN}"])
        there = {link.name: found[f"{folder}/{link.name}"] for link in links if f"{folder}/{link.name}" in found}
        broken = history_reading.broken_links(links, {name: history.c4(data) for name, data in there.items()})
        for name in broken:
            self.say("hash list broken", shown(f"{folder}/{name}"), Severity.PERSON,
                     f"{shown(folder)}/{shown(name)} is missing or not the list that its chain names.",
                     "Its digests are not used; compare with the history at another destination.")
        lists = [history_reading.parse_list(there[link.name]) for link in links if link.name not in broken]
        self.standing[card_folder] = {
            path: {_OURS[e]: d for e, d in digests.items() if e in _OURS}
            for path, digests in history_reading.standing(lists).items()
        }

    def cross_check(self, card_id: str, card: CardRecord, found: Mapping[str, bytes]) -> None:
        """Compare the manifest with the log and the history, and take digests it lacks from them."""
        files = self.files[card_id]
        others = {"checksum log": self.logs(card.folder, found), "hash list": self.standing.get(card.folder, {})}
        for source, by_path in others.items():
            for stored, digests in by_path.items():
                file = files.get(stored)
                if file is None:
                    self.disagree(card_id, stored, f"the {source} lists it, the manifest does not")
                elif wrong := [a for a, d in digests.items() if file.digests.get(a, d) != d]:
                    self.disputed.add((card_id, stored))
                    words = f"manifest and {source} hold different digests ({', '.join(sorted(wrong))})"
                    self.disagree(card_id, stored, words)

    def disagree(self, card_id: str, stored: str, how: str) -> None:
        where = f"{shown(self.cards[card_id].folder)}, {shown(stored)}"
        self.say("papers disagree", f"{card_id}:{shown(stored)}", Severity.PERSON, f"{where}: {how}.", _ASK)

    def logs(self, card_folder: str, found: Mapping[str, bytes]) -> dict[str, dict[str, str]]:
        """Stored path -> digests of every checksum log that lies beside the card's folder."""
        out: dict[str, dict[str, str]] = {}
        own_name = card_folder.rpartition("/")[2]
        for algorithm in checksums.CHECKERS:
            path = checksums.log_path(card_folder, algorithm)
            if path not in found:
                continue
            read = checksums.parse_log(found[path], algorithm)
            for number, words in read.problems:
                self.say("log line unreadable", shown(path), Severity.NOTE, f"{shown(path)}, line {number}: {words}.",
                         "The manifest and the hash list hold the same digests.")
            for listed, digest in read.digests.items():
                out.setdefault(listed.removeprefix(f"{own_name}/"), {})[algorithm] = digest
        return out

    def without_manifest(self, found: Mapping[str, bytes], sizes: Mapping[str, int]) -> None:
        """Cards whose manifest is gone, from their other papers."""
        have = {card.folder for card in self.cards.values()}
        folders = {m[0] for path in sizes if (m := _CARD_FOLDER.match(path)) and path.startswith(f"{m[0]}/")}
        for folder in sorted(folders - have, key=_bytes):
            known, differing = self.other_papers(folder, found)
            what = "rebuilt from its checksum log and hash list" if known else "without any paper"
            self.say("manifest missing", folder, Severity.PERSON,
                     f"{shown(folder)} has no readable manifest: {what}.",
                     "Put the card in again if it still holds its files; another destination may have the manifest.")
            if known:
                self.rebuild(folder, known, sizes)
            for stored in differing:
                self.disputed.add((folder, stored))
                self.disagree(folder, stored, "checksum log and hash list hold different digests")

    def other_papers(self, folder: str, found: Mapping[str, bytes]) -> tuple[dict[str, dict[str, str]], list[str]]:
        known = {stored: dict(digests) for stored, digests in self.standing.get(folder, {}).items()}
        differing = []
        for stored, digests in self.logs(folder, found).items():
            both = known.setdefault(stored, {})
            if any(both.get(a, d) != d for a, d in digests.items()):
                differing.append(stored)
            known[stored] = {**digests, **both}
        return known, differing

    def rebuild(self, folder: str, known: Mapping[str, Mapping[str, str]], sizes: Mapping[str, int]) -> None:
        _, day, name = folder.split("/")
        self.cards[folder] = CardRecord(
            id=folder, label=shown(name), roll="", day=day, folder=folder, volume_id="",
            first_seen_utc=self.adopted_utc, last_seen_utc=self.adopted_utc, generation=1, listing_whole=False,
            read_only=None, mount=None,
        )
        self.files[folder] = {
            stored: FileRecord(
                card_id=folder, path=stored, size_bytes=sizes[f"{folder}/{stored}"], mtime_ns=0,
                kind=FileKind.OTHER, generation=1, digests=digests,
            )
            for stored, digests in known.items()
            if f"{folder}/{stored}" in sizes
        }

    def result(self, sizes: Mapping[str, int]) -> Adopted:
        candidates, absent = [], []
        for card_id, files in self.files.items():
            folder = self.cards[card_id].folder
            for stored, file in files.items():
                if not file.digest or (card_id, stored) in self.disputed:
                    continue
                at = f"{folder}/{stored}"
                one = Candidate(
                    card_id=card_id, path=file.path, stored_path=stored, at=at, size_bytes=file.size_bytes,
                    digests=file.digests, generation=file.generation,
                )
                if at in sizes:
                    candidates.append(one)
                elif (card_id, file.path, file.generation) in self.claims:
                    absent.append(one)
        if len(self.shows) > 1:
            self.say("papers of several shows", self.destination_id, Severity.PERSON,
                     f"Papers of {', '.join(sorted(self.shows))} lie in one show's folder.",
                     "Adopt each show's own folder; nothing was taken from the others' places.")
        return Adopted(
            destination_id=self.destination_id, shows=tuple(sorted(self.shows)), cards=tuple(self.cards.values()),
            files=tuple(f for files in self.files.values() for f in files.values()), candidates=tuple(candidates),
            left_out=self.left_out, probes=tuple(self.probes.values()), filings=showlog.latest(self.log),
            log=tuple(self.log), findings=tuple(self.findings), claims=self.claims, empty_folders=self.empty,
            problems=self.problems, records=self.records, absent=tuple(absent),
        )


def _finding(kind: str, item: str, severity: Severity, what: str, todo: str) -> Finding:
    return Finding(kind=kind, item=item, severity=severity, what=what, next=todo)


def _bytes(name: str) -> bytes:
    return name.encode("utf-8", "surrogateescape")
