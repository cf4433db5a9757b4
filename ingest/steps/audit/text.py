"""The audit as text: 80 columns, exceptions first, then the ten questions, the cards and the caution."""

from __future__ import annotations

from collections.abc import Iterable

from ingest.errors import sentences
from ingest.records.audit_paper import AuditReport, CardLine, Line
from ingest.records.names import shown
from ingest.steps.audit.words import about, clock_word, folded, number_word

MARKS = {"loss": "✖ loss", "person": "▲ person", "note": "· note", "well": "✓ well", "not checked": "○ not checked"}


def render_text(report: AuditReport, *, width: int = 80) -> str:
    """The report for a terminal or a sheet of paper; no line is wider than ``width`` (at least 40) columns."""
    width = max(width, 40)
    when = clock_word(report.written_utc, report.time_zone, day=True)
    out = _wrap(f"{report.show}, shoot day {report.day}. Audit of {when}.", width)
    out += [*_wrap(report.headline, width), ""]
    if report.exceptions:
        out.append("NEEDS A PERSON")
        for n, line in enumerate(report.exceptions, 1):
            out += _exception(n, line, report.time_zone, width)
        out.append("")
    out.append("THE TEN QUESTIONS")
    for q in report.questions:
        out += _wrap(f"{q.number:2}. {q.asks}", width, "    ")
        out += _wrap(f"    {MARKS[q.state]}: {q.answer}", width, "      ")
        for line in q.lines:
            if line.state == "note":
                out += _wrap(f"    · {sentences(line.what, line.next)}", width, "      ")
    out += ["", *_cards(report.cards, width)]
    checks = ", ".join(f"{n:,} {what}" for what, n in report.checks.items()) or "none"
    out += _wrap(f"Checks made: {checks}.", width, "  ")
    out.append("")
    for caution in report.caution:
        out += _wrap(caution, width)
    return "\n".join(out) + "\n"


def _exception(n: int, line: Line, zone: str, width: int) -> Iterable[str]:
    until = f" (until {clock_word(line.until_utc, zone, day=True)})" if line.until_utc else ""
    words = about(line.item, line.what)
    yield from _wrap(f"{n:2}. {MARKS[line.state]}, question {line.question}{until}: {words}", width, "    ")
    yield from _wrap(f"    -> {line.next}", width, "       ")


def _cards(cards: Iterable[CardLine], width: int) -> Iterable[str]:
    cards = list(cards)
    if not cards:
        return
    yield from _wrap(f"CARDS ({number_word(len(cards), 'card')}): copies once reused, now, card read", width, "  ")
    for c in cards:
        met = "policy met" if c.policy_met else "SHORT OF POLICY"
        yield from _wrap(
            f"  {c.label or c.id}: {c.figure}; now {c.copies_now}; read {c.read}; {met}; "
            f"{number_word(c.files, 'file')}, {c.size_bytes:,} bytes.",
            width, "    ",
        )
        yield from _wrap(f"    release decided by: {c.released_by or '_' * 24}", width, "    ")


def _wrap(text: str, width: int, indent: str = "") -> list[str]:
    """Lines of at most ``width`` columns, with what moves a cursor or turns text written out."""
    head = text[: len(text) - len(text.lstrip())]
    return folded(head + shown(text.strip()), width, indent=indent)
