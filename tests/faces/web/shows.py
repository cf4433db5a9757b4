"""A show with facts put straight into its ledger, for pages: cards, probes with previews, findings."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import structlog
from PIL import Image

from ingest.faces.shows import make_show
from ingest.machinery.disk.hashing import digest_of
from ingest.machinery.ledger.cards import Landed, Reading
from ingest.machinery.ledger.work import Output, ProbeFact
from ingest.records.cards import CardFile, FileKind, Proof
from ingest.records.findings import Finding, Severity
from ingest.records.views import FrameFile, View, ViewFrame
from ingest.services import Services, open_services
from ingest.settings.model import Settings
from ingest.settings.reading import load

UTC = "2031-05-17T10:00:00.000Z"
DAY = "2031-05-17"
# Markup, a control character, a turned reading direction, bytes that are no UTF-8.
HOSTILE = "<img src=x onerror=alert(1)>\x07\u202egpj.\udcff\"'&amp;"


def scratch(root: Path, **page: Any) -> Services:
    """A fresh show below ``root``; ``page`` are keys of its [page] section."""
    (root / "slots").mkdir(parents=True)
    file = make_show(
        root / "show",
        code="TIDE",
        timezone="Atlantic/Azores",
        destinations=[str(root / "a"), str(root / "b")],
        watch=[str(root / "slots")],
        one_disk=True,
    )
    return at(load(file), **{"port": 0, **page})


def at(settings: Settings, **page: Any) -> Services:
    """The show of these settings, with other keys of the [page] section."""
    changed = settings.model_copy(update={"page": settings.page.model_copy(update=page)})
    return open_services(changed, structlog.get_logger())


def add_card(
    services: Services,
    name: str,
    *,
    files: int = 3,
    copied: bool = True,
    here: bool = True,
    label: str | None = None,
    hostile: bool = False,
    n: int = 0,
) -> str:
    """A card with its files, read and copied to both destinations if ``copied``; answers its id."""
    id = f"{n:04x}{digest_of(name.encode('utf-8', 'surrogateescape'))[:8]}"
    cards = services.cards
    cards.add_card(
        id=id, label=name if label is None else label, day=DAY, folder=f"cards/{DAY}/c{id}", volume_id=f"v{id}", utc=UTC
    )
    names = [HOSTILE if hostile and k == 0 else f"DCIM/100TIDE/TD_{n:03}{k:05}.JPG" for k in range(files)]
    sighting = cards.record_sighting(
        card_id=id,
        presence=f"p{id}",
        mount=f"/slots/{name}",
        filesystem="exfat",
        read_only=True,
        generation=1,
        whole=True,
        samples={},
        files=[(CardFile(path=p, size_bytes=1000, mtime_ns=0), FileKind.STILL, 1) for p in names],
        left_out=(),
        empty_folders=(),
        utc=UTC,
    )
    cards.end_sighting(sighting, ended=True, utc=UTC)
    if copied:
        copy_card(services, id, sighting)
    if not here:
        cards.gone([id], UTC)
    return id


def copy_card(services: Services, id: str, sighting: int = 1) -> None:
    """Its files become read twice and verified at both destinations."""
    rows = services.cards.files(id)
    digest = {f.row: digest_of(f.path.encode("utf-8", "surrogateescape")) for f in rows}
    services.cards.record(
        readings=[
            Reading(row=f.row, n=k, utc=UTC, digests={"xxh3_128": digest[f.row]}, proof=Proof.DEVICE, sighting=sighting)
            for f in rows
            for k in (1, 2)
        ],
        landed=[
            Landed(
                row=f.row,
                destination_id=d.id,
                stored_path=f.path,
                source_digest=digest[f.row],
                back_digest=digest[f.row],
                proof=Proof.DEVICE,
                read_back_utc=UTC,
                folder_synced=True,
            )
            for f in rows
            for d in services.cards.destinations()
        ],
    )


def jpeg(seed: int = 0, size: tuple[int, int] = (480, 240)) -> bytes:
    out = io.BytesIO()
    Image.linear_gradient("L").resize(size).convert("RGB").rotate(seed * 30).save(out, "JPEG", quality=80)
    return out.getvalue()


def add_probes(
    services: Services, count: int, *, preview: bool = True, reason: str = "", pictured: int = 40
) -> list[str]:
    """Merged probes of seven frames each, the newest ``pictured`` with a preview at the first destination."""
    ids = [f"p{k:010x}" for k in range(count)]
    views = [a_view(i, k, reason) for k, i in enumerate(ids)]
    services.work.set_grouping(views, {}, {}, UTC)
    destination = services.cards.destinations()[0]
    data = jpeg()
    with services.store.transaction():
        for k, view in enumerate(views):
            services.work.add_probe(
                ProbeFact(
                    id=view.id,
                    version=1,
                    signature=view.id,
                    frames=view.digests,
                    trouble="",
                    superseded_utc=None,
                    merged_utc=f"2031-05-17T10:{k // 60 % 60:02}:{k % 60:02}.000Z",
                    record={"width": 480, "height": 240, "stops_covered": 21.4, "clipped": {"share": 0.001}},
                ),
                UTC,
            )
            path = f"TIDE/unfiled/{view.id}.jpg"
            if preview:
                services.work.set_output(
                    Output(
                        destination_id=destination.id,
                        path=path,
                        kind="preview",
                        owner=f"{view.id}/1",
                        size_bytes=len(data),
                        digest=f"xxh3_128:{digest_of(data)}",
                        proof="device",
                        written_utc=UTC,
                    )
                )
    if preview:
        folder = Path(destination.path) / "TIDE" / "unfiled"
        folder.mkdir(parents=True, exist_ok=True)
        for view in views[-pictured:]:
            (folder / f"{view.id}.jpg").write_bytes(data)
    return ids


def copy_of(services: Services, path: str, to: str) -> None:
    """One of our files at the first destination, once more under another name."""
    root = Path(services.cards.destinations()[0].path)
    (root / to).write_bytes((root / path).read_bytes())


def a_view(id: str, k: int, reason: str = "") -> View:
    frames = tuple(
        ViewFrame(
            files=(FrameFile(digest=f"xxh3_128:{k:08x}{n:024x}", card_id="c", path=f"DCIM/F{k:05}{n}.JPG"),),
            exposure_s=2.0**-n,
            f_number=8.0,
            iso=100.0,
            taken_s=1_936_000_000.0 + k,
        )
        for n in range(7)
    )
    return View(
        id=id,
        frames=frames,
        complete=True,
        review=bool(reason),
        reasons=(reason,) if reason else (),
        why=("one ladder",),
        position=f"q{k}",
        view=1,
        repeat_of=None,
        body="Brumelle Orb",
        make="Brumelle",
        model="Orb",
        serial="1",
        lens="",
        focal_mm=None,
        kind="lat-long",
        kind_proposed=False,
    )


def add_findings(services: Services, count: int, *, what: str = "red shifts between frames") -> None:
    services.work.set_findings(
        "test",
        [
            Finding(
                kind="white shift", item=f"p{n:010x}: picture", severity=Severity.PERSON, what=what, next="Look at it."
            )
            for n in range(count)
        ],
        UTC,
    )
