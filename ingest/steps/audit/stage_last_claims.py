"""Claims that are read again before they count: the last ones after a stop without an end (a power cut, a kill), all
of them on a disk that was declared lost, or that carries a destination's identity without being the one written."""

from __future__ import annotations

import contextlib
from collections.abc import Collection, Sequence

from ingest.errors import DestinationUnavailable
from ingest.machinery.disk.destinations import find_destination, is_there
from ingest.machinery.ledger.cards import Trouble
from ingest.records.cards import CopyFact, DestinationRecord
from ingest.records.findings import Severity
from ingest.services import Services
from ingest.steps.audit.comparison import Difference, some
from ingest.steps.audit.rotation import share
from ingest.steps.audit.stage_rereading import Rereading, reread

WITHDRAWN = "claim withdrawn"
OTHER = "another volume"
LAST_CLAIMS, LAST_BYTES = 1000, 4 << 30  # the newest claims of a destination that a stop may have undone


def after_a_stop(services: Services, destination_ids: Collection[str]) -> set[str]:
    """Read the last claims at these destinations again, from the device, after a stop without an end (a power cut,
    a kill): a file system without a journal may have lost what was flushed last.

    A claim that no longer holds is withdrawn and told, so that the file is owed again; nothing is overwritten.
    Answers the ids that were read; the others are not here now, or the reading was stopped.
    """
    done = set()
    marks = services.cards.marks()
    folders = {c.id: f"{services.show}/{c.folder}" for c in services.cards.cards()}
    for record in services.cards.destinations():
        if record.id not in destination_ids:
            continue
        try:
            destination = find_destination(services.disk, record.path, record.id, marks.get(record.id, ""))
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


def tell_copies(services: Services, here: Sequence[DestinationRecord]) -> None:
    """Whoever copies a disk copies its identity file too, and nothing on the copy was read back.  So a destination that
    is here counts only on the volume that was written; another one under its identity is read whole first."""
    marks = services.cards.marks()
    for record in here:
        before = marks.get(record.id, "")
        if not (record.present and record.mark) or record.mark == before:
            continue
        if before:
            read_first(services, record)
        else:
            services.cards.put_mark(record.id, record.mark)


def read_first(services: Services, record: DestinationRecord) -> None:
    """Nothing on this disk counts until it was read whole, and a person is told."""
    services.cards.find_other(record.id, record.mark, services.clock.utc())
    services.log.warning("another volume under an identity", destination=record.path)
    services.cards.trouble([Trouble(
        kind=OTHER, destination_id=record.id, severity=Severity.PERSON,
        what="its identity file lies on another volume, or in another folder, than the one that was written: it was "
             "copied there, or it cannot be told from a copy. Nothing on it counts until `watch` has read all of it.",
        next="If it was copied on purpose, nothing to do but wait; keep the disk it came from until then.",
    )], services.clock.utc())


def read_found(services: Services, destination_id: str, since_utc: str) -> bool:
    """Read everything claimed at a disk that was declared lost and is here again, or at another one under its identity;
    it counts from then on.

    A copy that no longer holds is withdrawn and told, so that it is owed again.  True once all were read; what was
    read since ``since_utc`` is not read twice, so a reading that was broken off goes on.
    """
    record = next(d for d in services.cards.destinations(lost=True) if d.id == destination_id)
    try:
        marks = services.cards.marks()
        destination = find_destination(services.disk, record.path, record.id, marks.get(record.id, ""))
    except DestinationUnavailable:
        return False
    folders = {c.id: f"{services.show}/{c.folder}" for c in services.cards.cards()}
    with contextlib.closing(destination):
        owed = [c for c in services.cards.copies_at(record.id) if max(c.reread_utc, c.read_back_utc) < since_utc]
        reading = reread(services, destination, owed, (), folders, services.stop, lambda _: None, not_before=since_utc)
        if reading.interrupted or not is_there(services.disk, destination):
            return False  # that files could not be read says nothing of them
    now = services.cards.copies_at(record.id)
    if any(max(c.reread_utc, c.read_back_utc) < since_utc for c in now):
        return False  # copied meanwhile, by a clock that was ahead and is not now: read next
    bad = [
        c for c in now if c.read_back_utc < since_utc
        and c.reread_digest.rpartition(":")[2] != c.source_digest.rpartition(":")[2]
    ]
    why = "was declared lost" if record.lost_utc else "is another than the one that was written"
    _withdraw(services, record.id, bad, check="Keep the cards",
              what=f"files of this disk, which {why}, are not as they were verified")
    if not services.cards.counts_again(record.id, since_utc):
        return False
    services.cards.no_trouble([Trouble(kind=OTHER, destination_id=record.id)])
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
