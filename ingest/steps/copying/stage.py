"""The copier: every file to every destination, from the card while it is in, else from a verified copy.

One ``run`` opens the destinations that are here, removes what an earlier stop left (only what the plan
lists), lets each card be read by a thread of its own, and ends when nothing more can be done now.  What
is owed is computed from the ledger before each round, so a round may fail anywhere and the next one
goes on; a file is tried a bounded number of times in one run.

Facts, in order: plan -> (temporary file, proof, name) -> reading and copy, the plan's end with them.

    stage.py           first copies, then second readings, until no card came meanwhile
    stage_run.py       one run: opens destinations, starts readers, watches for who stands still
    stage_reader.py    one reader's thread: rounds, batches, one file poured to its destinations
    stage_outcomes.py  what became of each copy: facts, or what the failure means
    stage_second.py    a card read once more, from the device
    stage_state.py     what the threads of a run share
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable, Sequence

from ingest.machinery.clock import Clock
from ingest.machinery.disk.files import Disk
from ingest.machinery.ledger.cards import CardLedger
from ingest.records.cards import DestinationRecord, PresentCard
from ingest.steps.copying.owed import stills_settled
from ingest.steps.copying.plan import CopySettings
from ingest.steps.copying.stage_run import Run
from ingest.steps.copying.stage_second import SecondReading
from ingest.steps.copying.stage_state import Progress, State


class Copier:
    """Copies cards.  ``progress`` is called from several threads, often; it must be quick.  ``rank`` says which
    of the cards that wait is read next: the lowest, then the one that waits longest.  ``claiming`` is called with a
    destination's path and a number of files before their facts are stored; what it raises stops the run."""

    def __init__(
        self, disk: Disk, ledger: CardLedger, clock: Clock, settings: CopySettings, *, show: str,
        progress: Callable[[Progress], None] = lambda _: None, rank: Callable[[str], int] = lambda _: 0,
        claiming: Callable[[str, int], None] = lambda _, __: None,
    ) -> None:
        self.rank, self.claiming = rank, claiming
        self.disk, self.ledger, self.clock, self.settings, self.show = disk, ledger, clock, settings, show
        self.progress = progress
        self._running: Run | None = None
        self._guard = threading.Lock()
        self._rereading = False
        self._came: list[PresentCard] = []

    def add(self, present: PresentCard) -> bool:
        """A card that came while a run is at work joins it; False if there is none to join, or it
        cannot be taken now.

        Second readings are broken off for a card that is new to them: the next free card matters more.
        """
        run = self._running
        if run is not None and run.add(present):
            return True
        with self._guard:
            if self._rereading:  # of two stays of a card the later one
                self._came = [*(c for c in self._came if c.card.id != present.card.id), present]
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
        state = State(self.disk, self.ledger, self.clock, self.settings, show=self.show, progress=self.progress,
                      rank=self.rank, stop=stop, claiming=self.claiming)
        self._running = Run(state, present, destinations)
        try:
            self._running.go()
        finally:
            self._running = None

    def read_again(self, present: Sequence[PresentCard], stop: threading.Event) -> None:
        """Second readings from the device, and confirmation of what is held of a card that came back."""
        SecondReading(
            self.disk, self.ledger, self.clock, self.settings, present, progress=self.progress,
            makes_way=lambda: stop.is_set() or self.wanted(present), stop=stop,
        ).go()


def all_stills_settled(ledger: CardLedger, card_ids: Iterable[str]) -> bool:
    """Whether every still of these cards is verified at some destination or could not be read."""
    for card_id in card_ids:
        files = ledger.files(card_id)
        copied = {(c.path, c.generation) for c in ledger.copies(card_id)}
        failed = {(f.path, f.generation) for f in files if f.trouble}
        if not stills_settled(files, copied, failed):
            return False
    return True
