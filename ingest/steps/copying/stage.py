"""The copier: every file to every destination, from the card while it is in, else from a verified copy.

One ``run`` opens the destinations that are here, removes what an earlier stop left (only what the plan
lists), lets each card be read by a thread of its own, and ends when nothing more can be done now.  What
is owed is computed from the ledger before each round, so a round may fail anywhere and the next one
goes on; a file is tried a bounded number of times in one run.

Facts, in order: plan -> (temporary file, proof, name) -> reading and copy, the plan's end with them.
"""

from __future__ import annotations

import contextlib
import errno
import threading
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import islice

from ingest.errors import (
    CardGone,
    DestinationUnavailable,
    LedgerUnusable,
    NameTaken,
    NightloaderError,
    ReadBackDiffers,
    SourceChanging,
    SourceUnreadable,
)
from ingest.machinery.clock import Clock
from ingest.machinery.disk.destinations import GONE, NO_ROOM, OpenDestination, find_destination, is_there
from ingest.machinery.disk.durable import temp_name
from ingest.machinery.disk.fanout import Arrived, Beat, Delivery, Ended, Lane, Pieces, Result, Target
from ingest.machinery.disk.files import Disk
from ingest.machinery.disk.folders import Folders, list_tree
from ingest.machinery.disk.hashing import ALWAYS, Digests
from ingest.machinery.disk.patience import TICK_S, Ask, Hung, Watcher
from ingest.machinery.disk.pouring import pour
from ingest.machinery.disk.readback import Buffer, read_from_device
from ingest.machinery.ledger.cards import CardLedger, Landed, Planned, Reading, Trouble
from ingest.records.cards import CopyFact, DestinationRecord, FileRecord, PresentCard, Proof
from ingest.records.findings import Severity
from ingest.steps.cards.arrival import signature
from ingest.steps.cards.inventory import take
from ingest.steps.copying.owed import Owed, gone_unread, on_card, owed, second_readings, sources, stills_settled
from ingest.steps.copying.plan import CopySettings, Holds, fit, holds, is_renamed, stored_paths

SILENT_AFTER = 8  # files in a row that cannot be read, or written, before the card or disk is left alone


@dataclass(frozen=True, kw_only=True, slots=True)
class Progress:
    """Where a card stands in this run; ``state`` is "being read", "waiting" or "not being read"."""

    card_id: str
    state: str
    doing: str = ""
    path: str = ""
    files_done: int = 0
    files_total: int = 0
    bytes_done: int = 0
    bytes_total: int = 0


@dataclass(eq=False, slots=True)
class _Line:
    """A destination in this run."""

    record: DestinationRecord
    open: OpenDestination
    can: Holds
    lane: Lane
    room: int = 0
    down: Exception | None = None
    full: bool = False
    failures: int = 0  # in a row


@dataclass(frozen=True, slots=True)
class _Job:
    """One file on its way to one destination."""

    file: FileRecord
    line: _Line
    stored: str
    target: Target
    sighting: int
    reader: _Reader


@dataclass(eq=False, slots=True)
class _Reader:
    """One thread that reads one card (or copies of absent cards) for some destinations."""

    card_id: str
    folder: str  # the card's, relative to the show
    lines: list[_Line]
    present: PresentCard | None = None
    beat: Beat = field(default_factory=Beat)
    current: list[Delivery] = field(default_factory=list)
    unsettled: int = 0
    failed_in_a_row: int = 0
    split: bool = False  # serves one slow destination beside the card's own reader
    over: bool = False  # ended by itself
    left: bool = False  # given up by the watcher


class Turns:
    """How many cards are read at once, and whose turn is next."""

    def __init__(self, at_once: int, rank: Callable[[str], int]) -> None:
        self._free, self._rank = at_once, rank
        self._waiting: list[str] = []
        self._guard = threading.Condition()

    @contextlib.contextmanager
    def turn(self, card_id: str) -> Iterator[None]:
        """Waits until it is this card's turn; the rank may change meanwhile."""
        with self._guard:
            self._waiting.append(card_id)
            while not (self._free and min(self._waiting, key=self._rank) == card_id):
                self._guard.wait(TICK_S)
            self._waiting.remove(card_id)
            self._free -= 1
        try:
            yield
        finally:
            with self._guard:
                self._free += 1
                self._guard.notify_all()


class Copier:
    """Copies cards.  ``progress`` is called from several threads, often; it must be quick.  ``rank`` says which
    of the cards that wait is read next: the lowest, then the one that waits longest."""

    def __init__(
        self, disk: Disk, ledger: CardLedger, clock: Clock, settings: CopySettings, *, show: str,
        progress: Callable[[Progress], None] = lambda _: None, rank: Callable[[str], int] = lambda _: 0,
    ) -> None:
        self.rank = rank
        self.disk, self.ledger, self.clock, self.settings, self.show = disk, ledger, clock, settings, show
        self.progress = progress
        self._running: _Run | None = None
        self._guard = threading.Lock()
        self._rereading = False
        self._came: list[PresentCard] = []

    def add(self, present: PresentCard) -> bool:
        """A card that came while a run is at work joins it; False if there is none to join.

        Second readings are broken off for a card that is new to them: the next free card matters more.
        """
        run = self._running
        if run is not None and run.add(present):
            return True
        with self._guard:
            if self._rereading and not any(c.card.id == present.card.id for c in self._came):
                self._came.append(present)
            return self._rereading

    def wanted(self, cards: Sequence[PresentCard]) -> bool:
        """Whether a card waits that the second readings of ``cards`` should make way for."""
        known = {(c.card.id, c.sighting, c.card.generation) for c in cards}
        with self._guard:
            return any((c.card.id, c.sighting, c.card.generation) not in known for c in self._came)

    def run(
        self, present: Sequence[PresentCard], destinations: Sequence[DestinationRecord], stop: threading.Event
    ) -> None:
        """First copies of all cards, then the second readings; a card that comes meanwhile interrupts those.

        Raises LedgerUnusable; everything else becomes a trouble in the ledger.
        """
        cards = list(present)
        while True:
            self.copy(cards, destinations, stop)
            with self._guard:
                self._rereading = True
            self.read_again(cards, stop)
            with self._guard:
                self._rereading = False
                came, self._came = self._came, []
            if not came or stop.is_set():
                return
            cards = [*came, *(c for c in cards if c.card.id not in {x.card.id for x in came})]

    def copy(
        self, present: Sequence[PresentCard], destinations: Sequence[DestinationRecord], stop: threading.Event
    ) -> None:
        """All copies that are owed and can be made now; cards in the order given."""
        self._running = _Run(self, present, destinations, stop)
        try:
            self._running.go()
        finally:
            self._running = None

    def read_again(self, present: Sequence[PresentCard], stop: threading.Event) -> None:
        """Second readings from the device, and confirmation of what is held of a card that came back."""
        _SecondReading(self, present, stop).go()


def all_stills_settled(ledger: CardLedger, card_ids: Iterable[str]) -> bool:
    """Whether every still of these cards is verified at some destination or could not be read."""
    for card_id in card_ids:
        files = ledger.files(card_id)
        copied = {(c.path, c.generation) for c in ledger.copies(card_id)}
        failed = {(f.path, f.generation) for f in files if f.trouble}
        if not stills_settled(files, copied, failed):
            return False
    return True


class _Run:
    """One call of ``Copier.copy``."""

    def __init__(
        self, copier: Copier, present: Sequence[PresentCard], destinations: Sequence[DestinationRecord],
        stop: threading.Event,
    ) -> None:
        self.disk, self.ledger, self.clock, self.settings = copier.disk, copier.ledger, copier.clock, copier.settings
        self.show, self.progress = copier.show, copier.progress
        self.present, self.destinations, self.stop = present, destinations, stop
        self.lines: list[_Line] = []
        self.readers: list[_Reader] = []
        self.guard = threading.Condition()
        self.tries: dict[tuple[int, str], int] = {}
        self.reads: dict[int, int] = {}
        self.taken: dict[tuple[str, str], set[str]] = {}  # (card, destination) -> stored paths something foreign holds
        self.differed: dict[tuple[int, str], int] = {}
        self.kept_temps: set[str] = set()  # temporary files that could not be removed
        self.standing = {(t.kind, t.card_id, t.path, t.destination_id) for t in self.ledger.troubles()}
        self.fatal: Exception | None = None
        self.ended = False
        self.turns = Turns(self.settings.cards_at_once, copier.rank)

    # -- the run as a whole

    def go(self) -> None:
        try:
            self.lines = [line for d in self.destinations if (line := self._open(d)) is not None]
            if self.lines:
                for p in self.present:
                    self._start(_Reader(p.card.id, p.card.folder, list(self.lines), p))
                self._start_absent()
                self._watch()
        finally:
            for line in self.lines:
                line.lane.close()
                line.open.close()
        if self.fatal is not None:
            raise self.fatal

    def add(self, present: PresentCard) -> bool:
        """One more card for this run; False once it is ending."""
        with self.guard:
            if not self.lines or self.ended or self.stop.is_set():
                return False
            if not any(r.card_id == present.card.id and not (r.over or r.left) for r in self.readers):
                self._start(_Reader(present.card.id, present.card.folder, list(self.lines), present))
            return True

    def _open(self, record: DestinationRecord) -> _Line | None:
        absent = Trouble(kind="destination absent", destination_id=record.id)
        try:
            opened = find_destination(self.disk, record.path, record.id)
        except DestinationUnavailable as error:
            self._say(Trouble(kind=absent.kind, destination_id=record.id, what=error.what,
                              severity=Severity.PERSON if record.required else Severity.NOTE,
                              next=f"{error.next} What is owed to it is copied when it returns."))
            return None
        self._over(absent)
        self._over(Trouble(kind="destination in trouble", destination_id=record.id))
        volume = opened.volume
        try:
            self._clean(opened)
            room = self.disk.room(opened.root)
        except OSError as error:
            self._say(_in_trouble(record, error))
            opened.close()
            return None
        try:
            lane = Lane(self.disk, opened.folders, filesystem=volume.filesystem, device=volume.device,
                        workers=max(self.settings.workers, self.settings.cards_at_once + 2), landed=self._landed)
        except (OSError, MemoryError, RuntimeError) as error:  # no memory or no threads left
            self._say(_in_trouble(record, error))
            opened.close()
            return None
        return _Line(record, opened, holds(volume.filesystem, opened.folds), lane, room)

    def _clean(self, opened: OpenDestination) -> None:
        """Remove temporary files an earlier stop left: those the plan lists, no others."""
        gone = []
        for planned in self.ledger.planned(opened.id):
            if not planned.folder.startswith(f"{self.show}/cards/"):
                continue  # our own files' (the outbox cleans those)
            try:
                with opened.folders.hold(planned.folder) as folder:
                    self.disk.unlink(folder, planned.temp)
            except (FileNotFoundError, NotADirectoryError):
                pass  # it was never made, or was named
            gone.append(planned)
        if gone:
            self.ledger.forget_plans(gone)

    def _start(self, reader: _Reader) -> None:
        with self.guard:
            self.readers.append(reader)
        threading.Thread(target=self._serve, args=(reader,), daemon=True, name=f"card {reader.card_id}").start()

    def _start_absent(self) -> None:
        """What is owed of cards that are not here comes from another verified copy."""
        here = {p.card.id for p in self.present}
        ids = [line.record.id for line in self.lines]
        for card in self.ledger.cards():
            if (
                card.id not in here
                and len(ids) > 1
                and owed(self.ledger.files(card.id), self.ledger.copies(card.id), ids)
            ):
                self._start(_Reader(card.id, card.folder, list(self.lines)))

    def _watch(self) -> None:
        """Wait for the readers; leave alone who stands still inside one call for too long."""
        watcher = Watcher(self.settings.hang_s)
        while True:
            with self.guard:
                self.guard.wait_for(lambda: all(r.over or r.left for r in self.readers), TICK_S)
                readers = [r for r in self.readers if not (r.over or r.left)]
                self.ended = not readers
            if not readers:
                return
            stuck = watcher.tick([r.beat for r in readers] + [b for line in self.lines for b in line.lane.beats])
            for line in self.lines:
                if line.down is None and any(b in stuck for b in line.lane.beats):
                    self._take_down(line, DestinationUnavailable("it does not answer.", item=line.record.path))
                    line.lane.give_up(line.down or Ended())
            for reader in readers:
                if reader.beat in stuck:
                    self._leave(reader)

    def _leave(self, reader: _Reader) -> None:
        with self.guard:
            reader.left = True
        for delivery in list(reader.current):
            delivery.end(Ended())
        self._say(
            Trouble(
                kind="card does not answer",
                card_id=reader.card_id,
                what="it stands still in one read.",
                next="Pull the card and plug it in again; try another reader. What is missing is copied then.",
            )
        )

    # -- one reader

    def _serve(self, reader: _Reader) -> None:
        try:
            with contextlib.nullcontext() if reader.split else self.turns.turn(reader.card_id):
                if reader.present is not None:
                    self._serve_card(reader, reader.present)
                else:
                    self._serve_absent(reader)
        except LedgerUnusable as error:
            self._stop_all(error)
        except (CardGone, Ended):
            pass  # said where it was noticed; the next run goes on
        except OSError as error:
            if error.errno in (errno.EMFILE, errno.ENFILE, errno.ENOMEM):
                self._say(Trouble(kind="cart short of means", what=f"{error.strerror}.",
                                  next="Close other programs; the work goes on at the next run."))
                return
            self._say(Trouble(kind="card gone", card_id=reader.card_id, what=f"it cannot be read: {error.strerror}.",
                              next="Plug it in again: the work goes on where it stopped."))
        except Exception as error:
            self._stop_all(error)
        finally:
            with self.guard:
                reader.over = True
                self.guard.notify_all()

    def _serve_card(self, reader: _Reader, present: PresentCard) -> None:
        self._show(reader, "being read", "copying")
        with reader.beat:
            root = self.disk.open_root(present.root)
        folders = Folders(self.disk, root)
        pieces = Pieces(self.settings.pieces)
        try:
            if (root.device, root.inode) != (present.device, present.inode):
                raise CardGone("another volume is mounted there now.", item=present.root)
            first = True
            while jobs := self._owed(reader, present):
                if not first:
                    self._pause()
                first = False
                self._round(reader, jobs, folders, "", pieces, present.sighting)
            if self._may_go_on(reader):
                self._make_bare_folders(reader)
                self._look_again(reader, present)
                self._over(Trouble(kind="card does not answer", card_id=reader.card_id))
        except CardGone as error:
            self._say(
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
            self._show(reader, "not being read", "")
        self._over(Trouble(kind="card gone", card_id=reader.card_id))

    def _serve_absent(self, reader: _Reader) -> None:
        """Lines lacking files of an absent card get them from other lines' copies, read and compared anew."""
        pieces = Pieces(self.settings.pieces)
        while jobs := self._owed(reader, None):
            copies = self.ledger.copies(reader.card_id)
            usable = {line.record.id: line for line in reader.lines if line.down is None}
            by_source: dict[str, list[tuple[Owed, CopyFact]]] = {}
            for job in jobs:
                found = sources(job.file, copies, list(usable))
                bad = self.reads.get(job.file.row, 0)
                if bad < len(found):
                    by_source.setdefault(found[bad].destination_id, []).append((job, found[bad]))
            if not by_source:
                return
            for id, group in by_source.items():
                base = f"{self.show}/{reader.folder}"
                paths = {job.file.row: fact.stored_path for job, fact in group}
                self._round(reader, [job for job, _ in group], usable[id].open.folders, base, pieces, 0, paths)

    def _owed(self, reader: _Reader, present: PresentCard | None) -> list[Owed]:
        """What can be tried now: owed, not tried too often, at destinations that take files."""
        if not self._may_go_on(reader):
            return []
        files = self.ledger.files(reader.card_id)
        if present is not None:
            files = on_card(files, present.inventory)
        ids = [line.record.id for line in reader.lines if line.down is None and not line.full]
        out = []
        for job in owed(files, self.ledger.copies(reader.card_id), ids):
            open_to = tuple(d for d in job.destinations if self.tries.get((job.file.row, d), 0) < self.settings.tries)
            if open_to and self.reads.get(job.file.row, 0) < self.settings.tries:
                out.append(Owed(file=job.file, destinations=open_to))
        return out

    def _round(
        self, reader: _Reader, jobs: Sequence[Owed], folders: Folders, base: str, pieces: Pieces, sighting: int,
        paths: Mapping[int, str] | None = None,
    ) -> None:
        stored = self._fitting(reader, jobs)
        queue = iter(jobs)
        while batch := list(islice(queue, self.settings.batch)):
            work = [[j for d in job.destinations if (j := self._job(reader, job.file, d, stored, sighting)) is not None]
                    for job in batch]
            self.ledger.plan(
                [Planned(destination_id=j.line.record.id, temp=j.target.temp, folder=j.target.folder)
                 for each in work for j in each], self.clock.utc(),
            )
            for each in work:
                if not self._may_go_on(reader):
                    break
                live = [j for j in each if j.line in reader.lines and j.line.down is None and not j.line.full]
                if live:
                    path = paths[live[0].file.row] if paths else live[0].file.path
                    self._copy_one(reader, live, folders, f"{base}/{path}" if base else path, pieces)
            self._settle(reader)
            self._forget_plans(reader, work)
            if not self._may_go_on(reader):
                return

    def _forget_plans(self, reader: _Reader, work: Sequence[Sequence[_Job]]) -> None:
        """Plans of this batch whose temporary files are certainly gone, named or never made."""
        with self.guard:
            if reader.unsettled or self.fatal is not None:
                return
            ended = [Planned(destination_id=j.line.record.id, temp=j.target.temp, folder=j.target.folder)
                     for each in work for j in each if j.target.temp not in self.kept_temps]
        self.ledger.forget_plans(ended)

    def _job(
        self,
        reader: _Reader,
        file: FileRecord,
        destination: str,
        stored: Mapping[str, Mapping[int, str]],
        sighting: int,
    ) -> _Job | None:
        line = next(x for x in self.lines if x.record.id == destination)
        path = stored[destination].get(file.row)
        if path is None:
            return None
        folder, _, name = f"{self.show}/{reader.folder}/{path}".rpartition("/")
        target = Target(folder=folder, temp=temp_name(), final=name, size_bytes=file.size_bytes, mtime_ns=file.mtime_ns)
        return _Job(file, line, path, target, sighting, reader)

    def _fitting(self, reader: _Reader, jobs: Sequence[Owed]) -> dict[str, dict[int, str]]:
        """Where each file goes at each destination, for those that fit there; says what does not."""
        files = self.ledger.files(reader.card_id)
        copies = self.ledger.copies(reader.card_id)
        rows = {(f.path, f.generation): f.row for f in files}
        out: dict[str, dict[int, str]] = {}
        for line in reader.lines:
            id = line.record.id
            wanted = [j.file for j in jobs if id in j.destinations]
            if not wanted:
                continue
            with contextlib.suppress(OSError):  # it is noticed at the first write
                line.room = self.disk.room(line.open.root)
            fits = fit(wanted, line.can, free_bytes=line.room, reserve_bytes=self.settings.reserve_bytes)
            self._say_fit(reader, line, fits.waiting, fits.never, fits.now)
            settled = {rows[(c.path, c.generation)]: c.stored_path for c in copies if c.destination_id == id}
            places = stored_paths(files, line.can, card_folder=reader.folder, reserved=self.settings.reserved_names,
                                  settled=settled, taken=self.taken.get((reader.card_id, id), ()))
            out[id] = {f.row: places[f.row] for f in fits.now}
            for file in (*fits.waiting, *fits.never):
                self.tries[(file.row, id)] = self.settings.tries
            renamed = [f for f in fits.now if is_renamed(f, places[f.row], reader.folder)]
            for f in renamed:
                self._say(Trouble(kind="other name", card_id=reader.card_id, path=f.path, destination_id=id,
                                  severity=Severity.NOTE, what=f"it lies there as {places[f.row]}.",
                                  next="Nothing to do; the manifest holds both names."))
        return out

    def _say_fit(
        self, reader: _Reader, line: _Line, waiting: Sequence[FileRecord], never: Sequence[FileRecord],
        now: Sequence[FileRecord],
    ) -> None:
        no_room = Trouble(
            kind="no room", card_id=reader.card_id, destination_id=line.record.id,
            what=f"{len(waiting)} files ({sum(f.size_bytes for f in waiting)} bytes) wait for room; "
                 f"{len(now)} files are copied as far as it goes, stills first.",
            next="Make room on the disk, or add another with `destination add`.",
        )
        (self._say if waiting else self._over)(no_room)
        for f in never:
            self._say(Trouble(
                kind="too large", card_id=reader.card_id, path=f.path, destination_id=line.record.id,
                what=f"{f.size_bytes} bytes can never lie on this file system ({line.open.volume.filesystem}).",
                next="Use a destination with another file system for this card.",
            ))

    # -- one file

    def _copy_one(self, reader: _Reader, jobs: Sequence[_Job], folders: Folders, path: str, pieces: Pieces) -> None:
        file = jobs[0].file
        self._show(reader, "being read", "copying", file.path)
        deliveries = [Delivery(j.target, j, self._settled) for j in jobs]
        with self.guard:
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
        self, reader: _Reader, file: FileRecord, folders: Folders, path: str, deliveries: Sequence[Delivery],
        pieces: Pieces,
    ) -> Digests:
        """Read the source whole and unchanged, or raise."""
        parent, _, name = path.rpartition("/")

        def check() -> None:
            if not self._may_go_on(reader):
                raise Ended()

        def slow(held_up: Sequence[Delivery]) -> None:
            self._split_off(reader, deliveries, held_up)

        with contextlib.ExitStack() as stack:
            with reader.beat:
                if not self.disk.same_place(folders.root):
                    raise CardGone("its folder is no longer there.", item=folders.root.path)
                folder = stack.enter_context(folders.hold(parent))
                fd = self.disk.open_source(folder, name)
                stack.callback(self._close, fd)
                before = self.disk.stat(fd)
                self.disk.read_ahead(fd)
            changing = SourceChanging("it changed while it was read.", item=path, retry=True)
            if before[0] != file.size_bytes:
                raise changing
            digests = pour(self.disk, fd, file.size_bytes, deliveries, pieces, more=self.settings.digests,
                           beat=reader.beat, check=check, slow=slow, patience_s=self.settings.patience_s)
            with reader.beat:
                after = self.disk.stat(fd)
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
            self.disk.close(fd)

    def _not_read(self, reader: _Reader, file: FileRecord, folders: Folders, error: Exception) -> None:
        """Count, tell, and raise what ends the card's reading in this run."""
        if isinstance(error, LedgerUnusable):
            raise error
        if isinstance(error, Ended) or not self._may_go_on(reader):
            raise Ended()
        with reader.beat:
            there = self.disk.same_place(folders.root)
        if isinstance(error, CardGone) or not there:
            raise CardGone("its folder is no longer there.", item=folders.root.path)
        if isinstance(error, OSError) and error.errno in (errno.ENOTCONN, errno.ENODEV, errno.ENXIO, errno.ESTALE):
            raise CardGone(f"{error.strerror}.", item=folders.root.path)
        reader.failed_in_a_row += 1
        self.reads[file.row] = self.reads.get(file.row, 0) + 1
        if reader.present is None:
            self._copy_is_bad(reader, file, error)
        elif self.reads[file.row] >= self.settings.tries:
            words = (
                error.what if isinstance(error, NightloaderError) else getattr(error, "strerror", None) or str(error)
            )
            differs = isinstance(error, ReadBackDiffers)
            self._say(Trouble(
                kind="readings differ" if differs else "not read", card_id=reader.card_id, path=file.path,
                severity=Severity.LOSS, what=words.rstrip(".") + f", {self.settings.tries} times.",
                next="Try another reader or cable; keep the card. The other files were copied.",
            ))
        else:
            self._say(Trouble(kind="read again", card_id=reader.card_id, path=file.path, severity=Severity.NOTE,
                              what=f"a reading failed ({error}) and was repeated.", next="Watch this card and reader."))
        if reader.failed_in_a_row >= SILENT_AFTER:
            raise CardGone(f"{SILENT_AFTER} files in a row could not be read.", item=folders.root.path)

    def _copy_is_bad(self, reader: _Reader, file: FileRecord, error: Exception) -> None:
        self._say(Trouble(
            kind="copy does not verify", card_id=reader.card_id, path=file.path, severity=Severity.LOSS,
            what=f"a verified copy that another disk's copy was to be made from is not as it was ({error}).",
            next="Run `audit --full`; plug the card in again if it still holds the file.",
        ))

    def _split_off(self, reader: _Reader, deliveries: Sequence[Delivery], held_up: Sequence[Delivery]) -> None:
        """Some destinations hold the pieces while another waits for more: the slowest gets its own reader."""
        quick = [d for d in deliveries if d.ended is None and d not in held_up]
        if not quick or not held_up or reader.present is None:
            return
        slowest = max(held_up, key=lambda d: d.waiting)
        line = slowest.key.line  # type: ignore[attr-defined]
        slowest.end(Ended())
        with self.guard:
            reader.lines = [x for x in reader.lines if x is not line]
        self._start(_Reader(reader.card_id, reader.folder, [line], reader.present, split=True))

    # -- what becomes of it

    def _landed(self, arrived: Sequence[tuple[Delivery, Arrived]]) -> None:
        """The last facts of a batch, durable when this returns."""
        utc = self.clock.utc()
        readings, landed = [], []
        for delivery, result in arrived:
            job: _Job = delivery.key  # type: ignore[assignment]
            if job.sighting:
                readings.append(Reading(row=job.file.row, n=1, utc=utc, digests=delivery.digests,
                                        proof=Proof.NOT_PROVABLE, sighting=job.sighting))
            landed.append(Landed(
                row=job.file.row, destination_id=job.line.record.id, stored_path=job.stored,
                source_digest=delivery.digests[ALWAYS], back_digest=result.back_digest, proof=result.proof,
                read_back_utc=utc, folder_synced=result.folder_synced, temp="" if result.found else job.target.temp,
            ))
            if not is_there(self.disk, job.line.open):
                raise DestinationUnavailable(
                    "it left while files were named on it.", item=job.line.record.path, retry=True
                )
        self.ledger.record(readings=readings, landed=landed)

    def _settled(self, delivery: Delivery, result: Result, temp_gone: bool) -> None:
        """Called once per delivery, from a lane's thread or the watcher."""
        job: _Job = delivery.key  # type: ignore[assignment]
        try:
            if isinstance(result, Arrived):
                job.line.failures = 0
                if not job.line.full:  # what was under way may still land on a disk found full in this run
                    self._over(Trouble(kind="disk full", destination_id=job.line.record.id))
                for kind in ("not read", "not copied"):
                    self._over(Trouble(kind=kind, card_id=job.reader.card_id, path=job.file.path,
                                       destination_id=job.line.record.id if kind == "not copied" else ""))
            else:
                self._not_copied(job, result)
        except Exception as error:  # a lane's thread must live on; without its facts the run cannot
            self._stop_all(error)
        finally:
            with self.guard:
                if not temp_gone:
                    self.kept_temps.add(job.target.temp)
                job.reader.unsettled -= 1
                self.guard.notify_all()

    def _not_copied(self, job: _Job, error: Exception) -> None:
        line, key = job.line, (job.file.row, job.line.record.id)
        if isinstance(error, LedgerUnusable):
            self._stop_all(error)
        elif isinstance(error, Ended):
            return  # the reader's doing; it counts and tells
        elif isinstance(error, NameTaken):
            with self.guard:
                self.taken.setdefault((job.reader.card_id, line.record.id), set()).add(job.stored)
            self._say(Trouble(
                kind="name taken", card_id=job.reader.card_id, path=job.file.path, destination_id=line.record.id,
                what=f"a different file lies at {job.stored}; it stays, ours is written beside it.",
                next="Look whose file it is.",
            ))
        elif isinstance(error, OSError) and error.errno in NO_ROOM:
            line.full = True
            self._say(
                Trouble(
                    kind="disk full",
                    destination_id=line.record.id,
                    what="it is full; it waits for room.",
                    next="Make room, or add another disk with `destination add`; the work goes on by itself.",
                )
            )
        elif (isinstance(error, OSError) and error.errno in GONE) or isinstance(error, DestinationUnavailable) or (
            not is_there(self.disk, line.open)
        ):
            self._take_down(line, error)
        else:
            self._count(job, key, error)

    def _count(self, job: _Job, key: tuple[int, str], error: Exception) -> None:
        line = job.line
        with self.guard:
            self.tries[key] = self.tries.get(key, 0) + 1
            line.failures += 1
            if isinstance(error, ReadBackDiffers):
                self.differed[key] = self.differed.get(key, 0) + 1
        if self.differed.get(key, 0) >= 2:
            self._take_down(line, ReadBackDiffers("it gave back other bytes than were written, twice for one file."))
        elif line.failures >= SILENT_AFTER:
            self._take_down(line, error)
        elif self.tries[key] >= self.settings.tries:
            self._say(
                Trouble(
                    kind="not copied",
                    card_id=job.reader.card_id,
                    path=job.file.path,
                    destination_id=line.record.id,
                    what=f"{error}, {self.settings.tries} times.",
                    next="Check the disk; it is tried again at the next run.",
                )
            )
        else:
            self._say(Trouble(kind="written again", destination_id=line.record.id, severity=Severity.NOTE,
                              what=f"a copy was void ({error}) and was made again.", next="Watch this disk."))

    def _take_down(self, line: _Line, error: Exception) -> None:
        """This destination gets nothing more in this run; what is owed to it is remembered."""
        line.down = error
        self._say(_in_trouble(line.record, error))

    def _stop_all(self, error: Exception) -> None:
        """The ledger cannot be used, or the program itself is wrong: nothing more is done in this run."""
        with self.guard:
            self.fatal = self.fatal or error
            self.guard.notify_all()

    # -- small things

    def _may_go_on(self, reader: _Reader) -> bool:
        return not (self.stop.is_set() or self.fatal or reader.left or not reader.lines)

    def _settle(self, reader: _Reader) -> None:
        with self.guard:
            self.guard.wait_for(lambda: reader.unsettled == 0 or reader.left)

    def _pause(self) -> None:
        """Before a round of repetitions: what was busy a moment ago may be free."""
        self.stop.wait(self.settings.pause_s)

    def _make_bare_folders(self, reader: _Reader) -> None:
        """Empty folders belong to the card's structure."""
        for line in reader.lines:
            if line.down is None:
                for path in self.ledger.empty_folders(reader.card_id):
                    with contextlib.suppress(OSError), line.open.folders.hold(
                        f"{self.show}/{reader.folder}/{path}", make=True
                    ):
                        pass  # a name this disk cannot hold: an empty folder is not worth a finding

    def _look_again(self, reader: _Reader, present: PresentCard) -> None:
        """The listing at the end must equal the one at the start."""
        with reader.beat:
            folder = self.disk.open_root(present.root)
        try:
            after = take(list_tree(self.disk, folder, reader.beat.on))
            same_root = (folder.device, folder.inode) == (present.device, present.inode)
        finally:
            self.disk.close_folder(folder)
        changed = Trouble(
            kind="listing changed", card_id=reader.card_id, what="what is on the card changed while it was copied.",
            next="Leave the card in: what is new is copied in the next pass.",
        )
        equal = same_root and signature(after) == signature(present.inventory)
        self.ledger.end_sighting(present.sighting, ended=equal, utc=self.clock.utc())
        (self._over if equal else self._say)(changed)
        for f in gone_unread(self.ledger.files(reader.card_id), after):
            self._say(Trouble(
                kind="not read", card_id=reader.card_id, path=f.path, severity=Severity.LOSS,
                what="it was seen on the card, is not on it now and was never read whole.",
                next="Look where it went (the camera's trash, another dump). The card stays short of the policy, also "
                     "if it was deleted on purpose; say so when it is signed.",
            ))

    def _say(self, trouble: Trouble) -> None:
        with self.guard:
            self.standing.add((trouble.kind, trouble.card_id, trouble.path, trouble.destination_id))
        try:
            self.ledger.trouble([trouble], self.clock.utc())
        except LedgerUnusable as error:
            self._stop_all(error)

    def _over(self, trouble: Trouble) -> None:
        key = (trouble.kind, trouble.card_id, trouble.path, trouble.destination_id)
        with self.guard:
            if key not in self.standing:
                return
            self.standing.discard(key)
        try:
            self.ledger.no_trouble([trouble])
        except LedgerUnusable as error:
            self._stop_all(error)

    def _show(self, reader: _Reader, state: str, doing: str, path: str = "") -> None:
        self.progress(Progress(card_id=reader.card_id, state=state, doing=doing, path=path))


def _in_trouble(record: DestinationRecord, error: Exception) -> Trouble:
    words = error.what if isinstance(error, NightloaderError) else getattr(error, "strerror", None) or str(error)
    return Trouble(kind="destination in trouble", destination_id=record.id, what=words.rstrip(".") + ".",
                   next="Check cable, power and disk. What is owed to it is copied when it works again.")


class _SecondReading:
    """One call of ``Copier.read_again``: cards one after the other, each file from the device."""

    def __init__(self, copier: Copier, present: Sequence[PresentCard], stop: threading.Event) -> None:
        self.disk, self.ledger, self.clock, self.settings = copier.disk, copier.ledger, copier.clock, copier.settings
        self.progress, self.present, self.stop = copier.progress, present, stop
        self.copier = copier

    def makes_way(self) -> bool:
        """Stopped, or a card waits that was not here when this began."""
        return self.stop.is_set() or self.copier.wanted(self.present)

    def go(self) -> None:
        for present in self.present:
            if self.makes_way():
                return
            owed_now = self._owed(present)
            if owed_now:
                ask = Ask(lambda beat, p=present, files=owed_now: self._card(p, files, beat))  # type: ignore[misc]
                try:
                    ask.answer(self.settings.hang_s)
                    self.ledger.no_trouble([Trouble(kind="second reading not finished", card_id=present.card.id)])
                except Hung:
                    self._gone(present, "it stands still in one read")
                except (CardGone, OSError) as error:
                    self._gone(present, str(error))

    def _owed(self, present: PresentCard) -> tuple[FileRecord, ...]:
        id = present.card.id
        read_in: dict[int, set[int]] = {}
        for r in self.ledger.readings(id):
            read_in.setdefault(r.row, set()).add(r.sighting)
        here = on_card(self.ledger.files(id), present.inventory)
        return second_readings(here, self.settings.read_twice, read_in, present.sighting)

    def _card(self, present: PresentCard, files: Sequence[FileRecord], beat: Beat) -> None:
        root = self.disk.open_root(present.root)
        folders = Folders(self.disk, root)
        buffer = Buffer()
        found: list[Reading] = []
        try:
            if (root.device, root.inode) != (present.device, present.inode):
                raise CardGone("another volume is mounted there now.", item=present.root)
            for file in files:
                if self.makes_way() or not self.disk.same_place(root):
                    break
                self.progress(
                    Progress(card_id=present.card.id, state="being read", doing="second reading", path=file.path)
                )
                found += self._file(present, folders, file, buffer, beat)
                if len(found) >= 64:
                    self.ledger.record(readings=found)
                    found = []
        finally:
            if found:
                self.ledger.record(readings=found)
            folders.close()
            buffer.close()
            self.progress(Progress(card_id=present.card.id, state="not being read"))

    def _file(
        self, present: PresentCard, folders: Folders, file: FileRecord, buffer: Buffer, beat: Beat
    ) -> list[Reading]:
        """One more reading; where it differs a third one, so that a person can tell which was wrong."""
        readings: list[Reading] = []
        for _ in range(2):
            try:
                digest, proof = self._read(present, folders, file.path, buffer, beat)
            except OSError as error:
                self._say(present, file, "second reading failed", Severity.PERSON,
                          f"the second reading failed ({error.strerror}).",
                          "Keep the card; try another reader. The copies are what the first reading gave.")
                return readings
            readings.append(Reading(row=file.row, n=0, utc=self.clock.utc(), digests={ALWAYS: digest}, proof=proof,
                                    sighting=present.sighting))
            if digest == file.digests[ALWAYS]:
                break
        if len(readings) > 1:
            third = readings[-1].digests[ALWAYS] == file.digests[ALWAYS]
            self._say(
                present,
                file,
                "readings differ",
                Severity.LOSS,
                "the card gave other bytes at the second reading"
                + (", and the first ones again at the third." if third else ", and not the first ones at the third."),
                "Keep the card; try another reader; compare with the camera's own playback.",
            )
        return readings

    def _read(
        self, present: PresentCard, folders: Folders, path: str, buffer: Buffer, beat: Beat
    ) -> tuple[str, Proof]:
        def go_on(_: int) -> None:
            beat.on()
            if self.makes_way():
                raise CardGone("stopped.")

        parent, _, name = path.rpartition("/")
        with folders.hold(parent) as folder:
            digests, proof = read_from_device(
                self.disk, folder, name, filesystem=present.filesystem, buffer=buffer, go_on=go_on)
        return digests.digest, proof

    def _say(self, present: PresentCard, file: FileRecord, kind: str, severity: Severity, what: str, next: str) -> None:
        self.ledger.trouble([Trouble(kind=kind, card_id=present.card.id, path=file.path, severity=severity, what=what,
                                     next=next)], self.clock.utc())

    def _gone(self, present: PresentCard, what: str) -> None:
        if not self.makes_way():
            self.ledger.trouble([Trouble(
                kind="second reading not finished", card_id=present.card.id, severity=Severity.NOTE, what=f"{what}",
                next="Plug the card in again: the second reading goes on where it stopped.")], self.clock.utc())
