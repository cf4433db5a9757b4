"""What only a person can say: assign, review, label.  Commands and the page call these same functions.

Each stores facts in one transaction; a running daemon picks them up, :func:`carry_out` does it without one.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from ingest.errors import LedgerBusy, UsageError
from ingest.records.cards import CardRecord
from ingest.records.names import check_roll
from ingest.services import Services
from ingest.steps.copying.stage import all_stills_settled

if TYPE_CHECKING:  # the picture libraries are loaded only where something is carried out
    from ingest.pipeline import Desk

WANTED_FIRST = "card wanted first"


def day_of(written: str) -> str:
    """A shoot day as a person gave it, "" for none; UsageError for one that is none."""
    if written:
        try:
            return date.fromisoformat(written).isoformat()
        except ValueError:
            raise UsageError("it is no day.", item=written, next="Write YYYY-MM-DD.") from None
    return ""


def assign(
    services: Services, items: Sequence[str], *, shot: str, setup: str, day: str = "", unit: str = ""
) -> str:
    """File ``items`` under a setup by hand; answers where, ``shot/setup``.

    An item is a probe id, a clip id, or the path of a copied file.  UsageError if one is unknown, or if the
    setup's name stands in the log on several days and ``day`` does not say which.
    """
    digests = [digest for item in items for digest in digests_of(services, item)]
    return _assign(services, digests, shot=shot, setup=setup, day=day, unit=unit)


def assign_by_id(services: Services, item: str, *, shot: str, setup: str, day: str = "", unit: str = "") -> str:
    """As :func:`assign` for one probe or clip id; never looks at the text as a path."""
    return _assign(services, _digests_by_id(services, item) or _unknown(item), shot=shot, setup=setup, day=day,
                   unit=unit)


def review(services: Services, items: Sequence[str], *, note: str = "") -> None:
    """Say that a person has looked at these probes.  UsageError, with nothing stored, if one is unknown."""
    known = {v.id: v for v in services.work.views()}
    for item in items:
        if item not in known:
            raise UsageError("no such probe.", item=item, next="List them with `nightloader probes`.")
    utc = services.clock.utc()
    with services.store.transaction():
        for item in items:
            frames = list(known[item].digests)
            for digest in frames:
                services.work.decide("review", digest, {"note": note, "frames": frames}, utc)


def label(services: Services, card: str, roll: str) -> CardRecord:
    """Give a card the roll name that stands on it; its folder stays.  UsageError unless one card is meant, or for a
    name that no card can have."""
    name = check_roll(roll)
    meant = card_called(services, card)
    services.cards.name_roll(meant.id, name)
    return meant


def first(services: Services, card: str) -> CardRecord:
    """This card is read before the others that wait.  UsageError unless one card is meant."""
    meant = card_called(services, card)
    services.work.put(WANTED_FIRST, meant.id)
    return meant


def rank(services: Services) -> Callable[[str], int]:
    """For the copier: 0 for the card wanted first, 1 for the others."""
    return lambda card_id: int(services.work.recall(WANTED_FIRST) != card_id)


def card_called(services: Services, card: str) -> CardRecord:
    """The one card of this id (or its beginning), label, roll or folder; else UsageError."""
    cards = [
        c for c in services.cards.cards()
        if card in (c.id, c.label, c.roll, c.folder, c.folder.rsplit("/", 1)[-1]) or c.id.startswith(card)
    ]
    exact = [c for c in cards if c.id == card]
    cards = exact or cards
    if len(cards) != 1 or not card:
        raise UsageError(
            f"{len(cards) or 'no'} cards are called so.", item=card, next="Take the id from `status --json`."
        )
    return cards[0]


def carry_out(services: Services) -> None:
    """The fact is stored.  A daemon picks it up; without one it is carried out here and now."""
    try:
        services.store.lock()
    except LedgerBusy:
        return
    try:
        desk_of(services).work(())
    finally:
        services.store.unlock()


def desk_of(services: Services) -> Desk:
    """A desk for a command that holds the ledger's lock: the sets of a card that lies half copied in its slot wait
    for the rest, as they do in the daemon."""
    from ingest.pipeline import Desk

    there = [c.id for c in services.cards.cards() if c.mount is not None and Path(c.mount).is_dir()]
    return Desk(services, arriving=not all_stills_settled(services.cards, there))


def digests_of(services: Services, item: str) -> Sequence[str]:
    """Frame digests that an item stands for; decisions cling to these, also when sets change."""
    found = _digests_by_id(services, item)
    if found:
        return found
    real = os.path.realpath(item)
    roots = {d.id: d.path for d in services.cards.destinations()}
    for card in services.cards.cards():
        files = {(f.path, f.generation): f for f in services.cards.files(card.id)}
        for copy in services.cards.copies(card.id):
            root = roots.get(copy.destination_id)
            if root and real == os.path.realpath(os.path.join(root, services.show, card.folder, copy.stored_path)):
                digest = files[(copy.path, copy.generation)].digest
                return [digest] if digest else []
    for output in services.work.outputs():
        root = roots.get(output.destination_id)
        if root and real == os.path.realpath(os.path.join(root, output.path)):
            return _digests_by_id(services, output.owner.split("/", 1)[0]) or _unknown(item)
    return _unknown(item)


def _digests_by_id(services: Services, item: str) -> Sequence[str]:
    from ingest.steps.filing.stage_clips import clip_id_of, still_id_of

    for view in services.work.views():
        if item == view.id:
            return view.digests
    if item.startswith("f"):
        stills = [digest for digest in services.work.still_digests() if still_id_of(digest) == item]
        if stills:
            return stills
    return [digest for digest in services.work.clips() if clip_id_of(digest) == item]


def _unknown(item: str) -> Sequence[str]:
    raise UsageError(
        "no probe, clip or copied file of that name.", item=item, next="List them with `nightloader probes`."
    )


def _assign(services: Services, digests: Sequence[str], *, shot: str, setup: str, day: str, unit: str) -> str:
    from ingest.steps.filing.stage import read_setup_log

    if not setup.strip():
        raise UsageError("no setup is named.", item=setup, next="Say what stands on the slate.")
    day = day_of(day)
    days = {r.day for r in read_setup_log(services).rows if r.setup.casefold() == setup.casefold()}
    if not day and len(days) > 1:
        raise UsageError(
            f"setup {setup} is in the log on {', '.join(sorted(days))}.", item=setup,
            next="Say which with --day YYYY-MM-DD.",
        )
    said = {"shot": shot, "setup": setup, "day": day or (days.pop() if days else ""), "unit": unit}
    utc = services.clock.utc()
    with services.store.transaction():
        for digest in digests:
            services.work.decide("assign", digest, said, utc)
    return "/".join(filter(None, (shot, setup)))
