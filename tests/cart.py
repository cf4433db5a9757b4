"""A small cart for tests: cards made of bytes, destinations, a ledger, and the engine on them."""

from __future__ import annotations

import os
import random
import threading
from collections.abc import Mapping, Sequence
from pathlib import Path

from ingest.machinery.clock import Clock
from ingest.machinery.disk.destinations import create_destination
from ingest.machinery.disk.files import Disk
from ingest.machinery.disk.hashing import digest_of
from ingest.machinery.ledger.cards import CardLedger
from ingest.machinery.ledger.store import Store
from ingest.records.cards import DestinationRecord, PresentCard
from ingest.steps.cards.stage import Lookout
from ingest.steps.copying.plan import CopySettings
from ingest.steps.copying.stage import Copier

DAY = "2031-05-17"
SHOW = "TIDE"


def some_bytes(seed: int, size: int) -> bytes:
    return random.Random(seed).randbytes(size)


def fill(card: Path, files: Mapping[str, bytes]) -> Path:
    """Files with fixed times, two seconds apart as FAT would keep them."""
    for i, (path, data) in enumerate(sorted(files.items())):
        target = card / path
        target.parent.mkdir(parents=True, exist_ok=True)
        target.write_bytes(data)
        os.utime(target, ns=((1_900_000_000 + 2 * i) * 10**9,) * 2)
    return card


def small_card(seed: int = 1) -> dict[str, bytes]:
    """Stills, a sidecar, an empty file and a clip of more than one piece."""
    files = {f"DCIM/100TIDE/TD_{i:04}.JPG": some_bytes(seed * 100 + i, 3000 + i) for i in range(6)}
    files["DCIM/100TIDE/TD_0000.XMP"] = b"<x/>"
    files["CLIPS/T001.MOV"] = some_bytes(seed * 100 + 99, (9 << 20) + 17)
    files["CLIPS/EMPTY.LOG"] = b""
    return files


class Cart:
    """Ledger, destinations and engine in one folder; ``disk`` may be one that fails."""

    def __init__(
        self, base: Path, *, disk: Disk | None = None, destinations: Sequence[str] = ("a", "b"),
        settings: CopySettings | None = None, tag: str = "ledger",
    ) -> None:
        self.base, self.disk, self.clock = base, disk or Disk(), Clock()
        self.store = Store(base / f"{tag}.sqlite")
        self.ledger = CardLedger(self.store)
        self.settings = settings or CopySettings(reserve_bytes=0, pause_s=0.0, hang_s=30.0, pieces=4)
        self.stop = threading.Event()
        for name in destinations:
            self.add(base / name)
        self.lookout = self.new_lookout()

    def new_lookout(self, **more: float) -> Lookout:
        return Lookout(self.disk, self.ledger, self.clock, day=lambda: DAY, settle_s=0.0, **more)  # type: ignore[arg-type]

    def add(self, path: Path) -> DestinationRecord:
        identity = create_destination(Disk(), str(path), show=SHOW, utc=self.clock.utc())
        record = DestinationRecord(id=identity.id, path=str(path), required=True, present=True)
        self.ledger.add_destination(record, self.clock.utc())
        return record

    def take(self, card: Path) -> PresentCard:
        return self.lookout.take(str(card))

    def copier(self, disk: Disk | None = None) -> Copier:
        return Copier(disk or self.disk, self.ledger, self.clock, self.settings, show=SHOW)

    def run(self, *cards: PresentCard, disk: Disk | None = None) -> None:
        self.copier(disk).run(cards, self.ledger.destinations(), self.stop)

    def folder(self, destination: str, card: PresentCard | str) -> Path:
        folder = card if isinstance(card, str) else card.card.folder
        return self.base / destination / SHOW / folder

    def kinds(self) -> set[str]:
        return {f.kind for f in self.ledger.findings()}

    def is_met(self, card_id: str) -> bool:
        """The judgement in the tests' own words: every file at every required destination, listing whole."""
        card = self.ledger.card(card_id)
        files = self.ledger.files(card_id)
        have = {(c.path, c.generation, c.destination_id) for c in self.ledger.copies(card_id)}
        required = [d.id for d in self.ledger.destinations() if d.required]
        return bool(
            card and card.listing_whole and files
            and all((f.path, f.generation, d) in have for f in files for d in required)
            and all(f.second_digest in ("", f.digests.get("xxh3_128")) for f in files)
        )

    def check_claims(self) -> None:
        """Every fact in the ledger is true: the named file is there, whole, with the digest it claims."""
        roots = {d.id: Path(d.path) for d in self.ledger.destinations(lost=True)}
        for card in self.ledger.cards():
            for fact in self.ledger.copies(card.id):
                data = (roots[fact.destination_id] / SHOW / card.folder / fact.stored_path).read_bytes()
                assert len(data) == fact.size_bytes and digest_of(data) == fact.back_digest == fact.source_digest, fact


def tree(folder: Path) -> dict[str, bytes]:
    """Every file below a folder with its bytes; temporary files of ours show up as what they are."""
    return {
        os.path.relpath(os.path.join(where, name), folder): (Path(where) / name).read_bytes()
        for where, _, names in os.walk(folder) for name in names
    }
