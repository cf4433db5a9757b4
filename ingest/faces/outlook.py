"""What comes next if things go on as they do: this card free at, the night ends at, disks full on day N.

The daemon measures how fast each card gets on and keeps that in the ledger; whoever asks computes the rest.
"""

from __future__ import annotations

import json
from collections import deque
from collections.abc import Sequence
from datetime import UTC, datetime
from typing import Any

from ingest.records.cards import DestinationRecord
from ingest.services import Services
from ingest.steps.audit.forecast import Sample, disks_full, free_at, night_ends_at, rate
from ingest.steps.audit.verdict import CardVerdict, Policy

_PACES = "paces"
_KEPT_EVERY_S = 5.0  # each keeping is a durable write


class Paces:
    """How fast the cards that are being read get on."""

    def __init__(self, services: Services) -> None:
        self._services = services
        self._samples: dict[str, deque[Sample]] = {}
        self._kept_s = -_KEPT_EVERY_S

    def note(self, card_id: str, handled_bytes: int) -> None:
        """So many bytes of a card are verified now."""
        now = self._services.clock.steady_s()
        self._samples.setdefault(card_id, deque(maxlen=500)).append(
            Sample(monotonic_s=now, handled_bytes=handled_bytes)
        )
        if now - self._kept_s >= _KEPT_EVERY_S:
            self._kept_s = now
            rates = {card: rate(tuple(samples)) for card, samples in self._samples.items()}
            self._services.work.put(_PACES, json.dumps({card: r for card, r in rates.items() if r}))

    def over(self, card_id: str) -> None:
        """This card is not being read any more."""
        self._samples.pop(card_id, None)

    def end(self) -> None:
        """Nothing is being read."""
        self._samples.clear()
        self._services.work.put(_PACES, "")


def paces(services: Services) -> dict[str, float]:
    """Bytes verified a second of each card that is being read, where the daemon has measured it."""
    return dict(json.loads(services.work.recall(_PACES) or "{}"))


def outlook(
    services: Services, judged: Sequence[CardVerdict], where: Sequence[DestinationRecord], asked: Policy
) -> dict[str, Any]:
    """``forecast`` of ``status --json``.  What nothing measured stands behind is null or not listed."""
    measured = paces(services)
    now = services.clock.now()
    left, again = {}, 0
    for v in judged:
        if v.here and v.card_id in measured:
            _, size, _, handled = services.cards.done(v.card_id)
            left[v.card_id] = max(0, size - handled)
            again += sum(
                f.size_bytes for f in services.cards.files(v.card_id)
                if f.kind in asked.read_twice and not f.second_digest
            )
    ends = None
    if left:
        ends = night_ends_at(now, {"": sum(left.values())}, {"": sum(measured[c] for c in left)},
                             second_reading_bytes=again)
    disks = disks_full(judged, {d.id: d.free_bytes for d in where if d.present and not d.lost_utc})
    paths = {d.id: d.path for d in where}
    return {
        "cards": [{"id": c, "free_at_utc": _utc(free_at(now, bytes_, measured[c]))} for c, bytes_ in left.items()],
        "night_ends_utc": _utc(ends),
        "disks": [
            {"path": paths[f.destination_id], "full_on": f.full_on, "days_left": f.days_left, "from_days": f.from_days}
            for f in disks
        ],
    }


def _utc(moment: datetime | None) -> str | None:
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ") if moment is not None else None
