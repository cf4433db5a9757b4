"""What belongs on the report of one shoot day.

The newest day's report is the one that people act on: it also tells what earlier days still ask of somebody.  The
report of a day gone by, made again later, is about that day alone.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from ingest.records.audit_paper import ProbeLine
from ingest.steps.audit.verdict import CardVerdict


@dataclass(frozen=True, kw_only=True, slots=True)
class Scope:
    """``day`` is what the report is about; ``newest``: no card came on a later one.  ``shot`` are the shoot days of
    what that day's cards hold: a card may come days after it was shot."""

    day: str
    newest: bool
    shot: frozenset[str] = frozenset()

    def _has(self, day: str) -> bool:
        return day == self.day or day in self.shot

    def card(self, card: CardVerdict) -> bool:
        """A card short of the policy is everybody's, whatever the day."""
        return self.newest or card.day == self.day or not card.policy_met

    def probe(self, probe: ProbeLine, day: str) -> bool:
        """Of the day, or still to be looked at."""
        asks = probe.review or not probe.merged or probe.complete is False or any(
            f.severity != "note" for f in probe.findings)
        return self._has(day) or (self.newest and asks)

    def setup(self, day: str, items: Iterable[tuple[str, str]]) -> bool:
        """Of the day, or with something that can still be had or was lost since.  ``items`` are (status, due until)."""
        open_ones = any(
            status == "due" or (status == "lost" and until[:10] >= self.day) for status, until in items
        )
        return self._has(day) or (self.newest and open_ones)

    def item(self, day: str) -> bool:
        """A finding about something of that day ("" where it is about none, a disk for example)."""
        return self.newest or not day or self._has(day)
