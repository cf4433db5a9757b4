"""A card pulled, a full destination, a read error, a corrupt picture: a clear finding each, and nothing lost."""

from __future__ import annotations

import contextlib
import shutil
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from ingest.faces.cli import demo, lay
from tests.journeys.shows import ENVIRONMENT, Show, same_as_on_card


def _until(show: Show, wanted: str, seconds: float = 60) -> None:
    """Wait until some copy of ``wanted`` lies under its final name."""
    limit = time.monotonic() + seconds
    while not any(True for disk in show.disks for _ in disk.rglob(wanted)):
        assert time.monotonic() < limit, f"{wanted} was never copied"
        time.sleep(0.02)


@pytest.mark.slow
def test_a_card_pulled_in_the_middle_goes_on_where_it_stopped(show: Show) -> None:
    card = show.put_in("KESTO-A3")
    daemon = show.start("watch")
    try:
        _until(show, "KSTV9996.DNG")
        card.rename(show.root / "in-a-pocket")
        time.sleep(3)
        standing = show.card("KESTO-A3")
        if standing["policy_met"]:
            pytest.skip("this machine had read the card before it could be pulled")
        (show.root / "in-a-pocket").rename(card)
        limit = time.monotonic() + 90
        while not show.card("KESTO-A3")["policy_met"]:
            assert time.monotonic() < limit
            time.sleep(0.5)
    finally:
        daemon.terminate()
        daemon.communicate(timeout=60)
    same_as_on_card(show, "KESTO-A3")
    assert len(show.answer("status")["cards"]) == 1  # known again, not a second card


@contextlib.contextmanager
def small_disk(where: Path, size_bytes: int) -> Iterator[None]:
    where.mkdir()
    try:
        subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={size_bytes}", "tmpfs", str(where)], check=True,
                       capture_output=True)
    except (OSError, subprocess.CalledProcessError):
        pytest.skip("mounting a small disk needs root")
    try:
        yield
    finally:
        subprocess.run(["umount", "-l", str(where)], check=False)


@pytest.mark.needs_root
@pytest.mark.slow
def test_a_full_destination_is_told_and_the_other_goes_on(tmp_path: Path) -> None:
    with small_disk(tmp_path / "disk-two", 1_500_000):
        show = Show(root=tmp_path, settings=demo.prepare(tmp_path))
        show.put_in("KESTO-A3")
        done = show.run("watch", "--drain")
        assert done.returncode == 1, done.stderr
        card = show.card("KESTO-A3")
        assert card["policy_met"] is False
        verified = {Path(d["path"]).name: d["verified"] for d in card["destinations"]}
        assert verified == {"disk-one": True, "disk-two": False}
        told = [f for f in show.findings() if f["severity"] != "note" and "disk-two" in f["item"] + f["what"]]
        assert told and all(f["next"] for f in told)
        for row in next(c for c in lay.truth()["cards"] if c["name"] == "KESTO-A3")["files"]:
            whole, part = (disk / card["folder"] / row["path"] for disk in show.disks)
            assert whole.stat().st_size == row["size_bytes"]
            assert not part.exists() or part.stat().st_size == row["size_bytes"]  # never half a file under its name


@pytest.mark.needs_linux
@pytest.mark.slow
@pytest.mark.skipif(shutil.which("strace") is None, reason="strace makes the read fail")
def test_a_read_error_costs_that_file_and_is_told(show: Show) -> None:
    card = show.put_in("YMBER-A7")
    bad = card / "A7" / "SOUND" / "A7-0043-T2.WAV"
    words = ["strace", "-f", "-qq", "-o", "/dev/null", "-P", str(bad), "-e", "trace=read,pread64,readv,preadv2",
             "-e", "inject=read,pread64,readv,preadv2:error=EIO", *show.command("watch", "--drain")]
    probe = subprocess.run(["strace", "-qq", "-o", "/dev/null", "true"], capture_output=True, check=False)
    if probe.returncode != 0:
        pytest.skip("this system lets nobody trace")
    done = subprocess.run(words, capture_output=True, text=True, timeout=240, env=ENVIRONMENT, cwd=show.root,
                          check=False)
    assert done.returncode == 1, done.stderr
    standing = show.card("YMBER-A7")
    assert standing["policy_met"] is False
    told = [f for f in show.findings() if bad.name in f["item"] + f["what"] and f["severity"] != "note"]
    assert told and all(f["next"] for f in told)
    for disk in show.disks:
        assert not list(disk.rglob(bad.name))
        assert list(disk.rglob("A7-0043-T1.MOV"))
    # the card is put into another reader: it reads, and what was owed is made good
    assert show.run("watch", "--drain").returncode in (0, 1)
    assert show.card("YMBER-A7")["policy_met"] is True
    same_as_on_card(show, "YMBER-A7")


@pytest.mark.slow
def test_a_truncated_picture_is_told_and_kept(show: Show) -> None:
    show.put_in("KESTO-A3")
    show.run("watch", "--drain")
    assert show.card("KESTO-A3")["policy_met"] is True
    same_as_on_card(show, "KESTO-A3")
    told = [f for f in show.findings() if "KSTV9995.JPG" in f["item"] + f["what"]]
    assert told and all(f["severity"] != "note" and f["next"] for f in told)
