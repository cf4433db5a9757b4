"""What is around the copy fails: clocks, hints, ledger, memory, file handles."""

from __future__ import annotations

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
from ingest.machinery.ledger.store import Store
from tests.cart import Cart, fill, small_card, some_bytes, tree

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
