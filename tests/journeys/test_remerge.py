"""A show merged again with new settings: killed in the middle, beside a daemon, adopted afterwards, on a cluster."""

from __future__ import annotations

import shutil
import signal
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from ingest.faces.cli import demo, lay
from tests.journeys.shows import Show, _content, tree
from tests.journeys.test_adopt import another_laptop

pytestmark = pytest.mark.slow


def set_colours(show: Show, name: str) -> None:
    text = show.settings.read_text(encoding="utf-8")
    lines = [f'colour_space = "{name}"' if "colour_space =" in one else one for one in text.splitlines()]
    show.settings.write_text("\n".join([*lines, ""]), encoding="utf-8")


@pytest.fixture(scope="module")
def first_night(tmp_path_factory: pytest.TempPathFactory) -> tuple[Show, Path]:
    """A show whose two cards are taken and merged, and a copy of all of it to begin again from."""
    root = tmp_path_factory.mktemp("first-night")
    show = Show(root=root, settings=demo.prepare(root))
    for card in lay.names()[:2]:
        show.put_in(card)
    assert show.run("watch", "--drain").returncode in (0, 1)
    kept = tmp_path_factory.mktemp("kept") / "all"
    shutil.copytree(root, kept, symlinks=True)
    return show, kept


@pytest.fixture
def merged(first_night: tuple[Show, Path]) -> Show:
    """The show as that night left it, and settings that then change."""
    show, kept = first_night
    shutil.rmtree(show.root)
    shutil.copytree(kept, show.root, symlinks=True)
    set_colours(show, "acescg")
    return show


def pictures(show: Show) -> dict[str, bytes]:
    return {p.relative_to(show.root).as_posix(): p.read_bytes() for d in show.disks for p in d.rglob("*.exr")}


def versions(show: Show) -> set[int]:
    return {p["version"] for p in show.answer("probes")}


def by_probe(show: Show, version: int) -> dict[str, str]:
    """Probe id -> its picture's pixels, of one version."""
    return {p["id"]: _content(Path(p["exr"])) for p in show.answer("probes", "--all")
            if p["version"] == version and p["exr"]}


def until(so: Callable[[], Any], limit_s: float = 60.0) -> Any:
    end = time.monotonic() + limit_s
    while not (found := so()):
        assert time.monotonic() < end, "it never came to that"
        time.sleep(0.05)
    return found


def second_versions(show: Show) -> list[Path]:
    return list(show.disks[0].rglob("*_v002.exr"))


def test_killed_in_the_middle_it_goes_on_and_overwrites_nothing(merged: Show, tmp_path: Path) -> None:
    before = pictures(merged)
    first = by_probe(merged, 1)
    command = merged.start("remerge", "--all")
    until(lambda: second_versions(merged))
    command.send_signal(signal.SIGKILL)
    command.communicate()
    assert len(second_versions(merged)) < len(before) // 2, "it was over before it was killed"
    assert merged.run("remerge").returncode == 0
    assert versions(merged) == {2}
    again = by_probe(merged, 2)
    assert again.keys() == first.keys() and all(again[i] != first[i] for i in first)
    after = pictures(merged)
    assert {name: after[name] for name in before} == before
    assert len(after) == 2 * len(before)
    old = [p for p in merged.answer("probes", "--all") if p.get("superseded_utc")]
    assert {(p["id"], p["version"]) for p in old} == {(i, 1) for i in first} and all(p["exr"] for p in old)
    assert not list(merged.disks[0].rglob(".nl-*.tmp"))
    nothing = merged.run("remerge", "--all")
    assert nothing.returncode == 0 and "stand as they are" in nothing.stdout and versions(merged) == {2}

    # A cart that dies afterwards: another laptop knows the same from the papers and makes nothing again.
    laptop = tmp_path / "laptop"
    laptop.mkdir()
    new = another_laptop(merged, laptop)
    trees = [tree(new, d) for d in new.disks]
    assert new.run("adopt", *map(str, new.disks)).returncode in (0, 1)
    assert new.run("watch", "--drain").returncode in (0, 1)
    assert versions(new) == {2} and by_probe(new, 2) == again and by_probe(new, 1) == first
    assert {p for d, t in zip(new.disks, trees, strict=True) for p in tree(new, d).keys() ^ t.keys()
            if p.endswith(".exr")} == set()
    assert "nothing is owed" in new.run("remerge").stderr
    assert "stand as they are" in new.run("remerge", "--all").stdout


def test_what_a_kill_left_owed_can_be_taken_back(merged: Show) -> None:
    command = merged.start("remerge", "--all")
    until(lambda: [p for p in merged.answer("probes", "--all") if p.get("superseded_utc")])
    command.send_signal(signal.SIGKILL)
    command.communicate()
    assert merged.run("remerge", "--take-back").returncode == 0
    made = {p["id"]: p["version"] for p in merged.answer("probes")}
    assert set(made.values()) == {1, 2}
    assert merged.run("watch", "--drain").returncode in (0, 1)
    assert {p["id"]: p["version"] for p in merged.answer("probes")} == made
    assert "nothing is owed" in merged.run("remerge").stderr
    # What the kill left of a picture that nobody wants any more is in nobody's way.
    set_colours(merged, "aces2065-1")
    assert merged.run("remerge", "--all").returncode == 0
    assert {p["version"] for p in merged.answer("probes")} <= {2, 3} and all(
        p["exr"] for p in merged.answer("probes"))
    assert "name taken" not in {f["kind"] for f in merged.findings()}


def test_beside_a_daemon_the_day_goes_on(merged: Show) -> None:
    """The daemon's own settings are older; a card that comes while it merges again is copied and merged as ever."""
    daemon = merged.start("watch")
    try:
        until(lambda: merged.answer("status")["cards"] and "daemon" in _asked(merged))
        showing = merged.start("remerge", "--all")
        until(lambda: second_versions(merged))
        card = lay.names()[2]
        merged.put_in(card)
        showing.send_signal(signal.SIGINT)
        words, _ = showing.communicate(timeout=30)
        assert showing.returncode == 130 and "goes on with it" in words
        until(lambda: any(c["folder"].endswith(card) and c["policy_met"] for c in merged.answer("status")["cards"]))
        until(lambda: (p := merged.answer("probes")) and len(p) == 7 and all(x["exr"] for x in p) and
              sum(x["version"] == 2 for x in p) == len(second_versions(merged)) >= 4, 120)
        done = merged.run("remerge", "--probe", merged.answer("probes")[0]["id"], "--force")
        assert done.returncode == 0 and "1 probes merged again" in done.stdout, done.stderr
    finally:
        daemon.send_signal(signal.SIGINT)
        said, _ = daemon.communicate(timeout=60)
    assert daemon.returncode == 0 and "Traceback" not in said
    assert max(versions(merged)) == 3


def _asked(show: Show) -> str:
    """A selection of nothing, to see who answers."""
    return show.run("remerge", "--probe", "p0000000000").stderr


def test_a_refused_one_leaves_the_picture_that_stands(merged: Show) -> None:
    text = merged.settings.read_text(encoding="utf-8")
    merged.settings.write_text(text.replace("#memory_mb = 3072", "memory_mb = 256"), encoding="utf-8")
    done = merged.run("remerge", "--all")
    assert done.returncode == 1, done.stdout
    assert versions(merged) == {1} and all(p["exr"] for p in merged.answer("probes"))
    assert "not merged again" in {f["kind"] for f in merged.findings()}
    merged.settings.write_text(text, encoding="utf-8")
    assert merged.run("remerge", "--all", "--force").returncode == 0
    assert versions(merged) == {3}
    assert "not merged again" not in {f["kind"] for f in merged.findings()}


def test_a_cluster_makes_the_same_pixels_and_may_be_lost(merged: Show) -> None:
    import distributed

    dask = distributed.LocalCluster(n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None)
    try:
        done = merged.run("remerge", "--all", "--scheduler", dask.scheduler_address)
        assert done.returncode == 0 and "lost" not in done.stdout, done.stderr
        assert merged.run("remerge", "--all", "--force").returncode == 0
        assert by_probe(merged, 2) == by_probe(merged, 3) and len(by_probe(merged, 2)) >= 4
        command = merged.start("remerge", "--all", "--force", "--scheduler", dask.scheduler_address)
        until(lambda: list(merged.disks[0].rglob("*_v004.exr")))
    finally:
        dask.close()
    words, _ = command.communicate(timeout=180)
    assert command.returncode == 0 and "The cluster was lost on the way" in words, words
    assert by_probe(merged, 4) == by_probe(merged, 3)


