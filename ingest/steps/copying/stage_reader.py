"""One reader: a thread that reads one card, or copies of a card that is away, for some destinations.

Round after round it asks what is owed, plans a batch, pours each file into one delivery a destination, and
waits until all of them are settled.  It ends when nothing more can be tried, or when the card is gone.
"""

from __future__ import annotations

import contextlib
import errno
from collections.abc import Callable, Mapping, Sequence
from itertools import islice

from ingest.errors import (
    CardGone,
    LedgerUnusable,
    NightloaderError,
    ReadBackDiffers,
    SourceChanging,
    SourceUnreadable,
)
from ingest.machinery.disk.fanout import Delivery, Ended, Pieces, Target
from ingest.machinery.disk.folders import Folders, list_tree
from ingest.machinery.disk.hashing import ALWAYS, Digests
from ingest.machinery.disk.pouring import pour
from ingest.machinery.disk.temporary import temp_name
from ingest.machinery.ledger.cards import Planned, Trouble
from ingest.records.cards import FileRecord, PresentCard
from ingest.records.findings import Severity
from ingest.steps.cards.arrival import signature
from ingest.steps.cards.inventory import take
from ingest.steps.copying.owed import Owed, from_copies, gone_unread, on_card, owed, still_to_try
from ingest.steps.copying.plan import fit, is_renamed, stored_paths
from ingest.steps.copying.stage_outcomes import Outcomes
from ingest.steps.copying.stage_same_card import check_same
from ingest.steps.copying.stage_state import SILENT_AFTER, Job, Line, Reader, State


class Serving:
    """Serves readers, each in a thread of its own; ``start`` sets off a further one (a slow destination's)."""

    def __init__(self, run: State, outcomes: Outcomes, start: Callable[[Reader], None]) -> None:
        self.run, self._outcomes, self._start = run, outcomes, start

    def serve(self, reader: Reader) -> None:
        try:
            with contextlib.nullcontext() if reader.split else self.run.turns.turn(reader.card_id):
                if reader.present is not None:
                    self._serve_card(reader, reader.present)
                else:
                    self._serve_absent(reader)
        except LedgerUnusable as error:
            self.run.stop_all(error)
        except (CardGone, Ended):
            pass  # said where it was noticed; the next run goes on
        except OSError as error:
            if error.errno in (errno.EMFILE, errno.ENFILE, errno.ENOMEM):
                self.run.say(Trouble(kind="cart short of means", what=f"{error.strerror}.",
                                  next="Close other programs; the work goes on at the next run."))
                return
            self.run.say(Trouble(kind="card gone", card_id=reader.card_id, what=f"it cannot be read: {error.strerror}.",
                              next="Plug it in again: the work goes on where it stopped."))
        except Exception as error:
            self.run.stop_all(error)
        finally:
            with self.run.guard:
                reader.over = True
                self.run.guard.notify_all()

    def _serve_card(self, reader: Reader, present: PresentCard) -> None:
        jobs = self._owed(reader, present)
        if not jobs and self._is_through(present):
            return  # nobody should see a card read again that may be pulled
        self.run.tell(reader, "being read", "copying")
        with reader.beat:
            root = self.run.disk.open_root(present.root)
        folders = Folders(self.run.disk, root)
        pieces = Pieces(self.run.settings.pieces)
        try:
            with reader.beat:
                check_same(self.run.disk, folders, present, [job.file for job in jobs])
            reader.times = {f.path: f.mtime_ns for f in present.inventory.files}
            while jobs:
                self._round(reader, jobs, folders, "", pieces, present.sighting)
                if jobs := self._owed(reader, present):
                    self._pause()
            if self.run.may_go_on(reader):
                self._make_bare_folders(reader)
                self._look_again(reader, present)
                self.run.over(Trouble(kind="cart short of means"))
                self.run.over(Trouble(kind="card does not answer", card_id=reader.card_id))
        except CardGone as error:
            self.run.say(
                Trouble(
                    kind="card gone",
                    card_id=reader.card_id,
                    what=f"it left before all was copied: {error.what}",
                    next="Plug it in again: the work goes on where it stopped.",
                )
            )
            raise
        finally:
            folders.close()
            self.run.tell(reader, "not being read", "")
        self.run.over(Trouble(kind="card gone", card_id=reader.card_id))

    def _is_through(self, present: PresentCard) -> bool:
        """Whether its listing was compared at the end of this stay, and nothing new came since."""
        last = self.run.ledger.last_sighting(present.card.id)
        return last is not None and last.n == present.sighting and bool(last.ended)

    def _serve_absent(self, reader: Reader) -> None:
        """Lines lacking files of an absent card get them from other lines' copies, read and compared anew."""
        pieces = Pieces(self.run.settings.pieces)
        while jobs := self._owed(reader, None):
            copies = self.run.ledger.copies(reader.card_id)
            usable = {line.record.id: line for line in reader.lines if line.down is None}
            by_source = from_copies(jobs, copies, list(usable), self.run.reads)
            if not by_source:
                return
            self._make_bare_folders(reader)
            for id, group in by_source.items():
                base = f"{self.run.show}/{reader.folder}"
                paths = {job.file.row: fact.stored_path for job, fact in group}
                self._round(reader, [job for job, _ in group], usable[id].open.folders, base, pieces, 0, paths)

    def _owed(self, reader: Reader, present: PresentCard | None) -> tuple[Owed, ...]:
        """What can be tried now: owed, not tried too often, at destinations that take files."""
        if not self.run.may_go_on(reader):
            return ()
        files = self.run.ledger.files(reader.card_id)
        if present is not None:
            files = on_card(files, present.inventory)
        ids = [line.record.id for line in reader.lines if line.down is None and not line.full]
        all_owed = owed(files, self.run.ledger.copies(reader.card_id), ids)
        return still_to_try(all_owed, self.run.tries, self.run.reads, self.run.settings.tries)

    def _round(
        self, reader: Reader, jobs: Sequence[Owed], folders: Folders, base: str, pieces: Pieces, sighting: int,
        paths: Mapping[int, str] | None = None,
    ) -> None:
        stored = self._fitting(reader, jobs)
        queue = iter(jobs)
        while batch := list(islice(queue, self.run.settings.batch)):
            work = [[j for d in job.destinations if (j := self._job(reader, job.file, d, stored, sighting)) is not None]
                    for job in batch]
            self.run.ledger.plan(
                [Planned(destination_id=j.line.record.id, temp=j.target.temp, folder=j.target.folder)
                 for each in work for j in each], self.run.clock.utc(),
            )
            for each in work:
                if not self.run.may_go_on(reader):
                    break
                live = [j for j in each if j.line in reader.lines and j.line.down is None and not j.line.full]
                if live:
                    path = paths[live[0].file.row] if paths else live[0].file.path
                    self._copy_one(reader, live, folders, f"{base}/{path}" if base else path, pieces)
            self._settle(reader)
            self._forget_plans(reader, work)
            if not self.run.may_go_on(reader):
                return

    def _forget_plans(self, reader: Reader, work: Sequence[Sequence[Job]]) -> None:
        """Plans of this batch whose temporary files are certainly gone, named or never made."""
        with self.run.guard:
            if reader.unsettled or self.run.fatal is not None:
                return
            ended = [Planned(destination_id=j.line.record.id, temp=j.target.temp, folder=j.target.folder)
                     for each in work for j in each if j.target.temp not in self.run.kept_temps]
        self.run.ledger.forget_plans(ended)

    def _job(
        self,
        reader: Reader,
        file: FileRecord,
        destination: str,
        stored: Mapping[str, Mapping[int, str]],
        sighting: int,
    ) -> Job | None:
        line = next(x for x in self.run.lines if x.record.id == destination)
        path = stored[destination].get(file.row)
        if path is None:
            return None
        folder, _, name = f"{self.run.show}/{reader.folder}/{path}".rpartition("/")
        target = Target(folder=folder, temp=temp_name(), final=name, size_bytes=file.size_bytes, mtime_ns=file.mtime_ns)
        return Job(file, line, path, target, sighting, reader)

    def _fitting(self, reader: Reader, jobs: Sequence[Owed]) -> dict[str, dict[int, str]]:
        """Where each file goes at each destination, for those that fit there; says what does not."""
        files = self.run.ledger.files(reader.card_id)
        copies = self.run.ledger.copies(reader.card_id)
        rows = {(f.path, f.generation): f.row for f in files}
        out: dict[str, dict[int, str]] = {}
        for line in reader.lines:
            id = line.record.id
            wanted = [j.file for j in jobs if id in j.destinations]
            if not wanted:
                continue
            with contextlib.suppress(OSError):  # it is noticed at the first write
                line.room = self.run.disk.room(line.open.root)
            fits = fit(wanted, line.can, free_bytes=line.room, reserve_bytes=self.run.settings.reserve_bytes)
            self._say_fit(reader, line, fits.waiting, fits.never, fits.now)
            settled = {rows[(c.path, c.generation)]: c.stored_path for c in copies if c.destination_id == id}
            places = stored_paths(files, line.can, card_folder=reader.folder, reserved=self.run.settings.reserved_names,
                                  settled=settled, taken=self.run.taken.get((reader.card_id, id), ()))
            out[id] = {f.row: places[f.row] for f in fits.now}
            for file in (*fits.waiting, *fits.never):
                self.run.tries[(file.row, id)] = self.run.settings.tries
            renamed = [f for f in fits.now if is_renamed(f, places[f.row], reader.folder)]
            for f in renamed:
                self.run.say(Trouble(kind="other name", card_id=reader.card_id, path=f.path, destination_id=id,
                                  severity=Severity.NOTE, what=f"it lies there as {places[f.row]}.",
                                  next="Nothing to do; the manifest holds both names."))
        return out

    def _say_fit(
        self, reader: Reader, line: Line, waiting: Sequence[FileRecord], never: Sequence[FileRecord],
        now: Sequence[FileRecord],
    ) -> None:
        no_room = Trouble(
            kind="no room", card_id=reader.card_id, destination_id=line.record.id,
            what=f"{_counted(waiting)} of {sum(f.size_bytes for f in waiting):,} bytes must wait for room: the disk "
                 f"has {line.room:,} bytes free, of which {self.run.settings.reserve_bytes:,} stay free; "
                 f"{_counted(now)} can be copied now, stills first.",
            next="Make room on the disk, or add another with `destination add`; the work goes on by itself.",
        )
        (self.run.say if waiting else self.run.over)(no_room)
        for f in never:
            self.run.say(Trouble(
                kind="too large", card_id=reader.card_id, path=f.path, destination_id=line.record.id,
                what=f"{f.size_bytes:,} bytes can never lie on this file system ({line.open.volume.filesystem}).",
                next="Use a destination with another file system for this card.",
            ))

    # -- one file

    def _copy_one(self, reader: Reader, jobs: Sequence[Job], folders: Folders, path: str, pieces: Pieces) -> None:
        file = jobs[0].file
        self.run.tell(reader, "being read", "copying", file.path)
        deliveries = [Delivery(j.target, j, self._outcomes.settled) for j in jobs]
        with self.run.guard:
            reader.unsettled += len(deliveries)
            reader.current = deliveries
        for j, d in zip(jobs, deliveries, strict=True):
            j.line.lane.begin(d)
        try:
            digests = self._read(reader, file, folders, path, deliveries, pieces)
        except Exception as error:
            for d in deliveries:
                d.end(Ended(error))
            self._not_read(reader, file, folders, error)
            return
        finally:
            reader.current = []
        reader.failed_in_a_row = 0
        for d in deliveries:
            d.finish(digests.values)

    def _read(
        self, reader: Reader, file: FileRecord, folders: Folders, path: str, deliveries: Sequence[Delivery],
        pieces: Pieces,
    ) -> Digests:
        """Read the source whole and unchanged, or raise."""
        parent, _, name = path.rpartition("/")

        def check() -> None:
            if not self.run.may_go_on(reader):
                raise Ended()

        def slow(held_up: Sequence[Delivery]) -> None:
            self._split_off(reader, deliveries, held_up)

        with contextlib.ExitStack() as stack:
            with reader.beat:
                if not self.run.disk.same_place(folders.root):
                    raise CardGone("its folder is no longer there.", item=folders.root.path)
                folder = stack.enter_context(folders.hold(parent))
                fd = self.run.disk.open_source(folder, name)
                stack.callback(self._close, fd)
                before = self.run.disk.stat(fd)
                self.run.disk.read_ahead(fd)
            changing = SourceChanging("it changed while it was read.", item=path, retry=True)
            if before != (file.size_bytes, reader.times.get(file.path, before[1])):
                raise changing
            digests = pour(self.run.disk, fd, file.size_bytes, deliveries, pieces, more=self.run.settings.digests,
                           beat=reader.beat, check=check, slow=slow, patience_s=self.run.settings.patience_s)
            with reader.beat:
                after = self.run.disk.stat(fd)
            if after != before:
                raise changing
            if digests.size_bytes != file.size_bytes:
                raise SourceUnreadable(f"it ended after {digests.size_bytes} of {file.size_bytes} bytes.", retry=True)
        known = file.digests.get(ALWAYS)
        if known is not None and known != digests.digest:
            raise ReadBackDiffers("this reading gave other bytes than the first one.", item=path)
        return digests

    def _close(self, fd: int) -> None:
        with contextlib.suppress(OSError):  # closing a file of a pulled card
            self.run.disk.close(fd)

    def _not_read(self, reader: Reader, file: FileRecord, folders: Folders, error: Exception) -> None:
        """Count, tell, and raise what ends the card's reading in this run."""
        if isinstance(error, LedgerUnusable):
            raise error
        if isinstance(error, Ended) or not self.run.may_go_on(reader):
            raise Ended()
        with reader.beat:
            there = self.run.disk.same_place(folders.root)
        if isinstance(error, CardGone) or not there:
            raise CardGone("its folder is no longer there.", item=folders.root.path)
        if isinstance(error, OSError) and error.errno in (errno.ENOTCONN, errno.ENODEV, errno.ENXIO, errno.ESTALE):
            raise CardGone(f"{error.strerror}.", item=folders.root.path)
        reader.failed_in_a_row += 1
        self.run.reads[file.row] = self.run.reads.get(file.row, 0) + 1
        if reader.present is None:
            self._copy_is_bad(reader, file, error)
        elif self.run.reads[file.row] >= self.run.settings.tries:
            words = (
                error.what if isinstance(error, NightloaderError) else getattr(error, "strerror", None) or str(error)
            )
            differs = isinstance(error, ReadBackDiffers)
            self.run.say(Trouble(
                kind="readings differ" if differs else "not read", card_id=reader.card_id, path=file.path,
                severity=Severity.LOSS, what=words.rstrip(".") + f", {self.run.settings.tries} times.",
                next="Try another reader or cable; keep the card. The other files were copied.",
            ))
        else:
            self.run.say(Trouble(kind="read again", card_id=reader.card_id, path=file.path, severity=Severity.NOTE,
                              what=f"a reading failed ({error}) and was repeated.", next="Watch this card and reader."))
        if reader.failed_in_a_row >= SILENT_AFTER:
            raise CardGone(f"{SILENT_AFTER} files in a row could not be read.", item=folders.root.path)

    def _copy_is_bad(self, reader: Reader, file: FileRecord, error: Exception) -> None:
        self.run.say(Trouble(
            kind="copy does not verify", card_id=reader.card_id, path=file.path, severity=Severity.LOSS,
            what=f"a verified copy that another disk's copy was to be made from is not as it was ({error}).",
            next="Run `audit --full`; plug the card in again if it still holds the file.",
        ))

    def _split_off(self, reader: Reader, deliveries: Sequence[Delivery], held_up: Sequence[Delivery]) -> None:
        """Some destinations hold the pieces while another waits for more: the slowest gets its own reader."""
        quick = [d for d in deliveries if d.ended is None and d not in held_up]
        if not quick or not held_up or reader.present is None:
            return
        slowest = max(held_up, key=lambda d: d.waiting)
        line = slowest.key.line  # type: ignore[attr-defined]
        slowest.end(Ended())
        with self.run.guard:
            reader.lines = [x for x in reader.lines if x is not line]
        self._start(Reader(reader.card_id, reader.folder, [line], reader.present, split=True))

    def _settle(self, reader: Reader) -> None:
        with self.run.guard:
            self.run.guard.wait_for(lambda: reader.unsettled == 0 or reader.left)

    def _pause(self) -> None:
        """Before a round of repetitions: what was busy a moment ago may be free."""
        self.run.stop.wait(self.run.settings.pause_s)

    def _make_bare_folders(self, reader: Reader) -> None:
        """Empty folders belong to the card's structure."""
        for line in reader.lines:
            if line.down is None:
                for path in self.run.ledger.empty_folders(reader.card_id):
                    with contextlib.suppress(OSError), line.open.folders.hold(
                        f"{self.run.show}/{reader.folder}/{path}", make=True
                    ):
                        pass  # a name this disk cannot hold: an empty folder is not worth a finding

    def _look_again(self, reader: Reader, present: PresentCard) -> None:
        """The listing at the end must equal the one at the start."""
        with reader.beat:
            folder = self.run.disk.open_root(present.root)
        try:
            after = take(list_tree(self.run.disk, folder, reader.beat.on))
            same_root = (folder.device, folder.inode) == (present.device, present.inode)
        finally:
            self.run.disk.close_folder(folder)
        changed = Trouble(
            kind="listing changed", card_id=reader.card_id, what="what is on the card changed while it was copied.",
            next="Leave the card in: what is new is copied in the next pass.",
        )
        equal = same_root and signature(after) == signature(present.inventory)
        self.run.ledger.end_sighting(present.sighting, ended=equal, utc=self.run.clock.utc())
        (self.run.over if equal else self.run.say)(changed)
        for f in gone_unread(self.run.ledger.files(reader.card_id), after):
            self.run.say(Trouble(
                kind="not read", card_id=reader.card_id, path=f.path, severity=Severity.LOSS,
                what="it was seen on the card, is not on it now and was never read whole.",
                next="Look where it went (the camera's trash, another dump). The card stays short of the policy, also "
                     "if it was deleted on purpose; say so when it is signed.",
            ))


def _counted(files: Sequence[FileRecord]) -> str:
    return "1 file" if len(files) == 1 else f"{len(files):,} files"
