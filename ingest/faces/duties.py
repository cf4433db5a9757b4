"""What the responsible people decide about duties and cards: waive, confirm, sign, a disk declared lost."""

from __future__ import annotations

import os
from collections.abc import Sequence

from ingest.errors import UsageError
from ingest.faces import answers
from ingest.faces.deciding import card_called, digests_of
from ingest.records.cards import CardRecord, DestinationRecord
from ingest.records.roles import meanings
from ingest.services import Services
from ingest.steps.coverage.stage import rules_of


def roles(services: Services) -> dict[str, str]:
    """What a clip or still may be confirmed as in this show, and what each word means; none refuses a proposal."""
    return meanings(services.settings.filing.roles)


def waive(
    services: Services, item: str, *, day: str, setup: str = "", unit: str = "", by: str, why: str
) -> None:
    """Say that a due item is not needed; without ``setup`` for the whole day.  UsageError for an unknown item,
    a day that is none, a setup that the log does not have, or where nobody answers for it."""
    from datetime import date

    from ingest.steps.filing.stage import read_setup_log

    known = [r.item for r in rules_of(services)]
    if item not in known:
        raise UsageError("no such item is ever due.", item=item, next=f"Known: {', '.join(known)}.")
    try:
        date.fromisoformat(day)
    except ValueError:
        raise UsageError("it is no day.", item=day, next="Write YYYY-MM-DD.") from None
    if not by.strip() or not why.strip():
        raise UsageError("a waiver needs who and why.", item=item, next="Give both --by and --why.")
    if setup:
        rows = [r for r in read_setup_log(services).rows
                if r.day == day and r.setup.casefold() == setup.casefold() and unit in ("", r.unit)]
        units = {r.unit for r in rows}
        if not rows:
            raise UsageError(f"the log of {day} has no such setup.", item=setup,
                             next="See `nightloader setups`; a row can be added to the log at any time.")
        if len(units) > 1:
            raise UsageError(f"units {', '.join(sorted(units))} have it.", item=setup, next="Say which with --unit.")
        setup, unit = rows[0].setup, rows[0].unit
    services.work.decide(
        "waive", "|".join((day, unit, setup, item)),
        {"item": item, "day": day, "unit": unit, "setup": setup, "by": by.strip(), "why": why.strip()},
        services.clock.utc(),
    )


def confirm(services: Services, item: str, role: str) -> Sequence[str]:
    """Say what a clip or still is; the decision clings to its content.  Answers the digests meant."""
    known_roles = roles(services)
    if role not in known_roles:
        raise UsageError("no such role.", item=role,
                         next=f"Known: {', '.join(known_roles)}. More can be named under [filing] roles.")
    known = services.work.clips().keys() | services.work.still_digests()
    digests = [item] if item in known else [d for d in digests_of(services, item) if d in known]
    if not digests:
        raise UsageError("it is neither a clip nor a still.", item=item,
                         next="Take the id from `nightloader sights` or `clips`, or the path of a copied file.")
    utc = services.clock.utc()
    with services.store.transaction():
        for digest in digests:
            services.work.decide("role", digest, {"role": role}, utc)
    return digests


def sign(services: Services, card: str, by: str) -> tuple[CardRecord, str]:
    """Keep who released a card; answers the card and how its copies stood then.

    Nothing is judged here: the production's policy and the person decide, the audit shows both.
    """
    meant = card_called(services, card)
    if not by.strip():
        raise UsageError("nobody signs.", item=card, next="Give --by NAME.")
    verdict = next(v for v in answers.verdicts(services) if v.card_id == meant.id)
    services.work.decide("sign", meant.id, {
        "by": by.strip(), "copies_once_reused": verdict.figure, "policy_met": verdict.policy_met,
    }, services.clock.utc())
    words = f"copies once reused {verdict.figure}"
    if not verdict.policy_met:
        words += f"; the copy policy is not met: {'; '.join(verdict.reasons)}"
    return meant, words


def declare_lost(services: Services, path: str) -> DestinationRecord:
    """A destination is gone for good: its evidence stays in the ledger and counts no more."""
    real = os.path.abspath(path)
    found = next((d for d in services.cards.destinations() if path == d.id or real == os.path.abspath(d.path)), None)
    if found is None:
        raise UsageError("no destination of that name.", item=path, next="See `nightloader status`.")
    services.cards.declare_lost(found.id, services.clock.utc())
    return found
