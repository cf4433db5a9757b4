"""Read clips: what their containers say, in the worker.  One bad file costs that file."""

from __future__ import annotations

import contextlib
import functools
import os
import threading
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

from ingest.errors import NightloaderError, Unreadable, WorkerFailed
from ingest.machinery.worker.host import WorkerAbsent, WorkerPool, WorkerStopped
from ingest.originals import Originals
from ingest.records.cards import FileKind
from ingest.records.clips import ClipFacts
from ingest.records.names import shown
from ingest.services import Services
from ingest.steps.clips.facts import understand

_EACH_S = 30.0  # an index at the end of a clip of hundreds of gigabytes, on a slow disk


@dataclass(frozen=True, kw_only=True, slots=True)
class ClipToRead:
    """A clip by its content: ``open`` gives a descriptor of a verified copy, called once and closed here.
    It may raise OSError or NightloaderError."""

    digest: str
    open: Callable[[], int]


@dataclass(frozen=True, kw_only=True, slots=True)
class ClipRead:
    """What was read of one clip.  ``facts`` is None only where the file could not be opened or its disk
    failed (``again``: nothing is to be stored), or it took its worker with it; a file of an unknown kind
    has facts that say so.  ``trouble`` in words."""

    digest: str
    facts: ClipFacts | None
    trouble: str = ""
    again: bool = False


def read_new(services: Services, originals: Originals) -> int:
    """Read every clip on the cards that no fact is known of, from verified copies; answers how many were
    read.  Each fact is stored as it comes: a stop leaves the rest to the next start."""
    known = services.work.clips()
    fresh = dict.fromkeys(o.digest for o in originals.of_kind(FileKind.CLIP) if o.digest not in known)
    items = [ClipToRead(digest=d, open=functools.partial(originals.open, d)) for d in fresh]
    count = 0
    with contextlib.suppress(WorkerStopped):
        for read in read_clips(services.worker, items, cancel=services.stop):
            if read.again:
                continue
            facts = None if read.facts is None else read.facts.to_json()
            services.work.add_clip(read.digest, facts, read.trouble, services.clock.utc())
            services.tell("clips", {"read": 1})
            count += 1
    return count


def read_clips(
    worker: WorkerPool, items: Iterable[ClipToRead], *, cancel: threading.Event | None = None
) -> Iterator[ClipRead]:
    """Each clip in the order given, once.  Raises WorkerStopped when ``cancel`` is set or the pool is
    closed, and WorkerAbsent if no worker can be started at all."""
    for item in items:
        try:
            fd = item.open()
        except (OSError, NightloaderError) as error:
            words = shown(getattr(error, "strerror", None) or str(error))[:200]
            yield ClipRead(digest=item.digest, facts=None, trouble=f"cannot be opened ({words})", again=True)
            continue
        try:
            answers = worker.run("clips", {}, [fd], timeout_s=_EACH_S, cancel=cancel).get("files")
            answer = answers[0] if isinstance(answers, list) and answers else None
            facts = understand(answer if isinstance(answer, dict) else {})
            yield ClipRead(digest=item.digest, facts=facts, trouble="" if facts.readable else facts.problems[0])
        except (WorkerStopped, WorkerAbsent):
            raise
        except (WorkerFailed, Unreadable) as error:
            yield ClipRead(digest=item.digest, facts=None, trouble=error.what, again=error.retry)
        finally:
            os.close(fd)
