"""What is around the copy fails: clocks, hints, ledger, memory, file handles; numbers are rows of ``test_table.py``."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from ingest.errors import LedgerBusy, LedgerUnusable
from ingest.machinery.clock import Clock
from ingest.machinery.disk.files import Disk
from ingest.machinery.ledger.store import Store
from tests.cart import Cart, fill, small_card, some_bytes, tree
from tests.faults.mounts import needs_root, tmpfs

DRIVER = str(Path(__file__).parent / "driver.py")


class Jumping(Clock):
    """A clock that somebody sets while the work goes on."""

    def __init__(self) -> None:
        self.calls = 0

    def now(self) -> datetime:
        self.calls += 1
        return datetime.now(UTC) + timedelta(days=(-400, 30, 0)[self.calls % 3])


def test_27_the_clock_jumps(tmp_path: Path) -> None:
    cart = Cart(tmp_path)
    cart.clock = Jumping()
    cart.lookout = cart.new_lookout()
    present = cart.take(fill(tmp_path / "card", small_card()))
    cart.run(present)
    assert cart.is_met(present.card.id)
    assert cart.take(tmp_path / "card").card.id == present.card.id


def test_27_another_time_zone_on_a_fat_card_is_the_same_card(tmp_path: Path) -> None:
    """FAT keeps local time: read elsewhere every stamp is off by whole hours."""
    cart = Cart(tmp_path)
    card = fill(tmp_path / "card", small_card())
    present = cart.take(card)
    cart.run(present)
    for path in card.rglob("*"):
        if path.is_file():
            at = path.stat().st_mtime_ns + 2 * 3600 * 10**9 + 10**9
            os.utime(path, ns=(at, at))
    again = cart.take(card)
    assert again.card.id == present.card.id
    cart.run(again)
    assert cart.is_met(present.card.id)
    assert tree(cart.folder("a", present)) == small_card()


def test_28_a_card_is_found_without_any_event(tmp_path: Path) -> None:
    """No watcher runs here at all: the look alone finds what came."""
    watch = tmp_path / "watch"
    watch.mkdir()
    cart = Cart(tmp_path)
    assert cart.lookout.look([str(watch)]).ready == ()
    fill(watch / "CARD", small_card())
    cart.lookout.look([str(watch)])
    (present,) = cart.lookout.look([str(watch)]).ready
    cart.run(present)
    assert cart.is_met(present.card.id)


@pytest.mark.slow
def test_29_a_damaged_ledger_claims_nothing(tmp_path: Path) -> None:
    """The ledger or its log cut at many places: what is still readable is true, or the start is refused."""
    cart = Cart(tmp_path)
    files = {f"DCIM/{i}.JPG": some_bytes(i, 5000) for i in range(5)}
    present = cart.take(fill(tmp_path / "card", files))
    cart.run(present)
    folder = cart.folder("a", present)
    kept = {p.name: p.read_bytes() for p in tmp_path.glob("ledger.sqlite*")}
    cart.store.close()
    refused = opened = 0
    for name, data in kept.items():
        for cut in range(0, len(data), max(1, len(data) // 23)):
            here = tmp_path / "cut"
            here.mkdir()
            for other, content in kept.items():
                (here / other).write_bytes(content[:cut] if other == name else content)
            try:
                store = Store(here / "ledger.sqlite")
                again = Cart.__new__(Cart)
                again.base, again.store = tmp_path, store
                from ingest.machinery.ledger.cards import CardLedger

                again.ledger = CardLedger(store)
                again.check_claims()
                opened += 1
                store.close()
            except LedgerUnusable as error:
                assert error.next
                refused += 1
            shutil.rmtree(here)
    assert opened and tree(folder) == files


def test_29_two_at_once(tmp_path: Path) -> None:
    first, second = Store(tmp_path / "ledger.sqlite"), Store(tmp_path / "ledger.sqlite")
    first.lock()
    with pytest.raises(LedgerBusy):
        second.lock()
    first.close()
    second.lock()


def starved(base: Path, card: Path, limit: str) -> subprocess.CompletedProcess[str]:
    Cart(base).store.close()
    return subprocess.run(
        ["sh", "-c", f'{limit}; exec "$@"', "sh", sys.executable, DRIVER, "--keep", str(base), str(card)],
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )


@pytest.mark.needs_linux
@pytest.mark.parametrize(
    "limit", ["ulimit -n 24", "ulimit -n 32", "ulimit -n 40", "ulimit -v 300000", "ulimit -f 2000"]
)
def test_30_no_handles_no_memory_no_large_files(tmp_path: Path, limit: str) -> None:
    files = {f"DCIM/a/b/{i}/{i}.JPG": some_bytes(i, 3 << 20) for i in range(6)}
    card = fill(tmp_path / "card", files)
    done = starved(tmp_path, card, f"trap '' XFSZ; {limit}")
    cart = Cart(tmp_path, destinations=())
    cart.check_claims()
    if done.returncode == 0 and json.loads(done.stdout)["met"] != [True]:
        assert json.loads(done.stdout)["kinds"]
    cart.run(cart.take(card))
    (record,) = cart.ledger.cards()
    assert cart.is_met(record.id) and tree(cart.folder("b", record.folder)) == files


MEMORY = Path("/sys/fs/cgroup/memory")  # version 1, as the container of the landing check has it


@needs_root
@pytest.mark.needs_root
@pytest.mark.skipif(not (MEMORY / "memory.limit_in_bytes").exists(), reason="needs a memory cgroup of version 1")
def test_30_a_memory_limit_of_the_system(tmp_path: Path) -> None:
    """The kernel ends the process when it wants more than it may have; nothing is untrue, the next start finishes."""
    files = {f"DCIM/{i}.JPG": some_bytes(i, 3 << 20) for i in range(6)}
    card = fill(tmp_path / "card", files)
    Cart(tmp_path).store.close()
    group = MEMORY / f"nightloader-test-{os.getpid()}"
    group.mkdir()
    try:
        ended = set()
        for mib in (24, 40, 56, 80, 400):
            (group / "memory.limit_in_bytes").write_text(str(mib << 20))
            done = subprocess.run(
                ["sh", "-c", f'echo $$ > {group}/tasks; exec "$@"', "sh", sys.executable, DRIVER, "--keep",
                 str(tmp_path), str(card)], capture_output=True, text=True, timeout=120, check=False,
            )
            ended.add(done.returncode)
            cart = Cart(tmp_path, destinations=())
            cart.check_claims()
            cart.store.close()
        assert -9 in ended and 0 in ended
    finally:
        group.rmdir()
    cart = Cart(tmp_path, destinations=())
    cart.run(cart.take(card))
    (record,) = cart.ledger.cards()
    assert cart.is_met(record.id) and tree(cart.folder("b", record.folder)) == files


@needs_root
@pytest.mark.needs_root
def test_30_a_full_disk_under_the_ledger(tmp_path: Path) -> None:
    """A real small disk under the ledger runs full while files are named: the run ends, no fact is half stored."""
    files = {f"DCIM/{i:03}.JPG": some_bytes(i, 9000) for i in range(300)}
    card = fill(tmp_path / "card", files)
    with tmpfs(tmp_path / "home", "8m") as home:
        for name in "ab":
            (tmp_path / name).mkdir()
        cart = Cart(home, destinations=("../a", "../b"))
        present = cart.take(card)
        named = 0

        class Fills(Disk):
            def rename_new(self, folder, name, final):  # type: ignore[no-untyped-def]
                nonlocal named
                super().rename_new(folder, name, final)
                named += 1
                if named == 60:
                    with contextlib.suppress(OSError), (home / "filler").open("wb", buffering=0) as filler:
                        while True:
                            filler.write(bytes(4096))

        with pytest.raises(LedgerUnusable) as told:
            cart.run(present, disk=Fills())
        assert "make room" in told.value.next
        cart.store.close()
        (home / "filler").unlink()
        cart = Cart(home, destinations=())
        cart.check_claims()
        assert not cart.is_met(present.card.id)
        cart.run(cart.take(card))
        assert cart.is_met(present.card.id)
        cart.check_claims()
        for name in "ab":
            assert tree(tmp_path / name / "TIDE" / present.card.folder) == files
        cart.store.close()


def test_29_a_ledger_restored_from_an_old_copy(tmp_path: Path) -> None:
    """Yesterday's copy of the ledger comes back: what it claims is true, what came since is read again, not believed
    and not copied twice."""
    cart = Cart(tmp_path)
    one = cart.take(fill(tmp_path / "one", small_card(1)))
    cart.run(one)
    cart.store.close()
    old = {p: p.read_bytes() for p in tmp_path.glob("ledger.sqlite*")}
    cart = Cart(tmp_path, destinations=())
    two = cart.take(fill(tmp_path / "two", small_card(2)))
    cart.run(two)
    fill(tmp_path / "one", {"DCIM/100TIDE/TD_0090.JPG": b"later"})
    cart.run(cart.take(tmp_path / "one"))
    cart.store.close()
    spoilt = cart.folder("b", two) / "DCIM/100TIDE/TD_0001.JPG"
    spoilt.write_bytes(b"?" * 3001)
    for path in tmp_path.glob("ledger.sqlite*"):
        path.unlink()
    for path, data in old.items():
        path.write_bytes(data)
    cart = Cart(tmp_path, destinations=())
    cart.check_claims()
    assert [c.id for c in cart.ledger.cards()] == [one.card.id]
    made: list[str] = []

    class Noting(Disk):
        def create(self, folder, name):  # type: ignore[no-untyped-def]
            made.append(name)
            return super().create(folder, name)

    again = cart.take(tmp_path / "two")
    cart.run(again, cart.take(tmp_path / "one"), disk=Noting())
    cart.check_claims()
    assert cart.is_met(one.card.id) and cart.is_met(again.card.id)
    assert len(made) == 1  # only what was not as it had been: beside it, under another name
    assert spoilt.read_bytes() == b"?" * 3001


def test_30_the_ledger_cannot_be_written(tmp_path: Path) -> None:
    """A full disk under the ledger stops every claim; nothing is made up, the next start goes on."""
    cart = Cart(tmp_path)
    present = cart.take(fill(tmp_path / "card", small_card()))
    cart.store._connect().execute("PRAGMA max_page_count=1")  # SQLite's own full disk
    pages = cart.store.query("PRAGMA page_count")[0][0]
    cart.store._connect().execute(f"PRAGMA max_page_count={pages}")

    real = cart.ledger.record

    def full(**_: object) -> None:
        raise LedgerUnusable("database or disk is full.")

    cart.ledger.record = full  # type: ignore[method-assign]
    with pytest.raises(LedgerUnusable):
        cart.run(present)
    cart.ledger.record = real  # type: ignore[method-assign]
    assert cart.ledger.copies(present.card.id) == ()
    cart.run(present)
    assert cart.is_met(present.card.id)
    cart.check_claims()
