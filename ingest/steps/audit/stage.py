"""The audit: list every destination, read again what tonight's plan says, compare, judge.

One thread a destination reads; what it read is stored as it goes, so an audit that was interrupted goes on
with what was read longest ago.  Nothing is mended here: a copy that no longer reads as it was proven stops
counting, and the copier owes it again only when a person has seen the finding.
"""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from typing import Any

from ingest import __version__
from ingest.errors import DestinationUnavailable
from ingest.machinery.clock import utc_of_seconds
from ingest.machinery.disk.destinations import OpenDestination, find_destination
from ingest.machinery.disk.files import read_plain
from ingest.machinery.disk.folders import list_tree
from ingest.machinery.ledger.work import Output
from ingest.records.audit_paper import AuditReport, CheckLine, CoverageLine, Mark, ProbeLine, SetupLine
from ingest.records.cards import CardRecord, CopyFact, DestinationRecord, EntryKind
from ingest.records.checks import in_words
from ingest.records.findings import Finding
from ingest.records.papers import PaperFinding
from ingest.records.views import View
from ingest.services import Services
from ingest.steps.audit.comparison import Difference, compare
from ingest.steps.audit.evidence import AuditEvidence, BodyClock, ExpectedCard, Package, Reread, Unfiled
from ingest.steps.audit.forecast import disks_full
from ingest.steps.audit.questions import judge
from ingest.steps.audit.rotation import Held, share, tonight
from ingest.steps.audit.scope import Scope
from ingest.steps.audit.stage_last_claims import end_withdrawn
from ingest.steps.audit.stage_rereading import Rereading, reread
from ingest.steps.audit.verdict import CardVerdict, Policy, disk_names, judge_card, tally
from ingest.steps.setups.expected import read_expected


@dataclass(frozen=True, kw_only=True, slots=True)
class Audited:
    """The report, when it began, and what was read again: (destination id, card id) -> stored path -> size and
    digests by our names (files that could not be read are in the report)."""

    report: AuditReport
    started_utc: str
    read: Mapping[tuple[str, str], Mapping[str, tuple[int, Mapping[str, str]]]]


def run(
    services: Services, policy: Policy, *, day: str, days: Sequence[str] = (), full: bool = False,
    stop: threading.Event | None = None, progress: Callable[[str], None] = lambda _: None,
    packages: Sequence[Package] | None = None,
) -> Audited:
    """The whole audit about ``day`` (and further ``days`` whose cards are read whole); ``packages`` are the
    hand-overs as whoever may read them found them."""
    started = services.clock.utc()
    halt = stop or services.stop
    records, marks = services.cards.destinations(lost=True), services.cards.marks()
    opened: list[OpenDestination] = []
    present: list[DestinationRecord] = []
    for record in records:
        try:
            if record.lost_utc:
                raise DestinationUnavailable("declared lost")
            destination = find_destination(services.disk, record.path, record.id, marks.get(record.id, ""))
        except DestinationUnavailable:
            present.append(replace(record, present=False))
            continue
        opened.append(destination)
        room = services.disk.room(destination.root)
        present.append(replace(record, present=True, filesystem=destination.volume.filesystem, free_bytes=room))
    try:
        cards = services.cards.cards()
        copies = {c.id: services.cards.copies(c.id) for c in cards}
        differences: list[Difference] = []
        for destination in opened:
            progress(f"listing {destination.path}")
            differences += _compare(services, destination, cards, copies)
        rereads = _read_again(services, opened, cards, copies, [day, *days], full, halt, progress)
    finally:
        for destination in opened:
            destination.close()
    if full:
        end_withdrawn(services, rereads, differences)
    names = disk_names(present)
    verdicts = [
        judge_card(c, tally(services.cards.evidence(c.id), policy), present, policy, names) for c in cards
    ]
    evidence = _evidence(services, day, verdicts, present, [r.done() for r in rereads], differences, packages)
    return Audited(
        report=judge(evidence), started_utc=started,
        read={(r.destination_id, card): found for r in rereads for card, found in r.read.items()},
    )


def _compare(
    services: Services, destination: OpenDestination, cards: Sequence[CardRecord],
    copies: Mapping[str, Sequence[CopyFact]],
) -> Iterator[Difference]:
    """Each card's folder and the rest of the show against what the ledger says lies there."""
    try:
        with destination.folders.hold(services.show) as folder:
            found = {
                f"{services.show}/{e.path}": e.size_bytes
                for e in list_tree(services.disk, folder) if e.kind is EntryKind.FILE
            }
    except FileNotFoundError:
        found = {}
    papers = {
        o.path: o for o in services.work.outputs() if o.destination_id == destination.id
    }
    for card in cards:
        base = f"{services.show}/{card.folder}/"
        expected = {
            f"{base}{c.stored_path}": c.size_bytes for c in copies[card.id] if c.destination_id == destination.id
        }
        # The history of a card lies inside its folder; it is ours and listed among the outputs.
        inside = {p: found.pop(p) for p in [p for p in found if p.startswith(base)]}
        ours = {p: papers.pop(p).size_bytes for p in [p for p in papers if p.startswith(base)]}
        if expected or inside:
            yield compare(
                {p[len(base):]: n for p, n in {**expected, **ours}.items()},
                {p[len(base):]: n for p, n in inside.items()}, destination_id=destination.id,
                of=f"card {card.roll or card.label or card.folder.rsplit('/', 1)[-1]}", card_id=card.id,
            )
    logs = [p for p in found if p == f"{services.show}/paperwork/show_log.jsonl"]
    yield compare(
        {p: o.size_bytes for p, o in papers.items()}, found, papers=logs, destination_id=destination.id,
        of="the show's own files",
    )


def _read_again(
    services: Services, opened: Sequence[OpenDestination], cards: Sequence[CardRecord],
    copies: Mapping[str, Sequence[CopyFact]], days: Sequence[str], full: bool, stop: threading.Event,
    progress: Callable[[str], None],
) -> list[Rereading]:
    here = {d.id for d in opened}
    held = []
    for card in cards:
        for destination_id in here:
            own = [c for c in copies[card.id] if c.destination_id == destination_id]
            if own:
                held.append(Held(
                    card_id=card.id, destination_id=destination_id, day=card.day,
                    files=len(own), size_bytes=sum(c.size_bytes for c in own),
                ))
    plan = tonight(held, days=days, full=full)
    whole = set(plan.whole)
    todo: dict[str, list[CopyFact]] = {}
    for destination_id in here:
        first = [
            c for card in cards for c in copies[card.id]
            if c.destination_id == destination_id and (card.id, destination_id) in whole
        ]
        rest = sorted(
            (c for card in cards for c in copies[card.id]
             if c.destination_id == destination_id and (card.id, destination_id) not in whole),
            key=lambda c: c.reread_utc or c.read_back_utc,
        )
        todo[destination_id] = first + share(((c, c.size_bytes) for c in rest), plan.budgets.get(destination_id, 0))
    folders = {c.id: f"{services.show}/{c.folder}" for c in cards}
    outputs: dict[str, list[Output]] = {d: [] for d in here}
    for output in services.work.outputs():
        if output.destination_id in here:
            outputs[output.destination_id].append(output)
    with ThreadPoolExecutor(max_workers=max(1, len(opened))) as pool:
        runs = [
            pool.submit(reread, services, d, todo[d.id], outputs[d.id], folders, stop, progress)
            for d in opened
        ]
        return [r.result() for r in runs]


# Where the log, the camera department's report (read as a log), the clips' own headers and the cards disagree.
AGREEMENT = frozenset({
    "take_without_clip", "clip_without_take", "clips_without_row", "probes_without_row", "log_and_header_differ",
    "numbers_missing", "logs_differ",
})
# Which of the ten questions a step's finding belongs to, where its kind alone does not say.
_QUESTION = {
    "card_expected": 1, "not written": 1, "name taken": 1, "set under review": 5, "set incomplete": 5, "not merged": 5,
    "probe_height": 5, "probe_age": 5, "filing doubtful": 6, "clock doubtful": 7, "clock notes not understood": 7,
    "log_question": 8, "unusual_value": 8, "probe_old": 5, "sun_disagrees": 7, "lens_without_grid": 3,
    "chart not measured": 5, **dict.fromkeys(AGREEMENT, 8),
}

def _asked(finding: Finding) -> Finding:
    number = _QUESTION.get(finding.kind)
    return finding if number is None else replace(finding, more={**finding.more, "question": number})


def _filed(services: Services, what: str) -> list[dict[str, Any]]:
    """``clips`` or ``references`` as the last pass at the desk filed them."""
    return list(json.loads(services.work.recall(f"{what} filed") or "[]"))


def _setups(services: Services, scope: Scope) -> list[SetupLine]:
    """The setups as the last pass at the desk judged them, with the items that the settings ask for and what was taken
    in them."""
    probes = {v.id: Mark(utc=utc_of_seconds(v.taken_s[0]), what="probe", item=v.id)
              for v in services.work.views() if v.taken_s}
    taken: dict[tuple[str, str], list[Mark]] = {}
    for one in [*_filed(services, "clips"), *_filed(services, "references")]:
        if one["role"] and one["start_utc"]:
            taken.setdefault((one["day"] or "", one["setup"] or ""), []).append(
                Mark(utc=one["start_utc"], what=one["role"].replace("_", " "), item=one["id"]))
    out = []
    for entry in json.loads(services.work.recall("coverage") or "[]"):
        asked = [i for i in entry["items"] if i["asked"]]
        if not scope.setup(entry["day"], [(i["status"], i["due_until_utc"] or "") for i in asked]):
            continue
        evidence = dict.fromkeys(e for i in entry["items"] for e in i["evidence"])
        marks = [probes[e] for e in evidence if e in probes] + taken.get((entry["day"], entry["setup"]), [])
        out.append(SetupLine(
            day=entry["day"], unit=entry["unit"], shot=entry["shot"], setup=entry["setup"], camera=entry["camera"],
            lens=entry["lens"], start_utc=entry["start_utc"], end_utc=entry["end_utc"],
            items=[
                CoverageLine(item=i["item"], status=i["status"], due_until_utc=i["due_until_utc"], why=i["why"],
                             proposed=list(i.get("proposed") or ()))
                for i in asked
            ],
            marks=sorted(marks, key=lambda m: (m.utc, m.item)),
        ))
    return out


def _clocks(services: Services) -> list[BodyClock]:
    return [
        BodyClock(
            body=c["nickname"] or c["body"], source=c["source"], offset_s=c["offset_s"],
            drift_s_per_day=c["drift_s_per_day"], uncertainty_s=c["uncertainty_s"],
        )
        for c in json.loads(services.work.recall("bodies") or "[]")
    ]


def _expected(services: Services, verdicts: Sequence[CardVerdict], day: str) -> list[ExpectedCard]:
    """The day's rows of expected_cards.csv, each with the card that came or none; by the coverage's own finding."""
    show = services.settings.show
    try:
        data = read_plain(services.settings.beside(show.expected_cards))
    except OSError:
        return []  # a file that is not kept expects nothing
    wanted, _ = read_expected(data, date_order=show.date_order, file=show.expected_cards)
    missing = {f.more.get("line"): f for f in services.work.findings("coverage") if f.kind == "card_expected"}
    came = [v.card_id for v in verdicts if v.day == day]
    return [
        ExpectedCard(
            label=w.card or " ".join(p for p in (w.body, w.kind) if p), day=w.day,
            card_id="" if w.line in missing else next(iter(came), "came"),
        )
        for w in wanted if w.day <= day
    ]


def _days(services: Services, views: Sequence[View]) -> dict[str, str]:
    """The shoot day of each item that has one: of a probe the day it is filed under, else that of its cards."""
    cards = {c.id: c.day for c in services.cards.cards()}
    filed = services.work.filings()
    days = dict(cards)
    for view in views:
        own = [cards[f.card_id] for frame in view.frames for f in frame.files if f.card_id in cards]
        days[view.id] = filed.get(view.id, {}).get("day") or min(own, default="")
    for one in [*_filed(services, "clips"), *_filed(services, "references")]:
        days[one["id"]] = one["day"] or ""
    return days


def _day_of(finding: Finding, days: Mapping[str, str]) -> str:
    """The shoot day that a finding is about, "" where it is about none."""
    day = finding.more.get("day") or days.get(str(finding.more.get("card", "")))
    return str(day or days.get(finding.item.split(":", 1)[0], ""))


def _evidence(
    services: Services, day: str, verdicts: Sequence[CardVerdict], present: Sequence[DestinationRecord],
    rereads: Sequence[Reread], differences: Sequence[Difference], packages: Sequence[Package] | None,
) -> AuditEvidence:
    findings = [*services.cards.findings(), *services.work.findings()]
    filings = services.work.filings()
    views = services.work.views()
    made = {p.id: p for p in services.work.probes()}
    days = _days(services, views)
    came = {v.card_id for v in verdicts if v.day == day}
    shot = {days[v.id] for v in views if any(f.card_id in came for frame in v.frames for f in frame.files)}
    scope = Scope(day=day, newest=all(v.day <= day for v in verdicts), shot=frozenset(shot - {""}))
    by_item: dict[str, list[Finding]] = {}
    for finding in findings:
        by_item.setdefault(finding.item.split(":", 1)[0], []).append(finding)
    probes = []
    for view in views:
        filed, fact = filings.get(view.id, {}), made.get(view.id)
        record = fact.record if fact is not None and fact.record else {}
        taken = view.taken_s
        probes.append(ProbeLine(
            id=view.id, shot=filed.get("shot") or None, setup=filed.get("setup") or None, day=filed.get("day") or None,
            position=view.position, view=view.view, complete=view.complete, review=view.review,
            reasons=list(view.reasons), merged=bool(record), trouble=fact.trouble if fact else "not merged yet",
            frames=len(view.frames), exposures_s=[f.exposure_s for f in view.frames],
            stops=record.get("stops_covered"), clipped_share=record.get("clipped", {}).get("share"),
            taken_utc=utc_of_seconds(taken[0]) if taken else None, folder=filed.get("folder"), body=view.body,
            lens=view.lens, kind=view.kind,
            checks=[
                CheckLine(made=said.made, words=said.words) for said in
                in_words(record.get("checks", ()), (services.work.panorama(view.position) or ("", {}))[1])
            ],
            # That it is unfiled is told under its own question.
            findings=[PaperFinding(**f.to_json()) for f in by_item.get(view.id, []) if f.kind != "unfiled"],
        ))
    probes = [p for p in probes if scope.probe(p, days.get(p.id, ""))]
    findings = [f for f in findings if scope.item(_day_of(f, days))]
    kinds = {"p": "probe", "c": "clip", "f": "still"}
    unfiled = [
        Unfiled(item=f.item, what=str(f.more.get("of") or kinds.get(f.item[:1], "item")), why=f.what, next=f.next)
        for f in findings if f.kind == "unfiled"
    ]
    names = disk_names(present)

    def plain(finding: Finding) -> Finding:
        """No paper holds a path of this machine: destinations go by their names."""
        item, what, next_ = finding.item, finding.what, finding.next
        for d in present:
            item, what, next_ = (t.replace(d.path, names[d.id]) for t in (item, what, next_))
        more = {k: v for k, v in finding.more.items() if k != "destination"}
        return replace(finding, item=item, what=what, next=next_, more=more)

    return AuditEvidence(
        show=services.show, time_zone=services.settings.show.timezone, day=day, written_utc=services.clock.utc(),
        software_version=__version__, cards=[v for v in verdicts if scope.card(v)], destinations=present,
        disks=disks_full(verdicts, {d.id: d.free_bytes for d in present if d.present and not d.lost_utc}),
        names=names, rereads=rereads, differences=differences, probes=probes,
        unfiled=unfiled, clips=[c["id"] for c in _filed(services, "clips") if scope.item(c["day"] or "")],
        clocks=_clocks(services), setups=_setups(services, scope),
        released={
            card: services.settings.security.alias(said["by"])
            for card, said in services.work.decisions("sign").items()
        },
        expected_cards=_expected(services, verdicts, day),
        agreement=[plain(f) for f in findings if f.kind in AGREEMENT], packages=packages,
        agreement_checks=sum(json.loads(services.work.recall("compared") or "{}").values()),
        # Unfiled probes and due items have lines of their own.
        findings=[
            _asked(plain(f)) for f in findings
            if f.kind not in ("unfiled", "card_expected") and not f.kind.endswith(("_due", "_lost"))
        ],
    )
