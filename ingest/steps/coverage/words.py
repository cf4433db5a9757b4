"""Coverage for a person and for machines: findings, and the entries of ``setups --json``."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime
from typing import Any

from ingest.records.coverage import DueItem, SetupCoverage, Status, item_word
from ingest.records.findings import Finding, Severity
from ingest.records.setups import Question


def utc(moment_s: float | None) -> str | None:
    """RFC 3339 with Z, or None."""
    return None if moment_s is None else datetime.fromtimestamp(moment_s, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def findings(coverage: Iterable[SetupCoverage], *, open_too: bool = False) -> list[Finding]:
    """Missing items of closed setups (``open_too``: of running ones as well): still possible, or lost."""
    return [
        _finding(setup, item) for setup in coverage for item in setup.items
        if item.status in (Status.DUE, Status.LOST) and (setup.closed or open_too)
    ]


def _finding(setup: SetupCoverage, item: DueItem) -> Finding:
    lost = item.status is Status.LOST
    name = item_word(item.item)
    after = f" after {item.because}" if item.because else ""
    more = f"; {item.words}" if item.words else ""
    missing = f"no {name}"
    if item.proposed:
        shown = " and ".join(item.proposed[:3]) + (" and others" if len(item.proposed) > 3 else "")
        missing = f"{name} proposed, nobody confirmed it"
        more = f": {shown} may show it{more}"
        until = f", or shoot it again before {utc(item.due_until_s)}" if item.due_until_s is not None else ""
        next = (f"Look at {shown} and say what it is: `nightloader confirm {item.proposed[0]} --role ROLE` (`none` if "
                f"it is not there){until}.")
    elif item.item == "measured":
        enter = f"enter what was measured in the measurements for {setup.setup}"
        until = f"Measure{f' before {utc(item.due_until_s)}' if item.due_until_s is not None else ''} and "
        next = (f"Its time is over. If it was measured, {enter}; if it was not needed, waive it." if lost
                else f"{until}{enter}, or waive it.")
    elif lost:
        next = f"Its time is over. If it was not needed, waive it; if it was shot, file it by hand as {name}."
    else:
        until = f" before {utc(item.due_until_s)}" if item.due_until_s is not None else ""
        next = f"Shoot it{until}, waive it, or file by hand what was shot."
    return Finding(
        kind=f"{item.item}_{'lost' if lost else 'due'}", severity=Severity.LOSS if lost else Severity.PERSON,
        item=" ".join(p for p in (setup.day, setup.unit, setup.setup, item.because) if p),
        what=f"{setup.setup}: {missing}{after}{more} ({item.why})", next=next,
        more={"day": setup.day, "unit": setup.unit, "setup": setup.setup, "due_until_utc": utc(item.due_until_s),
              **({"proposed": list(item.proposed)} if item.proposed else {})},
    )


def to_json(setup: SetupCoverage, questions: Iterable[Question] = ()) -> dict[str, Any]:
    """One entry of ``setups --json``; ``questions`` are those of its lines in the log."""
    return {
        "day": setup.day, "unit": setup.unit, "shot": setup.shot or None, "setup": setup.setup, "camera": setup.camera,
        "lens": setup.lens, "start_utc": utc(setup.start_s), "end_utc": utc(setup.end_s),
        "items": [{"item": i.item, "status": str(i.status), "due_until_utc": utc(i.due_until_s), "why": i.why,
                   "evidence": list(i.evidence), "proposed": list(i.proposed), "because": i.because,
                   "words": i.words} for i in setup.items],
        "questions": [{"file": q.file, "line": q.line, "column": q.column, "written": q.written, "asks": q.asks}
                      for q in questions],
    }
