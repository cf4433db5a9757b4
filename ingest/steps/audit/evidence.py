"""What an audit is judged from.  ``None`` for a part means that nobody looked: not the same as nothing found."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field

from ingest.records.audit_paper import ProbeLine, SetupLine
from ingest.records.cards import DestinationRecord
from ingest.records.findings import Finding
from ingest.steps.audit.comparison import Difference
from ingest.steps.audit.forecast import DiskForecast
from ingest.steps.audit.verdict import CardVerdict


@dataclass(frozen=True, kw_only=True, slots=True)
class Reread:
    """What one audit read again at one destination.  ``differed`` and ``unreadable`` are (card id, stored path)."""

    destination_id: str
    files: int
    size_bytes: int
    until_utc: str
    interrupted: bool = False
    differed: tuple[tuple[str, str], ...] = ()
    unreadable: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class ExpectedCard:
    """A card that was to come on a day; ``card_id`` "" while it has not."""

    label: str
    day: str
    card_id: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Unfiled:
    """Something without a home: the nearest setup, how far, and why it was not filed there."""

    item: str
    what: str
    why: str
    nearest: str = ""
    minutes_away: float | None = None
    next: str = "Add or mend a line of the setup log, or file it by hand: nightloader file."


@dataclass(frozen=True, kw_only=True, slots=True)
class BodyClock:
    """A body's clock: offset (true = shown + offset) and drift with uncertainty, and what it stands on
    (photographed, notes, settings, header, none); ``doubt`` in words if something speaks against it."""

    body: str
    source: str
    offset_s: float | None = None
    drift_s_per_day: float | None = None
    uncertainty_s: float | None = None
    doubt: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Package:
    """A hand-over: to whom, its list, whether it was read again and equal (None: not looked at), sent, receipt."""

    name: str
    to: str
    size_bytes: int
    list_name: str
    verified: bool | None
    sent_utc: str = ""
    receipt: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class AuditEvidence:
    """All of it.  ``findings`` are the open findings of every step; each is put under the question its kind belongs
    to.  ``names`` are what a person calls the destinations.  ``released`` is who signed for which card."""

    show: str
    time_zone: str
    day: str
    written_utc: str
    software_version: str
    cards: Sequence[CardVerdict]
    destinations: Sequence[DestinationRecord]
    names: Mapping[str, str] = field(default_factory=dict)
    rereads: Sequence[Reread] = ()
    differences: Sequence[Difference] | None = None
    expected_cards: Sequence[ExpectedCard] | None = None
    released: Mapping[str, str] = field(default_factory=dict)
    probes: Sequence[ProbeLine] | None = None
    unfiled: Sequence[Unfiled] | None = None
    clips: Collection[str] = ()  # ids of those that were looked for a home
    clocks: Sequence[BodyClock] | None = None
    setups: Sequence[SetupLine] | None = None
    agreement: Sequence[Finding] | None = None
    agreement_checks: int = 0
    packages: Sequence[Package] | None = None
    findings: Sequence[Finding] = ()
    disks: Sequence[DiskForecast] = ()
