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
from tests.faults.mounts import needs_root
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


@pytest.mark.needs_root
@pytest.mark.slow
def test_a_full_destination_goes_on_by_itself_when_room_is_made(tmp_path: Path) -> None:
    with small_disk(tmp_path / "disk-two", 1_500_000):
        show = Show(root=tmp_path, settings=demo.prepare(tmp_path))
        show.put_in("YMBER-A7")
        daemon = show.start("watch")
        try:
            limit = time.monotonic() + 60
            while not any(f["kind"] == "no room" for f in show.findings()):
                assert time.monotonic() < limit
                time.sleep(0.3)
            assert show.card("YMBER-A7")["slot"]["word"] != "not being read any more"  # nobody pulls it now
            subprocess.run(["mount", "-o", "remount,size=700m", str(tmp_path / "disk-two")], check=True)
            limit = time.monotonic() + 90
            while not show.card("YMBER-A7")["policy_met"]:
                assert time.monotonic() < limit
                time.sleep(0.5)
        finally:
            daemon.terminate()
            daemon.communicate(timeout=60)
        assert not any(f["kind"] in ("no room", "disk full") for f in show.findings())
        same_as_on_card(show, "YMBER-A7")


@needs_root
@pytest.mark.needs_root
@pytest.mark.slow
def test_a_card_put_back_before_anybody_looked_is_finished(tmp_path: Path) -> None:
    """Pulled (a lazy unmount: an empty folder without an error) and put back at once: to the daemon nothing changed
    but that its last look found another listing."""
    show = Show(root=tmp_path, settings=demo.prepare(tmp_path))
    whole = lay.lay("KESTO-A3", tmp_path / "whole")
    image, slot = tmp_path / "card.img", tmp_path / "slots" / "KESTO-A3"
    with image.open("wb") as file:
        file.truncate(64 << 20)
    subprocess.run(["mkfs.ext4", "-q", "-d", str(whole), str(image)], check=True)
    slot.mkdir()
    mount = ["mount", "-o", "loop,ro", str(image), str(slot)]
    subprocess.run(mount, check=True)
    daemon = show.start("watch")
    try:
        _until(show, "KSTV9991.JPG")
        subprocess.run(["umount", "-l", str(slot)], check=True)
        subprocess.run(mount, check=True)
        limit = time.monotonic() + 120
        while not any(c["policy_met"] for c in show.answer("status")["cards"]):
            assert time.monotonic() < limit
            time.sleep(0.5)
    finally:
        daemon.terminate()
        daemon.communicate(timeout=60)
        subprocess.run(["umount", "-l", str(slot)], check=False)
    assert [c["policy_met"] for c in show.answer("status")["cards"]] == [True]  # one card, not two
    assert not any(f["kind"] in ("listing changed", "card gone") for f in show.findings())


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


def killed_once_verified(show: Show) -> None:
    """One card meets the policy, and then the daemon stops without an end."""
    show.put_in("ORBE-02")
    daemon = show.start("watch")
    limit = time.monotonic() + 90
    while not any(c["policy_met"] for c in show.answer("status")["cards"]):
        assert time.monotonic() < limit
        time.sleep(0.3)
    daemon.kill()
    daemon.communicate()


@pytest.mark.slow
def test_claims_that_a_power_cut_undid_are_withdrawn_and_copied_again(show: Show) -> None:
    """After a stop without an end the last claims are read again: one file is back at length zero, as FAT leaves
    it, one is gone, one was changed.  Nothing is overwritten, everything is verified again, and a person is told."""
    killed_once_verified(show)
    empty, gone, changed = sorted((show.disks[1] / show.card("ORBE-02")["folder"]).rglob("*.JPG"))[:3]
    empty.write_bytes(b"")
    gone.unlink()
    changed.write_bytes(b"\0" + changed.read_bytes()[1:])
    was = changed.read_bytes()
    show.run("watch", "--drain")
    told = [f for f in show.findings() if f["kind"] == "claim withdrawn"]
    assert len(told) == 1 and told[0]["what"].startswith("3 files") and "disk-two" in str(told[0])
    assert show.card("ORBE-02")["policy_met"]
    assert empty.read_bytes() == b"" and changed.read_bytes() == was  # what was found there stays
    assert gone.read_bytes() == (show.disks[0] / gone.relative_to(show.disks[1])).read_bytes()
    before = (show.root / "show" / "logs" / "nightloader.log").read_text(encoding="utf-8").count("read again after")
    show.run("watch", "--drain")
    after = (show.root / "show" / "logs" / "nightloader.log").read_text(encoding="utf-8").count("read again after")
    assert before == after == 2  # a stop with an end owes nothing: the two disks were read once


@pytest.mark.slow
def test_a_disk_that_is_away_at_the_restart_is_read_when_it_returns(show: Show) -> None:
    killed_once_verified(show)
    away = show.disks[1].rename(show.root / "away")
    show.run("watch", "--drain")
    victim = sorted(away.rglob("*.JPG"))[0]
    victim.write_bytes(b"")
    away.rename(show.disks[1])
    show.run("watch", "--drain")
    assert [f["kind"] for f in show.findings() if f["kind"] == "claim withdrawn"] == ["claim withdrawn"]
