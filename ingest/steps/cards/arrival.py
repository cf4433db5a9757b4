"""Has a card arrived?  A folder that is still being filled is left until it has been quiet for a while."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass

from ingest.records.cards import Inventory


@dataclass(frozen=True, kw_only=True, slots=True)
class Glimpse:
    """How a place looked and since when (steady seconds) it has looked so."""

    signature: str
    since_s: float
    looks: int = 1


def signature(inventory: Inventory) -> str:
    """Equal for two listings exactly if they show the same files, sizes, times and problems."""
    hash = hashlib.blake2b(digest_size=16)
    for f in inventory.files:
        hash.update(f"{f.path!a}\0{f.size_bytes}\0{f.mtime_ns}\n".encode())
    for path, words in inventory.problems:
        hash.update(f"!{path!a}\0{words}\n".encode())
    return hash.hexdigest()


def remember(known: Mapping[str, Glimpse], seen: Mapping[str, str], now_s: float) -> dict[str, Glimpse]:
    """What is there now, with since when each place looks as it does.  Places not seen are forgotten."""
    out = {}
    for place, mark in seen.items():
        before = known.get(place)
        if before is not None and before.signature == mark:
            out[place] = Glimpse(signature=mark, since_s=before.since_s, looks=before.looks + 1)
        else:
            out[place] = Glimpse(signature=mark, since_s=now_s)
    return out


def is_quiet(glimpse: Glimpse, now_s: float, settle_s: float, *, read_only: bool) -> bool:
    """Two equal looks at least ``settle_s`` apart; what the system mounted read-only cannot be filled any
    more and needs one look."""
    return read_only or (glimpse.looks >= 2 and now_s - glimpse.since_s >= settle_s)
