"""Very many very small files: nothing grows but the ledger, every file is accounted for.

The destinations lie in memory where the system has such a place: the number of files is the fault here, and
twenty thousand flushes to a disk would only measure the disk (``tests/bench/copying.py`` does).
"""

from __future__ import annotations

import os
import resource
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.cart import Cart

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


@pytest.mark.campaign
def test_a_million_tiny_files(place: Path) -> None:
    print(f"peak {copied(place, 1_000_000)} MiB")
