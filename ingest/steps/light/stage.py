"""What the light of each lat-long probe is, kept as a paper beside the picture; what its bracket can hold."""

from __future__ import annotations

import json
import os
from collections.abc import Mapping, Sequence

from ingest.errors import Unreadable, WorkerFailed
from ingest.machinery.ledger.work import ProbeFact
from ingest.outbox import Outbox
from ingest.records.filing import Place
from ingest.records.findings import Finding
from ingest.records.merges import MergeFrame
from ingest.records.views import View
from ingest.services import Services
from ingest.steps.light import bracket


def ceiling(view: View) -> dict[str, float] | None:
    """What the view's bracket can hold by its headers alone, in cd/m2, and the sun's stops over it."""
    return bracket.can_hold(_exposures(view))


def unequal_views(views: Sequence[View]) -> list[Finding]:
    """Positions whose views were not shot with the same exposures; said of each odd view."""
    positions: dict[str, list[View]] = {}
    for view in views:
        if view.repeat_of is None and view.complete is not False:
            positions.setdefault(view.position, []).append(view)
    found = []
    for together in positions.values():
        together.sort(key=lambda v: v.view)
        for told in bracket.unequal_views([_exposures(v) for v in together]):
            for k in told["frames"]:
                found.append(Finding.from_json({**told, "item": f"{together[k].id}: view", "frames": []}))
    return found


def _exposures(view: View) -> list[MergeFrame]:
    """The view's frames as far as exposures go; those nobody could read are left out."""
    return [
        MergeFrame(name="", exposure_s=float(f.exposure_s), f_number=f.f_number, iso=f.iso)
        for f in view.frames if f.exposure_s
    ]


def summarise(
    services: Services, outbox: Outbox, views: Sequence[View], places: Mapping[str, Place],
    current: Mapping[str, ProbeFact],
) -> None:
    """A light summary for every lat-long picture that has none yet; it moves with its picture."""
    for view in views:
        fact = current.get(view.id)
        if view.kind != "lat-long" or fact is None or fact.record is None or services.stop.is_set():
            continue
        owner, place = f"{view.id}/{fact.version}", places[view.id]
        path = f"{services.show}/{place.folder}/{place.stem}.light.json"
        text = services.work.recall(f"light|{owner}")
        if text is None:
            fd = outbox.open(owner=owner, kind="probe")
            if fd is None:
                continue  # its disk is away: it stays owed
            try:
                answer = services.worker.run(
                    "light", {"previous": False, "outputs": []}, [fd], timeout_s=120.0, cancel=services.stop
                )
            except (Unreadable, WorkerFailed) as error:
                if services.stop.is_set():
                    return
                answer = {"trouble": error.what}
            finally:
                os.close(fd)
            text = json.dumps(answer)
            services.work.put(f"light|{owner}", text)
        outbox.settle(owner, "light", path)
        data = (text + "\n").encode()
        outbox.put(path, lambda _, d=data: d, kind="light", owner=owner)  # type: ignore[misc]
