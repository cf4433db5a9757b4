"""A run as a whole: the destinations that are here are opened, each card gets its reader, nobody waits for ever."""

from __future__ import annotations

import threading
from collections.abc import Sequence

from ingest.errors import DestinationUnavailable
from ingest.machinery.disk.destinations import OpenDestination, find_destination
from ingest.machinery.disk.fanout import Ended, Lane
from ingest.machinery.disk.patience import TICK_S, Watcher
from ingest.machinery.disk.temporary import remove_temps
from ingest.machinery.ledger.cards import Planned, Trouble
from ingest.records.cards import DestinationRecord, PresentCard
from ingest.records.findings import Severity
from ingest.steps.copying.owed import owed
from ingest.steps.copying.plan import holds
from ingest.steps.copying.stage_outcomes import Outcomes
from ingest.steps.copying.stage_reader import Serving
from ingest.steps.copying.stage_state import Line, Reader, State, in_trouble


class Run:
    """One call of ``Copier.copy``."""

    def __init__(
        self, state: State, present: Sequence[PresentCard], destinations: Sequence[DestinationRecord]
    ) -> None:
        self.run = state
        self.present, self.destinations = present, destinations
        self.readers: list[Reader] = []
        self.ended = False
        self._outcomes = Outcomes(state)
        self._serving = Serving(state, self._outcomes, self._start)

    def go(self) -> None:
        try:
            self.run.lines = [line for d in self.destinations if (line := self._open(d)) is not None]
            if self.run.lines:
                for p in self.present:
                    self._start(Reader(p.card.id, p.card.folder, list(self.run.lines), p))
                self._start_absent()
                self._watch()
        finally:
            for line in self.run.lines:
                line.lane.close()
                line.open.close()
        if self.run.fatal is not None:
            raise self.run.fatal

    def add(self, present: PresentCard) -> bool:
        """One more card for this run; False while it cannot be taken: the run begins or ends, or an earlier stay of the
        card is still being read."""
        with self.run.guard:
            if not self.run.lines or self.ended or self.run.stop.is_set():
                return False
            at_work = [r for r in self.readers if r.card_id == present.card.id and not (r.over or r.left)]
            if not at_work:
                self._start(Reader(present.card.id, present.card.folder, list(self.run.lines), present))
            return all(r.present is not None and r.present.sighting == present.sighting for r in at_work)

    def _open(self, record: DestinationRecord) -> Line | None:
        absent = Trouble(kind="destination absent", destination_id=record.id)
        try:
            opened = find_destination(
                self.run.disk, record.path, record.id, self.run.ledger.marks().get(record.id, ""))
        except DestinationUnavailable as error:
            self.run.say(Trouble(kind=absent.kind, destination_id=record.id, what=error.what,
                              severity=Severity.PERSON if record.required else Severity.NOTE,
                              next=f"{error.next} What is owed to it is copied when it returns."))
            return None
        self.run.over(absent)
        self.run.over(Trouble(kind="destination in trouble", destination_id=record.id))
        volume = opened.volume
        try:
            self._clean(opened)
            room = self.run.disk.room(opened.root)
        except OSError as error:
            self.run.say(in_trouble(record, error))
            opened.close()
            return None
        try:
            lane = Lane(
                self.run.disk, opened.folders, filesystem=volume.filesystem, device=volume.device,
                workers=max(self.run.settings.workers, self.run.settings.cards_at_once + 2),
                landed=self._outcomes.landed,
            )
        except (OSError, MemoryError, RuntimeError) as error:  # no memory or no threads left
            self.run.say(in_trouble(record, error))
            opened.close()
            return None
        return Line(record, opened, holds(volume.filesystem, opened.folds), lane, room)

    def _clean(self, opened: OpenDestination) -> None:
        """Remove temporary files an earlier stop left: those the plan lists, no others."""
        by_folder: dict[str, list[Planned]] = {}
        for planned in self.run.ledger.planned(opened.id):
            if planned.folder.startswith(f"{self.run.show}/cards/"):  # the outbox cleans our own files'
                by_folder.setdefault(planned.folder, []).append(planned)
        for folder, plans in by_folder.items():
            remove_temps(self.run.disk, opened.folders, folder, [p.temp for p in plans])
            self.run.ledger.forget_plans(plans)

    def _start(self, reader: Reader) -> None:
        with self.run.guard:
            self.readers.append(reader)
        threading.Thread(target=self._serving.serve, args=(reader,), daemon=True, name=f"card {reader.card_id}").start()

    def _start_absent(self) -> None:
        """What is owed of cards that are not here comes from another verified copy."""
        here = {p.card.id for p in self.present}
        ids = [line.record.id for line in self.run.lines]
        for card in self.run.ledger.cards():
            if (
                card.id not in here
                and len(ids) > 1
                and owed(self.run.ledger.files(card.id), self.run.ledger.copies(card.id), ids)
            ):
                self._start(Reader(card.id, card.folder, list(self.run.lines)))

    def _watch(self) -> None:
        """Wait for the readers; leave alone who stands still inside one call for too long."""
        watcher = Watcher(self.run.settings.hang_s)
        while True:
            with self.run.guard:
                self.run.guard.wait_for(lambda: all(r.over or r.left for r in self.readers), TICK_S)
                readers = [r for r in self.readers if not (r.over or r.left)]
                self.ended = not readers
            if not readers:
                return
            if self.run.stop.is_set():
                watcher.hurry()
            stuck = watcher.tick([r.beat for r in readers] + [b for line in self.run.lines for b in line.lane.beats])
            for line in self.run.lines:
                if line.down is None and any(b in stuck for b in line.lane.beats):
                    silent = DestinationUnavailable("it does not answer.", item=line.record.path)
                    if self.run.stop.is_set():
                        line.down = silent  # everything ends: that nobody waited says nothing about the disk
                    else:
                        self.run.take_down(line, silent)
                    line.lane.give_up(silent)
            for reader in readers:
                if reader.beat in stuck:
                    self._leave(reader)

    def _leave(self, reader: Reader) -> None:
        with self.run.guard:
            reader.left = True
        self.run.turns.end(reader.card_id)
        for delivery in list(reader.current):
            delivery.end(Ended())
        if self.run.stop.is_set():
            return  # everything ends: that nobody waited says nothing about the card
        self.run.say(
            Trouble(
                kind="card does not answer",
                card_id=reader.card_id,
                what="it stands still in one read.",
                next="Pull the card and plug it in again; try another reader. What is missing is copied then.",
            )
        )
