"""What the ledger holds about one card's files and copies, counted: how many agree in which way.

Counting is all that is done here: whether files that agree so *count* is decided in ``steps/audit/verdict.py``.  A
card of a hundred thousand files has a handful of these rows.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from ingest.records.cards import FileKind, Proof


class Again(StrEnum):
    """What another reading of the same bytes gave, held against the digest of the card's first reading."""

    NONE = "not read again"
    EQUAL = "equal"
    DIFFERS = "differs"  # also where nothing could be read, or there is no first digest to hold it against


@dataclass(frozen=True, kw_only=True, slots=True)
class FilesAlike:
    """So many ``files`` of one kind and history.  ``read``: there is a digest of a whole first reading; ``second`` is
    the card's second reading; ``troubled``: a finding says why they could not be read."""

    kind: FileKind
    read: bool
    second: Again
    troubled: bool
    files: int
    size_bytes: int


@dataclass(frozen=True, kw_only=True, slots=True)
class CopiesAlike:
    """So many copies of a card at one destination.  ``source_equal`` and ``back_equal``: the copy's digests on the way
    there and as read back equal that of the card's first reading; ``read_back``: the moment of reading back is on
    record; ``reread`` is what the last audit found.  The times are the newest read-back and the oldest re-reading
    ("" for none)."""

    destination_id: str
    proof: Proof
    source_equal: bool
    back_equal: bool
    read_back: bool
    reread: Again
    folder_synced: bool
    files: int
    size_bytes: int
    last_read_back_utc: str
    oldest_reread_utc: str


@dataclass(frozen=True, kw_only=True, slots=True)
class CardEvidence:
    """Everything that was counted about one card."""

    files: tuple[FilesAlike, ...] = ()
    copies: tuple[CopiesAlike, ...] = ()
