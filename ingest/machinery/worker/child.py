"""The worker process: bytes from a card are decoded here, and nowhere else.

It gets open files, never paths, does one job at a time and answers in JSON.  Before the first job it
gives up what it does not need: address space beyond its limit, writing beyond a size, core files,
the network where the system lets it, and outliving its daemon.  What could not be given up is told in
the first message (``limits``) and is a recorded fact.

A job is a module of the table below with ``run(args, files, progress) -> dict``.  Whatever it raises
becomes a named refusal; the libraries it needs are imported inside it, late.
"""

from __future__ import annotations

import contextlib
import importlib
import os
import signal
import socket
import sys
import threading
import time
from collections.abc import Callable, Mapping, Sequence
from typing import Any, BinaryIO, cast

from ingest.errors import NightloaderError
from ingest.machinery.worker.messages import Channel, Ended, Garbled
from ingest.records.names import shown

JOBS: Mapping[str, str] = {
    name: f"ingest.machinery.worker.jobs.{name}"
    for name in ("headers", "look", "clips", "codes", "sights", "merge", "panorama", "light", "looks")
}
_OPEN_FILES = 512
_LARGEST_WRITE = 16 << 30  # an EXR of 200 megapixels in float is 2.4 GB
_CLONE_NEWUSER, _CLONE_NEWNET = 0x10000000, 0x40000000
_PR_SET_PDEATHSIG, _PR_SET_NO_NEW_PRIVS = 1, 38

Run = Callable[[dict[str, Any], Sequence[BinaryIO], Callable[[float], None]], dict[str, Any]]


def main(given: dict[str, Any]) -> None:
    """Serve jobs until the daemon hangs up.  ``given`` is what the host put on the command line."""
    if sys.platform != "win32":
        signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the daemon, which decides
    limits = give_up(given["memory_bytes"], given["nice"], given["parent"])
    channel = Channel(_socket(given.get("fd")))
    modules = {**JOBS, **given.get("extra_jobs", {})}
    channel.send({"ready": True, "limits": limits})
    while True:
        try:
            message, fds = channel.receive()
        except Ended:
            return
        tell = _Answers(channel, message.get("order"))
        answer = serve(message, fds, modules, tell.progress)
        try:
            tell(answer)
        except (ValueError, TypeError, Garbled) as error:  # NaN, no JSON or too long: the job's answer is no answer
            tell({"refused": {"what": f"the answer cannot be sent: {error}"}})
        if "memory" in answer:
            return  # what is left of this process after running out is not worth keeping


class _Answers:
    """The way back for one order; its number is echoed, so that an answer left over is seen as one."""

    def __init__(self, channel: Channel, order: object) -> None:
        self._channel = channel
        self._order = order
        self._last = 0.0

    def __call__(self, answer: dict[str, Any]) -> None:
        self._channel.send({"order": self._order, **answer})

    def progress(self, fraction: float) -> None:
        now = time.monotonic()
        if now - self._last >= 0.1:
            self._last = now
            self({"progress": min(1.0, max(0.0, float(fraction)))})


def serve(
    message: dict[str, Any], fds: Sequence[int], modules: Mapping[str, str], progress: Callable[[float], None]
) -> dict[str, Any]:
    """Do one job; the answer is ``{"result": ...}``, ``{"refused": ...}`` or ``{"memory": true}``."""
    files: list[BinaryIO] = []
    try:
        files.extend(_file(fd) for fd in fds)
        _bound_time(float(message.get("timeout_s", 60.0)))
        run = cast(Run, importlib.import_module(modules[message["job"]]).run)
        return {"result": run(message.get("args", {}), files, progress)}
    except MemoryError:
        return {"memory": True}
    except Ended:
        raise
    except NightloaderError as error:
        refusal = {"what": _words(error.what), "next": error.next, "retry": error.retry, "item": _words(error.item)}
        return {"refused": refusal}
    except Exception as error:
        unexpected: dict[str, Any] = {"what": _words(f"{type(error).__name__}: {error}"), "unexpected": True}
        if isinstance(error, OSError) and error.errno is not None:
            unexpected["errno"] = error.errno
        return {"refused": unexpected}
    finally:
        for file in files:
            with contextlib.suppress(OSError):  # a write-back error was raised by the job's own flush
                file.close()


def give_up(memory_bytes: int, nice: int, parent: int) -> dict[str, bool]:
    """Limit this process; says which limits hold.  Each may be refused by the system, none is fatal."""
    held = {"memory": False, "network": False, "dies_with_daemon": False, "nice": False}
    if sys.platform == "win32":
        return held
    import resource

    held["network"] = _leave_network()
    for what, limit in (
        (resource.RLIMIT_CORE, 0),
        (resource.RLIMIT_NOFILE, _OPEN_FILES),
        (resource.RLIMIT_FSIZE, _LARGEST_WRITE),
    ):
        with contextlib.suppress(OSError, ValueError):  # a lower hard limit is set already: better still
            resource.setrlimit(what, (limit, limit))
    try:
        resource.setrlimit(resource.RLIMIT_AS, (memory_bytes, memory_bytes))
        held["memory"] = sys.platform == "linux"  # macOS takes the call and does not enforce it (from memory)
    except (OSError, ValueError):
        pass
    with contextlib.suppress(OSError):
        os.nice(nice)
        held["nice"] = True
    held["dies_with_daemon"] = _die_with(parent)
    return held


def _leave_network() -> bool:
    """Move into an empty network of our own (Linux); needs no privilege where user namespaces are allowed."""
    if sys.platform != "linux":
        return False
    import ctypes

    libc = ctypes.CDLL(None, use_errno=True)
    with contextlib.suppress(AttributeError):
        libc.prctl(_PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0)
    try:
        return any(libc.unshare(how) == 0 for how in (_CLONE_NEWNET, _CLONE_NEWUSER | _CLONE_NEWNET))
    except AttributeError:
        return False


def _die_with(parent: int) -> bool:
    """See to it that a killed daemon leaves no worker behind, whatever the worker is busy with.

    Linux kills us with the thread that started us (prctl(2), PR_SET_PDEATHSIG: the *thread*, so the host
    starts children from one that lives as long as it does).  Elsewhere a thread looks for a new parent.
    """
    if sys.platform == "linux":
        import ctypes

        if ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL, 0, 0, 0) == 0:
            if os.getppid() != parent:
                os._exit(0)  # it died before we could ask
            return True
    threading.Thread(target=_watch, args=(parent,), daemon=True).start()
    return True


def _watch(parent: int) -> None:
    while os.getppid() == parent:
        time.sleep(0.5)
    os._exit(0)


def _bound_time(timeout_s: float) -> None:
    """A backstop behind the host's clock: the kernel ends us when a job burns far more than its time."""
    if sys.platform == "win32":
        return
    import resource

    usage = resource.getrusage(resource.RUSAGE_SELF)
    used = usage.ru_utime + usage.ru_stime
    soft = int(used + 2 + timeout_s * (os.cpu_count() or 1))
    with contextlib.suppress(OSError, ValueError):  # a lower hard limit stands: the kernel is stricter than we
        resource.setrlimit(resource.RLIMIT_CPU, (soft, resource.RLIM_INFINITY))


def _socket(fd: int | None) -> socket.socket:
    if sys.platform == "win32":  # not run here: the host writes the shared socket to our standard input
        return socket.fromshare(sys.stdin.buffer.read())
    assert fd is not None
    return socket.socket(fileno=fd)


def _file(fd: int) -> BinaryIO:
    """An open file at its start, in the mode in which the host opened it."""
    mode = "rb"
    if sys.platform != "win32":
        import fcntl

        access = fcntl.fcntl(fd, fcntl.F_GETFL) & os.O_ACCMODE
        mode = {os.O_RDONLY: "rb", os.O_WRONLY: "wb", os.O_RDWR: "r+b"}[access]
    file = cast(BinaryIO, os.fdopen(fd, mode))
    with contextlib.suppress(OSError):  # a pipe has no start
        file.seek(0)
    return file


def _words(text: str) -> str:
    return shown(text)[:500]
