"""Jobs on a Dask cluster that is there already: the same ones, in the same kind of sandboxed child, elsewhere.

Merges above all, then what follows from them: panoramas and light summaries.

A frame's bytes go to the cluster and the picture's bytes come back, so its machines need none of our disks.  On
each of them the job runs in a worker process of our own, started and limited as here: a frame that takes a decoder
down takes that child down, not the cluster's worker.

Pictures must not depend on where they were made.  So a cluster whose machines carry another version of this
program, or of a library that touches pixels, is refused before the first merge (:func:`same_everywhere`).

A cluster may be lost at any moment.  What it had is then not failed but not done: ``run`` raises WorkerAbsent
and ``at_once`` is 0 from then on, which sends everything that is left to this machine.
"""

from __future__ import annotations

import contextlib
import importlib.metadata
import logging
import os
import platform
import tempfile
import threading
import time
import warnings
from collections.abc import Mapping, Sequence
from typing import Any

from ingest import __version__
from ingest.errors import NightloaderError, Unreadable, UsageError, WorkerFailed
from ingest.machinery.worker.host import WorkerAbsent, WorkerPool, WorkerStopped

#: Libraries whose versions may show in a pixel.
TOUCH_PIXELS = ("numpy", "opencv-python-headless", "rawpy", "simplejpeg", "OpenEXR")
_ANSWERS_S = 15.0  # to find a scheduler and its machines
_LOST_S = 20.0  # without a scheduler or a machine, until the cluster counts as lost
_LOOK_S = 0.25
_MOST_BYTES = 2_000_000_000  # of frames under way, in this process and in the scheduler's


class ClusterUnusable(NightloaderError):
    """The cluster cannot be reached, or its machines would not make the same pictures."""


def here() -> dict[str, str]:
    """What decides a pixel on this machine: the program, the libraries, the kind of processor."""
    found = {"nightloader": __version__, "machine": platform.machine(), "system": platform.system()}
    for name in TOUCH_PIXELS:
        with contextlib.suppress(importlib.metadata.PackageNotFoundError):
            found[name] = importlib.metadata.version(name)
    return found


def differences(mine: Mapping[str, str], theirs: Mapping[str, Mapping[str, str]]) -> list[str]:
    """Where machines of a cluster (address -> what it has) differ from this one, in words."""
    return [
        f"{address} has {name} {has.get(name, 'not at all')}, this machine {mine.get(name, 'not at all')}"
        for address, has in sorted(theirs.items()) for name in sorted(mine.keys() | has.keys())
        if mine.get(name) != has.get(name)
    ]


class Cluster:
    """A connection to the scheduler at ``address``.  Raises UsageError without the optional libraries, and
    ClusterUnusable where nobody answers or the machines differ.  Thread-safe; close it."""

    def __init__(self, address: str, *, memory_bytes: int) -> None:
        try:
            import distributed
        except ImportError as error:
            raise UsageError(
                "the libraries for a cluster are not installed.", item=address,
                next="Install them with `pip install 'nightloader[cluster]'`, on the cluster's machines too.",
            ) from error
        for name in ("distributed", "distributed.client", "distributed.utils", "distributed.core"):
            logging.getLogger(name).setLevel(logging.CRITICAL + 1)  # what breaks is said in our words, once
        self.address, self._memory_bytes = address, memory_bytes
        self.lost = ""
        self._guard = threading.Lock()
        self._room = threading.Condition()
        self._under_way = 0
        self._alone_since: float | None = None
        self._told: dict[str, int] = {}
        self._asked = -1.0
        try:
            client: Any = distributed.Client  # its hints are few
            self._client = client(address, timeout=_ANSWERS_S, set_as_default=False)
        except (OSError, TimeoutError, ValueError) as error:
            raise ClusterUnusable(f"no scheduler answers there ({error}).", item=address,
                                  next="Check the address and that the cluster runs.", retry=True) from error
        try:
            self._check()
        except BaseException:
            self.close()
            raise

    def _check(self) -> None:
        try:
            theirs = self._client.run(here, on_error="return")
        except Exception as error:
            raise self._unusable(f"its machines do not answer ({error})") from error
        if not theirs:
            raise self._unusable("it has no machine")
        broken = {a: e for a, e in theirs.items() if isinstance(e, Exception)}
        if broken:
            address, failure = next(iter(broken.items()))
            raise self._unusable(f"{address} cannot load this program ({failure!r})")
        if differ := differences(here(), theirs):
            raise self._unusable("; ".join(differ[:3]))

    def _unusable(self, why: str) -> ClusterUnusable:
        return ClusterUnusable(
            f"it cannot be used: {why}.", item=self.address,
            next="Install the same version of everything on all of its machines, or merge here.",
        )

    def close(self) -> None:
        with contextlib.suppress(Exception):  # a scheduler that is gone: there is nothing left to say goodbye to
            self._client.close(timeout=5)

    def at_once(self) -> int:
        """Jobs that it can do together now; 0 once it is lost."""
        if self.lost:
            return 0
        with self._guard:
            return max(1, sum(self._machines().values()))

    def _machines(self) -> dict[str, int]:
        """Address -> threads, asked of the scheduler at most once a second; nothing where it does not answer."""
        if time.monotonic() - self._asked > 1.0:
            self._told = {}
            with contextlib.suppress(Exception):  # the library raises many kinds while a connection breaks
                if self._client.status == "running":
                    told = self._client.sync(self._client.scheduler.identity, n_workers=-1, callback_timeout=5)
                    self._told = {a: int(w.get("nthreads", 1)) for a, w in told["workers"].items()}
            self._asked = time.monotonic()
        return self._told

    def run(
        self, job: str, args: dict[str, Any], given: Sequence[int], outputs: Sequence[int], *, timeout_s: float,
        cancel: threading.Event,
    ) -> dict[str, Any]:
        """A job there; ``given`` (to read) and ``outputs`` (to write, empty) are open descriptors here.

        Raises what :meth:`WorkerPool.run` raises; WorkerAbsent where the cluster is lost.
        """
        size = sum(os.fstat(fd).st_size for fd in given)
        with self._room:
            while self._under_way and self._under_way + size > _MOST_BYTES and not cancel.is_set():
                self._room.wait(_LOOK_S)
            self._under_way += size
        try:
            return self._run(job, args, given, outputs, timeout_s, cancel)
        finally:
            with self._room:
                self._under_way -= size
                self._room.notify_all()

    def _run(
        self, job: str, args: dict[str, Any], given: Sequence[int], outputs: Sequence[int], timeout_s: float,
        cancel: threading.Event,
    ) -> dict[str, Any]:
        if self.lost:
            raise self._absent()
        try:
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")  # frames are large: that is what they are
                task = self._client.submit(
                    carry_out, job, args, [_whole(fd) for fd in given], len(outputs), self._memory_bytes, timeout_s,
                    pure=False, retries=1,
                )
        except Exception as error:  # a connection that breaks just now has many faces
            raise self._gone(repr(error)) from error
        try:
            self._wait(job, task, cancel)
            kind, said, made = task.result(timeout=_ANSWERS_S)
        except (WorkerFailed, Unreadable):
            raise
        except Exception as error:
            raise self._broken(error) from error
        finally:
            with contextlib.suppress(Exception):
                task.release()
        if kind == "refused":
            raise Unreadable(said["what"], item=said["item"], next=said["next"], retry=said["retry"])
        if kind == "failed":
            raise WorkerFailed(said["what"], item=said["item"], next=said["next"], retry=said["retry"])
        for fd, data in zip(outputs, made, strict=True):
            _put(fd, data)
        return dict(said)

    def _wait(self, job: str, task: Any, cancel: threading.Event) -> None:
        """Until the task has ended: the child that does it has its own limit of time, and a machine that hangs is
        given up by the scheduler.  Waiting for a free machine is nobody's fault."""
        while not task.done():
            if cancel.is_set():
                task.cancel(force=True)
                raise WorkerStopped(f"the job {job!r} was stopped.", retry=True)
            self._is_there()
            cancel.wait(_LOOK_S)

    def _is_there(self) -> None:
        """WorkerAbsent once there was neither scheduler nor machine for a while."""
        with self._guard:
            if self._machines():
                self._alone_since = None
                return
            since = self._alone_since = self._alone_since or time.monotonic()
        if self.lost or time.monotonic() - since > _LOST_S:
            raise self._gone("no scheduler or no machine answers any more")

    def _broken(self, error: Exception) -> WorkerFailed:
        """A task that ended in an error of the library's: a machine lost over and over by one frame is the frame's
        fault, all else the cluster's."""
        if type(error).__name__ == "KilledWorker":
            return WorkerFailed("machines of the cluster were lost over it.", retry=True)
        return self._gone(f"{type(error).__name__}: {error}")

    def _gone(self, why: str) -> WorkerAbsent:
        with self._guard:
            self.lost = self.lost or why
        return self._absent()

    def _absent(self) -> WorkerAbsent:
        return WorkerAbsent(f"the cluster is lost ({self.lost}).", item=self.address, retry=True)


# -- on the cluster's machines -------------------------------------------------------------------------

_pools: dict[int, WorkerPool] = {}
_pools_guard = threading.Lock()


def _pool(memory_bytes: int) -> WorkerPool:
    """One pool a process, for as long as that lives: children end with it."""
    with _pools_guard:
        if memory_bytes not in _pools:
            _pools[memory_bytes] = WorkerPool(workers=max(1, os.cpu_count() or 1), memory_bytes=memory_bytes)
        return _pools[memory_bytes]


def carry_out(
    job: str, args: dict[str, Any], given: Sequence[bytes], outputs: int, memory_bytes: int, timeout_s: float
) -> tuple[str, dict[str, Any], list[bytes]]:
    """A job on bytes, in a child of this process: ("made", answer, pictures), or "refused" or "failed"
    with the words and no pictures.  Errors travel as words: their types need not be known at the other end."""
    with contextlib.ExitStack() as stack:
        opened = []
        for number in range(len(given) + outputs):
            file = stack.enter_context(tempfile.TemporaryFile(prefix="nl-"))
            if number < len(given):
                file.write(given[number])
                file.flush()
                file.seek(0)
            opened.append(file)
        try:
            answer = _pool(memory_bytes).run(job, args, [f.fileno() for f in opened], timeout_s=timeout_s)
        except (Unreadable, WorkerFailed) as error:
            said = {"what": error.what, "item": error.item, "next": error.next, "retry": error.retry}
            return ("refused" if isinstance(error, Unreadable) else "failed"), said, []
        return "made", answer, [_whole(f.fileno()) for f in opened[len(given):]]


def _whole(fd: int) -> bytes:
    with os.fdopen(os.dup(fd), "rb") as file:
        file.seek(0)
        return file.read()


def _put(fd: int, data: bytes) -> None:
    with os.fdopen(os.dup(fd), "wb") as file:
        file.seek(0)
        file.write(data)
