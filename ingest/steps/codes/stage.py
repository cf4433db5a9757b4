"""Search stills and clips for the codes of clocks and slates, in the worker.  One bad file costs that file.

Everything new is searched once, from verified copies.  What a still shows is stored a batch at a time; a stop in
between leaves the rest to be asked for again.  A foreign code is not stored.
"""

from __future__ import annotations

import contextlib
from collections.abc import Sequence
from typing import Any

from ingest.machinery.worker.each import ask_each
from ingest.machinery.worker.host import WorkerStopped
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
        (o.digest, o.card_id, o.path) for o in originals.of_kind(FileKind.STILL)
    )
    clips = dict.fromkeys(o.digest for o in originals.of_kind(FileKind.CLIP))
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
    each_s = _CLIP_S if clip else _EACH_S
    with originals.held(digests) as fds:
        answers = dict(zip(fds, ask_each(
            services.worker, "codes", {"clip": clip}, list(fds.values()), one_s=each_s, many_s=4 * each_s,
            cancel=services.stop,
        ), strict=True))
    learnt = {d: _understood(a) for d, a in answers.items() if a.get("again") is not True}
    services.work.add_codes(learnt, services.clock.utc())
    services.tell("codes", {"read": len(learnt), "found": sum(bool(found) for found, _ in learnt.values())})
    return len(learnt)


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
