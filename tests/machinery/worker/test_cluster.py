"""Merges on a real Dask cluster against those of this machine."""

from __future__ import annotations

import os
import tempfile
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import IO, Any

import numpy as np
import OpenEXR
import pytest

from ingest.errors import Unreadable
from ingest.machinery.worker import cluster, elsewhere
from ingest.machinery.worker.cluster import Cluster, ClusterUnusable, differences
from ingest.machinery.worker.host import WorkerAbsent, WorkerPool, WorkerStopped
from tests import brackets, scenes
from tests.steps.panorama.test_projection import file, two

MEMORY = 3 << 30


def test_a_machine_that_would_make_other_pixels_is_named() -> None:
    mine = {"nightloader": "1", "numpy": "2.1"}
    assert differences(mine, {"tcp://a": dict(mine)}) == []
    assert differences(mine, {"tcp://b": {"nightloader": "2"}, "tcp://a": dict(mine)}) == [
        "tcp://b has nightloader 2, this machine 1", "tcp://b has numpy not at all, this machine 2.1"]


def test_an_address_where_nobody_answers_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cluster, "_ANSWERS_S", 0.5)
    with pytest.raises(ClusterUnusable, match="no scheduler answers"):
        Cluster("127.0.0.1:1", memory_bytes=MEMORY)


@pytest.fixture(scope="module")
def dask() -> Iterator[Any]:
    import distributed

    with distributed.LocalCluster(n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None) as made:
        yield made


def bracket() -> tuple[dict[str, Any], list[bytes]]:
    made = brackets.make(brackets.scene(256, 128, seed=3), brackets.Body(), brackets.times(5, 2.0))
    return brackets.request(made, memory_bytes=1_000_000_000), [s.data for s in made.shots]


class Files(list[IO[bytes]]):
    """Open files with these bytes; they must outlive the job that gets their descriptors."""

    def __init__(self, blobs: list[bytes]) -> None:
        for blob in blobs:
            file = tempfile.TemporaryFile()  # noqa: SIM115 - closed with the test
            file.write(blob)
            file.seek(0)
            self.append(file)

    @property
    def fds(self) -> list[int]:
        return [f.fileno() for f in self]


def contents(files: Files) -> list[bytes]:
    for one in files:
        one.seek(0)
    return [f.read() for f in files]


@pytest.mark.slow
def test_the_same_bytes_come_back_as_are_made_here(dask: Any) -> None:
    args, frames = bracket()
    given, here, there = Files(frames), Files([b"", b""]), Files([b"", b""])
    with WorkerPool(memory_bytes=MEMORY) as pool:
        answer = pool.run("merge", args, [*given.fds, *here.fds], timeout_s=120)
    made = Cluster(dask.scheduler_address, memory_bytes=MEMORY)
    try:
        assert made.at_once() == 2
        far = made.run("merge", args, given.fds, there.fds, timeout_s=120, cancel=threading.Event())
    finally:
        made.close()
    assert contents(here)[0] and contents(there) == contents(here)
    assert {k: v for k, v in far.items() if k != "seconds"} == {k: v for k, v in answer.items() if k != "seconds"}


def stitched(tmp_path: Path) -> tuple[dict[str, Any], list[bytes]]:
    """What the job ``panorama`` is asked for one two-lens view, and the view."""
    path = tmp_path / "view.exr"
    picture = scenes.fisheye(scenes.outdoor(seed=3), two(), (801, 401), parts=1).astype(np.float32)
    OpenEXR.File({}, {"RGB": picture}).write(str(path))
    return {"lens": file(two()).to_json(), "views": 1, "width": 256}, [path.read_bytes()]


@pytest.mark.slow
def test_what_follows_from_a_merge_is_equal_there_too(dask: Any, tmp_path: Path) -> None:
    """A panorama, and the light of it with its pictures: byte for byte, number for number."""
    made = Cluster(dask.scheduler_address, memory_bytes=MEMORY)
    ask, views = stitched(tmp_path)
    cancel, never = threading.Event(), threading.Event()
    try:
        with WorkerPool(memory_bytes=MEMORY) as pool:
            given, here, there = Files(views), Files([b""]), Files([b""])
            told = [elsewhere.run(pool, where, "panorama", ask, given.fds, out.fds, timeout_s=120, cancel=cancel)
                    for where, out in ((None, here), (made, there))]
            panorama = contents(here)
            assert panorama[0] and contents(there) == panorama
            plain = [{k: v for k, v in t.items() if k != "cpu_s"} for t in told]
            assert plain[0] == plain[1]
            light = {"outputs": ["convolved", "grey_ball", "mirror_ball"]}
            given, here, there = Files(panorama), Files([b""] * 3), Files([b""] * 3)
            found = [elsewhere.run(pool, where, "light", light, given.fds, out.fds, timeout_s=120, cancel=never)
                     for where, out in ((None, here), (made, there))]
            assert found[0] == found[1] and found[0]["lights"]
            assert all(contents(here)) and contents(there) == contents(here)
            rubbish = Files([b"no"])
            with pytest.raises(Unreadable):
                elsewhere.run(pool, made, "light", light, rubbish.fds, there.fds, timeout_s=60, cancel=never)
    finally:
        made.close()


class Lost:
    """A cluster that goes away in the middle of a job, having written half of it."""

    lost = ""

    def __init__(self) -> None:
        self.asked: list[str] = []

    def at_once(self) -> int:
        return 0 if self.lost else 3

    def run(self, job: str, _args: dict[str, Any], _given: Any, outputs: Any, **_: Any) -> dict[str, Any]:
        self.asked.append(job)
        self.lost = "it went away"
        os.write(outputs[0], b"half of it")
        raise WorkerAbsent("gone")

    def close(self) -> None:
        return None


@pytest.mark.slow
def test_a_job_whose_cluster_went_away_is_done_here(tmp_path: Path) -> None:
    ask, views = stitched(tmp_path)
    lost, given, alone, after = Lost(), Files(views), Files([b""]), Files([b""])
    with WorkerPool(memory_bytes=MEMORY) as pool:
        cancel = threading.Event()
        elsewhere.run(pool, None, "panorama", ask, given.fds, alone.fds, timeout_s=120, cancel=cancel)
        elsewhere.run(pool, lost, "panorama", ask, given.fds, after.fds, timeout_s=120, cancel=cancel)
    assert lost.asked == ["panorama"] and contents(after) == contents(alone)
    done: list[int] = []
    elsewhere.each([1, 2, 3], done.append, lost)
    assert done == [1, 2, 3]
    elsewhere.each([4, 5], done.append, Lost())
    assert sorted(done) == [1, 2, 3, 4, 5]


@pytest.mark.slow
def test_a_frame_that_does_not_decode_is_refused_by_name_and_costs_no_machine(dask: Any) -> None:
    args, frames = bracket()
    frames[1] = b"no picture"
    given, outputs = Files(frames), Files([b"", b""])
    made = Cluster(dask.scheduler_address, memory_bytes=MEMORY)
    try:
        with pytest.raises(Unreadable) as told:
            made.run("merge", args, given.fds, outputs.fds, timeout_s=120, cancel=threading.Event())
        assert told.value.item and not made.lost and made.at_once() == 2
        cancel = threading.Event()
        cancel.set()
        with pytest.raises(WorkerStopped):
            made.run("merge", args, given.fds, outputs.fds, timeout_s=120, cancel=cancel)
    finally:
        made.close()


@pytest.mark.slow
def test_machines_of_another_version_are_refused(dask: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cluster, "__version__", "99.0")
    with pytest.raises(ClusterUnusable, match=r"has nightloader .*, this machine 99\.0"):
        Cluster(dask.scheduler_address, memory_bytes=MEMORY)


@pytest.mark.slow
def test_a_cluster_that_goes_away_in_the_middle_is_lost_not_the_frames(monkeypatch: pytest.MonkeyPatch) -> None:
    import distributed

    monkeypatch.setattr(cluster, "_LOST_S", 2.0)
    args, frames = bracket()
    given, outputs = Files(frames), Files([b"", b""])
    dask = distributed.LocalCluster(n_workers=1, threads_per_worker=1, processes=True, dashboard_address=None)
    made = Cluster(dask.scheduler_address, memory_bytes=MEMORY)
    try:
        dask.close()
        with pytest.raises(WorkerAbsent, match="the cluster is lost"):
            made.run("merge", args, given.fds, outputs.fds, timeout_s=120, cancel=threading.Event())
        assert made.lost and made.at_once() == 0
    finally:
        made.close()
