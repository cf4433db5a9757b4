"""Very many very small files: nothing grows but the ledger, every file is accounted for.

The destinations lie in memory where the system has such a place: the number of files is the fault here, and
twenty thousand flushes to a disk would only measure the disk (``tests/bench/copying.py`` does).
"""

from __future__ import annotations

import contextlib
import os
import random
import resource
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from ingest.steps.cards.inventory import is_litter
from tests.card_strategies import mutated_name
from tests.cart import Cart, tree

MEMORY = Path("/dev/shm")


@pytest.fixture
def place(tmp_path: Path) -> Iterator[Path]:
    if not (MEMORY.is_dir() and os.access(MEMORY, os.W_OK)):
        yield tmp_path
        return
    folder = Path(tempfile.mkdtemp(dir=MEMORY, prefix="nightloader-"))
    try:
        yield folder
    finally:
        shutil.rmtree(folder)


def tiny(card: Path, count: int) -> Path:
    for i in range(count):
        folder = card / "DCIM" / f"{100 + i // 1000}TIDE"
        if i % 1000 == 0:
            folder.mkdir(parents=True)
        (folder / f"TD_{i:07}.JPG").write_bytes(i.to_bytes(8, "big"))
    return card


def copied(place: Path, count: int) -> int:
    """Copy, check every byte and every fact; answers the peak memory in MiB."""
    cart = Cart(place)
    present = cart.take(tiny(place / "card", count))
    cart.run(present)
    assert cart.is_met(present.card.id), cart.ledger.findings()
    assert len(cart.ledger.copies(present.card.id)) == 2 * count
    for name in "ab":
        folder = cart.folder(name, present) / "DCIM"
        found = {p.name: p.read_bytes() for p in folder.rglob("*.JPG")}
        assert len(found) == count and all(n == f"TD_{int.from_bytes(d, 'big'):07}.JPG" for n, d in found.items())
        assert not list(folder.rglob("*.tmp"))
    cart.run(present)  # known, and nothing to do
    assert len(cart.ledger.copies(present.card.id)) == 2 * count
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024


@pytest.mark.slow
def test_twenty_thousand_tiny_files(place: Path) -> None:
    copied(place, 20_000)


@pytest.mark.slow
def test_two_thousand_mutated_names_go_nowhere_else(place: Path) -> None:
    """Real files with names of any bytes: all are copied, and nothing lies outside the card's folders."""
    rng, wanted = random.Random(5), {}
    card = place / "card"
    for n in range(2000):
        path = "/".join(mutated_name(rng) for _ in range(rng.randint(1, 3)))
        target = card / path
        with contextlib.suppress(FileExistsError, NotADirectoryError, IsADirectoryError):
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(n.to_bytes(4, "big"))
    wanted = {p: d for p, d in tree(card).items() if not is_litter(p)}
    assert len(wanted) > 1500
    cart = Cart(place)
    present = cart.take(card)
    cart.run(present)
    assert cart.is_met(present.card.id), cart.ledger.findings()
    cart.check_claims()
    for name in "ab":
        found = tree(cart.folder(name, present))
        if not (cart.folder(name, present) / cart.folder(name, present).name).is_dir():
            assert found == wanted
        assert sorted(found.values()) == sorted(wanted.values())
        outside = {p.relative_to(place / name).as_posix() for p in (place / name).rglob("*")} - {
            p.relative_to(place / name).as_posix() for p in cart.folder(name, present).rglob("*")}
        folder = Path("TIDE") / present.card.folder
        assert outside == {".nightloader-destination.json", "TIDE", "TIDE/cards", str(folder.parent), str(folder)}
    assert {p.name for p in place.iterdir()} - {"ledger.sqlite-wal", "ledger.sqlite-shm"} == {
        "a", "b", "card", "ledger.sqlite"}


@pytest.mark.campaign
def test_a_million_tiny_files(place: Path) -> None:
    print(f"peak {copied(place, 1_000_000)} MiB")
