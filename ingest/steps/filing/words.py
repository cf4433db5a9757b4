"""What a placement means for a person, as findings."""

from __future__ import annotations

from collections.abc import Iterable

from ingest.records.filing import Evidence, Item, Placement
from ingest.records.findings import Finding, Severity

BY_HAND = "`nightloader file ITEM --shot S --setup N`"


def findings(items: Iterable[Item], placed: Iterable[Placement]) -> list[Finding]:
    """Unfiled items, placements for review, and notes, in the items' order."""
    return [f for item, p in zip(items, placed, strict=True) for f in _of(item, p)]


def _of(item: Item, placed: Placement) -> Iterable[Finding]:
    more = {"day": placed.day, "setup": placed.setup, "reasons": list(placed.reasons)}
    if not placed.setup:
        away = f"; nearest is {placed.nearest}, {placed.minutes_away:g} min away" if placed.nearest else ""
        reason = "; ".join(placed.reasons or placed.why)
        yield Finding(
            kind="unfiled", item=item.id, severity=Severity.PERSON,
            what=f"the {item.kind} has no setup: {reason}{away}",
            next=f"Mend or add its row in the setup log, or file it: {BY_HAND}.",
            more={**more, "nearest": placed.nearest, "minutes_away": placed.minutes_away},
        )
    elif placed.review:
        kind = "slate_and_log_differ" if placed.evidence is Evidence.SLATE else "filing_review"
        yield Finding(
            kind=kind, item=item.id, severity=Severity.PERSON,
            what=f"the {item.kind} was filed as {placed.setup}, but {'; '.join(placed.reasons)}",
            next=f"Look at it; if it is wrong: {BY_HAND}, or mend the log.", more=more,
        )
    for note in placed.notes:
        yield Finding(kind="filing_note", item=item.id, severity=Severity.NOTE, what=note,
                      next="Nothing, if that is as it was.", more=more)
