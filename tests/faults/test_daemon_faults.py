"""Faults that only the whole daemon can meet: two of them at once, a polite stop, a log or ledger without room, a
lost disk that turns up.  The numbers are the rows of ``test_table.py``."""

from __future__ import annotations

import contextlib
import signal
import time
from pathlib import Path

import pytest

from ingest.faces.cli import demo
from tests.cart import fill, some_bytes
from tests.faults.mounts import needs_root, tmpfs
from tests.journeys.shows import Show

pytestmark = pytest.mark.slow

FILES = {f"CLIPS/T{i:02}.MOV": some_bytes(i, 400_000) for i in range(30)}


@pytest.fixture
def show(tmp_path: Path) -> Show:
    return Show(root=tmp_path, settings=demo.prepare(tmp_path))


def put_in(show: Show, name: str, files: dict[str, bytes] = FILES) -> Path:
    """A card of plain files appears whole, as a mounted one does."""
    return fill(show.root / f"on-its-way-{name}", files).rename(show.root / "slots" / name)


def until(what, seconds: float = 60.0) -> None:  # type: ignore[no-untyped-def]
    limit = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < limit
        time.sleep(0.1)


def log_of(show: Show) -> str:
    file = show.root / "show" / "logs" / "nightloader.log"
    return file.read_text(encoding="utf-8") if file.is_file() else ""


def test_29_two_daemons_at_once(show: Show) -> None:
    """The second refuses with words, and the first goes on."""
    first = show.start("watch")
    try:
        until(lambda: "watching" in log_of(show))
        second = show.run("watch", timeout_s=60)
        assert second.returncode == 3 and "another Nightloader is at work" in second.stderr
        put_in(show, "C1")
        until(lambda: any(c["policy_met"] for c in show.answer("status")["cards"]))
    finally:
        first.terminate()
        first.communicate(timeout=60)
    assert first.returncode == 0


def test_24_a_polite_stop_is_quick_also_while_waiting(show: Show) -> None:
    """Asleep until the next look, which the settings put an hour away."""
    text = show.settings.read_text(encoding="utf-8").replace("#rescan_s = 5.0", "rescan_s = 3600.0")
    assert "rescan_s = 3600.0" in text
    show.settings.write_text(text, encoding="utf-8")
    daemon = show.start("watch")
    until(lambda: "watching" in log_of(show))
    time.sleep(2.0)
    began = time.monotonic()
    daemon.send_signal(signal.SIGTERM)
    daemon.communicate(timeout=30)
    assert daemon.returncode == 0
    assert time.monotonic() - began < 5.0  # a bound for "not an hour", no measurement


@pytest.mark.needs_linux
def test_30_a_log_that_cannot_be_written_stops_claims(show: Show) -> None:
    """/dev/full answers every write with ENOSPC.  Nothing is claimed; with room again the work is finished."""
    logs = show.root / "show" / "logs"
    logs.mkdir(parents=True, exist_ok=True)
    (logs / "nightloader.log").unlink(missing_ok=True)
    (logs / "nightloader.log").symlink_to("/dev/full")
    put_in(show, "C1")
    done = show.run("watch", "--drain", timeout_s=120)
    assert done.returncode == 3 and "the log cannot be written" in done.stderr, done.stderr
    (logs / "nightloader.log").unlink()
    (card,) = show.answer("status")["cards"]
    assert not card["policy_met"] and [d["verified"] for d in card["destinations"]] == [False, False]
    show.run("watch", "--drain")
    (card,) = show.answer("status")["cards"]
    assert card["policy_met"]


@needs_root
@pytest.mark.needs_root
def test_30_a_log_that_fills_up_ends_a_running_daemon(show: Show) -> None:
    """The daemon does not sit there idle: it ends with a fault, and whoever minds it starts it again."""
    with tmpfs(show.root / "show" / "logs", "8k") as small:
        daemon = show.start("watch")
        until(lambda: "watching" in log_of(show))
        with contextlib.suppress(OSError), (small / "filler").open("ab", buffering=0) as filler:
            while True:
                filler.write(bytes(64))
        put_in(show, "C1")
        said, _ = daemon.communicate(timeout=90)
        assert daemon.returncode == 3 and "the log cannot be written" in said, said


@needs_root
@pytest.mark.needs_root
def test_30_the_cart_disk_under_ledger_and_log_is_full(tmp_path: Path) -> None:
    """A real small disk under the show's folder runs full in the middle: a clean end, no claim untrue, then on."""
    with tmpfs(tmp_path / "show", "3m") as small:
        show = Show(root=tmp_path, settings=demo.prepare(tmp_path))
        put_in(show, "C0", {"CLIPS/A.MOV": b"first"})
        show.run("watch", "--drain")
        with contextlib.suppress(OSError), (small / "filler").open("wb", buffering=0) as filler:
            while True:
                filler.write(bytes(4096))
        put_in(show, "C1")
        done = show.run("watch", "--drain", timeout_s=120)
        assert done.returncode == 3 and ("full" in done.stderr or "No space left" in done.stderr), done.stderr
        (small / "filler").unlink()
        for card in show.answer("status")["cards"]:
            assert card["policy_met"] is card["folder"].endswith("/C0")
        assert show.run("watch", "--drain").returncode in (0, 1)
        assert all(c["policy_met"] for c in show.answer("status")["cards"])
        assert len(show.answer("status")["cards"]) == 2


def test_a_lost_disk_that_turns_up_counts_only_once_it_was_read_again(show: Show) -> None:
    put_in(show, "C1", dict(list(FILES.items())[:6]))
    show.run("watch", "--drain")
    lost = show.disks[1]
    assert show.run("destination", "lost", str(lost)).returncode == 0
    assert not show.answer("status")["cards"][0]["policy_met"]
    spoilt = sorted(lost.rglob("*.MOV"))[0]
    spoilt.write_bytes(b"?" + spoilt.read_bytes()[1:])
    added = show.run("destination", "add", str(lost), "--one-disk")
    assert added.returncode == 0 and "read again" in added.stdout, added.stderr
    assert not show.answer("status")["cards"][0]["policy_met"]  # not by the word of the person alone
    show.run("watch", "--drain")
    (card,) = show.answer("status")["cards"]
    assert card["policy_met"]
    assert [f["kind"] for f in show.findings() if f["kind"] == "claim withdrawn"] == ["claim withdrawn"]
    assert spoilt.read_bytes()[:1] == b"?"  # what was found there stays, ours lies beside it
    assert len(card["destinations"]) == 2
