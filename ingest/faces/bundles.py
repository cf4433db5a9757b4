"""Findings as a person reads them: what one setup lacks is one entry, not one for each item.

Five setups without plates and chart are five things to do, not fifteen; the page, ``status`` and the audit count
them alike.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass

from ingest.records.coverage import item_word
from ingest.records.findings import Finding

_LACK = re.compile(r"(.+)_(due|lost)")
_STATES = {"lost": "lost", "due": "still due"}
_NEXT = {
    "lost": "Waive what was not needed; file by hand what was shot.",
    "due": "Take it, or waive it.",
}


@dataclass(frozen=True, kw_only=True, slots=True)
class Bundle:
    """One entry: ``title`` is its kind in words, ``says`` one line a finding; ``lacks`` is "due" or "lost" where a
    setup lacks something, else ""."""

    severity: str
    title: str
    item: str
    says: tuple[str, ...]
    next: str
    lacks: str = ""

    @property
    def state(self) -> str:
        """What stands before the title where a setup lacks something: "lost" or "still due"; else ""."""
        return _STATES.get(self.lacks, "")


def bundled(findings: Iterable[Finding]) -> list[Bundle]:
    """The findings in their order; those of one setup and state together, in the place of the first."""
    together: dict[tuple[str, ...], list[Finding]] = {}
    for n, f in enumerate(findings):
        # What a picture may show waits for one answer about that picture: it keeps its own words.
        lack = None if f.more.get("proposed") else _LACK.fullmatch(f.kind)
        together.setdefault((f.item, lack[2]) if lack else (str(n),), []).append(f)
    return [_one(key, found) for key, found in together.items()]


def _one(key: tuple[str, ...], found: list[Finding]) -> Bundle:
    first = found[0]
    if len(key) == 1:
        proposed = first.more.get("proposed")
        title = f"{item_word(first.kind.removesuffix('_due'))} proposed" if proposed else first.kind.replace("_", " ")
        return Bundle(severity=str(first.severity), title=title, item=first.item,
                      says=(first.what,), next=first.next)
    state = key[1]
    names = ", ".join(item_word(f.kind.removesuffix(f"_{state}")) for f in found)
    return Bundle(
        severity=str(first.severity), title=names, item=first.item, says=tuple(f.what for f in found),
        next=first.next if len(found) == 1 else _NEXT[state], lacks=state,
    )
