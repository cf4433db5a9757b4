"""Questions of the logs as findings: which file, which line, which cell, what was expected."""

from __future__ import annotations

from collections.abc import Iterable

from ingest.records.findings import Finding, Severity
from ingest.records.setups import Question


def place_of(question: Question) -> str:
    """``setup_log.csv line 12, start``; the file alone where it is about all of it."""
    if not question.line:
        return question.file
    column = f", {question.column}" if question.column else ""
    return f"{question.file} line {question.line}{column}"


def findings(questions: Iterable[Question]) -> list[Finding]:
    """One finding per question; ``more`` holds the question's own fields."""
    return [
        Finding(
            kind="log_question", item=place_of(q), severity=Severity.PERSON,
            what=f"{q.written!r} {q.asks}" if q.written else q.asks,
            next="Mend the cell; everything it concerns files itself again. The other rows count meanwhile." if q.line
            else "Put the file back, or a newer one; nothing moves meanwhile.",
            more={"file": q.file, "line": q.line, "column": q.column, "written": q.written, "asks": q.asks},
        )
        for q in questions
    ]
