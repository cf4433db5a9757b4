"""The daemon's side of the worker processes: run a job on open files, with limits on memory and time.

Whatever a card's bytes do to a decoder stays in a child: one that dies, stalls, runs out of memory or
talks nonsense is killed by its own process id and replaced, and costs the job it had.

Children are spawned, never forked (the ledger's connection must not cross a fork), persistent (a fresh
interpreter costs about a tenth of a second) and replaced after so many jobs, so that leaks stay small.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Any, TypeVar

from ingest.errors import DestinationUnavailable, Unreadable, WorkerFailed
from ingest.machinery.worker.messages import DISK_FAILS, Channel, Ended, Garbled, Late, Stopped

_BOOT = (
    "import json, sys; given = json.loads(sys.argv[1]); sys.path[:] = given['path'];"
    "from ingest.machinery.worker.child import main; main(given)"
)
_START_S = 60.0  # a loaded machine may take seconds to start an interpreter
Made = TypeVar("Made")
_FULL = {errno.ENOSPC, errno.EDQUOT, errno.EROFS, errno.EFBIG}


class WorkerStopped(WorkerFailed):
    """The job was ended because the caller's ``cancel`` was set; nothing is wrong with the files."""


class WorkerAbsent(WorkerFailed):
    """No worker process can be started; nothing was learnt of any file."""


class _Child:
    """One process and the channel to it."""

    def __init__(self, memory_bytes: int, nice: int, extra_jobs: Mapping[str, str]) -> None:
        ours, theirs = socket.socketpair()
        self.memory_bytes = memory_bytes
        self.jobs = 0
        given = {
            "path": [str(p) for p in map(os.path.abspath, sys.path)],
            "parent": os.getpid(),
            "memory_bytes": memory_bytes,
            "nice": nice,
            "extra_jobs": dict(extra_jobs),
        }
        kept = {k: v for k, v in os.environ.items() if k in _ENVIRONMENT}
        # one arena and one thread: address space is limited, and the pool is what runs in parallel
        kept |= {"MALLOC_ARENA_MAX": "2", "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
        more: dict[str, Any] = {"stdin": subprocess.DEVNULL}
        if sys.platform == "win32":  # not run here
            more = {"stdin": subprocess.PIPE, "creationflags": subprocess.CREATE_NO_WINDOW}
        else:
            given["fd"] = theirs.fileno()
            more |= {"pass_fds": [theirs.fileno()], "start_new_session": True}
        try:
            with theirs:
                self.process = subprocess.Popen(
                    [sys.executable, "-I", "-c", _BOOT, json.dumps(given)],
                    stdout=subprocess.DEVNULL,
                    stderr=subprocess.DEVNULL,
                    env=kept,
                    **more,
                )
                if sys.platform == "win32":
                    assert self.process.stdin
                    with self.process.stdin as pipe:
                        pipe.write(theirs.share(self.process.pid))
        except OSError as error:
            ours.close()
            raise _no_start(error.strerror or str(error)) from error
        self.channel = Channel(ours)
        try:
            hello, _ = self.channel.receive(deadline=time.monotonic() + _START_S)
        except (Ended, Garbled, Late) as error:
            self.kill()
            raise _no_start(self.death()) from error
        limits = hello.get("limits")
        self.limits = dict(limits) if isinstance(limits, dict) else {}

    def kill(self) -> None:
        self.process.kill()
        self.process.wait()
        self.channel.close()

    def death(self) -> str:
        """How it ended, in words; only after it has."""
        with contextlib.suppress(subprocess.TimeoutExpired):
            self.process.wait(timeout=1)
        code = self.process.returncode
        if code is None:
            return "it answers no more"
        if code < 0:
            with contextlib.suppress(ValueError):
                return f"it died of {signal.Signals(-code).name}"
        return f"it ended with code {code}"

    def hand_over(self) -> Callable[[int], int] | None:
        """How an open file reaches the child where descriptors cannot travel (Windows, not run here)."""
        if sys.platform != "win32":
            return None
        import _winapi
        import msvcrt

        target = int(self.process._handle)

        def give(fd: int) -> int:
            return _winapi.DuplicateHandle(
                _winapi.GetCurrentProcess(), msvcrt.get_osfhandle(fd), target, 0, False, _winapi.DUPLICATE_SAME_ACCESS
            )

        return give


def _no_start(why: str) -> WorkerAbsent:
    return WorkerAbsent(
        f"a worker process could not start ({why}).",
        next="Check that this Python can import the package and that memory is left.",
        retry=True,
    )


# What a child may know of the environment: enough to load libraries, nothing to read secrets from.
_ENVIRONMENT = {"PATH", "LANG", "LC_ALL", "TZ", "TMPDIR", "SYSTEMROOT", "SYSTEMDRIVE", "TEMP", "TMP", "LD_LIBRARY_PATH"}


class WorkerPool:
    """Up to ``workers`` processes that do jobs on untrusted bytes.

    ``memory_bytes`` is each child's address space, libraries included (below 512 MiB little can load);
    the limit is hard on Linux, absent on Windows; :attr:`limits` says what holds.  Thread-safe: as many
    jobs run at once as there are workers, further callers wait for a free one.
    """

    def __init__(
        self,
        workers: int = 1,
        memory_bytes: int = 2 << 30,
        nice: int = 10,
        *,
        jobs_each: int = 500,
        extra_jobs: Mapping[str, str] | None = None,
    ) -> None:
        if workers < 1:
            raise ValueError("a pool needs a worker")
        self._workers = workers
        self._memory_bytes = memory_bytes
        self._nice = nice
        self._jobs_each = jobs_each
        self._extra_jobs = dict(extra_jobs or {})
        self._change = threading.Condition()
        self._idle: list[_Child] = []
        self._busy: set[_Child] = set()
        self._starting = 0
        self._closed = False
        self._limits: dict[str, bool] = {}
        # Linux kills a child together with the *thread* that started it, so one thread starts them all.
        self._keeper = ThreadPoolExecutor(max_workers=1, thread_name_prefix="worker-keeper")

    def __enter__(self) -> WorkerPool:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    @property
    def limits(self) -> dict[str, bool]:
        """What the last child started could be held to: memory, network, nice, dies_with_daemon."""
        return dict(self._limits)

    def close(self) -> None:
        """Kill all children; jobs that still run fail with WorkerFailed."""
        with self._change:
            self._closed = True
            children = [*self._idle, *self._busy]
            idle, self._idle = self._idle, []
            self._change.notify_all()
        for child in children:
            child.process.kill()
        for child in idle:
            child.kill()
        self._keeper.shutdown()

    def run(
        self,
        job: str,
        args: dict[str, Any],
        files: Sequence[int] = (),
        *,
        timeout_s: float,
        memory_bytes: int | None = None,
        on_progress: Callable[[float], None] | None = None,
        cancel: threading.Event | None = None,
    ) -> dict[str, Any]:
        """Do ``job`` in a child and give its answer.

        ``files`` are open descriptors, which stay open and whose position the job moves.  ``timeout_s``
        bounds the job alone, not the wait for a free worker.  ``on_progress`` is called in this thread
        with 0 to 1, at most ten times a second.

        Raises WorkerFailed (the child died, stalled or ran out of memory; with ``retry`` if a disk failed
        under it), WorkerAbsent, WorkerStopped (``cancel``), DestinationUnavailable (the disk a file was
        written to is full or read-only) and Unreadable (the job refused the bytes, in its words).
        """
        child = self._take(memory_bytes or self._memory_bytes, cancel)
        keep = False
        try:
            answer = self._talk(child, job, args, files, timeout_s, on_progress, cancel)
            keep = child.jobs < self._jobs_each and ("result" in answer or "refused" in answer)
        except (Ended, Garbled, Late, Stopped) as error:
            raise self._failure(child, job, timeout_s, error) from error
        finally:
            self._give_back(child, keep=keep)
        return _judged(answer, job)

    def _talk(
        self,
        child: _Child,
        job: str,
        args: dict[str, Any],
        files: Sequence[int],
        timeout_s: float,
        on_progress: Callable[[float], None] | None,
        cancel: threading.Event | None,
    ) -> dict[str, Any]:
        deadline = time.monotonic() + timeout_s
        child.jobs += 1
        order = {"job": job, "args": args, "timeout_s": timeout_s, "order": child.jobs}
        child.channel.send(order, files, deadline=deadline, hand_over=child.hand_over())
        while True:
            answer, fds = child.channel.receive(deadline=deadline, stop=cancel.is_set if cancel else None)
            for fd in fds:  # a worker has no files to give
                os.close(fd)
            if answer.get("order") != child.jobs:
                raise Garbled("it belongs to another job")
            done = answer.get("progress")
            if not isinstance(done, (int, float)):
                return answer
            if on_progress is not None:
                on_progress(min(1.0, max(0.0, float(done))))

    def _take(self, memory_bytes: int, cancel: threading.Event | None) -> _Child:
        with self._change:
            while True:
                if self._closed:
                    raise WorkerStopped("the workers are being closed.", retry=True)
                if cancel is not None and cancel.is_set():
                    raise WorkerStopped("stopped before it began.", retry=True)
                self._drop_dead()
                fit = next((c for c in self._idle if c.memory_bytes == memory_bytes), None)
                if fit is not None:
                    self._idle.remove(fit)
                    self._busy.add(fit)
                    return fit
                if len(self._idle) + len(self._busy) + self._starting < self._workers:
                    break
                if self._idle:
                    self._idle.pop(0).kill()  # it has another limit; limits are for life
                    break
                self._change.wait(0.1 if cancel is not None else None)
            self._starting += 1
        child = None
        try:
            try:
                start = self._keeper.submit(_Child, memory_bytes, self._nice, self._extra_jobs)
            except RuntimeError as error:  # closed in this very moment
                raise WorkerStopped("the workers are being closed.", retry=True) from error
            child = start.result()
            return child
        finally:
            with self._change:
                self._starting -= 1
                if child is not None:
                    self._limits = child.limits
                    self._busy.add(child)
                    if self._closed:
                        child.process.kill()
                self._change.notify()

    def _drop_dead(self) -> None:
        """Forget idle children that the system has ended meanwhile."""
        for child in [c for c in self._idle if c.process.poll() is not None]:
            self._idle.remove(child)
            child.channel.close()

    def _give_back(self, child: _Child, *, keep: bool) -> None:
        if not keep:
            child.kill()
        with self._change:
            self._busy.discard(child)
            if keep and not self._closed:
                self._idle.append(child)
            elif keep:
                child.kill()
            self._change.notify()

    def _failure(self, child: _Child, job: str, timeout_s: float, error: Exception) -> WorkerFailed:
        """Why a conversation broke off, in words; the child is killed by then or now."""
        if isinstance(error, Stopped):
            return WorkerStopped(f"the job '{job}' was stopped.", retry=True)
        if isinstance(error, Late):
            what = f"the job '{job}' took longer than {timeout_s:g} s and was ended."
        elif isinstance(error, Garbled):
            what = f"the job '{job}' gave an answer that cannot be read ({error})."
        else:
            what = f"the worker doing '{job}' is gone: {child.death()}."
        return WorkerFailed(what, next="The file may be damaged; look at it in another program.")


def tried_twice(
    work: Callable[[], Made], *, stopped: Callable[[], bool] = lambda: False,
    told: Callable[[WorkerFailed], object] = str,
) -> Made:
    """What ``work`` answers, asked once more where its worker died over it or stalled (the system takes memory from
    whom it likes).  The first failure goes to ``told``, the second is raised, and the first too once ``stopped``."""
    try:
        return work()
    except WorkerFailed as error:
        if stopped():
            raise
        told(error)
    return work()


def _judged(answer: dict[str, Any], job: str) -> dict[str, Any]:
    """The result, or the refusal as an error.  The answer comes from a process that may be subverted."""
    result, refused = answer.get("result"), answer.get("refused")
    if isinstance(result, dict):
        return result
    if answer.get("memory") is True:
        raise WorkerFailed(
            f"the job '{job}' needed more memory than a worker may use.",
            next="The file may be damaged, or the limit too low for pictures of this size.",
        )
    if not isinstance(refused, dict):
        raise WorkerFailed(f"the job '{job}' gave neither a result nor a refusal.")
    what, code = str(refused.get("what", "refused")), refused.get("errno")
    if code in _FULL:
        raise DestinationUnavailable(what, next="Make room on the disk, or replace it.")
    if code in DISK_FAILS:
        raise WorkerFailed(what, next="The disk gave an error; check it.", retry=True)
    raise Unreadable(
        what, item=str(refused.get("item", "")), next=str(refused.get("next", "")), retry=refused.get("retry") is True
    )
