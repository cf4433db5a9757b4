"""Reading stills through real workers: one bad file costs that file, also when it takes a worker with it."""

from __future__ import annotations

import errno
import io
import os
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from ingest.errors import CardGone, WorkerFailed
from ingest.machinery.worker import headers
from ingest.machinery.worker.host import WorkerAbsent, WorkerPool, WorkerStopped
from ingest.machinery.worker.jobs import headers as job
from ingest.steps.stills.stage import StillToRead, read_stills
from tests.machinery.worker import containers_made as made

SAID: dict[str, int | str] = {"Make": "Harmatan", "Model": "K2", "ExposureTime": "1/60"}


@pytest.fixture(scope="module")
def pool() -> Iterator[WorkerPool]:
    with WorkerPool(1, memory_bytes=2 << 30) as pool:
        pool.run("headers", {}, timeout_s=60)  # its channel is open from here on
        yield pool


def items(tmp_path: Path, count: int, bad: dict[int, bytes]) -> list[StillToRead]:
    found = []
    for i in range(count):
        path = tmp_path / f"{i}.jpg"
        said = {**SAID, "PhotographicSensitivity": 100 + i}
        path.write_bytes(bad.get(i, made.jpeg(made.tiff(said))))
        found.append(StillToRead(digest=f"d{i}", open=_opener(path)))
    return found


def _opener(path: Path) -> Callable[[], int]:
    return lambda: os.open(path, os.O_RDONLY)


def test_many_stills_in_order_and_each_bad_one_alone(pool: WorkerPool, tmp_path: Path) -> None:
    bad = {3: b"", 50: b"\0" * 999, 99: b"II*\0\xff\xff\xff\xff"}
    before = len(os.listdir("/proc/self/fd")) if Path("/proc/self/fd").exists() else 0
    read = list(read_stills(pool, items(tmp_path, 120, bad), looks=False))
    assert [r.digest for r in read] == [f"d{i}" for i in range(120)]
    for i, still in enumerate(read):
        assert (still.header is None) is (i in bad), i
        assert still.look is None and not still.again
        assert bool(still.trouble) is (i in bad)
        if still.header:
            assert still.header.iso == 100 + i
    if before:
        assert len(os.listdir("/proc/self/fd")) == before


def test_a_look_that_fails_leaves_the_header(pool: WorkerPool, tmp_path: Path) -> None:
    (still,) = read_stills(pool, items(tmp_path, 1, {}))
    assert still.header is not None and still.header.iso == 100
    assert still.look is not None and not still.look.decodes
    assert "decode" in still.trouble


def test_a_file_that_cannot_be_opened_is_asked_for_again(pool: WorkerPool, tmp_path: Path) -> None:
    given = items(tmp_path, 3, {})

    def gone() -> int:
        raise CardGone("the card is gone")

    given[1] = StillToRead(digest="d1", open=gone)
    (tmp_path / "2.jpg").unlink()
    read = list(read_stills(pool, given, looks=False))
    assert [r.again for r in read] == [False, True, True]
    assert "the card is gone" in read[1].trouble and "No such file" in read[2].trouble


class FailingPool(WorkerPool):
    """A pool whose worker dies of one file, meets a failing disk at another and talks nonsense of a third."""

    def __init__(self) -> None:
        super().__init__(1)
        self.asked: list[int] = []

    def run(self, _job: str, _args: dict[str, Any], files: Any = (), **_: Any) -> dict[str, Any]:
        isos = [os.pread(fd, 20, 0) for fd in files]
        self.asked.append(len(isos))
        if b"disk" in isos:
            raise WorkerFailed("input/output error", retry=True)
        if b"bad" in isos:
            raise WorkerFailed("the worker died.")
        if isos == [b"odd"]:
            return {"files": [1, 2]}
        if b"odd" in isos:
            return {"files": []}
        return {"files": [{"kind": "jpeg", "tags": {"Make": "Harmatan"}, "reader": "own", "differs": []} for _ in isos]}


def test_a_batch_that_kills_the_worker_is_read_one_by_one(tmp_path: Path) -> None:
    with FailingPool() as pool:
        read = list(read_stills(pool, items(tmp_path, 10, {2: b"disk", 5: b"bad", 7: b"odd"}), looks=False))
    assert [r.header is None for r in read] == [i in (2, 5, 7) for i in range(10)]
    assert [r.again for r in read] == [i == 2 for i in range(10)], "a failing disk says nothing about the file"
    assert "died" in read[5].trouble and "does not fit" in read[7].trouble
    assert pool.asked == [10] + [1] * 10


def test_a_stop_is_no_fault_of_the_files(pool: WorkerPool, tmp_path: Path) -> None:
    cancel = threading.Event()
    cancel.set()
    with pytest.raises(WorkerStopped):
        list(read_stills(pool, items(tmp_path, 2, {}), cancel=cancel))


def test_without_any_worker_nothing_is_said_of_the_files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("sys.executable", "/no/such/python")
    with WorkerPool(1) as pool, pytest.raises(WorkerAbsent):
        list(read_stills(pool, items(tmp_path, 2, {})))


def test_a_disk_that_fails_while_the_header_is_read(monkeypatch: pytest.MonkeyPatch) -> None:
    def failing(_file: object) -> dict[str, Any]:
        raise OSError(errno.EIO, "input/output error")

    monkeypatch.setattr(headers, "read", failing)
    answer = job.one(io.BytesIO(b""))
    assert answer["again"] is True and "OSError" in answer["refused"]
