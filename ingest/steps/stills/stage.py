"""Read stills: headers and a cheap look at the pictures, many files a message, in the worker.

One bad file costs that file: a batch whose worker died, stalled or ran out of memory is read again one
by one, and only the file that does it again is refused.  What was read is stored a batch at a time; a
stop in between leaves the rest to be asked for again.
"""

from __future__ import annotations

import contextlib
import functools
import os
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from typing import Any

from ingest.errors import NightloaderError, Unreadable
from ingest.machinery.ledger.work import StillFact
from ingest.machinery.worker.each import ask_each
from ingest.machinery.worker.host import WorkerPool, WorkerStopped
from ingest.originals import Originals
from ingest.records.cards import FileKind
from ingest.records.names import shown
from ingest.records.stills import StillHeader, StillLook
from ingest.services import Services
from ingest.steps.stills.header import understand

_BATCH = 48
_EACH_S = 20.0  # one file alone: the largest raw takes about a second, on a busy machine several
_BATCH_S = 120.0


@dataclass(frozen=True, kw_only=True, slots=True)
class StillToRead:
    """A still to read, by its content: ``open`` gives a descriptor of a verified copy, called once and
    closed here.  It may raise OSError or NightloaderError."""

    digest: str
    open: Callable[[], int]


@dataclass(frozen=True, kw_only=True, slots=True)
class StillRead:
    """What was read of one still.  ``header`` is None where the metadata cannot be read, ``look`` where
    nobody looked; ``trouble`` says why in words ("" if nothing).  ``again`` means that the file itself
    could not be opened or its disk failed: nothing was learnt of it, so nothing is to be stored."""

    digest: str
    header: StillHeader | None
    look: StillLook | None
    trouble: str = ""
    again: bool = False


def read_new(services: Services, originals: Originals) -> int:
    """Read every still on the cards that no fact is known of, from verified copies; answers how many."""
    known = services.work.still_digests()
    fresh = dict.fromkeys(
        o.digest for o in originals.of_kind(FileKind.STILL) if o.digest not in known
    )
    items = [StillToRead(digest=d, open=functools.partial(originals.open, d)) for d in fresh]
    reading = read_stills(services.worker, items, cancel=services.stop)
    with contextlib.suppress(WorkerStopped):  # the rest is asked for at the next start
        while batch := list(islice(reading, _BATCH)):
            facts = [
                StillFact(digest=r.digest, header=r.header, look=r.look, trouble=r.trouble)
                for r in batch if not r.again
            ]
            services.work.add_stills(facts, services.clock.utc())
            services.tell("stills", {"read": len(facts)})
    return len(items)


def read_stills(
    worker: WorkerPool,
    items: Iterable[StillToRead],
    *,
    looks: bool = True,
    cancel: threading.Event | None = None,
) -> Iterator[StillRead]:
    """Each still in the order given, once.  ``looks`` false reads headers alone.

    Raises WorkerStopped when ``cancel`` is set or the pool is closed, and WorkerAbsent if no worker can be
    started at all.
    """
    todo = iter(items)
    while batch := list(islice(todo, _BATCH)):
        yield from _batch(worker, batch, looks, cancel)


def _batch(
    worker: WorkerPool, batch: Sequence[StillToRead], looks: bool, cancel: threading.Event | None
) -> Iterator[StillRead]:
    with contextlib.ExitStack() as stack:
        fds: dict[str, int] = {}
        troubles: dict[str, str] = {}
        for item in batch:
            try:
                fd = item.open()
            except (OSError, NightloaderError) as error:
                troubles[item.digest] = f"cannot be opened ({_words(error)})"
                continue
            stack.callback(os.close, fd)
            fds[item.digest] = fd
        opened = [item for item in batch if item.digest in fds]
        files = [fds[item.digest] for item in opened]
        headers = _ask(worker, "headers", files, cancel)
        seen = _ask(worker, "look", files, cancel) if looks else [None] * len(opened)
    found = {i.digest: (h, s) for i, h, s in zip(opened, headers, seen, strict=True)}
    for item in batch:
        if item.digest in troubles:
            yield StillRead(digest=item.digest, header=None, look=None, trouble=troubles[item.digest], again=True)
        else:
            yield _read(item, *found[item.digest])


def _ask(
    worker: WorkerPool, job: str, files: Sequence[int], cancel: threading.Event | None
) -> list[dict[str, Any]]:
    return ask_each(worker, job, {}, files, one_s=_EACH_S, many_s=_BATCH_S, cancel=cancel)


def _read(item: StillToRead, said: dict[str, Any], seen: dict[str, Any] | None) -> StillRead:
    troubles = []
    header = None
    try:
        header = understand(said)
    except Unreadable as error:
        troubles.append(error.what)
    look = None if seen is None else _look(seen)
    if look is not None and look.trouble and look.trouble not in troubles:
        troubles.append(look.trouble)
    again = said.get("again") is True or (seen is not None and seen.get("again") is True)
    return StillRead(digest=item.digest, header=header, look=look, trouble=" ".join(troubles), again=again)


def _look(seen: dict[str, Any]) -> StillLook:
    if "refused" in seen:
        return StillLook(decodes=False, trouble=shown(str(seen["refused"]))[:300])
    level, circles = seen.get("log2_brightness"), seen.get("two_circles")
    width, height = seen.get("width"), seen.get("height")
    return StillLook(
        decodes=True,
        log2_brightness=float(level) if isinstance(level, (int, float)) else None,
        width=width if isinstance(width, int) else None,
        height=height if isinstance(height, int) else None,
        two_circles=circles if isinstance(circles, bool) else None,
    )


def _words(error: Exception) -> str:
    return shown(getattr(error, "strerror", None) or str(error))[:200]
