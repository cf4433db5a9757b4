"""After a stop without an end (a power cut, a kill): the last claims of each destination are read again."""

from __future__ import annotations

import contextlib
from collections.abc import Collection, Sequence

from ingest.errors import DestinationUnavailable
from ingest.machinery.disk.destinations import find_destination, is_there
from ingest.machinery.ledger.cards import Trouble
from ingest.records.cards import CopyFact
from ingest.records.findings import Severity
from ingest.services import Services
from ingest.steps.audit.comparison import Difference, some
from ingest.steps.audit.rotation import share
from ingest.steps.audit.stage_rereading import Rereading, reread

WITHDRAWN = "claim withdrawn"
LAST_CLAIMS, LAST_BYTES = 1000, 4 << 30  # the newest claims of a destination that a stop may have undone


def after_a_stop(services: Services, destination_ids: Collection[str]) -> set[str]:
    """Read the last claims at these destinations again, from the device, after a stop without an end (a power cut,
    a kill): a file system without a journal may have lost what was flushed last.

    A claim that no longer holds is withdrawn and told, so that the file is owed again; nothing is overwritten.
    Answers the ids that were read; the others are not here now, or the reading was stopped.
    """
    done = set()
    folders = {c.id: f"{services.show}/{c.folder}" for c in services.cards.cards()}
    for record in services.cards.destinations():
        if record.id not in destination_ids:
            continue
        try:
            destination = find_destination(services.disk, record.path, record.id)
        except DestinationUnavailable:
            continue
        with contextlib.closing(destination):
            newest = services.cards.copies_at(record.id, newest=LAST_CLAIMS)
            last = share(((c, c.size_bytes) for c in newest), LAST_BYTES)
            # What still holds is no new fact: the same cards end in the same papers, stopped or not.
            reading = reread(services, destination, last, (), folders, services.stop, lambda _: None, keep=False)
            if reading.interrupted or not is_there(services.disk, destination):
                continue  # that files could not be read says nothing of them
        done.add(record.id)
        lost = {*reading.differed, *reading.unreadable}
        _withdraw(
            services, record.id, [c for c in last if (c.card_id, c.stored_path) in lost],
            what="files verified here shortly before the last stop are no longer as they were",
            check="Check this disk with the system's own tool for file systems, keep the cards",
        )
        services.log.info("read again after a stop", destination=record.path, files=reading.files, lost=len(lost))
    return done


def read_found(services: Services, destination_id: str, since_utc: str) -> bool:
    """Read everything claimed at a disk that was declared lost and is here again; it counts from then on.

    A copy that no longer holds is withdrawn and told, so that it is owed again.  True once all were read; what was
    read since ``since_utc`` is not read twice, so a reading that was broken off goes on.
    """
    record = next(d for d in services.cards.destinations(lost=True) if d.id == destination_id)
    try:
        destination = find_destination(services.disk, record.path, record.id)
    except DestinationUnavailable:
        return False
    folders = {c.id: f"{services.show}/{c.folder}" for c in services.cards.cards()}
    with contextlib.closing(destination):
        owed = [c for c in services.cards.copies_at(record.id) if c.reread_utc < since_utc]
        reading = reread(services, destination, owed, (), folders, services.stop, lambda _: None)
        if reading.interrupted or not is_there(services.disk, destination):
            return False  # that files could not be read says nothing of them
    bad = [
        c for c in services.cards.copies_at(record.id)
        if c.reread_digest.rpartition(":")[2] != c.source_digest.rpartition(":")[2]
    ]
    _withdraw(services, record.id, bad, check="Keep the cards",
              what="files of this disk, which was declared lost, are not as they were verified")
    services.cards.counts_again(record.id)
    services.log.info("found again and read", destination=record.path, files=len(owed), lost=len(bad))
    return True


def _withdraw(services: Services, destination_id: str, copies: Sequence[CopyFact], *, what: str, check: str) -> None:
    """These claims no longer hold: they are owed again, and a person is told."""
    for copy in copies:
        services.cards.withdraw_copy(copy.card_id, copy.path, copy.generation, destination_id)
    if copies:
        services.cards.trouble([Trouble(
            kind=WITHDRAWN, destination_id=destination_id, severity=Severity.PERSON,
            what=f"{len(copies)} {what}: {some(sorted(c.stored_path for c in copies))}.",
            next=f"They are copied again from the card, or from another verified copy. {check}, then run "
            "`audit --full`, which ends this finding.",
        )], services.clock.utc())


def end_withdrawn(services: Services, rereads: Sequence[Rereading], differences: Sequence[Difference]) -> None:
    """A disk that was read whole and is as it should be has answered for what a stop undid."""
    odd = {d.destination_id for d in differences if d.missing or d.changed}
    odd |= {r.destination_id for r in rereads if r.interrupted or r.differed or r.unreadable}
    services.cards.no_trouble(
        Trouble(kind=WITHDRAWN, destination_id=r.destination_id) for r in rereads if r.destination_id not in odd
    )
