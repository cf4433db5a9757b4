"""The copier end to end on plain folders."""

from __future__ import annotations

import os
import threading
from pathlib import Path

from ingest.machinery.disk.files import Disk
from ingest.steps.copying.plan import CopySettings, Twice
from ingest.steps.copying.stage import all_stills_settled
from ingest.steps.copying.stage_state import Turns
from tests.cart import Cart, fill, small_card, some_bytes, tree


def test_a_card_lies_verbatim_at_every_destination(tmp_path: Path) -> None:
    files = small_card()
    card = fill(tmp_path / "card", files)
    (card / "PRIVATE" / "EMPTY").mkdir(parents=True)
    (card / ".DS_Store").write_bytes(b"x")
    os.mkfifo(card / "pipe")
    (card / "link").symlink_to("/etc")
    cart = Cart(tmp_path)
    present = cart.take(card)
    cart.run(present)
    for name in ("a", "b"):
        folder = cart.folder(name, present)
        assert tree(folder) == files
        assert (folder / "PRIVATE" / "EMPTY").is_dir()
        for path in files:
            assert (folder / path).stat().st_mtime_ns == (card / path).stat().st_mtime_ns
    assert cart.is_met(present.card.id)
    cart.check_claims()
    assert {x.path for x in cart.ledger.left_out(present.card.id)} == {".DS_Store", "pipe", "link"}
    assert not any(cart.ledger.planned(d.id) for d in cart.ledger.destinations())
    assert all_stills_settled(cart.ledger, [present.card.id])
    stills = [f for f in cart.ledger.files(present.card.id) if f.path.endswith(".JPG")]
    assert all(f.second_digest == f.digests["xxh3_128"] for f in stills)


def test_nothing_verified_is_copied_again(tmp_path: Path) -> None:
    class Counting(Disk):
        made = 0

        def create(self, folder, name):  # type: ignore[no-untyped-def]
            Counting.made += 1
            return super().create(folder, name)

    cart = Cart(tmp_path, disk=Counting())
    present = cart.take(fill(tmp_path / "card", small_card()))
    cart.run(present)
    made = Counting.made
    assert made == 2 * len(small_card())
    cart.run(cart.take(tmp_path / "card"))
    assert Counting.made == made


def test_an_absent_destination_is_served_later_from_the_other_copy(tmp_path: Path) -> None:
    cart = Cart(tmp_path)
    card = fill(tmp_path / "card", small_card())
    (tmp_path / "b").rename(tmp_path / "away")
    present = cart.take(card)
    cart.run(present)
    assert not cart.is_met(present.card.id)
    assert "destination absent" in cart.kinds()
    card.rename(tmp_path / "card is gone")
    (tmp_path / "away").rename(tmp_path / "b")
    cart.run()
    assert tree(cart.folder("b", present)) == small_card()
    assert cart.is_met(present.card.id)
    assert "destination absent" not in cart.kinds()
    cart.check_claims()


def test_a_spoiled_copy_is_no_source_for_another(tmp_path: Path) -> None:
    cart = Cart(tmp_path)
    card = fill(tmp_path / "card", small_card())
    (tmp_path / "b").rename(tmp_path / "away")
    present = cart.take(card)
    cart.run(present)
    card.rename(tmp_path / "card is gone")
    (tmp_path / "away").rename(tmp_path / "b")
    spoiled = cart.folder("a", present) / "DCIM/100TIDE/TD_0003.JPG"
    spoiled.write_bytes(some_bytes(5, 3003))
    cart.run()
    assert "copy does not verify" in cart.kinds()
    assert not (cart.folder("b", present) / "DCIM/100TIDE/TD_0003.JPG").exists()
    assert not cart.is_met(present.card.id)


def test_further_digests_and_second_reading_of_all(tmp_path: Path) -> None:
    settings = CopySettings(digests=("md5", "xxh64", "c4"), read_twice=Twice.ALL, reserve_bytes=0)
    cart = Cart(tmp_path, settings=settings)
    present = cart.take(fill(tmp_path / "card", small_card()))
    cart.run(present)
    for file in cart.ledger.files(present.card.id):
        assert set(file.digests) == {"xxh3_128", "md5", "xxh64", "c4"}
        assert file.second_digest == file.digests["xxh3_128"]


def test_a_stop_in_the_middle_leaves_no_temporary_file(tmp_path: Path) -> None:
    stop = threading.Event()

    class Stopping(Disk):
        reads = 0

        def read_into(self, fd, view):  # type: ignore[no-untyped-def]
            Stopping.reads += 1
            if Stopping.reads == 30:
                stop.set()
            return super().read_into(fd, view)

    cart = Cart(tmp_path)
    present = cart.take(fill(tmp_path / "card", small_card()))
    cart.stop = stop
    cart.run(present, disk=Stopping())
    assert not cart.is_met(present.card.id)
    assert not [p for p in tree(tmp_path / "a") if p.endswith(".tmp")]
    cart.check_claims()
    stop.clear()
    cart.run(present)
    assert cart.is_met(present.card.id)


def test_several_cards_at_once(tmp_path: Path) -> None:
    cart = Cart(tmp_path)
    presents = [cart.take(fill(tmp_path / f"card{i}", small_card(i))) for i in range(5)]
    cart.run(*presents)
    for i, present in enumerate(presents):
        assert tree(cart.folder("a", present)) == tree(cart.folder("b", present)) == small_card(i)
        assert cart.is_met(present.card.id)


def test_a_night_of_cards_keeps_handles_and_threads(tmp_path: Path) -> None:
    cart = Cart(tmp_path)
    seen = []
    for i in range(8):
        card = fill(tmp_path / f"card{i}", {"DCIM/1.JPG": some_bytes(i, 3000)})
        cart.run(cart.take(card))
        handles = len(os.listdir("/proc/self/fd")) if os.path.isdir("/proc/self/fd") else 0
        seen.append((handles, threading.active_count()))
    assert seen[-1][0] <= seen[2][0] + 4 and seen[-1][1] <= seen[2][1] + 1, seen


def test_the_wanted_card_is_next_the_others_in_the_order_they_came() -> None:
    wanted = ["b"]
    turns, order = Turns(1, lambda card: int(card != wanted[0])), []

    def read(card: str) -> None:
        with turns.turn(card):
            order.append(card)

    with turns.turn("a"):
        threads = []
        for card in "bcd":
            threads.append(threading.Thread(target=read, args=(card,)))
            threads[-1].start()
            while len(turns._waiting) < len(threads):
                pass
        wanted[0] = "d"  # said while all of them wait
    for thread in threads:
        thread.join(10)
    assert order == ["d", "b", "c"]
