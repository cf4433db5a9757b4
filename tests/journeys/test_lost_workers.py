"""A worker killed in the middle of a merge is replaced and the set tried once more; then it is told and given up."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from ingest.errors import WorkerFailed
from ingest.faces import answers
from ingest.faces.cli import main as command
from ingest.faces.merging import merge_files
from ingest.machinery.worker.host import WorkerPool
from ingest.services import close_services, open_services
from ingest.settings.reading import load
from tests import brackets
from tests.journeys.shows import Show
from tests.journeys.test_kills import two_sets
from tests.processes import forked


def lose(kills: int, patch: pytest.MonkeyPatch, count: int = 3) -> list[str]:
    """SIGKILL for whoever is amid a merge of ``count`` frames, in the first ``kills`` tries of this process."""
    plain = WorkerPool._talk
    tried: list[str] = []

    def talk(
        pool: WorkerPool, child: Any, job: str, asked: dict[str, Any], files: Any, limit_s: float, told: Any, stop: Any
    ) -> dict[str, Any]:
        if job != "merge" or len(asked["frames"]) != count:
            return plain(pool, child, job, asked, files, limit_s, told, stop)
        tried.append(job)
        lost = len(tried) <= kills
        return plain(pool, child, job, asked, files, limit_s, lambda _: child.process.kill() if lost else None, stop)

    patch.setattr(WorkerPool, "_talk", talk)
    return tried


@pytest.fixture
def frames(tmp_path: Path) -> Iterator[list[Path]]:
    bracket = brackets.make(brackets.scene(256, 128, seed=3), brackets.Body(), brackets.times(3, 2, 1 / 512))
    paths = [tmp_path / f"F{k}.tif" for k in range(3)]
    for path, shot in zip(paths, bracket.shots, strict=True):
        path.write_bytes(shot.data)
    yield paths


def test_merge_goes_on_with_another_worker(frames: list[Path], monkeypatch: pytest.MonkeyPatch) -> None:
    tried = lose(1, monkeypatch)
    out = frames[0].with_name("out.exr")
    merge_files(frames, out, exposures=[1 / 512, 1 / 128, 1 / 32])
    assert len(tried) == 2
    merge_files(frames, out.with_name("undisturbed.exr"), exposures=[1 / 512, 1 / 128, 1 / 32])
    assert out.read_bytes() == out.with_name("undisturbed.exr").read_bytes()


def test_merge_gives_up_after_two_and_names_the_frames(frames: list[Path], monkeypatch: pytest.MonkeyPatch) -> None:
    tried = lose(9, monkeypatch)
    with pytest.raises(WorkerFailed, match="tried twice") as told:
        merge_files(frames, frames[0].with_name("out.exr"), exposures=[1 / 512, 1 / 128, 1 / 32])
    assert len(tried) == 2 and "F1.tif" in told.value.item
    assert sorted(p.name for p in frames[0].parent.iterdir()) == ["F0.tif", "F1.tif", "F2.tif"]


SEVEN = 7  # frames of one of the two sets


@pytest.mark.slow
def test_the_night_goes_on_without_the_worker(show: Show) -> None:
    """Two sets on the card, and two workers lost over one of them: it is told, the other is merged."""
    two_sets(show)

    def night() -> None:
        lose(2, pytest.MonkeyPatch(), SEVEN)
        os._exit(command.main(["--config", str(show.settings), "watch", "--drain"]))

    assert os.waitstatus_to_exitcode(os.waitpid(forked(night), 0)[1]) == 1  # the demo's set-up is never without a wish
    services = open_services(load(show.settings), None)
    try:
        status = answers.status(services)
        refused = [f for f in status["findings"] if f["kind"] == "not merged"]
        merged = [p for p in services.work.probes() if p.record]
    finally:
        close_services(services)
    assert len(refused) == len(merged) == 1
    assert all("SIGKILL" in f["what"] and f["next"] for f in refused)
    assert [c["policy_met"] for c in status["cards"]] == [True]
