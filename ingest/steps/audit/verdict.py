"""What a card may be said to have: the only place where evidence becomes a verdict.

Three steps, so that two hundred cards and a hundred thousand files cost half a second: the ledger counts what agrees
with what (``records/evidence.py``) and decides nothing, :func:`tally` says what of it counts under the policy, and
:func:`judge_card` turns a tally into the verdict.

A copy **counts** when its fact agrees with the file's first reading, the digest that came back from the device
agrees, and the last re-reading, if there was one, returned the same (one that failed, missing or unreadable, did
not).  The ledger holds one fact for a file and a destination.  Evidence can only help: without a fact, a digest or a
destination no verdict gets better.

The card is no copy.  A destination declared lost counts no more, but stays owed until another takes over
its duty.  An absent one keeps its evidence.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum

from ingest.records.cards import CardRecord, DestinationRecord, FileKind, Proof
from ingest.records.evidence import Again, CardEvidence, CopiesAlike
from ingest.records.names import token

_WEAKEST_FIRST = (Proof.NOT_PROVABLE, Proof.CACHE_DROPPED, Proof.DEVICE)


@dataclass(frozen=True, kw_only=True, slots=True)
class Policy:
    """``copies`` asked for (never fewer than the required destinations), which kinds are owed a second
    reading of the card, and whether a copy counts only with a proven read-back."""

    copies: int = 2
    read_twice: frozenset[FileKind] = frozenset({FileKind.STILL})
    proof_demanded: bool = False


@dataclass(frozen=True, kw_only=True, slots=True)
class CopyTally:
    """Copies of one card at one destination.  ``counting`` by proof, ``size_bytes`` all of them; ``failing`` are
    facts that do not count; the times are of the counting ones ("" if none; ``oldest_reread_utc`` also if one was
    never re-read)."""

    counting: Mapping[Proof, int] = field(default_factory=dict)
    size_bytes: int = 0
    failing: int = 0
    folders_unsynced: int = 0
    last_read_back_utc: str = ""
    oldest_reread_utc: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class CardTally:
    """Evidence about one card, counted.  ``unread`` files have no digest of a whole first reading."""

    files: int
    size_bytes: int
    unread: int = 0
    troubled: int = 0
    second_owed: int = 0
    second_equal: int = 0
    second_differs: int = 0
    copies: Mapping[str, CopyTally] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True, slots=True)
class DestinationVerdict:
    """One destination for one card: ``verified`` for the whole card, with its weakest ``proof``."""

    id: str
    name: str
    path: str
    required: bool
    present: bool
    lost: bool
    on_one_disk: bool
    verified: bool
    files_verified: int
    bytes_verified: int
    failing: int
    proof: Proof | None
    read_back_utc: str
    oldest_reread_utc: str
    folders_unsynced: int
    to_read: bool = False  # nothing on it counts until it was read again


@dataclass(frozen=True, kw_only=True, slots=True)
class CardVerdict:
    """What may be said of a card.  ``copies_once_reused`` of ``copies_asked`` comes first everywhere;
    ``copies_now`` adds the card itself while it is here; ``further_copies`` stand on destinations that are
    not required.  ``reasons`` say in words why the policy is not met."""

    card_id: str
    label: str
    day: str
    folder: str
    files: int
    size_bytes: int
    copies_once_reused: int
    copies_asked: int
    further_copies: int
    copies_now: int
    policy_met: bool
    on_one_disk: bool
    here: bool
    read: str  # "twice", "once", "in part twice", "not whole"
    second_owed: int
    second_differs: int
    mounted_read_only: bool | None
    destinations: tuple[DestinationVerdict, ...]
    reasons: tuple[str, ...]

    @property
    def figure(self) -> str:
        """``2 of 2``, with what must be said beside it wherever it is shown."""
        words = f"{self.copies_once_reused} of {self.copies_asked}"
        if self.on_one_disk:
            words += ", on one disk"
        if any(d.verified and d.required and d.proof is Proof.NOT_PROVABLE for d in self.destinations):
            words += ", read-back not provable"
        return words


class SlotWord(StrEnum):
    """The large state of a slot (never one that sounds like leave to erase)."""

    BEING_READ = "being read"
    WAITING = "waiting"
    NOT_BEING_READ = "not being read any more"


@dataclass(frozen=True, kw_only=True, slots=True)
class SlotState:
    """Word and shape of a slot, why it waits or what it falls short of, and the figure under it."""

    word: SlotWord
    shape: str
    reason: str
    figure: str


def counts(alike: CopiesAlike, policy: Policy) -> bool:
    """Whether copies like these are evidence for their files."""
    return (
        alike.source_equal
        and alike.back_equal
        and alike.read_back
        and alike.reread is not Again.DIFFERS
        and not (policy.proof_demanded and alike.proof is Proof.NOT_PROVABLE)
    )


def tally(evidence: CardEvidence, policy: Policy) -> CardTally:
    """What the ledger counted of one card, as this policy sees it.  Order does not matter."""
    at = {c.destination_id: [x for x in evidence.copies if x.destination_id == c.destination_id]
          for c in evidence.copies}
    return CardTally(
        files=sum(f.files for f in evidence.files),
        size_bytes=sum(f.size_bytes for f in evidence.files),
        unread=sum(f.files for f in evidence.files if not f.read),
        troubled=sum(f.files for f in evidence.files if f.troubled),
        second_owed=sum(f.files for f in evidence.files if f.second is Again.NONE and f.kind in policy.read_twice),
        second_equal=sum(f.files for f in evidence.files if f.second is Again.EQUAL),
        second_differs=sum(f.files for f in evidence.files if f.second is Again.DIFFERS),
        copies={destination: _copy_tally(copies, policy) for destination, copies in at.items()},
    )


def _copy_tally(copies: Sequence[CopiesAlike], policy: Policy) -> CopyTally:
    good = [c for c in copies if counts(c, policy)]
    by_proof = {p: sum(c.files for c in good if c.proof is p) for p in Proof}
    return CopyTally(
        counting={p: n for p, n in by_proof.items() if n},
        size_bytes=sum(c.size_bytes for c in good),
        failing=sum(c.files for c in copies) - sum(c.files for c in good),
        folders_unsynced=sum(c.files for c in good if not c.folder_synced),
        last_read_back_utc=max((c.last_read_back_utc for c in good), default=""),
        oldest_reread_utc=min((c.oldest_reread_utc for c in good), default=""),
    )


def judge_card(
    card: CardRecord,
    tallied: CardTally,
    destinations: Sequence[DestinationRecord],
    policy: Policy,
    names: Mapping[str, str] | None = None,
) -> CardVerdict:
    """The verdict on one card from its tally; ``names`` are what a person calls the destinations (id else)."""
    judged = tuple(_judge_destination(d, tallied, (names or {}).get(d.id, d.id)) for d in destinations)
    required = [d for d in judged if d.required]
    standing = [d for d in judged if d.verified and not d.lost]
    once_reused = sum(d.required for d in standing)
    asked = max(policy.copies, len(required))
    reasons = tuple(_reasons(card, tallied, required, once_reused, asked))
    here = card.mount is not None
    card_counts = here and card.listing_whole and tallied.files > 0 and tallied.unread == 0
    return CardVerdict(
        card_id=card.id, label=card.roll or card.label, day=card.day, folder=card.folder,
        files=tallied.files, size_bytes=tallied.size_bytes,
        copies_once_reused=once_reused, copies_asked=asked,
        further_copies=len(standing) - once_reused,
        copies_now=len(standing) + card_counts,
        policy_met=not reasons,
        on_one_disk=any(d.on_one_disk and not d.lost for d in judged),
        here=here, read=_read_word(tallied), second_owed=tallied.second_owed,
        second_differs=tallied.second_differs, mounted_read_only=card.read_only,
        destinations=judged, reasons=reasons,
    )


def _judge_destination(destination: DestinationRecord, tallied: CardTally, name: str) -> DestinationVerdict:
    copies = tallied.copies.get(destination.id, CopyTally())
    counting = sum(copies.counting.values())
    lost, to_read = bool(destination.lost_utc), bool(destination.unread_since)
    whole = tallied.files > 0 and tallied.unread == 0 and counting == tallied.files and copies.failing == 0
    return DestinationVerdict(
        id=destination.id, name=name, path=destination.path, required=destination.required, present=destination.present,
        lost=lost, on_one_disk=destination.one_disk, verified=whole and not (lost or to_read),
        files_verified=0 if lost else counting, bytes_verified=0 if lost else copies.size_bytes, failing=copies.failing,
        proof=next((p for p in _WEAKEST_FIRST if copies.counting.get(p)), None),
        read_back_utc=copies.last_read_back_utc, oldest_reread_utc=copies.oldest_reread_utc,
        folders_unsynced=copies.folders_unsynced, to_read=to_read,
    )


def _reasons(
    card: CardRecord, tallied: CardTally, required: Sequence[DestinationVerdict], once_reused: int, asked: int
) -> Iterable[str]:
    if tallied.files == 0:
        yield "there is no file to keep on it"
    if not card.listing_whole:
        yield "its listing failed somewhere or changed while it was read"
    if tallied.unread:
        yield f"{_files(tallied.unread)} {_are(tallied.unread)} not read whole"
    if tallied.second_differs:
        yield f"the second reading of {_files(tallied.second_differs)} differs from the first"
    for d in required:
        if d.lost:
            yield f"destination {d.name} is declared lost and none has taken over its duty"
        elif d.failing:
            wrong = f"{_files(d.failing)} at destination {d.name} {_are(d.failing)}"
            yield f"{wrong} no longer equal to what was read from the card"
        elif d.to_read and d.files_verified == tallied.files:
            yield f"destination {d.name} is not the volume that was written, and is read whole before it counts"
        elif not d.verified and tallied.files:
            short = tallied.files - d.files_verified
            yield f"{_files(short)} {_are(short)} not verified at destination {d.name}"
    if once_reused < asked and all(d.verified for d in required):
        yield f"the policy asks {asked} copies and there are {len(required)} required destinations"


def _files(count: int) -> str:
    return "1 file" if count == 1 else f"{count:,} files"


def _are(count: int) -> str:
    return "is" if count == 1 else "are"


def _read_word(tallied: CardTally) -> str:
    if tallied.unread or tallied.files == 0:
        return "not whole"
    again = tallied.second_equal + tallied.second_differs
    if again == 0:
        return "once"
    return "twice" if again >= tallied.files else "in part twice"


_SHAPES = {SlotWord.BEING_READ: "▶", SlotWord.WAITING: "▮▮", SlotWord.NOT_BEING_READ: "■"}


def waits(verdict: CardVerdict, counted: CardTally, helpless: Collection[str] = ()) -> tuple[str, ...]:
    """Why the machine will read a card that is here again by itself.

    ``helpless`` are destinations (ids) at which only a person can help: what they lack keeps no card waiting.
    """
    if not verdict.here:
        return ()
    if counted.unread > counted.troubled:
        return ("not read whole yet",)
    owed = [
        d.name for d in verdict.destinations
        if d.required and d.present and not d.lost and d.id not in helpless and not d.failing
        and d.files_verified < verdict.files - counted.unread
    ]
    return (f"copies owed to {' and '.join(owed)}",) if owed else ()


def disk_names(destinations: Sequence[DestinationRecord]) -> dict[str, str]:
    """What papers and pages call the destinations: the last part of their paths, told apart where two are alike."""
    short = {d.id: token(d.path.replace("\\", "/").rstrip("/").rpartition("/")[2]) or d.id[:8] for d in destinations}
    seen = list(short.values())
    return {i: name if seen.count(name) == 1 else f"{name}-{i[:4]}" for i, name in short.items()}


def slot_state(
    verdict: CardVerdict, *, reading: bool, waits: Sequence[str] = (), second_failed: bool = False
) -> SlotState:
    """The one large state of the slot a card is in.

    ``reading`` is whether its bytes are being read this moment, ``waits`` why the machine will read it
    again without a person ("two cards before it", "still being written to").  An owed second reading is
    added here, unless it was tried and failed (``second_failed``).  A card that only a person can help is not being
    read any more, with the figure saying so.
    """
    reasons = list(waits)
    failed = second_failed and verdict.second_owed > 0
    if verdict.here and verdict.second_owed and not (verdict.second_differs or failed):
        reasons.append("second reading owed")
    if reading:
        word, reasons = SlotWord.BEING_READ, []
    elif reasons:
        word = SlotWord.WAITING
    else:
        word, reasons = SlotWord.NOT_BEING_READ, list(verdict.reasons)
        reasons += ["the second reading failed"] if failed else []
    figure = f"copies once reused {verdict.figure}"
    return SlotState(word=word, shape=_SHAPES[word], reason="; ".join(reasons), figure=figure)
