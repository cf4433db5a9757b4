"""The single lines under the ten questions: one thing each, how bad it is, what to do next."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from typing import Literal

from ingest.records import audit_paper as paper
from ingest.records.audit_paper import Line
from ingest.records.cards import DestinationRecord, Proof
from ingest.records.coverage import item_word
from ingest.records.findings import Finding, Severity
from ingest.records.names import shown
from ingest.steps.audit import comparison
from ingest.steps.audit.evidence import AuditEvidence, BodyClock, Package
from ingest.steps.audit.verdict import CardVerdict
from ingest.steps.audit.words import bytes_word, clock_word, join_words, number_word

_MAKE_AGAIN = "That copy counts no more. Let it be made again from the card or another copy, and mind the disk."
_LAST_COPY = "No other counting copy is known: keep the card and leave this disk as it is."
_MADE_AGAIN = "The originals are not touched by it: pictures and papers can be made again. Mind the disk."
_PROVE_CLOCK = "Photograph a clock that shows true time with this body, or add a line to the clock notes."

_MOUNTED: Mapping[bool | None, Literal["read-only", "writable", "unknown"]] = {
    True: "read-only", False: "writable", None: "unknown",
}


def line(question: int, finding: Finding, *, until_utc: str | None = None) -> Line:
    return _line(question, finding.kind, finding.item, str(finding.severity), finding.what, finding.next, until_utc)


def _line(
    question: int, kind: str, item: str, state: str, what: str, next_: str, until_utc: str | None = None
) -> Line:
    return Line(
        question=question, kind=kind, item=shown(item), state=Severity(state).value, what=_sentence(shown(what)),
        next=shown(next_), until_utc=until_utc,
    )


def _sentence(text: str) -> str:
    return text if text.endswith((".", "!", "?")) else f"{text}."


def destinations(e: AuditEvidence) -> Iterable[Line]:
    for d in e.destinations:
        name = e.names.get(d.id, d.id)
        owed = [c for c in e.cards for at in c.destinations if at.id == d.id and not at.verified and c.files]
        if not d.required:
            continue
        if d.lost_utc:
            yield _line(1, "destination lost", d.id, "person", f"Destination {name} is declared lost.",
                        "Add a disk that takes over its duty: nightloader destination add PATH --replaces OLD.")
        elif not d.present:
            words = f"; {number_word(len(owed), 'card')} owed to it" if owed else "; nothing is owed to it"
            yield _line(1, "destination absent", d.id, "person" if owed else "note",
                        f"Destination {name} is not here{words}. What was proven there still counts.",
                        "Connect it: what is owed is copied and read back by itself.")
    for f in e.disks:
        if f.days_left < 2:
            name = e.names.get(f.destination_id, f.destination_id)
            yield _line(1, "disk nearly full", f.destination_id, "person",
                        f"Destination {name} has room for {number_word(f.days_left, 'day')} like the last "
                        f"{number_word(f.from_days, 'recorded day')}.", "Bring another disk before then.")


def differences(e: AuditEvidence) -> Iterable[Line]:
    for d in e.differences or ():
        name = e.names.get(d.destination_id, d.destination_id)
        held = _held_elsewhere(e, d.card_id, d.destination_id)
        for f in comparison.findings(d, destination=name, held_elsewhere=held):
            yield line(1, f)


def rereads(e: AuditEvidence) -> Iterable[Line]:
    labels = {c.card_id: c.label or c.card_id for c in e.cards}
    for r in e.rereads:
        name = e.names.get(r.destination_id, r.destination_id)
        for failed, kind, what, own in (
            (r.differed, "reread differs", "no longer equal to what was read from the card",
             "no longer equal to what was written"),
            (r.unreadable, "file unreadable", "could not be read again", "could not be read again"),
        ):
            for card_id in dict.fromkeys(c for c, _ in failed):
                paths = sorted(p for c, p in failed if c == card_id)
                held = _held_elsewhere(e, card_id, r.destination_id)
                whose = f"Card {labels.get(card_id, card_id)}" if card_id else "Nightloader's own files"
                yield _line(1, kind, f"{r.destination_id}:{card_id}", "person" if held else "loss",
                            f"{whose} at {name}: {what if card_id else own}: {comparison.some(paths)}.",
                            (_MAKE_AGAIN if held else _LAST_COPY) if card_id else _MADE_AGAIN)
        if r.interrupted:
            yield _line(1, "audit interrupted", r.destination_id, "note",
                        f"The reading at {name} was interrupted after {number_word(r.files, 'file')}.",
                        "Run the audit again: it goes on with what was read longest ago.")


def _held_elsewhere(e: AuditEvidence, card_id: str, destination_id: str) -> bool:
    cards = [c for c in e.cards if c.card_id == card_id]
    if not cards:  # papers and pictures of our own: made again from the originals
        return True
    return any(at.verified and at.id != destination_id for c in cards for at in c.destinations)


def expected(e: AuditEvidence) -> Iterable[Line]:
    for one in e.expected_cards or ():
        if not one.card_id:
            yield _line(1, "expected card", f"{one.day}:{one.label}", "person",
                        f"Card {one.label} of {one.day} was expected and has not come.",
                        "Ask the department it belongs to; the day stays open until it came.")


def policy(e: AuditEvidence) -> tuple[Line, ...]:
    out = []
    for c in e.cards:
        label = c.label or c.card_id
        if not c.policy_met:
            stay = "Leave it in the reader" if c.here else "Keep it as it is and put it in again"
            out.append(_line(2, "card short of policy", c.card_id, "person",
                             f"Card {label}: copies once reused {c.figure}; {join_words(c.reasons)}.",
                             f"{stay} until the policy is met."))
        elif c.second_owed:
            owed = number_word(c.second_owed, "file")
            todo = "It is read again by itself." if c.here else "Put the card in once more, or accept one reading."
            out.append(_line(2, "second reading owed", c.card_id, "note" if c.here else "person",
                             f"Card {label}: {owed} read once, a second reading is owed.", todo))
    writable = [shown(c.label or c.card_id) for c in e.cards if c.mounted_read_only is False]
    if writable:
        were = "Card {} was" if len(writable) == 1 else "Cards {} were"
        out.append(_line(2, "card writable", "cards", "note",
                         f"{were.format(join_words(writable))} mounted writable; Nightloader wrote nothing to "
                         f"{'it' if len(writable) == 1 else 'them'}.",
                         "config/ holds an example rule that mounts cards read-only."))
    return tuple(out)


def coverage(e: AuditEvidence, status: str, number: int) -> tuple[Line, ...]:
    out = []
    for s in e.setups or ():
        unit = f", unit {s.unit}" if s.unit else ""
        where = f"setup {s.setup}" + (f" of shot {s.shot}" if s.shot else "") + f", {s.day}{unit}"
        wanted = [i for i in s.items if i.status == status]
        # What a picture may show is one answer away: it is asked for, not shot again.
        for i in (i for i in wanted if i.proposed):
            said = f"{item_word(i.item)} for {where}: {join_words(i.proposed)} may show it, nobody confirmed it"
            look = f"Look at it: `nightloader confirm {i.proposed[0]} --role ROLE` (`none` if it is not there)."
            out.append(_line(number, "proposed", where, "person", said, look, i.due_until_utc))
        items = [i for i in wanted if not i.proposed]
        if not items:
            continue
        # One line a setup: a page of twenty setups and four items each would be read by nobody.
        what = join_words([item_word(i.item) for i in items])
        why = f": {items[0].why}" if len(items) == 1 and items[0].why else ""
        until = min((i.due_until_utc for i in items if i.due_until_utc), default=None)
        if status == "due":
            out.append(_line(number, "due", where, "person", _sentence(f"{what} for {where}{why}"),
                             "Still possible: take it, or waive it.", until))
        else:
            out.append(_line(number, "lost", where, "loss", _sentence(f"{what} for {where}{why}"),
                             "Tell whoever needs it; a neighbouring setup's may stand in."))
    return tuple(out)


def probes(e: AuditEvidence) -> tuple[Line, ...]:
    out = []
    for p in e.probes or ():
        bad = [f for f in p.findings if f.severity != "note"]
        said = [p.trouble] if p.trouble else []
        said += ["not all frames of the bracket are there"] if p.complete is False else []
        said += [*p.reasons] if p.review else []
        said += [f.what.rstrip(".") for f in bad]
        if not said and not (p.review or not p.merged):
            continue
        where = "/".join(x for x in (p.shot, p.setup) if x) or "unfiled"
        todo = [f.next for f in bad if f.next][:2] or [
            "Look at its preview and frames, then: nightloader review " + p.id]
        state = "loss" if any(f.severity == "loss" for f in bad) else "person"
        out.append(_line(5, "probe doubtful", p.id, state,
                         f"{where}, probe {p.id}: {'; '.join(dict.fromkeys(said)) or 'a person must look'}.",
                         " ".join(todo)))
    return tuple(out)


def unfiled(e: AuditEvidence) -> tuple[Line, ...]:
    out = []
    for u in e.unfiled or ():
        away = f", {u.minutes_away:,.0f} min away" if u.minutes_away is not None else ""
        near = f"; nearest is setup {u.nearest}{away}" if u.nearest else ""
        out.append(_line(6, "unfiled", u.item, "person", _sentence(f"{u.what}: {u.why}{near}"), u.next))
    return tuple(out)


def clock_words(c: BodyClock) -> str:
    if c.offset_s is None:
        return f"{shown(c.body)}: nothing shows its offset"
    drift = f", drift {c.drift_s_per_day:+.1f} s a day" if c.drift_s_per_day else ""
    plus_minus = f" ± {c.uncertainty_s:g} s" if c.uncertainty_s is not None else ""
    return f"{shown(c.body)} {c.offset_s:+g} s{plus_minus}{drift} ({c.source})"


def clocks(e: AuditEvidence) -> tuple[Line, ...]:
    out = []
    for c in e.clocks or ():
        if c.doubt:
            out.append(_line(7, "clock doubtful", c.body, "person", _sentence(f"{clock_words(c)}: {c.doubt}"),
                             _PROVE_CLOCK))
        elif c.offset_s is None or c.source in ("none", ""):
            out.append(_line(7, "no clock evidence", c.body, "note",
                             f"{c.body}: its clock is taken as it stands.",
                             _PROVE_CLOCK))
    return tuple(out)


def package_words(p: Package, time_zone: str) -> str:
    sent = f"sent {clock_word(p.sent_utc, time_zone, day=True)}" if p.sent_utc else "not yet sent"
    receipt = f", receipt {p.receipt}" if p.receipt else ""
    read = {True: "read again and equal", False: "does not verify", None: "not read again"}[p.verified]
    what = f"{shown(p.name)} to {shown(p.to)}, {bytes_word(p.size_bytes)}, list {shown(p.list_name)}"
    return f"{what}, {read}, {sent}{shown(receipt)}"


def packages(e: AuditEvidence) -> tuple[Line, ...]:
    return tuple(
        _line(10, "package", p.name, "person", f"Package {p.name} to {p.to} does not verify.",
              "Do not send it: make the hand-over again and compare.")
        for p in e.packages or ()
        if p.verified is False
    )


def proof_words(cards: Sequence[CardVerdict]) -> str:
    """How the read-backs of these cards' required copies were proven, weakest named."""
    proofs = Counter(
        at.proof for c in cards for at in c.destinations if at.required and at.verified and at.proof is not None
    )
    if not proofs:
        return "no card verified whole yet"
    said = {
        Proof.DEVICE: "read back from the device",
        Proof.CACHE_DROPPED: "read back after dropping the cache",
        Proof.NOT_PROVABLE: "read back, not provable from the device on this file system",
    }
    if len(proofs) == 1:
        return f"all {said[next(iter(proofs))]}"
    return join_words([f"{proofs[p]:,} {said[p]}" for p in Proof if proofs[p]])


def card_line(c: CardVerdict, e: AuditEvidence) -> paper.CardLine:
    read: Literal["twice", "once", "in part twice", "not whole"] = c.read  # type: ignore[assignment]
    mounted = _MOUNTED[c.mounted_read_only]
    return paper.CardLine(
        id=c.card_id, label=shown(c.label), day=c.day, folder=c.folder, files=c.files, size_bytes=c.size_bytes,
        copies_once_reused=c.copies_once_reused, copies_asked=c.copies_asked, further_copies=c.further_copies,
        copies_now=c.copies_now, figure=c.figure, policy_met=c.policy_met, on_one_disk=c.on_one_disk, here=c.here,
        read=read, mounted=mounted,
        reasons=[shown(r) for r in c.reasons], released_by=shown(e.released.get(c.card_id, "")) or None,
        destinations=[
            paper.CardAtDestination(
                id=d.id, name=shown(d.name), required=d.required, present=d.present, lost=d.lost, verified=d.verified,
                files_verified=d.files_verified, proof=d.proof.value if d.proof else None,
                read_back_utc=d.read_back_utc or None, oldest_reread_utc=d.oldest_reread_utc or None,
            )
            for d in sorted(c.destinations, key=lambda d: d.id)
        ],
    )


def destination_line(d: DestinationRecord, e: AuditEvidence) -> paper.DestinationLine:
    again = [r for r in e.rereads if r.destination_id == d.id]
    full = next((f for f in e.disks if f.destination_id == d.id), None)
    return paper.DestinationLine(
        id=d.id, name=shown(e.names.get(d.id, d.id)), required=d.required, present=d.present, lost=bool(d.lost_utc),
        on_one_disk=d.one_disk, filesystem=d.filesystem, free_bytes=d.free_bytes,
        reread_files=sum(r.files for r in again), reread_bytes=sum(r.size_bytes for r in again),
        reread_until_utc=max((r.until_utc for r in again), default=None),
        reread_interrupted=any(r.interrupted for r in again),
        days_left=full.days_left if full else None, full_on=full.full_on if full else None,
    )
