"""Clips of the cards read once each, through a real worker, into a real ledger."""

from __future__ import annotations

import os
import threading
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

from ingest.errors import SourceUnreadable
from ingest.machinery.ledger.store import Store
from ingest.machinery.ledger.work import WorkLedger
from ingest.machinery.worker.host import WorkerPool
from ingest.originals import Originals
from ingest.records.cards import FileKind
from ingest.records.clips import ClipFacts
from ingest.services import Services
from ingest.steps.clips.stage import read_new

DATA = Path(__file__).parents[2] / "data" / "headers"


class Shelf:
    """Originals without cards: digest -> bytes, or None for a copy that cannot be opened."""

    def __init__(self, folder: Path, files: dict[str, bytes | None]) -> None:
        self.folder, self.files = folder, files
        for digest, data in files.items():
            if data is not None:
                (folder / digest).write_bytes(data)

    def of_kind(self, kind: FileKind) -> list[Any]:
        assert kind is FileKind.CLIP
        return [SimpleNamespace(digest=d) for d in (*self.files, *self.files)]

    def open(self, digest: str) -> int:
        if self.files[digest] is None:
            raise SourceUnreadable("no destination that holds it is here.", retry=True)
        return os.open(self.folder / digest, os.O_RDONLY)


def test_each_clip_is_read_once_and_what_could_not_be_opened_is_asked_for_again(tmp_path: Path) -> None:
    real = (DATA / "sony-a7-xavc.MP4").read_bytes()
    shelf = Shelf(tmp_path, {"good": real, "raw": b"\0\0\4\x88RED2" + bytes(900), "empty": b"", "absent": None})
    work = WorkLedger(Store(tmp_path / "ledger.sqlite"))
    told: list[str] = []
    with WorkerPool(1) as pool:
        services = cast(
            Services,
            SimpleNamespace(
                worker=pool, work=work, stop=threading.Event(), tell=lambda event, _: told.append(event),
                clock=SimpleNamespace(utc=lambda: "2026-03-01T00:00:00Z"),
            ),
        )  # fmt: skip
        originals = cast(Originals, shelf)
        assert read_new(services, originals) == 3
        facts = {d: (ClipFacts.from_json(f) if f else None, t) for d, (f, t) in work.clips().items()}
        assert set(facts) == {"good", "raw", "empty"} and told == ["clips"] * 3
        good, raw = facts["good"][0], facts["raw"][0]
        assert good is not None and good.frame_rate == 50 and good.timecode == "00:00:00:00"
        assert raw is not None and (raw.kind, raw.readable) == ("R3D raw clip", False)
        assert "empty" in facts["empty"][1]
        shelf.files["absent"] = real
        (tmp_path / "absent").write_bytes(real)
        assert read_new(services, originals) == 1
        assert read_new(services, originals) == 0
        services.stop.set()
