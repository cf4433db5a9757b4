"""One upright lat-long per position, from the merged views and the body's lens numbers in the settings.

A position is stitched when all its views of now are merged.  It is known by its signature (the views' own
signatures and the lens numbers); the same signature is never stitched twice, another one gets a further
file beside the first.  A lat-long body needs none: its picture is the panorama.
"""

from __future__ import annotations

import base64
import contextlib
import hashlib
import json
import os
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from ingest.errors import Unreadable, WorkerFailed
from ingest.machinery.ledger.work import ProbeFact
from ingest.machinery.worker.elsewhere import Elsewhere, each, run
from ingest.outbox import Outbox
from ingest.records.filing import Place
from ingest.records.findings import Finding, Severity
from ingest.records.views import View
from ingest.services import Services
from ingest.settings.model import Body

STITCHED = frozenset({"dual-fisheye", "fisheye", "mirror-ball"})


def stitch(
    services: Services, outbox: Outbox, views: Sequence[View], places: Mapping[str, Place],
    current: Mapping[str, ProbeFact], means: Callable[[Body, str], bool], elsewhere: Elsewhere | None = None,
) -> list[Finding]:
    """Stitch what is owed, move what lies elsewhere; answers what a person should know."""
    found: list[Finding] = []
    owed: list[_Owed] = []
    ready: list[_Owed] = []
    by_position: dict[str, list[View]] = defaultdict(list)
    for view in views:
        if view.kind in STITCHED and view.repeat_of is None:
            by_position[view.position].append(view)
    for position, own in sorted(by_position.items()):
        own.sort(key=lambda v: v.view)
        facts = [f for v in own if (f := current.get(v.id)) is not None and f.record is not None]
        if len(facts) < len(own):
            continue
        lens = next((b.lens for b in services.settings.bodies if b.lens and means(b, own[0].body)), None)
        if lens is None:
            found.append(Finding(
                kind="no lens numbers", item=own[0].body or position, severity=Severity.NOTE,
                what=f"Its {own[0].kind} views are merged, but there is no upright lat-long of position {position}.",
                next="Give the body its lens numbers in the settings (`nightloader panorama --calibrate` finds them).",
            ))
            continue
        sheet = _for_views(lens, len(own))
        said = [[f.signature for f in facts], sheet]
        signature = hashlib.sha256(json.dumps(said, sort_keys=True).encode()).hexdigest()[:32]
        known = json.loads(services.work.recall(f"panoramas|{position}") or "[]")
        number = next((n for n, k in enumerate(known, 1) if k["signature"] == signature), len(known) + 1)
        place = places[own[0].id]
        path = f"{services.show}/{place.folder}/{place.stem}_latlong{number:02d}.exr"
        one = _Owed(position=position, views=own, facts=facts, sheet=sheet, signature=signature, number=number,
                    path=path)
        (owed if number > len(known) else ready).append(one)

    def make(one: _Owed) -> None:
        if services.stop.is_set():
            return
        answer = _project(services, outbox, one, elsewhere)
        if answer is None:
            return  # a disk is away or the daemon ends: it stays owed
        known = json.loads(services.work.recall(f"panoramas|{one.position}") or "[]")
        known.append({"signature": one.signature, **answer})
        services.work.put(f"panoramas|{one.position}", json.dumps(known))
        services.log.info("panorama", position=one.position, views=len(one.views))
        ready.append(one)

    each(owed, make, elsewhere)
    for one in sorted(ready, key=lambda o: o.position):
        for kind, ending in (("panorama", ".exr"), ("panorama record", ".json"), ("findings", "_findings.jpg")):
            outbox.settle(one.owner, kind, one.path.removesuffix(".exr") + ending)
        said = json.loads(services.work.recall(f"panoramas|{one.position}") or "[]")[one.number - 1]
        if said.get("trouble"):
            found.append(Finding(
                kind="no panorama", item=one.position, severity=Severity.PERSON, what=said["trouble"],
                next="Check the body's lens numbers in the settings.",
            ))
            continue
        record = said.get("record", {})
        paper = (json.dumps({"position": one.position, "probes": [v.id for v in one.views], **record}, indent=1)
                 + "\n").encode()
        outbox.put(one.path.removesuffix(".exr") + ".json", lambda _, d=paper: d,  # type: ignore[misc]
                   kind="panorama record", owner=one.owner)
        found += _findings(record, one.views[0].id)
    return found


def newest(services: Services, position: str) -> int | None:
    """The number of the position's newest panorama that has a picture."""
    known = services.work.panorama(position)
    return None if known is None else int(known[0].rpartition("/")[2])


def _findings(record: Mapping[str, Any], first: str) -> list[Finding]:
    """What a panorama's record finds, under its position's first view, whose name its file has."""
    made: list[Finding] = []
    for raw in record.get("findings", ()):
        with contextlib.suppress(KeyError, ValueError):
            before = sum(f.kind == raw["kind"] for f in made)
            item = f"{first}: panorama" + (f" ({before + 1})" if before else "")
            made.append(Finding.from_json({**raw, "item": item}))
    return made


@dataclass(frozen=True, kw_only=True, slots=True)
class _Owed:
    """One panorama of a position: its views as merged now, its lens numbers, which file it is."""

    position: str
    views: Sequence[View]
    facts: Sequence[ProbeFact]
    sheet: Mapping[str, Any]
    signature: str
    number: int
    path: str

    @property
    def owner(self) -> str:
        return f"{self.position}/{self.number}"


def _for_views(lens: Mapping[str, Any], views: int) -> dict[str, Any]:
    """The body's lens numbers with headings for as many views as there are: evenly round where none are given."""
    sheet = {k: v for k, v in lens.items() if k != "views"}
    given = list(lens.get("views", ()))
    sheet["views"] = given[:views] if len(given) >= views else [
        {"heading_deg": 360.0 * n / views} for n in range(views)
    ]
    return sheet


def _project(
    services: Services, outbox: Outbox, one: _Owed, elsewhere: Elsewhere | None
) -> dict[str, Any] | None:
    answer: dict[str, Any] = {}

    def work(outputs: Sequence[int]) -> None:
        with contextlib.ExitStack() as stack:
            sources = []
            for view, fact in zip(one.views, one.facts, strict=True):
                fd = outbox.open(owner=f"{view.id}/{fact.version}", kind="probe")
                if fd is None:
                    raise FileNotFoundError(2, "no merged view is here", view.id)
                stack.callback(os.close, fd)
                sources.append(fd)
            answer.update(run(
                services.worker, elsewhere, "panorama",
                {"lens": dict(one.sheet), "views": len(one.views), "picture": True}, sources, outputs,
                timeout_s=services.settings.merging.time_limit_s, cancel=services.stop,
            ))

    try:
        if not outbox.make([("panorama", one.path)], one.owner, work):
            return None
    except (Unreadable, WorkerFailed) as error:
        return None if services.stop.is_set() else {"trouble": error.what}
    shown = base64.b64decode(str(answer.pop("findings_picture", "")))
    for destination in outbox.here[:] if shown else ():
        outbox.put_at(destination, one.path.removesuffix(".exr") + "_findings.jpg", shown, kind="findings",
                      owner=one.owner)
    return {"record": answer}
