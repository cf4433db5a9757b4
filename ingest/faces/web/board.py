"""What the page shows: one frozen board, made anew only where something changed.

The ledger is asked first whether anything changed at all; then only cards that are being read (or that an
event named) are judged again each time, the others now and then, and those that are not here in turn.  A card of
many files costs more to judge, so it is judged the less often the longer it takes: the page must not take the
copier's time.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from ingest.faces import answers, outlook
from ingest.faces.bundles import Bundle, bundled
from ingest.machinery.ledger.glances import Glances, ProbeGlance
from ingest.records.cards import CardRecord, DestinationRecord
from ingest.services import Services
from ingest.steps.audit.verdict import (
    CardTally,
    CardVerdict,
    SlotWord,
    disk_names,
    judge_card,
    slot_state,
    tally,
    waits,
)

NEWEST_PROBES = 8
SHOWN_FINDINGS = 12
_DISKS_S = 5.0
_SHARE = 25.0  # a judgement that took t seconds is not made again within 25 t: at most 4 % of a core
_PASS_S = 0.3  # most that one pass spends on cards that are not here
_CALM_S = 2.0  # a card that is not being read is judged again after this long
_TURN = 8  # cards that are not here, judged again in turn, each such while


@dataclass(frozen=True, kw_only=True, slots=True)
class CardShown:
    """One card: its slot's state, and how far it is.  ``state`` picks shape and hue: reading, waiting, met
    (not being read any more, policy met) or short.  ``rate`` in bytes verified a second, ``left_s`` in seconds, None
    where nobody can say."""

    id: str
    name: str
    nameless: bool
    place: str
    day: str
    state: str
    word: str
    reason: str
    figure: str
    copies: int
    asked: int
    here: bool
    read: str
    files: int
    size_bytes: int
    done_files: int
    done_bytes: int
    doing: str
    rate: float | None
    left_s: float | None
    destinations: tuple[tuple[str, bool, bool, str, str], ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Board:
    """Everything that is shown live."""

    show: str
    cards: tuple[CardShown, ...] = ()
    destinations: tuple[DestinationRecord, ...] = ()
    findings: tuple[Bundle, ...] = ()
    asking: int = 0
    probes: tuple[ProbeGlance, ...] = ()
    probe_count: int = 0
    clock: str = ""

    @property
    def slots(self) -> tuple[CardShown, ...]:
        return tuple(c for c in self.cards if c.here)

    @property
    def nameless(self) -> tuple[CardShown, ...]:
        """Cards that are here and whose roll name somebody must say."""
        return tuple(c for c in self.slots if c.nameless)


@dataclass(slots=True)
class _Judged:
    verdict: CardVerdict
    card: CardRecord
    counted: CardTally
    at_s: float
    took_s: float


class Looker:
    """Makes boards.  One thread calls :meth:`look`; :meth:`event` may be called from any."""

    def __init__(self, services: Services) -> None:
        self._services = services
        self._glances = Glances(services.store)
        self._judged: dict[str, _Judged] = {}
        self._events: dict[str, Mapping[str, Any]] = {}
        self._named: set[str] = set()
        self._changes: Any = None
        self._disks: tuple[DestinationRecord, ...] = ()
        self._disks_at = -1e9
        self._probes: tuple[Any, tuple[ProbeGlance, ...], int] = (None, (), 0)
        self._findings: tuple[Any, tuple[Bundle, ...], int] = (None, (), 0)
        self._helpless: frozenset[str] = frozenset()
        self._unreadable: frozenset[str] = frozenset()
        self._turn, self._turned_at = 0, -1e9
        self._read: set[str] = set()  # last time: what has just stopped being read is judged once more
        self._unsettled = False  # something changed since every card that is here was judged
        self.behind = False

    def event(self, name: str, fields: Mapping[str, Any]) -> None:
        """Progress of the copier in this process."""
        if name == "copying":
            card = str(fields["card"])
            before = self._events.get(card)
            self._events[card] = dict(fields)
            if before is None or before["state"] != fields["state"]:
                self._named.add(card)

    def look(self) -> Board:
        """The board as of now; raises LedgerUnusable on damage."""
        services, now = self._services, self._services.clock.steady_s()
        fresh = now - self._disks_at > _DISKS_S
        if fresh:
            before = [(d.id, d.present) for d in self._disks]
            self._disks, self._disks_at = answers.destinations(services, lost=True), now
            if before != [(d.id, d.present) for d in self._disks]:
                self._judged.clear()
        changes = self._glances.changes()
        named, self._named = self._named, set()
        reading = set((services.work.recall("reading") or "").split())
        calm = now - self._turned_at >= _CALM_S
        if changes != self._changes or named or fresh or self.behind or (calm and self._unsettled):
            self._helpless, self._unreadable = answers.helpless(services), answers.unreadable(services)
            self._judge(now, reading | self._read | named, calm)
            self._changes, self._read = changes, reading
        paces = outlook.paces(services) if reading else {}
        return Board(
            show=services.show,
            cards=tuple(self._card(j, reading, paces) for j in self._judged.values()),
            destinations=tuple(d for d in self._disks if not d.lost_utc),
            findings=self._standing()[1], asking=self._findings[2],
            probes=self._newest()[1], probe_count=self._probes[2],
            clock=services.work.recall("clock synchronised") or "",
        )

    def _judge(self, now: float, hot: set[str], calm: bool) -> None:
        cards = self._services.cards.cards()
        away = [c.id for c in cards if c.mount is None and c.id not in hot]
        turn: set[str] = set()
        if calm:
            turn = {away[(self._turn + n) % len(away)] for n in range(min(_TURN, len(away)))}
            self._turn, self._turned_at = self._turn + _TURN, now
        policy = answers.policy(self._services.settings)
        judged: dict[str, _Judged] = {}
        names = disk_names(self._disks)
        steady = self._services.clock.steady_s
        began, self.behind, self._unsettled = steady(), False, not calm
        for card in sorted(cards, key=lambda c: c.mount is None and c.id not in hot):
            known = self._judged.get(card.id)
            if known is not None and known.card == card and not self._is_due(known, card, now, hot, turn, calm):
                judged[card.id] = known
                continue
            absent = card.mount is None and card.id not in hot
            if absent and steady() - began > _PASS_S:  # the rest next time: the cards that are here do not wait for it
                self.behind = True
                if known is not None:
                    judged[card.id] = known
                continue
            started = steady()
            counted = tally(self._services.cards.evidence(card.id), policy)
            judged[card.id] = _Judged(
                verdict=judge_card(card, counted, self._disks, policy, names), card=card, counted=counted,
                at_s=now, took_s=steady() - started,
            )
        self._judged = {c.id: judged[c.id] for c in cards if c.id in judged}

    def _is_due(
        self, known: _Judged, card: CardRecord, now: float, hot: set[str], turn: set[str], calm: bool
    ) -> bool:
        if card.id in hot and self._events.get(card.id, {}).get("state") != "being read":
            return True  # its state changed: at once
        if card.id not in hot and not (calm and (card.mount is not None or card.id in turn)):
            return False
        if now - known.at_s >= _SHARE * known.took_s:
            return True
        self._unsettled = True
        return False

    def _card(self, judged: _Judged, reading: set[str], paces: Mapping[str, float]) -> CardShown:
        v = judged.verdict
        event = self._events.get(v.card_id, {})
        said = str(event.get("state", ""))
        is_read = v.card_id in reading or (said == "being read" and v.here)
        why: Sequence[str] = ()
        if v.here and said == "waiting":
            why = (str(event.get("doing") or "for its turn"),)
        else:
            why = waits(v, judged.counted, self._helpless)
        slot = slot_state(v, reading=is_read and v.here, waits=why, second_failed=v.card_id in self._unreadable)
        state = {SlotWord.BEING_READ: "reading", SlotWord.WAITING: "waiting"}.get(
            slot.word, "met" if v.policy_met else "short")
        files, size, done, done_bytes = (
            (event["files_total"], event["bytes_total"], event["files_done"], event["bytes_done"])
            if event else (v.files, v.size_bytes, *_least(v))
        )
        rate = paces.get(v.card_id) if state == "reading" else None
        return CardShown(
            id=v.card_id, name=_name(judged.card), nameless=not judged.card.roll and _is_no_name(judged.card.label),
            place=(judged.card.mount or "").rstrip("/").rsplit("/", 1)[-1], day=v.day, state=state,
            word=str(slot.word), reason=slot.reason, figure=slot.figure, copies=v.copies_once_reused,
            asked=v.copies_asked, here=v.here, read=v.read, files=int(files), size_bytes=int(size),
            done_files=int(done), done_bytes=int(done_bytes), doing=str(event.get("doing", "")),
            rate=rate, left_s=(size - done_bytes) / rate if rate else None,
            destinations=tuple(
                (d.path, d.verified, d.present, str(d.proof or ""), d.read_back_utc)
                for d in v.destinations if not d.lost
            ),
        )

    def _newest(self) -> tuple[Any, tuple[ProbeGlance, ...], int]:
        stamp = self._glances.work_stamp()
        if stamp != self._probes[0]:
            self._probes = (stamp, tuple(self._glances.newest_probes(NEWEST_PROBES)), self._glances.probe_count())
        return self._probes

    def _standing(self) -> tuple[Any, tuple[Bundle, ...], int]:
        stamp = self._glances.findings_stamp()
        if stamp != self._findings[0]:
            found = ordered(answers.all_findings(self._services))
            asking = bundled(f for f in found if f.severity != "note")
            self._findings = (stamp, tuple(asking[:SHOWN_FINDINGS]), len(asking))
        return self._findings


def ordered(findings: Sequence[Any]) -> list[Any]:
    """Losses first, then what needs a person, then notes."""
    rank = {"loss": 0, "person": 1, "note": 2}
    return sorted(findings, key=lambda f: (rank[str(f.severity)], f.kind, f.item))


def _least(v: CardVerdict) -> tuple[int, int]:
    """Files and bytes at the least advanced required destination."""
    return min(((d.files_verified, d.bytes_verified) for d in v.destinations if d.required and not d.lost),
               default=(0, 0))


def _name(card: CardRecord) -> str:
    return card.roll or ("" if _is_no_name(card.label) else card.label) or card.folder.rsplit("/", 1)[-1]


def _is_no_name(label: str) -> bool:
    return label.strip().casefold() in ("", "no name", "untitled")
