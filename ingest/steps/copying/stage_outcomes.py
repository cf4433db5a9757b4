"""What becomes of each file at its destination: the last facts, or what the failure means for file, disk and run."""

from __future__ import annotations

from collections.abc import Sequence

from ingest.errors import DestinationUnavailable, LedgerUnusable, NameTaken, ReadBackDiffers
from ingest.machinery.disk.destinations import GONE, NO_ROOM, is_there
from ingest.machinery.disk.fanout import Arrived, Delivery, Ended, Result
from ingest.machinery.disk.hashing import ALWAYS
from ingest.machinery.ledger.cards import Landed, Reading, Trouble
from ingest.records.cards import Proof
from ingest.records.findings import Severity
from ingest.steps.copying.stage_state import SILENT_AFTER, Job, State


class Outcomes:
    """Called by the lanes of a run: ``landed`` with each batch, ``settled`` once for each delivery."""

    def __init__(self, run: State) -> None:
        self.run = run

    def landed(self, arrived: Sequence[tuple[Delivery, Arrived]]) -> None:
        """The last facts of a batch, durable when this returns."""
        utc = self.run.clock.utc()
        readings, landed = [], []
        for delivery, result in arrived:
            job: Job = delivery.key  # type: ignore[assignment]
            if job.sighting:
                readings.append(Reading(row=job.file.row, n=1, utc=utc, digests=delivery.digests,
                                        proof=Proof.NOT_PROVABLE, sighting=job.sighting))
            landed.append(Landed(
                row=job.file.row, destination_id=job.line.record.id, stored_path=job.stored,
                source_digest=delivery.digests[ALWAYS], back_digest=result.back_digest, proof=result.proof,
                read_back_utc=utc, folder_synced=result.folder_synced, temp="" if result.found else job.target.temp,
            ))
            if not is_there(self.run.disk, job.line.open):
                raise DestinationUnavailable(
                    "it left while files were named on it.", item=job.line.record.path, retry=True
                )
        self.run.claiming(arrived[0][0].key.line.record.path, len(arrived))  # type: ignore[attr-defined]
        self.run.ledger.record(readings=readings, landed=landed)

    def settled(self, delivery: Delivery, result: Result, temp_gone: bool) -> None:
        """Called once per delivery, from a lane's thread or the watcher."""
        job: Job = delivery.key  # type: ignore[assignment]
        try:
            if isinstance(result, Arrived):
                job.line.failures = 0
                if not job.line.full:  # what was under way may still land on a disk found full in this run
                    self.run.over(Trouble(kind="disk full", destination_id=job.line.record.id))
                for kind in ("not read", "not copied"):
                    self.run.over(Trouble(kind=kind, card_id=job.reader.card_id, path=job.file.path,
                                       destination_id=job.line.record.id if kind == "not copied" else ""))
            else:
                self._not_copied(job, result)
        except Exception as error:  # a lane's thread must live on; without its facts the run cannot
            self.run.stop_all(error)
        finally:
            with self.run.guard:
                if not temp_gone:
                    self.run.kept_temps.add(job.target.temp)
                job.reader.unsettled -= 1
                self.run.guard.notify_all()

    def _not_copied(self, job: Job, error: Exception) -> None:
        line, key = job.line, (job.file.row, job.line.record.id)
        if isinstance(error, LedgerUnusable):
            self.run.stop_all(error)
        elif isinstance(error, Ended):
            return  # the reader's doing; it counts and tells
        elif isinstance(error, NameTaken):
            with self.run.guard:
                self.run.taken.setdefault((job.reader.card_id, line.record.id), set()).add(job.stored)
            self.run.say(Trouble(
                kind="name taken", card_id=job.reader.card_id, path=job.file.path, destination_id=line.record.id,
                what=f"a different file lies at {job.stored}; it stays, ours is written beside it.",
                next="Look whose file it is.",
            ))
        elif isinstance(error, OSError) and error.errno in NO_ROOM:
            line.full = True
            self.run.say(
                Trouble(
                    kind="disk full",
                    destination_id=line.record.id,
                    what="it is full; it waits for room.",
                    next="Make room, or add another disk with `destination add`; the work goes on by itself.",
                )
            )
        elif (isinstance(error, OSError) and error.errno in GONE) or isinstance(error, DestinationUnavailable) or (
            not is_there(self.run.disk, line.open)
        ):
            self.run.take_down(line, error)
        else:
            self._count(job, key, error)

    def _count(self, job: Job, key: tuple[int, str], error: Exception) -> None:
        line = job.line
        with self.run.guard:
            self.run.tries[key] = self.run.tries.get(key, 0) + 1
            line.failures += 1
            if isinstance(error, ReadBackDiffers):
                self.run.differed[key] = self.run.differed.get(key, 0) + 1
        if self.run.differed.get(key, 0) >= 2:
            self.run.take_down(line, ReadBackDiffers("it gave back other bytes than were written, twice for one file."))
        elif line.failures >= SILENT_AFTER:
            self.run.take_down(line, error)
        elif self.run.tries[key] >= self.run.settings.tries:
            self.run.say(
                Trouble(
                    kind="not copied",
                    card_id=job.reader.card_id,
                    path=job.file.path,
                    destination_id=line.record.id,
                    what=f"{error}, {self.run.settings.tries} times.",
                    next="Check the disk; it is tried again at the next run.",
                )
            )
        else:
            self.run.say(Trouble(kind="written again", destination_id=line.record.id, severity=Severity.NOTE,
                              what=f"a copy was void ({error}) and was made again.", next="Watch this disk."))
