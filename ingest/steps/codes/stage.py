"""Search stills and clips for the codes of clocks and slates, in the worker.  One bad file costs that file.

Everything new is searched once, from verified copies.  What a still shows is stored a batch at a time; a stop in
between leaves the rest to be asked for again.  A foreign code is not stored.
"""

from __future__ import annotations

import contextlib
import os
from collections.abc import Sequence
from typing import Any

from ingest.errors import NightloaderError, Unreadable, WorkerFailed
from ingest.machinery.worker.host import WorkerAbsent, WorkerStopped
from ingest.originals import Originals
from ingest.records.cards import FileKind
from ingest.records.codes import SeenCode
from ingest.records.names import shown
from ingest.services import Services
from ingest.steps.clocks.code import read_clock
from ingest.steps.codes.choice import worth_searching
from ingest.steps.setups.slates import read_code

_BATCH = 16
_EACH_S = 30.0  # the largest still takes about two seconds, on a busy machine several
_CLIP_S = 60.0  # bounded in the worker; the rest is a slow disk


def read_new(services: Services, originals: Originals) -> int:
    """Search every still and clip that was not searched yet; answers how many were."""
    known = services.work.searched()
    stills = worth_searching(
        (o.file.digest, o.card.id, o.file.path) for o in originals.of_kind(FileKind.STILL)
    )
    clips = dict.fromkeys(o.file.digest for o in originals.of_kind(FileKind.CLIP))
    count = 0
    with contextlib.suppress(WorkerStopped):  # the rest is asked for at the next start
        for digests, clip in ((stills, False), (list(clips), True)):
            fresh = [d for d in digests if d not in known]
            size = 1 if clip else _BATCH
            for start in range(0, len(fresh), size):
                count += _search(services, originals, fresh[start : start + size], clip)
    return count


def _search(services: Services, originals: Originals, digests: Sequence[str], clip: bool) -> int:
    """Search a batch and store what was learnt; answers how many files that were."""
    with contextlib.ExitStack() as stack:
        fds: dict[str, int] = {}
        for digest in digests:
            with contextlib.suppress(OSError, NightloaderError):  # its disk is away: asked for again
                fds[digest] = originals.open(digest)
                stack.callback(os.close, fds[digest])
        answers = dict(zip(fds, _ask(services, list(fds.values()), clip), strict=True))
    learnt = {d: _understood(a) for d, a in answers.items() if a.get("again") is not True}
    services.work.add_codes(learnt, services.clock.utc())
    services.tell("codes", {"read": len(learnt), "found": sum(bool(found) for found, _ in learnt.values())})
    return len(learnt)


def _ask(services: Services, files: Sequence[int], clip: bool) -> list[dict[str, Any]]:
    """One answer for each file, whatever the worker meets."""
    if not files:
        return []
    timeout_s = (_CLIP_S if clip else _EACH_S) * (1 if len(files) == 1 else 4)
    try:
        answers = services.worker.run(
            "codes", {"clip": clip}, files, timeout_s=timeout_s, cancel=services.stop
        ).get("files")
        if isinstance(answers, list) and len(answers) == len(files) and all(isinstance(a, dict) for a in answers):
            return answers
        failure, again = "the worker's answer does not fit the question", False
    except (WorkerStopped, WorkerAbsent):
        raise
    except (WorkerFailed, Unreadable) as error:
        failure, again = error.what, error.retry
    if len(files) == 1:
        return [{"refused": failure, "again": again}]
    return [answer for file in files for answer in _ask(services, [file], clip)]


def _understood(answer: dict[str, Any]) -> tuple[list[SeenCode], str]:
    """Our codes in a worker's answer, and why it was not searched ("" if it was)."""
    if "refused" in answer:
        return [], shown(str(answer["refused"]))[:300]
    found = []
    for said in answer.get("codes") or ():
        with contextlib.suppress(ValueError, AttributeError, TypeError):  # an answer of a worker gone wrong
            code = SeenCode.from_json(said)
            if read_clock(code.text) or read_code(code.text):
                found.append(code)
    return found, ""
