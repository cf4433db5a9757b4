"""Which files in a show's folder are our own, of which kind and whose, by their places and papers alone."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterator
from dataclasses import dataclass

from ingest.steps.paperwork import checksums, history, manifest
from ingest.steps.paperwork.adopt import Adopted

_REPORT = re.compile(r"reports/(\d{4}-\d{2}-\d{2})\.(html|json|pdf)")
_REPORT_KINDS = {"html": "report", "json": "report data", "pdf": "report print"}
_KINDS = {"exr": "probe", "jpg": "preview"}


@dataclass(frozen=True, kw_only=True, slots=True)
class OwnFile:
    """A file of ours by its place under the show's folder; ``digest`` is what a paper vouches for ("" if none)."""

    path: str
    kind: str
    owner: str
    digest: str = ""


def own_files(adopted: Adopted, there: Collection[str], *, show: str) -> tuple[OwnFile, ...]:
    """Every file of ours among ``there`` (paths under the show's folder), each once."""
    found: dict[str, OwnFile] = {}
    for one in (*_of_cards(adopted, there), *_of_probes(adopted), *_of_show(there, show)):
        if one.path in there:
            found.setdefault(one.path, one)
    return tuple(found.values())


def _of_cards(adopted: Adopted, there: Collection[str]) -> Iterator[OwnFile]:
    by_folder = {c.folder: c.id for c in adopted.cards}
    for folder, card_id in by_folder.items():
        yield OwnFile(path=manifest.manifest_path(folder), kind="manifest", owner=card_id)
        for algorithm in checksums.CHECKERS:
            yield OwnFile(path=checksums.log_path(folder, algorithm), kind=f"checksums {algorithm}", owner=card_id)
        yield OwnFile(path=f"{folder}/{history.FOLDER}/{history.CHAIN}", kind="chain", owner=card_id)
    for path in there:
        base, _, name = path.rpartition("/")
        number = history.list_number(name)
        owner = by_folder.get(base.removesuffix(f"/{history.FOLDER}"))
        if number is not None and owner is not None and base.endswith(f"/{history.FOLDER}"):
            yield OwnFile(path=path, kind=f"history {number}", owner=owner)


def _of_probes(adopted: Adopted) -> Iterator[OwnFile]:
    """What a record names lies beside it, also where the folder was moved after the record was written."""
    for probe in adopted.probes:
        place = adopted.records.get((probe.id, probe.probe_version))
        if place is None:
            continue
        owner, folder = f"{probe.id}/{probe.probe_version}", place.rpartition("/")[0]
        yield OwnFile(path=place, kind="record", owner=owner)
        yield OwnFile(path=place.removesuffix(".json") + ".light.json", kind="light", owner=owner)
        for output in probe.outputs:
            name = output.path.rpartition("/")[2]
            kind = "findings" if name.endswith("_findings.jpg") else _KINDS.get(name.rpartition(".")[2])
            if kind:
                yield OwnFile(path=f"{folder}/{name}", kind=kind, owner=owner, digest=output.digest)


def _of_show(there: Collection[str], show: str) -> Iterator[OwnFile]:
    yield OwnFile(path="paperwork/show.manifest.json", kind="show manifest", owner=show)
    for path in there:
        match = _REPORT.fullmatch(path)
        if match:
            yield OwnFile(path=path, kind=_REPORT_KINDS[match[2]], owner=match[1])
