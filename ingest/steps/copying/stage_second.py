"""Second readings of a card, from the device, and the confirmation of what is held of a card that came back."""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence

from ingest.errors import CardGone
from ingest.machinery.clock import Clock
from ingest.machinery.disk.fanout import Beat
from ingest.machinery.disk.files import Disk
from ingest.machinery.disk.folders import Folders
from ingest.machinery.disk.hashing import ALWAYS
from ingest.machinery.disk.patience import Ask, Hung
from ingest.machinery.disk.readback import Buffer, read_from_device
from ingest.machinery.ledger.cards import CardLedger, Reading, Trouble
from ingest.records.cards import FileRecord, PresentCard, Proof
from ingest.records.findings import Severity
from ingest.records.names import shown
from ingest.steps.copying.owed import on_card, second_readings
from ingest.steps.copying.plan import CopySettings
from ingest.steps.copying.stage_same_card import check_same, is_as_listed
from ingest.steps.copying.stage_state import Progress

NOT_FINISHED = "second reading not finished"
FAILED = "second reading failed"


class SecondReading:
    """One call of ``Copier.read_again``: cards one after the other, each file from the device."""

    def __init__(
        self, disk: Disk, ledger: CardLedger, clock: Clock, settings: CopySettings, present: Sequence[PresentCard], *,
        progress: Callable[[Progress], None], makes_way: Callable[[], bool], stop: threading.Event,
    ) -> None:
        self.disk, self.ledger, self.clock, self.settings = disk, ledger, clock, settings
        self.present, self.progress, self.stop = present, progress, stop
        self.makes_way = makes_way  # stopped, or a card waits that was not here when this began

    def go(self) -> None:
        standing = {card for card, _ in self.ledger.in_trouble((NOT_FINISHED,))}
        for present in self.present:
            if self.makes_way():
                return
            owed_now = self._owed(present)
            if not owed_now and present.card.id in standing:
                self.ledger.no_trouble([Trouble(kind=NOT_FINISHED, card_id=present.card.id)])
            if owed_now:
                ask = Ask(lambda beat, p=present, files=owed_now: self._card(p, files, beat))  # type: ignore[misc]
                try:
                    ask.answer(self.settings.hang_s, self.stop)
                    self.ledger.no_trouble([Trouble(kind=NOT_FINISHED, card_id=present.card.id)])
                except Hung:
                    if not self.makes_way():
                        self.ledger.trouble([Trouble(
                            kind="card does not answer", card_id=present.card.id, what="it stands still in one read.",
                            next="Pull the card and plug it in again; try another reader. Its second reading goes on "
                            "then.")], self.clock.utc())
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
            check_same(self.disk, folders, present, files)
            listed = {f.path: f for f in present.inventory.files}
            failed = {t.path for t in self.ledger.troubles(present.card.id) if t.kind == FAILED}
            for file in files:
                if self.makes_way():
                    break
                if not self.disk.same_place(root):
                    raise CardGone("its folder is no longer there.", item=present.root)
                if not is_as_listed(self.disk, folders, listed[file.path]):
                    raise CardGone(f"{shown(file.path)} is not there as it was listed.", item=present.root)
                self.progress(
                    Progress(card_id=present.card.id, state="being read", doing="second reading", path=file.path)
                )
                now = self._file(present, folders, file, buffer, beat)
                if now and file.path in failed:
                    self.ledger.no_trouble([Trouble(kind=FAILED, card_id=present.card.id, path=file.path)])
                found += now
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
                self._say(present, file, FAILED, Severity.PERSON,
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
                kind=NOT_FINISHED, card_id=present.card.id, severity=Severity.NOTE, what=f"{what}",
                next="Plug the card in again: the second reading goes on where it stopped.")], self.clock.utc())
