"""What one run knows: its destinations, its readers, and what went wrong so far.

The threads of a run (``stage_run``, ``stage_reader``, ``stage_outcomes``) share one ``State``.
"""

from __future__ import annotations

import contextlib
import errno
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

from ingest.errors import LedgerUnusable, NightloaderError
from ingest.machinery.clock import Clock
from ingest.machinery.disk.destinations import OpenDestination
from ingest.machinery.disk.fanout import Beat, Delivery, Lane, Target
from ingest.machinery.disk.files import Disk
from ingest.machinery.disk.patience import TICK_S
from ingest.machinery.ledger.cards import CardLedger, Trouble
from ingest.records.cards import DestinationRecord, FileRecord, PresentCard
from ingest.steps.copying.plan import CopySettings, Holds


@dataclass(frozen=True, kw_only=True, slots=True)
class Progress:
    """Where a card stands in this run; ``state`` is "being read", "waiting" or "not being read"."""

    card_id: str
    state: str
    doing: str = ""
    path: str = ""


@dataclass(eq=False, slots=True)
class Line:
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
class Job:
    """One file on its way to one destination."""

    file: FileRecord
    line: Line
    stored: str
    target: Target
    sighting: int
    reader: Reader


@dataclass(eq=False, slots=True)
class Reader:
    """One thread that reads one card (or copies of absent cards) for some destinations."""

    card_id: str
    folder: str  # the card's, relative to the show
    lines: list[Line]
    present: PresentCard | None = None
    times: dict[str, int] = field(default_factory=dict)  # path -> mtime as the card was listed, in ns
    beat: Beat = field(default_factory=Beat)
    current: list[Delivery] = field(default_factory=list)
    unsettled: int = 0
    failed_in_a_row: int = 0
    split: bool = False  # serves one slow destination beside the card's own reader
    over: bool = False  # ended by itself
    left: bool = False  # given up by the watcher


SILENT_AFTER = 8  # files in a row that cannot be read, or written, before the card or disk is left alone


class Turns:
    """How many cards are read at once, and whose turn is next."""

    def __init__(self, at_once: int, rank: Callable[[str], int], stop: threading.Event | None = None) -> None:
        self._at_once, self._rank, self._stop = at_once, rank, stop or threading.Event()
        self._waiting: list[str] = []
        self._having: list[str] = []
        self._guard = threading.Condition()

    @contextlib.contextmanager
    def turn(self, card_id: str) -> Iterator[None]:
        """Waits until it is this card's turn, or everything should end; the rank may change meanwhile."""
        with self._guard:
            self._waiting.append(card_id)
            while not self._stop.is_set() and not (
                len(self._having) < self._at_once and min(self._waiting, key=self._rank) == card_id
            ):
                self._guard.wait(TICK_S)
            self._waiting.remove(card_id)
            self._having.append(card_id)
        try:
            yield
        finally:
            self.end(card_id)

    def end(self, card_id: str) -> None:
        """Its turn is over, also of a card that was left alone because it stands still."""
        with self._guard, contextlib.suppress(ValueError):
            self._having.remove(card_id)
            self._guard.notify_all()


class State:
    """What the threads of one run share; ``guard`` protects what more than one of them changes."""

    def __init__(
        self, disk: Disk, ledger: CardLedger, clock: Clock, settings: CopySettings, *, show: str,
        progress: Callable[[Progress], None], rank: Callable[[str], int], stop: threading.Event,
        claiming: Callable[[str, int], None],
    ) -> None:
        self.disk, self.ledger, self.clock, self.settings, self.show = disk, ledger, clock, settings, show
        self.stop, self._progress, self.claiming = stop, progress, claiming
        self.lines: list[Line] = []
        self.guard = threading.Condition()
        self.tries: dict[tuple[int, str], int] = {}  # (file's row, destination)
        self.reads: dict[int, int] = {}  # failed readings of a file
        self.taken: dict[tuple[str, str], set[str]] = {}  # (card, destination) -> stored paths something foreign holds
        self.differed: dict[tuple[int, str], int] = {}
        self.kept_temps: set[str] = set()  # temporary files that could not be removed
        self.standing = {(t.kind, t.card_id, t.path, t.destination_id) for t in self.ledger.troubles()}
        self.fatal: Exception | None = None
        self.turns = Turns(settings.cards_at_once, rank, stop)

    def may_go_on(self, reader: Reader) -> bool:
        return not (self.stop.is_set() or self.fatal or reader.left or not reader.lines)

    def take_down(self, line: Line, error: Exception) -> None:
        """This destination gets nothing more in this run; what is owed to it is remembered."""
        line.down = error
        self.say(in_trouble(line.record, error))

    def stop_all(self, error: Exception) -> None:
        """The ledger cannot be used, or the program itself is wrong: nothing more is done in this run."""
        with self.guard:
            self.fatal = self.fatal or error
            self.guard.notify_all()

    def say(self, trouble: Trouble) -> None:
        with self.guard:
            self.standing.add((trouble.kind, trouble.card_id, trouble.path, trouble.destination_id))
        try:
            self.ledger.trouble([trouble], self.clock.utc())
        except LedgerUnusable as error:
            self.stop_all(error)

    def over(self, trouble: Trouble) -> None:
        key = (trouble.kind, trouble.card_id, trouble.path, trouble.destination_id)
        with self.guard:
            if key not in self.standing:
                return
            self.standing.discard(key)
        try:
            self.ledger.no_trouble([trouble])
        except LedgerUnusable as error:
            self.stop_all(error)

    def tell(self, reader: Reader, state: str, doing: str, path: str = "") -> None:
        self._progress(Progress(card_id=reader.card_id, state=state, doing=doing, path=path))


def in_trouble(record: DestinationRecord, error: Exception) -> Trouble:
    words = error.what if isinstance(error, NightloaderError) else getattr(error, "strerror", None) or str(error)
    if isinstance(error, OSError) and error.errno == errno.EROFS:
        return Trouble(
            kind="destination in trouble", destination_id=record.id,
            what="it takes no more writes: it is mounted read-only, or the system made it so after an error.",
            next="Its file system may need repair first: unmount it, check it with the system's own tool for file "
                 "systems (fsck, chkdsk, or the disk tool), then plug it in writable. A lock switch may be the cause. "
                 "What is owed to it is copied then.",
        )
    return Trouble(kind="destination in trouble", destination_id=record.id, what=words.rstrip(".") + ".",
                   next="Check cable, power and disk. What is owed to it is copied when it works again.")
