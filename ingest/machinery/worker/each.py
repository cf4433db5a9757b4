"""Many files in one message to a worker: one answer for each, and one bad file costs that file."""

from __future__ import annotations

import threading
from collections.abc import Mapping, Sequence
from typing import Any

from ingest.errors import Unreadable, WorkerFailed
from ingest.machinery.worker.host import WorkerAbsent, WorkerPool, WorkerStopped

_NEXT = "The file may be damaged; look at it in another program."


def ask_each(
    worker: WorkerPool, job: str, args: Mapping[str, Any], files: Sequence[int], *, one_s: float, many_s: float,
    cancel: threading.Event | None,
) -> list[dict[str, Any]]:
    """One answer for each of these descriptors, in their order, whatever the worker meets.

    A batch whose worker died, stalled or answered nonsense is asked again file by file; the file that does it again
    gets ``{"refused": words, "next": words, "again": whether nothing was learnt}``.  One file may take ``one_s``
    seconds, a batch ``many_s``.  Raises WorkerStopped and WorkerAbsent.
    """
    if not files:
        return []
    try:
        answers = worker.run(
            job, dict(args), files, timeout_s=one_s if len(files) == 1 else many_s, cancel=cancel
        ).get("files")
        if isinstance(answers, list) and len(answers) == len(files) and all(isinstance(a, dict) for a in answers):
            return answers
        failure, again = "the worker's answer does not fit the question", False
    except (WorkerStopped, WorkerAbsent):
        raise
    except (WorkerFailed, Unreadable) as error:
        failure, again = error.what, error.retry
    if len(files) == 1:
        return [{"refused": failure, "next": _NEXT, "again": again}]
    return [
        answer for file in files
        for answer in ask_each(worker, job, args, [file], one_s=one_s, many_s=many_s, cancel=cancel)
    ]
