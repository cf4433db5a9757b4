"""Headers and small looks of stills that are new, read from verified copies in the worker.

One bad file costs that file: a batch whose worker died is read again one by one.
"""

from __future__ import annotations

import contextlib
import dataclasses
import itertools
import os
from collections.abc import Iterable, Sequence
from typing import Any

from ingest.errors import SourceUnreadable, Unreadable, WorkerFailed
from ingest.machinery.ledger.work import StillFact
from ingest.originals import Original, Originals
from ingest.records.cards import FileKind
from ingest.records.stills import StillHeader, StillLook
from ingest.services import Services
from ingest.steps.stills.header import understand

BATCH = 24
BATCH_S = 120.0
ONE_S = 30.0


def read_new(services: Services, originals: Originals) -> int:
    """Read every still that no fact is known of; answers how many."""
    known = services.work.still_digests()
    fresh: dict[str, Original] = {}
    for original in originals.of_kind(FileKind.STILL):
        if original.file.digest not in known:
            fresh.setdefault(original.file.digest, original)
    items = [(d, o.file.path.rsplit("/", 1)[-1]) for d, o in fresh.items()]
    for batch in _batches(items):
        if services.stop.is_set():
            break
        facts = _read(services, originals, batch)
        services.work.add_stills(facts, services.clock.utc())
        services.tell("stills", {"read": len(facts)})
    return len(items)


def _batches(items: Sequence[tuple[str, str]]) -> Iterable[tuple[tuple[str, str], ...]]:
    return itertools.batched(items, BATCH) if hasattr(itertools, "batched") else (
        tuple(items[i : i + BATCH]) for i in range(0, len(items), BATCH)
    )


def _read(services: Services, originals: Originals, batch: Sequence[tuple[str, str]]) -> list[StillFact]:
    try:
        return _ask(services, originals, batch, BATCH_S)
    except WorkerFailed as error:
        if services.stop.is_set():
            return []
        if len(batch) > 1:
            services.log.warning("batch of headers read one by one", why=error.what)
            return [fact for item in batch for fact in _read(services, originals, [item])]
        services.log.warning("still cannot be read", name=batch[0][1], why=error.what)
        return [StillFact(digest=batch[0][0], header=None, look=None, trouble=error.what)]


def _ask(services: Services, originals: Originals, batch: Sequence[tuple[str, str]], seconds: float) -> list[StillFact]:
    with contextlib.ExitStack() as stack:
        opened: list[tuple[str, str, int]] = []
        for digest, name in batch:
            with contextlib.suppress(SourceUnreadable):  # its disk is away: the next pass finds it
                fd = originals.open(digest)
                stack.callback(os.close, fd)
                opened.append((digest, name, fd))
        if not opened:
            return []
        names = [name.encode("utf-8", "replace").decode() for _, name, _ in opened]
        fds = [fd for _, _, fd in opened]
        answers = services.worker.run("headers", {"names": names}, fds, timeout_s=seconds, cancel=services.stop)
        for fd in fds:
            os.lseek(fd, 0, os.SEEK_SET)
        looks = services.worker.run("look", {"names": names}, fds, timeout_s=seconds, cancel=services.stop)
    return [
        _fact(digest, answer, look)
        for (digest, _, _), answer, look in zip(opened, answers["files"], looks["files"], strict=True)
    ]


def _fact(digest: str, answer: dict[str, Any], look: dict[str, Any]) -> StillFact:
    header: StillHeader | None = None
    trouble = ""
    try:
        header = understand(answer)
    except Unreadable as error:
        trouble = error.what
    if "refused" in look:
        seen = StillLook(decodes=False, trouble=str(look["refused"]))
    else:
        known = {f.name for f in dataclasses.fields(StillLook)}
        seen = StillLook(**{k: v for k, v in look.items() if k in known})
    return StillFact(digest=digest, header=header, look=seen, trouble=trouble)
