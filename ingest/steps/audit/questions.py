"""The morning's ten questions, answered in order from evidence; what needs a person comes first.

A question nobody looked into says so: *not checked* is never *well*.  Where nothing is wrong the answer says how
many things were looked at.  Which finding belongs to which question is :data:`QUESTION_OF_KIND`; a finding may
name its question itself (``more["question"]``), and what belongs nowhere was *odd*.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from ingest.records import audit_paper as paper
from ingest.records.audit_paper import AuditReport, Line, Question
from ingest.records.findings import Finding
from ingest.records.names import shown
from ingest.records.papers import PaperFinding, Software
from ingest.steps.audit import lines
from ingest.steps.audit.evidence import AuditEvidence
from ingest.steps.audit.words import CAUTION, bytes_word, clock_word, join_words, number_word

ASKS = (
    "Is the day here, on how many disks, proven how?",
    "Which cards meet the copy policy?",
    "What is missing that can still be had, and until when?",
    "What was due and is lost?",
    "Which probes are doubtful?",
    "What has no home?",
    "Are the clocks right?",
    "Do the log, the reports and the cards agree?",
    "What was odd?",
    "What goes out today, to whom, and does it verify?",
)

QUESTION_OF_KIND: dict[str, int] = {
    **dict.fromkeys(
        ("file missing", "file changed", "file unreadable", "reread differs", "foreign file", "leftover temporary file",
         "destination absent", "destination lost", "expected card", "copy owed", "destination full"), 1),
    **dict.fromkeys(("card short of policy", "second reading owed", "second reading differs", "listing failed"), 2),
    **dict.fromkeys(("due", "setup without probe", "missing still to be had"), 3),
    **dict.fromkeys(("lost",), 4),
    **dict.fromkeys(
        ("clipped", "missing_step", "motion", "camera_moved", "light_changed", "white_shift", "mixed_settings", "tilt",
         "noise", "flare", "unequal_views", "clipped_estimate", "light_moved", "probe", "probe doubtful",
         "merge refused", "set incomplete", "review"), 5),
    **dict.fromkeys(("unfiled",), 6),
    **dict.fromkeys(("clock", "clock doubtful", "time zone", "no clock evidence"), 7),
    **dict.fromkeys(
        ("take without clip", "clip without take", "frame rate", "focal length", "numbers missing", "log question",
         "slate and log disagree"), 8),
    **dict.fromkeys(("package",), 10),
}
_ORDER = {"loss": 0, "person": 1, "note": 2}


@dataclass(frozen=True, kw_only=True, slots=True)
class _Answer:
    """``checks`` None: nobody looked, or there was nothing to look at.  ``short``: the answer itself is not as it
    should be, and another question's lines say why."""

    answer: str
    checks: int | None
    lines: tuple[Line, ...] = ()
    short: bool = False


def judge(evidence: AuditEvidence) -> AuditReport:
    """The whole report.  Deterministic: the same evidence in any order gives the same report."""
    answers = [answer(evidence) for answer in _ANSWERS]
    told = _told(evidence)
    from_steps = _by_question(f for f in evidence.findings if (f.kind, f.item, f.what) not in told)
    questions = []
    for number, (asks, given) in enumerate(zip(ASKS, answers, strict=True), 1):
        every = _distinct((*given.lines, *from_steps.get(number, ())))
        questions.append(
            Question(
                number=number, asks=asks, state=_state(every, given.checks, short=given.short), answer=given.answer,
                checks=given.checks or 0, lines=every,
            )
        )
    exceptions = sorted(
        (line for q in questions for line in q.lines if line.state != "note"),
        key=lambda x: (_ORDER[x.state], x.until_utc or "9999", x.question, x.item, x.what),
    )
    checks = _checks(evidence)
    return AuditReport(
        show=evidence.show, time_zone=evidence.time_zone, day=evidence.day, written_utc=evidence.written_utc,
        software=Software(version=evidence.software_version), headline=_headline(exceptions, sum(checks.values())),
        needs_a_person=len(exceptions), losses=sum(x.state == "loss" for x in exceptions), checks=checks,
        exceptions=exceptions, questions=questions,
        cards=[lines.card_line(c, evidence) for c in sorted(evidence.cards, key=lambda c: (c.day, c.label, c.card_id))],
        destinations=[lines.destination_line(d, evidence) for d in sorted(evidence.destinations, key=lambda d: d.id)],
        probes=sorted(evidence.probes or (), key=lambda p: (p.taken_utc or "", p.id)),
        setups=sorted(evidence.setups or (), key=lambda s: (s.day, s.unit, s.start_utc or "", s.setup)),
        findings=[
            PaperFinding(**_shown(f.to_json())) for f in sorted(evidence.findings, key=lambda f: (f.key, f.what))
        ],
        caution=list(CAUTION),
    )


def _told(e: AuditEvidence) -> set[tuple[str, str, str]]:
    """Findings that a probe's own line says."""
    return {(f.kind, f.item, f.what) for p in e.probes or () for f in p.findings if f.severity != "note"}


def question_of(finding: Finding) -> int:
    """Which of the ten questions a finding belongs to."""
    own = finding.more.get("question")
    if isinstance(own, int) and not isinstance(own, bool) and 1 <= own <= 10:
        return own
    return QUESTION_OF_KIND.get(finding.kind, 9)


def _shown(value: Any) -> Any:
    """Text of a finding may hold a name of any bytes; a paper holds text."""
    if isinstance(value, str):
        return shown(value)
    if isinstance(value, Mapping):
        return {shown(str(k)): _shown(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [_shown(v) for v in value]
    return value


def _by_question(findings: Iterable[Finding]) -> dict[int, list[Line]]:
    out: dict[int, list[Line]] = {}
    for f in findings:
        until = f.more.get("until_utc")
        number = question_of(f)
        out.setdefault(number, []).append(lines.line(number, f, until_utc=until if isinstance(until, str) else None))
    return out


def _distinct(every: Iterable[Line]) -> list[Line]:
    seen = {(x.kind, x.item, x.what): x for x in every}
    return sorted(seen.values(), key=lambda x: (_ORDER[x.state], x.until_utc or "9999", x.item, x.what))


def _state(every: list[Line], checks: int | None, *, short: bool) -> paper.State:
    if short and (not every or every[0].state == "note"):
        return "person"
    if every:
        return every[0].state
    return "not checked" if checks is None else "well"


def _headline(exceptions: list[Line], checks: int) -> str:
    if not exceptions:
        return f"Nothing needs a person; {number_word(checks, 'check')} made."
    losses = sum(x.state == "loss" for x in exceptions)
    one = len(exceptions) == 1
    words = f"{len(exceptions):,} {'thing needs' if one else 'things need'} a person"
    return f"{words}, {losses:,} of them a loss." if losses else f"{words}."


def _checks(evidence: AuditEvidence) -> dict[str, int]:
    made = {
        "cards judged": len(evidence.cards),
        "files compared with the papers": sum(d.compared for d in evidence.differences or ()),
        "files read again": sum(r.files for r in evidence.rereads),
        "destinations": len(evidence.destinations),
        "expected cards": len(evidence.expected_cards or ()),
        "probes": len(evidence.probes or ()),
        "items due at setups": sum(len(s.items) for s in evidence.setups or ()),
        "items looked for a home": len(_looked_for(evidence)),
        "clocks": len(evidence.clocks or ()),
        "log entries compared": evidence.agreement_checks,
        "packages": len(evidence.packages or ()),
    }
    return {what: n for what, n in made.items() if n}


def _copies(e: AuditEvidence) -> _Answer:
    cards = [c for c in e.cards if c.day == e.day]
    found = (*lines.destinations(e), *lines.differences(e), *lines.rereads(e), *lines.expected(e))
    checks = len(e.cards) + sum(r.files for r in e.rereads) + sum(d.compared for d in e.differences or ())
    if not cards:
        return _Answer(answer=f"No card of {e.day} is known.", checks=checks or None, lines=found)
    met = sum(c.policy_met for c in cards)
    standing = [d for d in e.destinations if d.required and not d.lost_utc]
    disks = join_words([shown(e.names.get(d.id, d.id)) for d in sorted(standing, key=lambda d: d.id)]) or "none"
    one = ", on one disk" if any(c.on_one_disk for c in cards) else ""
    answer = (
        f"{met} of {number_word(len(cards), 'card')} verified at every required destination: "
        f"{number_word(sum(c.files for c in cards), 'file')}, {bytes_word(sum(c.size_bytes for c in cards))}; "
        f"disks {disks}{one}; {lines.proof_words(cards)}; {_again(e)}."
    )
    return _Answer(answer=answer, checks=checks, lines=found, short=met < len(cards))


def _again(e: AuditEvidence) -> str:
    files = sum(r.files for r in e.rereads)
    if not files:
        return "nothing was read again this time"
    last = max(r.until_utc for r in e.rereads)
    differed = sum(len(r.differed) + len(r.unreadable) for r in e.rereads)
    equal = "all equal" if not differed else f"{differed:,} not equal"
    return f"{number_word(files, 'file')} read again until {clock_word(last, e.time_zone)}, {equal}"


def _policy(e: AuditEvidence) -> _Answer:
    if not e.cards:
        return _Answer(answer="No card is known.", checks=None)
    met = sum(c.policy_met for c in e.cards)
    owed = sum(c.second_owed > 0 for c in e.cards)
    words = f"{met} of {number_word(len(e.cards), 'card')} meet the copy policy"
    words += f"; {number_word(owed, 'card')} owed a second reading" if owed else ""
    return _Answer(answer=f"{words}. Release is decided by a person.", checks=len(e.cards), lines=lines.policy(e))


def _coverage(status: str, none_of: str, some_of: str, number: int) -> Callable[[AuditEvidence], _Answer]:
    def answer(e: AuditEvidence) -> _Answer:
        if e.setups is None:
            return _Answer(answer="Not checked: what each setup must have was not compared.", checks=None)
        found = lines.coverage(e, status, number)
        checks = sum(len(s.items) for s in e.setups)
        looked = f"{number_word(checks, 'item')} of {number_word(len(e.setups), 'setup')} looked at"
        count = sum(i.status == status for s in e.setups for i in s.items)
        words = f"{number_word(count, 'item')} {some_of}" if found else none_of
        return _Answer(answer=f"{words}; {looked}.", checks=checks or None, lines=found)

    return answer


def _probes(e: AuditEvidence) -> _Answer:
    if e.probes is None:
        return _Answer(answer="Not checked: the probes were not looked at.", checks=None)
    found = lines.probes(e)
    words = f"{len(found):,} of {number_word(len(e.probes), 'probe')} to look at" if found else "None"
    looked = f"{number_word(len(e.probes), 'probe')} looked at"
    return _Answer(answer=f"{words}; {looked}.", checks=len(e.probes) or None, lines=found)


def _unfiled(e: AuditEvidence) -> _Answer:
    if e.unfiled is None:
        return _Answer(answer="Not checked: filing has not run.", checks=None)
    checks = len(_looked_for(e))
    words = f"{number_word(len(e.unfiled), 'item')} unfiled" if e.unfiled else "Nothing is unfiled"
    looked = f"{number_word(checks, 'item')} looked at"
    return _Answer(answer=f"{words}; {looked}.", checks=checks or None, lines=lines.unfiled(e))


def _looked_for(e: AuditEvidence) -> set[str]:
    """What must have a home: an unfiled probe is one item, though it is in both lists."""
    return {u.item for u in e.unfiled or ()} | {p.id for p in e.probes or ()} | set(e.clips)


def _clocks(e: AuditEvidence) -> _Answer:
    if e.clocks is None:
        return _Answer(answer="Not checked: no clock was looked at.", checks=None)
    found = lines.clocks(e)
    words = join_words([lines.clock_words(c) for c in sorted(e.clocks, key=lambda c: c.body)]) or "No body is known"
    return _Answer(answer=f"{words}.", checks=len(e.clocks) or None, lines=found)


def _agreement(e: AuditEvidence) -> _Answer:
    if e.agreement is None:
        return _Answer(answer="Not checked: log, reports and cards were not compared.", checks=None)
    found = tuple(lines.line(8, f) for f in e.agreement)
    if not found and not e.agreement_checks:
        return _Answer(answer="Nothing was there to compare.", checks=None)
    words = f"{number_word(len(found), 'difference')}" if found else "They agree"
    return _Answer(
        answer=f"{words}; {number_word(e.agreement_checks, 'entry', 'entries')} compared.",
        checks=e.agreement_checks, lines=found,
    )


def _odd(e: AuditEvidence) -> _Answer:
    told = _told(e)
    untold = (f for f in e.findings if question_of(f) == 9 and (f.kind, f.item, f.what) not in told)
    odd = _distinct(lines.line(9, f) for f in untold)
    asking, notes = (sum((x.state == "note") is note for x in odd) for note in (False, True))
    parts = [f"{number_word(asking, 'remark')} above"] if asking else []
    parts += [f"{number_word(notes, 'remark')} below"] if notes else []
    words = join_words(parts) or "Nothing"
    looked = f"{number_word(len(e.findings), 'finding')} of all steps looked at"
    return _Answer(answer=f"{words}; {looked}.", checks=len(e.findings))


def _packages(e: AuditEvidence) -> _Answer:
    if e.packages is None:
        return _Answer(answer="Not checked: no hand-over was looked at.", checks=None)
    if not e.packages:
        return _Answer(answer="Nothing is packed.", checks=0)
    words = join_words([lines.package_words(p, e.time_zone) for p in sorted(e.packages, key=lambda p: p.name)])
    return _Answer(answer=f"{words}.", checks=len(e.packages), lines=lines.packages(e))


_ANSWERS: tuple[Callable[[AuditEvidence], _Answer], ...] = (
    _copies,
    _policy,
    _coverage("due", "Nothing", "can still be had", 3),
    _coverage("lost", "Nothing", "lost", 4),
    _probes,
    _unfiled,
    _clocks,
    _agreement,
    _odd,
    _packages,
)
