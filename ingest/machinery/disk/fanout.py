"""Read once, write to several destinations, prove each copy, and only then name it.

Theory of operation.  A reader pours a file's pieces into one ``Delivery`` per destination.  Each
destination has a ``Lane``: workers that take one delivery at a time through

    create -> write -> set times -> sync -> read back from the device -> compare
    -> rename without overwriting -> sync file (FAT needs it again)

and one finisher that takes what is named, in batches that form by themselves under load, through

    sync folder -> ``landed`` (the ledger)

While one worker reads back, another writes: reading, writing and proof overlap.  Memory is bounded by
the reader's ``Pieces``: a piece returns when every lane has written it.

A stop leaves: before the rename a temporary file that the plan lists; after it a finished file without
its fact, which the next run reads again.

Deadlock is impossible while a lane has more workers than there are readers: a worker waits only for the
one unfinished file of a reader, so one worker is always left for what is already poured.
"""

from __future__ import annotations

import contextlib
import errno
import mmap
import queue
import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from ingest.errors import NameTaken, ReadBackDiffers
from ingest.machinery.disk.files import POSIX, Disk, Folder, write_all
from ingest.machinery.disk.folders import Folders
from ingest.machinery.disk.hashing import ALWAYS
from ingest.machinery.disk.readback import Buffer, best_proof, read_from_device
from ingest.machinery.disk.temporary import remove_temps
from ingest.records.cards import Proof

PIECE = 4 << 20
SMALL = 64 << 10
LARGE = 1 << 20  # files from this size on are written around the system's memory
PAGE = 4096
BATCH = 64


class Ended(Exception):
    """A delivery was given up by its reader; ``why`` says it."""

    def __init__(self, why: Exception | None = None) -> None:
        super().__init__(str(why or "stopped"))
        self.why = why


class Beat:
    """Shows a watcher whether a thread is inside a system call and whether it gets on."""

    __slots__ = ("busy", "count")

    def __init__(self) -> None:
        self.count = 0
        self.busy = False

    def __enter__(self) -> Beat:
        self.busy = True
        self.count += 1
        return self

    def __exit__(self, *_: object) -> None:
        self.busy = False
        self.count += 1

    def on(self, _: int = 0) -> None:
        self.count += 1


class Piece:
    """Some bytes of a file, shared by several lanes, given back when the last has let go."""

    __slots__ = ("_guard", "_home", "_users", "length", "view")

    def __init__(self, view: memoryview, home: Callable[[Piece], None]) -> None:
        self.view = view
        self.length = 0
        self._home = home
        self._users = 0
        self._guard = threading.Lock()

    def share(self, users: int) -> None:
        self._users = users
        if users == 0:
            self._home(self)

    def let_go(self) -> None:
        with self._guard:
            self._users -= 1
            last = self._users == 0
        if last:
            self._home(self)


class Pieces:
    """A bounded stock of pieces of one reader: ``count`` large ones, and 16 times as many small."""

    def __init__(self, count: int, size: int = PIECE) -> None:
        self.size = size
        self._memory = [mmap.mmap(-1, size) for _ in range(count)]
        self._large: queue.SimpleQueue[Piece] = queue.SimpleQueue()
        self._small: queue.SimpleQueue[Piece] = queue.SimpleQueue()
        for memory in self._memory:
            self._large.put(Piece(memoryview(memory), self._large.put))
        for _ in range(count * 16):
            self._small.put(Piece(memoryview(bytearray(SMALL)), self._small.put))

    def take(self, wanted: int, timeout_s: float) -> Piece | None:
        """A piece for up to ``wanted`` bytes; None if none came back in time."""
        stock = self._small if wanted <= SMALL else self._large
        try:
            piece = stock.get(timeout=timeout_s)
        except queue.Empty:
            return None
        piece.length = 0
        return piece


@dataclass(frozen=True, kw_only=True, slots=True)
class Target:
    """Where a copy goes: folder (relative to the destination's root), temporary and final name."""

    folder: str
    temp: str
    final: str
    size_bytes: int
    mtime_ns: int


@dataclass(frozen=True, kw_only=True, slots=True)
class Arrived:
    """A copy that lies proven under its final name.  ``found`` says that it lay there already."""

    back_digest: str
    proof: Proof
    folder_synced: bool
    found: bool = False


Result = Arrived | Exception


class Delivery:
    """One file on its way to one destination.  ``settled`` is called exactly once, from any thread, with
    the result and whether the temporary file is certainly gone."""

    def __init__(self, target: Target, key: object, settled: Callable[[Delivery, Result, bool], None]) -> None:
        self.target = target
        self.key = key
        self.digests: Mapping[str, str] = {}
        self.waiting = 0  # pieces poured and not yet written
        self.ended: Exception | None = None
        self._settled = settled
        self._pieces: queue.SimpleQueue[Piece | None] = queue.SimpleQueue()
        self._guard = threading.Lock()
        self._over = False

    def put(self, piece: Piece) -> None:
        self.waiting += 1
        self._pieces.put(piece)

    def finish(self, digests: Mapping[str, str]) -> None:
        """All is poured; the digests are what the copy must give back."""
        self.digests = digests
        self._pieces.put(None)

    def end(self, why: Exception) -> None:
        """Give it up; what was written is removed by the lane."""
        self.ended = why
        self._pieces.put(None)

    def next(self) -> Piece | None:
        """The next piece, None at the end; raises Ended if it was given up."""
        piece = self._pieces.get()
        if self.ended is not None:
            if piece is not None:
                self.let_go(piece)
            self.drain()
            raise Ended(self.ended)
        return piece

    def let_go(self, piece: Piece) -> None:
        self.waiting -= 1
        piece.let_go()

    def drain(self) -> None:
        """Give back what is still queued.  Whoever pours afterwards gets it back at the next call."""
        with contextlib.suppress(queue.Empty):
            while True:
                piece = self._pieces.get_nowait()
                if piece is not None:
                    self.let_go(piece)

    def settle(self, result: Result, temp_gone: bool) -> None:
        with self._guard:
            if self._over:
                return
            self._over = True
        self._settled(self, result, temp_gone)

    @property
    def over(self) -> bool:
        return self._over


@dataclass(slots=True)
class _Proven:
    delivery: Delivery
    fd: int | None
    back: str
    proof: Proof
    found: bool


class Lane:
    """A destination's workers and finisher.

    ``landed`` gets every batch of arrived copies before they are settled, and must make their facts
    durable; what it raises fails the batch.
    """

    def __init__(
        self, disk: Disk, folders: Folders, *, filesystem: str, device: str, workers: int,
        landed: Callable[[Sequence[tuple[Delivery, Arrived]]], None],
    ) -> None:
        self._disk, self._folders, self._filesystem, self._device = disk, folders, filesystem, device
        self._landed = landed
        self._inbox: queue.SimpleQueue[Delivery | None] = queue.SimpleQueue()
        self._proven: queue.SimpleQueue[_Proven | None] = queue.SimpleQueue()
        self.beats = [Beat() for _ in range(workers + 1)]
        self.dead: Exception | None = None
        self._open: set[Delivery] = set()
        self._guard = threading.Lock()
        # Made here and not in the threads: without memory a lane is refused, it does not lose a worker.
        self._buffers = [Buffer(PIECE) for _ in range(workers)]
        self._workers = [
            threading.Thread(target=self._work, args=(beat, buffer), daemon=True, name="copy")
            for beat, buffer in zip(self.beats[1:], self._buffers, strict=True)
        ]
        self._finisher = threading.Thread(target=self._finish, daemon=True, name="finish")
        for thread in (*self._workers, self._finisher):
            thread.start()

    def begin(self, delivery: Delivery) -> None:
        with self._guard:
            if self.dead is None:
                self._open.add(delivery)
                self._inbox.put(delivery)
                return
        delivery.settle(self.dead, True)

    def give_up(self, why: Exception) -> None:
        """The destination does not answer: settle everything as failed; stuck threads end when they can."""
        with self._guard:
            self.dead = why
            waiting = list(self._open)
            self._open.clear()
        for delivery in waiting:
            delivery.end(why)
            delivery.drain()
            delivery.settle(why, False)

    def close(self) -> None:
        """Wait for what is begun and end the threads (not those of a lane given up)."""
        for _ in self._workers:
            self._inbox.put(None)
        if self.dead is None:
            for thread in self._workers:
                thread.join()
        self._proven.put(None)
        if self.dead is None:
            self._finisher.join()

    # -- the workers

    def _work(self, beat: Beat, buffer: Buffer) -> None:
        while (delivery := self._inbox.get()) is not None:
            try:
                proven = self._bring(delivery, beat, buffer)
                self._name(proven, beat)
                self._proven.put(proven)
            except Exception as error:
                delivery.end(error)
                delivery.drain()
                self._settle(delivery, error.why or error if isinstance(error, Ended) else error,
                             self._remove(delivery, beat))

    def _settle(self, delivery: Delivery, result: Result, temp_gone: bool) -> None:
        with self._guard:
            self._open.discard(delivery)
        delivery.settle(result, temp_gone)

    def _remove(self, delivery: Delivery, beat: Beat) -> bool:
        """Remove the temporary file; True if it is certainly gone, also after a power cut."""
        try:
            with beat:
                remove_temps(self._disk, self._folders, delivery.target.folder, [delivery.target.temp])
        except OSError:
            return False  # the plan still lists it: removed when the destination is next opened
        return True

    def _bring(self, delivery: Delivery, beat: Beat, buffer: Buffer) -> _Proven:
        target = delivery.target
        with self._folders_held(target.folder, beat) as folder:
            with beat:
                there = self._disk.look_at(folder, target.final)
            if there is not None:
                return self._compare(delivery, folder, beat, buffer)
            with beat:
                fd = self._disk.create(folder, target.temp)
            try:
                written = self._write(delivery, fd, beat)
                if written != target.size_bytes:
                    raise ReadBackDiffers(f"{written} bytes arrived of {target.size_bytes}.", retry=True)
                with beat:
                    self._disk.set_times(fd, folder, target.temp, target.mtime_ns)
                with beat:
                    self._disk.sync(fd)
                back, proof = read_from_device(self._disk, folder, target.temp, filesystem=self._filesystem,
                                               device=self._device, buffer=buffer, go_on=_in(beat))
                beat.busy = False
                if back.size_bytes != written or back.digest != delivery.digests[ALWAYS]:
                    raise ReadBackDiffers(
                        "what the disk gave back is not what was written to it.", item=target.final,
                        next="The file is copied again; if it happens again, replace the disk.", retry=True,
                    )
            except BaseException:
                beat.busy = False
                with contextlib.suppress(OSError):  # the first error is the one to tell
                    self._disk.close(fd)
                raise
        if not POSIX:  # an open file cannot be renamed there
            self._disk.close(fd)
        return _Proven(delivery, fd if POSIX else None, back.digest, proof, False)

    @contextlib.contextmanager
    def _folders_held(self, path: str, beat: Beat):  # type: ignore[no-untyped-def]
        with beat:
            held = self._folders.hold(path, make=True)
            folder = held.__enter__()
        try:
            yield folder
        finally:
            held.__exit__(None, None, None)

    def _name(self, p: _Proven, beat: Beat) -> None:
        """Give it its final name and flush it again: FAT's rename makes an entry without size or content."""
        try:
            if not p.found:
                with beat, self._folders.hold(p.delivery.target.folder) as folder:
                    self._disk.rename_new(folder, p.delivery.target.temp, p.delivery.target.final)
            try:
                with beat:
                    self._sync_named(p)
            except Exception:
                self._unname(p, beat)
                raise
        except FileExistsError as error:
            raise NameTaken("a different file lies under this name.", item=p.delivery.target.final) from error
        finally:
            if p.fd is not None:
                with contextlib.suppress(OSError):  # everything that counts was flushed above
                    self._disk.close(p.fd)

    def _write(self, delivery: Delivery, fd: int, beat: Beat) -> int:
        """Large files bypass the system's memory where the file system does that honestly: half the work for the
        processor (measured), and the memory stays with the others.  The rest of the last page goes the usual way."""
        written = 0
        direct = (
            delivery.target.size_bytes >= LARGE and best_proof(self._filesystem) is Proof.DEVICE
            and self._disk.go_direct(fd, True)
        )
        while (piece := delivery.next()) is not None:
            try:
                with beat:
                    view = piece.view[: piece.length]
                    if direct:
                        whole = self._write_direct(fd, view[: piece.length - piece.length % PAGE])
                        if whole < piece.length:
                            direct = False
                            self._disk.go_direct(fd, False)
                        view = view[whole:]
                    write_all(self._disk, fd, view)
                    if piece.length > SMALL and not direct:
                        self._disk.start_flush(fd, written, piece.length)
                written += piece.length
            finally:
                delivery.let_go(piece)
        if delivery.ended is not None:
            raise Ended(delivery.ended)
        return written

    def _write_direct(self, fd: int, view: memoryview) -> int:
        """As much as goes this way: a short write may end inside a page, and a device may want larger ones."""
        done = 0
        try:
            while done < len(view) and done % PAGE == 0:
                n = self._disk.write(fd, view[done:])
                if n <= 0:
                    break
                done += n
        except OSError as error:
            if error.errno != errno.EINVAL:
                raise
        return done

    def _compare(self, delivery: Delivery, folder: Folder, beat: Beat, buffer: Buffer) -> _Proven:
        """Something lies under the final name: is it this file, finished before a stop, or a foreign one?"""
        target = delivery.target
        while (piece := delivery.next()) is not None:
            delivery.let_go(piece)
        if delivery.ended is not None:
            raise Ended(delivery.ended)
        taken = NameTaken("a different file lies under this name.", item=target.final)
        with beat:
            there = self._disk.look_at(folder, target.final)
            if there is None or there.kind != "file" or there.size_bytes != target.size_bytes:
                raise taken
            fd = self._disk.open_source(folder, target.final)
        try:
            with beat:
                self._disk.sync(fd)
            back, proof = read_from_device(self._disk, folder, target.final, filesystem=self._filesystem,
                                           device=self._device, buffer=buffer, go_on=_in(beat))
            beat.busy = False
            if back.digest != delivery.digests[ALWAYS]:
                raise taken
        except BaseException:
            beat.busy = False
            self._disk.close(fd)
            raise
        return _Proven(delivery, fd, back.digest, proof, True)

    # -- the finisher

    def _finish(self) -> None:
        while (first := self._proven.get()) is not None:
            batch = [first]
            last = False
            while len(batch) < BATCH:
                try:
                    more = self._proven.get_nowait()
                except queue.Empty:
                    break
                if more is None:
                    last = True
                    break
                batch.append(more)
            self._record(batch)
            if last:
                return

    def _record(self, batch: list[_Proven]) -> None:
        beat = self.beats[0]
        failed: dict[int, Exception] = {}
        synced = self._sync_folders(batch, failed, beat)
        for p in batch:
            if id(p) in failed:
                self._unname(p, beat)
                # The folder could not be flushed, so the rename may be undone: the plan must outlive it.
                self._settle(p.delivery, failed[id(p)], p.found)
        arrived = [
            (p.delivery, Arrived(back_digest=p.back, proof=p.proof, found=p.found,
                                 folder_synced=synced[p.delivery.target.folder]))
            for p in batch if id(p) not in failed
        ]
        try:
            if arrived and self.dead is None:
                self._landed(arrived)
            for delivery, result in arrived:
                self._settle(delivery, result, True)
        except Exception as error:
            # The facts may be stored or not: the copies stay.  Without facts the next run reads them again.
            for delivery, _ in arrived:
                self._settle(delivery, error, True)

    def _sync_named(self, p: _Proven) -> None:
        if p.fd is not None:
            self._disk.sync(p.fd)
            return
        with self._folders.hold(p.delivery.target.folder) as folder:
            fd = self._disk.open_source(folder, p.delivery.target.final)
            try:
                self._disk.sync(fd)
            finally:
                self._disk.close(fd)

    def _sync_folders(self, named: list[_Proven], failed: dict[int, Exception], beat: Beat) -> dict[str, bool]:
        synced: dict[str, bool] = {}
        for path in {p.delivery.target.folder for p in named}:
            try:
                with beat, self._folders.hold(path) as folder:
                    synced[path] = self._disk.sync_folder(folder)
            except Exception as error:
                for p in named:
                    if p.delivery.target.folder == path:
                        failed[id(p)] = error
        return synced

    def _unname(self, p: _Proven, beat: Beat) -> None:
        """A file whose data or name could not be flushed goes; it is copied again, not flushed again.  Its plan ends
        only once the folder is flushed (``_remove``)."""
        if not p.found:
            with contextlib.suppress(OSError), beat, self._folders.hold(p.delivery.target.folder) as folder:
                self._disk.unlink(folder, p.delivery.target.final)


def _in(beat: Beat) -> Callable[[int], None]:
    """Marks the thread as inside a call until the next piece comes."""
    beat.busy = True
    beat.count += 1
    return beat.on
