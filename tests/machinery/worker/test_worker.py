"""The worker process under fault: whatever a job does, the daemon gets a named failure and goes on."""

from __future__ import annotations

import errno
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import pytest

from ingest.errors import DestinationUnavailable, NightloaderError, Unreadable, WorkerFailed
from ingest.machinery.worker.host import WorkerPool, WorkerStopped

ROOT = Path(__file__).parents[3]
EXTRA = {"misbehave": "tests.machinery.worker.misbehave"}


@pytest.fixture(scope="module")
def pool() -> Iterator[WorkerPool]:
    with WorkerPool(2, memory_bytes=1 << 30, extra_jobs=EXTRA) as pool:
        yield pool


def do(pool: WorkerPool, what: str, timeout_s: float = 20, **args: Any) -> dict[str, Any]:
    return pool.run("misbehave", {"do": what, **args}, timeout_s=timeout_s)



def test_open_files_reach_the_child_from_their_start_and_stay_open_here(pool: WorkerPool, tmp_path: Path) -> None:
    fds = []
    for i in range(100):
        (tmp_path / str(i)).write_text(f"file {i}")
        fds.append(os.open(tmp_path / str(i), os.O_RDONLY))
        os.lseek(fds[-1], 3, os.SEEK_SET)
    answer = pool.run("misbehave", {"do": "read"}, fds, timeout_s=20)
    assert answer["read"] == [f"file {i}" for i in range(100)]
    for fd in fds:
        os.close(fd)


def test_a_job_writes_into_a_file_opened_for_it(pool: WorkerPool, tmp_path: Path) -> None:
    with (tmp_path / "out").open("wb") as out:
        pool.run("misbehave", {"do": "write", "text": "merged"}, [out.fileno()], timeout_s=20)
    assert (tmp_path / "out").read_text() == "merged"


@pytest.mark.parametrize("name", ["SIGKILL", "SIGSEGV", "SIGABRT"])
def test_a_child_that_dies_costs_its_job_only(pool: WorkerPool, name: str) -> None:
    with pytest.raises(WorkerFailed, match=name):
        do(pool, "die", signal=name)
    assert do(pool, "read")["read"] == []


def test_a_child_that_ends_itself(pool: WorkerPool) -> None:
    with pytest.raises(WorkerFailed, match="ended with code 7"):
        do(pool, "exit")
    assert do(pool, "read")["read"] == []


@pytest.mark.parametrize("how", ["sleep", "spin"])
def test_a_child_that_stalls_is_killed_and_replaced(pool: WorkerPool, how: str) -> None:
    begun = time.monotonic()
    with pytest.raises(WorkerFailed, match=r"longer than 0\.5 s"):
        do(pool, how, timeout_s=0.5, s=60)
    assert time.monotonic() - begun < 20
    assert do(pool, "read")["read"] == []


@pytest.mark.needs_linux
def test_a_memory_bomb_is_a_named_failure(pool: WorkerPool) -> None:
    with pytest.raises(WorkerFailed, match="more memory"):
        do(pool, "bomb", bytes=4 << 30)
    assert do(pool, "bomb", bytes=64 << 20) == {"held": 64 << 20}


@pytest.mark.needs_linux
def test_a_job_may_be_given_another_memory_limit(pool: WorkerPool) -> None:
    args = {"do": "bomb", "bytes": 1200 << 20}
    assert pool.run("misbehave", args, timeout_s=20, memory_bytes=2 << 30) == {"held": 1200 << 20}
    with pytest.raises(WorkerFailed, match="more memory"):
        pool.run("misbehave", args, timeout_s=20)


@pytest.mark.parametrize(
    "rubbish",
    [
        "\0\0\0\2\0\0\0\0[]",
        "\xff\xff\xff\xff\0\0\0\0",
        "\0\0\0\4\0\0\0\0nope",
        "\0\0\0\2\0\0\0\1{}",
        "\0\0\0\2\0\0\0\0{}",
        "\0\0\0\x16\0\0\0\0" + '{"order":1,"result":{}}',
        "\0\0\0\x12\0\0\0\0" + '{"result": "none"}',
        "\0\0\0\x0f\0\0\0\0" + '{"result": NaN}',
        "\0\1\0\0\0\0\0\0" + "[" * 65536,
    ],
)
def test_a_child_that_talks_nonsense(pool: WorkerPool, rubbish: str) -> None:
    with pytest.raises(WorkerFailed):
        do(pool, "garbage", bytes=rubbish)
    assert do(pool, "read")["read"] == []


@pytest.mark.parametrize(("what", "args"), [("nan", {}), ("long", {"bytes": 20 << 20}), ("recurse", {})])
def test_an_answer_that_is_none_is_a_refusal_or_a_failure(pool: WorkerPool, what: str, args: dict[str, Any]) -> None:
    with pytest.raises((Unreadable, WorkerFailed)):
        do(pool, what, **args)
    assert do(pool, "read")["read"] == []


def test_refusals_carry_the_words_of_the_job(pool: WorkerPool) -> None:
    with pytest.raises(Unreadable) as caught:
        do(pool, "refuse")
    assert (caught.value.what, caught.value.next) == ("no picture in it.", "Look at it.")
    with pytest.raises(Unreadable, match=r"ValueError: no\\x0ause"):
        do(pool, "raise", error="value")


def test_a_full_disk_is_no_fault_of_the_picture(pool: WorkerPool) -> None:
    with pytest.raises(DestinationUnavailable):
        do(pool, "raise", error="os", **{"with": [errno.ENOSPC, "no space left"]})
    with pytest.raises(WorkerFailed) as caught:
        do(pool, "raise", error="os", **{"with": [errno.EIO, "input/output error"]})
    assert caught.value.retry


def test_cancel_ends_a_job_that_never_would(pool: WorkerPool) -> None:
    cancel = threading.Event()
    timer = threading.Timer(0.5, cancel.set)
    timer.start()
    with pytest.raises(WorkerStopped):
        pool.run("misbehave", {"do": "spin"}, timeout_s=60, cancel=cancel)
    timer.join()
    assert do(pool, "read")["read"] == []


def test_progress_is_told(pool: WorkerPool) -> None:
    told: list[float] = []
    pool.run("misbehave", {"do": "sleep", "s": 0.1}, timeout_s=20, on_progress=told.append)
    assert told == [0.25]


def test_a_caller_that_throws_in_progress_loses_no_worker(pool: WorkerPool) -> None:
    def throw(_: float) -> None:
        raise RuntimeError("mine")

    with pytest.raises(RuntimeError, match="mine"):
        pool.run("misbehave", {"do": "sleep", "s": 0.1}, timeout_s=20, on_progress=throw)
    assert do(pool, "read")["read"] == []


def test_many_threads_share_the_children(pool: WorkerPool, tmp_path: Path) -> None:
    def one(i: int) -> str:
        path = tmp_path / f"t{i}"
        path.write_text(str(i))
        with path.open("rb") as file:
            if i % 7 == 3:
                with pytest.raises(WorkerFailed):
                    do(pool, "die", signal="SIGKILL")
            return pool.run("misbehave", {"do": "read"}, [file.fileno()], timeout_s=30)["read"][0]

    with ThreadPoolExecutor(6) as threads:
        assert list(threads.map(one, range(30))) == [str(i) for i in range(30)]


def test_children_are_replaced_after_their_share_of_jobs() -> None:
    with WorkerPool(1, memory_bytes=1 << 30, jobs_each=2, extra_jobs=EXTRA) as pool:
        pids = [do(pool, "read")["pid"] for _ in range(4)]
    assert pids[0] == pids[1] != pids[2] == pids[3]


@pytest.mark.needs_linux
def test_a_child_killed_while_idle_is_replaced_unnoticed() -> None:
    with WorkerPool(1, memory_bytes=1 << 30, extra_jobs=EXTRA) as pool:
        first = do(pool, "read")["pid"]
        os.kill(first, signal.SIGKILL)
        until = time.monotonic() + 10
        while Path(f"/proc/{first}/stat").read_text().rpartition(")")[2].split()[0] != "Z" and time.monotonic() < until:
            time.sleep(0.02)
        assert do(pool, "read")["pid"] != first


def test_a_closed_pool_leaves_nothing_and_says_so() -> None:
    pool = WorkerPool(2, memory_bytes=1 << 30, extra_jobs=EXTRA)
    pid = do(pool, "read")["pid"]
    failed: list[Exception] = []

    def spin() -> None:
        try:
            do(pool, "spin", timeout_s=60)
        except NightloaderError as error:
            failed.append(error)

    thread = threading.Thread(target=spin)
    thread.start()
    time.sleep(1.0)
    pool.close()
    thread.join(20)
    assert len(failed) == 1
    assert not Path(f"/proc/{pid}").exists()
    with pytest.raises(WorkerFailed, match="closed"):
        do(pool, "read")


@pytest.mark.needs_linux
def test_what_a_child_gave_up(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SOME_TOKEN", "secret")
    server = socket.create_server(("127.0.0.1", 0))
    with server, WorkerPool(1, memory_bytes=1 << 30, nice=7, extra_jobs=EXTRA) as fresh:
        found = do(fresh, "limits", port=server.getsockname()[1])
        limits = fresh.limits
    assert found["as"] == 1 << 30
    assert found["core"] == 0
    assert found["nice"] >= 7
    assert "SOME_TOKEN" not in found["environment"]
    assert len(found["open"]) <= 5, "a child holds a descriptor that is not its own"
    assert limits["memory"] and limits["dies_with_daemon"]
    assert found["reached"] is not limits["network"], "what is told of the network is not what holds"


DAEMON = """
import sys, threading, time
sys.path[:0] = [{root!r}]
from ingest.machinery.worker.host import WorkerPool
pool = WorkerPool(1, memory_bytes=1 << 30, extra_jobs={extra!r})
first = threading.Thread(target=lambda: print(pool.run("misbehave", {{"do": "read"}}, timeout_s=60)["pid"], flush=True))
first.start()  # the thread that asked for the child ends: the child must not
first.join()
pool.run("misbehave", {{"do": {do!r}, "s": 600}}, timeout_s=600)
"""


@pytest.mark.parametrize("busy_with", ["spin", "sleep"])
def test_no_child_outlives_a_killed_daemon(busy_with: str) -> None:
    script = DAEMON.format(root=str(ROOT), extra=EXTRA, do=busy_with)
    daemon = subprocess.Popen([sys.executable, "-c", script], stdout=subprocess.PIPE, text=True, cwd=ROOT)
    assert daemon.stdout
    pid = int(daemon.stdout.readline())
    time.sleep(0.5)
    assert Path(f"/proc/{pid}").exists(), "the child went with the thread that asked for it"
    daemon.kill()
    daemon.wait()
    until = time.monotonic() + 10
    while Path(f"/proc/{pid}").exists() and time.monotonic() < until:
        time.sleep(0.05)
    assert not Path(f"/proc/{pid}").exists()
    daemon.stdout.close()


def test_an_unknown_job_is_refused(pool: WorkerPool) -> None:
    with pytest.raises(Unreadable, match="KeyError"):
        pool.run("no-such-job", {}, timeout_s=20)


def test_a_worker_that_cannot_start_is_a_named_failure(monkeypatch: pytest.MonkeyPatch) -> None:
    with WorkerPool(1, memory_bytes=1 << 30, extra_jobs=EXTRA) as pool:
        monkeypatch.setattr(sys, "executable", "/no/such/python")
        with pytest.raises(WorkerFailed, match="could not start") as caught:
            do(pool, "read")
        assert caught.value.retry
        monkeypatch.undo()
        assert do(pool, "read")["read"] == []
    # What the interpreter took before its limit may be enough for a job that does nothing; any real one wants more.
    with WorkerPool(1, memory_bytes=1 << 20, extra_jobs=EXTRA) as pool, pytest.raises(WorkerFailed):
        do(pool, "bomb", bytes=64 << 20)
