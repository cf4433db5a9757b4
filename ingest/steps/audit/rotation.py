"""What tonight's audit reads again: all cards of the day, and a rotating share of the rest, longest unread first.

Every card's structure is listed each night whatever this says.  The share is counted per destination, and each file
costs its bytes and one block, so that a million tiny files are spread like a few large ones.  With a share of 1/N
and nothing added, every file is read again within N nights (a test turns the nights).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import TypeVar

_BLOCK = 4096
Key = TypeVar("Key")


@dataclass(frozen=True, kw_only=True, slots=True)
class Held:
    """A card's copies at one present destination."""

    card_id: str
    destination_id: str
    day: str
    files: int
    size_bytes: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Tonight:
    """``whole`` are (card, destination) to be read whole, first; ``budgets`` is what each destination may spend on
    the rest (see :func:`share`)."""

    whole: tuple[tuple[str, str], ...]
    budgets: Mapping[str, int]


def tonight(held: Iterable[Held], *, days: Sequence[str], nights: int = 7, full: bool = False) -> Tonight:
    """The plan of one night.  ``days`` are the shoot days this audit is about; ``full`` reads everything.

    Raises ValueError for ``nights`` below 1.
    """
    if nights < 1:
        raise ValueError("a rotation takes at least one night")
    costs: dict[str, int] = {}
    whole = []
    for one in held:
        if full or one.day in days:
            whole.append((one.day, one.card_id, one.destination_id))
        else:
            cost = one.size_bytes + one.files * _BLOCK
            costs[one.destination_id] = costs.get(one.destination_id, 0) + cost
    return Tonight(
        whole=tuple((card, destination) for _, card, destination in sorted(whole)),
        budgets={destination: -(-cost // nights) for destination, cost in sorted(costs.items())},
    )


def share(files: Iterable[tuple[Key, int]], budget: int) -> list[Key]:
    """The files to read tonight: from (key, size in bytes), longest unread first, until the budget is spent.

    The last one may go over it, so a file larger than a night's share still has its turn.
    """
    taken = []
    for key, size_bytes in files:
        if budget <= 0:
            break
        taken.append(key)
        budget -= size_bytes + _BLOCK
    return taken
