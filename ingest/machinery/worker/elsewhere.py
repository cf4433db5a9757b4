"""Jobs on somebody else's machines where there are some, on ours where there are none, or none any more."""

from __future__ import annotations

import contextlib
import os
import threading
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Any, Protocol, TypeVar

from ingest.machinery.worker.host import WorkerAbsent, WorkerPool

Item = TypeVar("Item")


class Elsewhere(Protocol):
    """Something that does jobs in the place of this machine's own workers."""

    def run(
        self, job: str, args: dict[str, Any], given: Sequence[int], outputs: Sequence[int], *, timeout_s: float,
        cancel: threading.Event,
    ) -> dict[str, Any]:
        """As the job here; WorkerAbsent if nobody is there any more and this machine must do it."""

    @property
    def lost(self) -> str:
        """Why nobody is there any more; "" while somebody is."""

    def at_once(self) -> int:
        """How many jobs it can do together; 0 once it is lost."""

    def close(self) -> None: ...


def run(
    worker: WorkerPool, elsewhere: Elsewhere | None, job: str, args: dict[str, Any], given: Sequence[int],
    outputs: Sequence[int] = (), *, timeout_s: float, cancel: threading.Event,
    on_progress: Callable[[float], None] | None = None,
) -> dict[str, Any]:
    """The job's answer from there, else from here; ``given`` are descriptors to read, ``outputs`` to write anew.
    Only what is done here tells its progress.

    Raises what :meth:`WorkerPool.run` raises.
    """
    if elsewhere is not None and elsewhere.at_once():
        _rewind(given, outputs)
        with contextlib.suppress(WorkerAbsent):
            return elsewhere.run(job, args, given, outputs, timeout_s=timeout_s, cancel=cancel)
    _rewind(given, outputs)
    return worker.run(job, args, [*given, *outputs], timeout_s=timeout_s, cancel=cancel, on_progress=on_progress)


def _rewind(given: Sequence[int], outputs: Sequence[int]) -> None:
    """To the start, and nothing left of what a lost machine or worker wrote."""
    for fd in outputs:
        os.ftruncate(fd, 0)
    for fd in (*given, *outputs):
        os.lseek(fd, 0, os.SEEK_SET)


def each(items: Sequence[Item], do: Callable[[Item], None], elsewhere: Elsewhere | None) -> None:
    """Each item through ``do``: as many together as there are machines elsewhere, one after another here."""
    together = elsewhere.at_once() if elsewhere is not None else 0
    if together < 2 or len(items) < 2:
        for item in items:
            do(item)
        return
    with ThreadPoolExecutor(max_workers=min(together, len(items)), thread_name_prefix="elsewhere") as pool:
        for future in [pool.submit(do, item) for item in items]:
            future.result()
