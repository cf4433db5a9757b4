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
from ingest.records.names import check_roll, shown
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
    if not card:
        raise UsageError("no card is named.", next="Give its id, label, roll or folder; `status --json` has the ids.")
    if len(cards) != 1:
        called = f"{len(cards)} cards are" if cards else "no card is"
        raise UsageError(f"{called} called so.", item=card, next="Take the id from `status --json`.")
    return cards[0]


LATER = " What follows from it for pictures and their light is made by the next `watch` or `offload`."


def carry_out(services: Services) -> str:
    """The fact is stored.  A daemon picks it up; without one, what it changes at once is carried out here and now.

    That is a moment's work: a whole pass may merge for hours, and the ledger would be locked for as long.  Answers
    words about what is left for such a pass, "" beside a daemon.
    """
    from ingest.pipeline import Desk

    try:
        services.store.lock()
    except LedgerBusy:
        return ""
    try:
        Desk(services).refile()
    finally:
        services.store.unlock()
    return LATER


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
    below = _below_the_show(services, item)
    for card in services.cards.cards():
        names = {name[len(card.folder) + 1:] for name in below if name.startswith(f"{card.folder}/")}
        if names:
            for copy in services.cards.copies(card.id):
                if copy.stored_path in names or shown(copy.stored_path) in names:
                    return [_digest(copy.source_digest)]
        on_card = _below(card.mount, item)
        if on_card:
            for file in services.cards.files(card.id):
                if on_card in (file.path, shown(file.path)) and file.digest:
                    return [file.digest]
    for output in services.work.outputs():
        if output.path.removeprefix(f"{services.show}/") in below:
            return _digests_by_id(services, output.owner.split("/", 1)[0]) or _unknown(item)
    return _by_name(services, item)


def _below_the_show(services: Services, item: str) -> frozenset[str]:
    """What a path may be below the show's folder: given from here, from a destination, or as answers print it."""
    plain = item.removeprefix("./")
    found = {plain, plain.removeprefix(f"{services.show}/")}
    for d in services.cards.destinations():
        found.add(_below(os.path.join(d.path, services.show), item))
    return frozenset(found - {""})


def _below(folder: str | None, item: str) -> str:
    """The part of a path after a folder, "" where it does not lie in it.

    >>> _below("/media/A", "/media/A/DCIM/1.JPG"), _below("/media/A", "/media/AB/1.JPG"), _below(None, "x")
    ('DCIM/1.JPG', '', '')
    """
    if not folder:
        return ""
    root, real = os.path.realpath(folder), os.path.realpath(item)
    return real[len(root) + 1:].replace(os.sep, "/") if real.startswith(root + os.sep) else ""


def _digest(value: str) -> str:
    return value if ":" in value else f"xxh3_128:{value}"


def _digests_by_id(services: Services, item: str) -> Sequence[str]:
    from ingest.steps.filing.stage_clips import still_id_of
    from ingest.steps.filing.stage_items import clip_id_of

    for view in services.work.views():
        if item == view.id:
            return view.digests
    if item.startswith("f"):
        stills = [digest for digest in services.work.still_digests() if still_id_of(digest) == item]
        if stills:
            return stills
    return [digest for digest in services.work.clips() if clip_id_of(digest) == item]


def _by_name(services: Services, item: str) -> Sequence[str]:
    """The one file of a bare name, as a person reads it from a camera's display."""
    there: dict[str, str] = {}  # digest -> where one of that content lies
    for card in services.cards.cards() if item and "/" not in item else ():
        for copy in services.cards.copies(card.id):
            if shown(copy.stored_path).rpartition("/")[2].lower() == item.lower():
                there.setdefault(_digest(copy.source_digest), f"{card.folder}/{shown(copy.stored_path)}")
    if len(there) > 1:
        raise UsageError(
            f"{len(there)} files have that name.", item=item,
            next=f"Give the path of the one you mean, such as {' or '.join(sorted(there.values())[:4])}.",
        )
    return [*there] or _unknown(item)


def _unknown(item: str) -> Sequence[str]:
    raise UsageError(
        "no probe, clip or copied file of that name.", item=item,
        next="List them with `nightloader probes`, `clips` or `sights`, or give a file's path.",
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
