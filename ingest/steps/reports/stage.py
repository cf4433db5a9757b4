"""Pictures for the morning report, made in the worker from our own merged pictures and shown nowhere else."""

from __future__ import annotations

import base64
import binascii
import contextlib
import io
import os
import tempfile
from collections.abc import Callable, Collection, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

from ingest.errors import Unreadable, WorkerFailed
from ingest.machinery.disk.hashing import digest_of
from ingest.machinery.ledger.work import ProbeFact
from ingest.machinery.worker import containers
from ingest.machinery.worker.room import most_at_once
from ingest.machinery.worker.tiff import Malformed, Source
from ingest.outbox import Outbox
from ingest.records.audit_paper import AuditReport
from ingest.services import Services
from ingest.steps.reports.morning import Picture, ProbePictures
from ingest.steps.reports.printing import Fonts

WIDTH = 480
STOPS = (-4, 0, 4)
_LABELS = {-4: "4 stops darker", 0: "middle", 4: "4 stops brighter"}
_BALLS = {"grey": "virtual grey ball in this light", "mirror": "virtual mirror ball in this light"}
_PHOTOGRAPHED = {"grey_ball": "the grey ball, photographed", "mirror_ball": "the mirror ball, photographed"}
_LARGEST = 8 << 20
_EACH_S = 120.0
_FINDINGS_BYTES = 12 << 20  # of all pictures of findings in one report


@contextlib.contextmanager
def fonts() -> Iterator[Fonts]:
    """The fonts of the printed report, as files for as long as they are needed: the library that sets them reads no
    others, the package that carries them holds bytes."""
    import pymupdf_fonts

    with tempfile.TemporaryDirectory(prefix="nightloader-fonts-") as folder:
        files = {}
        for use, name in (("regular", "figo"), ("bold", "figbo"), ("symbols", "cascadia")):
            file = Path(folder) / f"{use}.ttf"
            file.write_bytes(pymupdf_fonts.myfont(name))
            files[use] = str(file)
        yield Fonts(**files)


def of_the_day(services: Services, day: str) -> set[str]:
    """Probes with a frame on a card of this shoot day: the ones that its report shows."""
    cards = {c.id for c in services.cards.cards() if c.day == day}
    return {v.id for v in services.work.views() if any(f.card_id in cards for fr in v.frames for f in fr.files)}


def looks(
    services: Services, outbox: Outbox, probes: Collection[str], progress: Callable[[str], None]
) -> dict[str, dict[str, Any]]:
    """What the worker answers of each of these probes' pictures (job ``looks``), but of those it cannot read.

    As many at once as merges are: a picture of 4,096 pixels takes about a second."""
    kinds = {v.id: v.kind for v in services.work.views()}
    facts = [p for p in services.work.probes() if p.id in probes and p.record is not None]
    asked = {"width": WIDTH, "stops": list(STOPS)}

    def look(fact: ProbeFact) -> dict[str, Any] | None:
        fd = None if services.stop.is_set() else outbox.open(owner=f"{fact.id}/{fact.version}", kind="probe")
        if fd is None:
            return None
        try:
            return services.worker.run(
                "looks", {**asked, "kind": kinds.get(fact.id, "flat")}, [fd], timeout_s=_EACH_S, cancel=services.stop
            )
        except (Unreadable, WorkerFailed) as error:
            services.log.warning("no pictures for the report", probe=fact.id, why=error.what)
            return None
        finally:
            os.close(fd)

    found = {}
    with ThreadPoolExecutor(most_at_once(services.settings.merging.workers), thread_name_prefix="looks") as pool:
        for n, (fact, said) in enumerate(zip(facts, pool.map(look, facts), strict=True)):
            if said is not None:
                found[fact.id] = said
            progress(f"{n + 1:,} of {len(facts):,} probes looked at")
    return found


def with_histograms(report: AuditReport, seen: Mapping[str, Mapping[str, Any]]) -> AuditReport:
    """The report with each probe's radiance by stops, where it was looked at."""
    probes = [
        p.model_copy(update={"histogram": seen[p.id]["histogram"], "histogram_from_stop": seen[p.id]["from_stop"]})
        if seen.get(p.id, {}).get("histogram") else p for p in report.probes
    ]
    return report.model_copy(update={"probes": probes})


def pictures(
    services: Services, outbox: Outbox, seen: Mapping[str, Mapping[str, Any]]
) -> dict[str, ProbePictures]:
    """Per probe: its exposures, the virtual balls, and the real ones where a crop of them was made."""
    found = {}
    facts = {p.id: p for p in services.work.probes()}
    positions = {v.id: v.position for v in services.work.views()}
    room = _FINDINGS_BYTES
    for id, said in seen.items():
        exposures = [
            made for n, one in enumerate(said.get("exposures", ()))
            if (made := _picture(one, _LABELS[STOPS[n]], f"probe {id}, {_LABELS[STOPS[n]]}")) is not None
        ]
        balls = [
            made for one in said.get("balls", ())
            if (made := _picture(one, _BALLS[one["name"]], f"{_BALLS[one['name']]}, probe {id}")) is not None
        ]
        if balls:
            balls += _photographed(services, outbox, facts[id])
        owners = [(f"{id}/{facts[id].version}", "what the findings above show, numbered in their order")]
        if (stitched := services.work.panorama(positions.get(id, ""))) is not None:
            owners.append((stitched[0], "the same of its panorama"))
        shows = [made for owner, label in owners if (made := _of_findings(outbox, owner, label, id, room)) is not None]
        room -= sum(len(p.data) for p in shows)
        found[id] = ProbePictures(exposures=exposures, balls=balls, findings=shows)
    return found


def _of_findings(outbox: Outbox, owner: str, label: str, id: str, room: int) -> Picture | None:
    """The picture of the findings that lies beside a probe or panorama; None where there is none, or no room left in
    a page that must open on a phone."""
    at = outbox.known(owner=owner, kind="findings")
    for destination in outbox.here:
        if destination.id not in at:
            continue
        data = outbox.read(destination, at[destination.id].path, most=_LARGEST)
        if data is None or f"xxh3_128:{digest_of(data)}" != at[destination.id].digest:
            continue
        size = _size(data)
        if size is None or len(data) > room:
            return None
        return Picture(data=data, width=size[0], height=size[1], label=label, alt=f"pictures of findings, probe {id}")
    return None


def _size(data: bytes) -> tuple[int, int] | None:
    """Width and height of a JPEG of our own making."""
    try:
        return containers.blocks(Source(io.BytesIO(data)), "jpeg").size
    except Malformed:
        return None


def _picture(said: Mapping[str, Any], label: str, alt: str) -> Picture | None:
    try:
        data = base64.b64decode(str(said["jpeg"]), validate=True)
        return Picture(data=data, width=int(said["width"]), height=int(said["height"]), label=label, alt=alt)
    except (binascii.Error, KeyError, ValueError):
        return None


def _photographed(services: Services, outbox: Outbox, fact: ProbeFact) -> list[Picture]:
    """Crops of real balls that lie beside this probe."""
    here = {d.id: d for d in outbox.here}
    lie = outbox.known(owner=f"{fact.id}/{fact.version}", kind="probe").values()
    folders = {o.path.rpartition("/")[0] for o in lie}
    found: dict[str, Picture] = {}
    for kind, label in _PHOTOGRAPHED.items():
        for output in services.work.outputs(kind=kind):
            beside = output.path.rpartition("/")[0] in folders
            if not beside or output.destination_id not in here or output.owner in found:
                continue
            data = outbox.read(here[output.destination_id], output.path, most=_LARGEST)
            if data is not None and data[:3] == b"\xff\xd8\xff":
                found[output.owner] = Picture(data=data, width=160, height=160, label=label, alt=label)
    return list(found.values())
