"""The cart died and a new laptop has the disks: the ledger comes back from what is written there."""

from __future__ import annotations

import json
import shutil
import signal
import sqlite3
import time
from pathlib import Path
from typing import Any

import pytest

from ingest.faces.cli import lay
from tests.journeys.shows import Show, tree


@pytest.fixture(scope="module")
def before(tmp_path_factory: pytest.TempPathFactory) -> Show:
    """A show with one card taken, filed and audited, and a decision by hand.  Tests work on copies of it."""
    from ingest.faces.cli import demo

    root = tmp_path_factory.mktemp("adopt")
    show = Show(root=root, settings=demo.prepare(root))
    show.put_in(lay.names()[0])
    assert show.run("watch", "--drain").returncode in (0, 1)
    first = show.answer("probes")[0]
    assert show.run("file", first["id"], "--shot", "BYHAND", "--setup", "99Z").returncode == 0
    assert show.run("watch", "--drain").returncode in (0, 1)  # what follows for the pictures
    assert show.run("audit").returncode in (0, 1)
    return show


def another_laptop(before: Show, root: Path, *, papers_of_the_person: bool = True) -> Show:
    """The disks as they are, and a show made anew; with what the person keeps (settings, log, notes), or without."""
    for disk in ("disk-one", "disk-two"):
        shutil.copytree(before.root / disk, root / disk)
    (root / "slots").mkdir()
    new = Show(root=root, settings=root / "show" / "nightloader.toml")
    words = ["--show", before.answer("status")["show"], "--timezone", "Europe/Lisbon", "--watch", str(root / "slots")]
    for disk in new.disks:
        words += ["--destination", str(disk)]
    assert new.run("init", str(root / "show"), *words, "--one-disk").returncode == 0
    if papers_of_the_person:
        for name in ("setup_log.csv", "clock_notes.csv", "measurements.csv"):
            shutil.copyfile(before.root / "show" / name, root / "show" / name)
        text = before.settings.read_text(encoding="utf-8").replace(str(before.root), str(root))
        new.settings.write_text(text, encoding="utf-8")
    return new


def said(show: Show, *, times: bool = True) -> dict[str, Any]:
    """What the person is told, but for the places on this machine; ``times`` are those of the first read-back."""
    status, probes = show.answer("status"), show.answer("probes")
    text = json.dumps({
        "cards": [{k: v for k, v in c.items() if k not in ("destinations", "here", "copies_now", "slot")} |
                  {"at": [(d["path"], d["verified"], d["proof"], d["required"], times and d["read_back_utc"])
                          for d in c["destinations"]]} for c in status["cards"]],
        "findings": sorted((f["kind"], f["item"], f["severity"]) for f in status["findings"]
                           if f["kind"] not in ("card writable",)),
        "probes": [{k: v for k, v in p.items() if k != "why"} for p in probes],
    })
    return dict(json.loads(text.replace(str(show.root), "<root>")))


@pytest.mark.slow
def test_everything_is_said_again_and_nothing_is_made_again(before: Show, tmp_path: Path) -> None:
    new = another_laptop(before, tmp_path)
    trees = [tree(new, d) for d in new.disks]
    done = new.run("adopt", str(new.disks[0]))
    assert done.returncode in (0, 1), done.stderr
    done = new.run("adopt", str(new.disks[1]))
    assert done.returncode in (0, 1), done.stderr
    assert said(new) == said(before)
    new.put_in(lay.names()[0])
    assert new.run("watch", "--drain").returncode in (0, 1)
    for disk, was in zip(new.disks, trees, strict=True):
        now = tree(new, disk)
        assert now.keys() == was.keys()
        pictures = [p for p in was if "/cards/" in p or p.endswith((".exr", ".jpg", ".jsonl"))]
        assert {p: now[p] for p in pictures if not p.endswith((".json", ".mhl", ".xml"))} == \
            {p: was[p] for p in pictures if not p.endswith((".json", ".mhl", ".xml"))}
    assert {p["version"] for p in new.answer("probes")} == {1}
    assert len(new.answer("status")["cards"]) == 1
    report, earlier = (json.loads(s.run("audit", "--json").stdout) for s in (new, before))
    assert report["losses"] == earlier["losses"]
    assert not [f for f in new.findings() if f["kind"] in ("foreign file", "adoption not finished")]


@pytest.mark.slow
def test_without_the_log_probes_stay_where_their_records_say(before: Show, tmp_path: Path) -> None:
    new = another_laptop(before, tmp_path, papers_of_the_person=False)
    trees = [tree(new, d).keys() for d in new.disks]
    assert new.run("adopt", *map(str, new.disks)).returncode in (0, 1)
    filed = {(p["id"], p["shot"], p["setup"], p["day"]) for p in new.answer("probes")}
    assert filed == {(p["id"], p["shot"], p["setup"], p["day"]) for p in before.answer("probes")}
    assert any(setup == "99Z" for _, _, setup, _ in filed)
    # Without the clock notes the time in a name may be another: what was filed by hand is named anew.
    assert [{k for k in tree(new, d) if k.endswith(".exr") and "99Z" not in k} for d in new.disks] == [
        {k for k in t if k.endswith(".exr") and "99Z" not in k} for t in trees]


@pytest.mark.slow
def test_damage_is_a_finding_and_no_copy(before: Show, tmp_path: Path) -> None:
    new = another_laptop(before, tmp_path)
    folder = before.answer("status")["cards"][0]["folder"]
    files = sorted(p for p in (new.disks[0] / folder).rglob("*") if p.is_file() and "ascmhl" not in p.parts)
    flipped, removed = files[0], files[1]
    data = bytearray(flipped.read_bytes())
    data[len(data) // 2] ^= 1
    flipped.write_bytes(data)
    removed.unlink()
    picture = next((new.disks[0]).rglob("*.exr"))
    data = bytearray(picture.read_bytes())
    data[-9] ^= 1
    picture.write_bytes(data)
    done = new.run("adopt", str(new.disks[0]))
    assert done.returncode == 1
    for name, kind in (
        (flipped.name, "copy differs"), (removed.name, "file missing"), (picture.name, "own file differs"),
    ):
        assert any(f["kind"] == kind and name in f["item"] for f in new.findings()), kind
        assert name in done.stdout
    first = new.answer("status")["cards"][0]["destinations"][0]
    assert first["verified"] is False


@pytest.mark.slow
def test_a_kill_in_the_middle_leaves_nothing_untrue_and_it_goes_on(before: Show, tmp_path: Path) -> None:
    new = another_laptop(before, tmp_path)
    running = new.start("adopt", str(new.disks[0]))
    ledger = tmp_path / "show" / "ledger.sqlite"
    limit = time.monotonic() + 60
    while time.monotonic() < limit and running.poll() is None:
        with sqlite3.connect(ledger) as db:
            if db.execute("SELECT count(*) FROM files").fetchone()[0]:
                break
    running.send_signal(signal.SIGKILL)
    running.wait()
    assert any(f["kind"] == "adoption not finished" for f in new.findings())
    assert not any(c["policy_met"] for c in new.answer("status")["cards"])
    assert new.run("adopt", *map(str, new.disks)).returncode in (0, 1)
    assert said(new) == said(before)


def wait_for_lock(path: Path) -> None:
    import fcntl

    limit = time.monotonic() + 60
    while time.monotonic() < limit:
        if path.exists():
            with path.open("rb") as file:
                try:
                    fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
                except BlockingIOError:
                    return
        time.sleep(0.2)
    raise AssertionError("the daemon never began")


@pytest.mark.slow
def test_beside_the_daemon_it_is_a_request(before: Show, tmp_path: Path) -> None:
    new = another_laptop(before, tmp_path)
    daemon = new.start("watch")
    try:
        wait_for_lock(tmp_path / "show" / "ledger.lock")
        for disk in new.disks:
            done = new.run("adopt", str(disk))
            assert done.returncode in (0, 1), done.stderr
            assert "carries this out" in done.stderr and "read again and equal" in done.stdout
        limit = time.monotonic() + 60
        while time.monotonic() < limit and not all(p["exr"] for p in new.answer("probes") or [{"exr": None}]):
            time.sleep(0.5)
    finally:
        daemon.send_signal(signal.SIGTERM)
        daemon.wait(30)
    # Between the two the copier finds and proves what lies at the second disk, with the time of now.
    assert said(new, times=False) == said(before, times=False)


def test_wrong_places_are_refused(show: Show) -> None:
    done = show.run("adopt", str(show.root / "slots"))
    assert done.returncode == 2 and "identity file" in done.stderr
    done = show.run("adopt", str(show.disks[0]))
    assert done.returncode == 2 and "nothing of show" in done.stderr
