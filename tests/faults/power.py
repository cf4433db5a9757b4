"""What runs inside a machine whose power is cut: ``power.py WHAT BASE CARD``, with FAT disks at BASE/a and BASE/b.

``copy`` copies the card as the product does; ``finish`` checks every claim before and after copying the rest;
``large`` copies a card with a file that FAT cannot hold, and prints the folders in which files were made;
``naive`` copies to BASE/a only as a careful-looking program would: temporary file, flush, rename, folder flushed,
and no more.
"""

from __future__ import annotations

import os
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))


def product(base: Path, card: Path, *, check: bool) -> None:
    from tests.cart import Cart

    cart = Cart(base, destinations=() if (base / "ledger.sqlite").exists() else ("a", "b"))
    if check:
        cart.check_claims()
    print("STARTED", flush=True)
    present = cart.take(card)
    cart.run(present)
    if check:
        cart.check_claims()
        if not cart.is_met(present.card.id):
            print("ENDED short", *cart.kinds(), flush=True)
            return
    print("ENDED", len(cart.ledger.copies(present.card.id)), flush=True)


def large(base: Path, card: Path) -> None:
    from ingest.machinery.disk.files import Disk
    from tests.cart import Cart

    made = set()

    class Noting(Disk):
        def create(self, folder, name):  # type: ignore[no-untyped-def]
            made.add(Path(folder.path).name)
            return super().create(folder, name)

    cart = Cart(base)
    present = cart.take(card)
    cart.run(present, disk=Noting())
    cart.check_claims()
    told = [f.what for f in cart.ledger.findings() if f.kind == "too large"]
    copied, met = len(cart.ledger.copies(present.card.id)), cart.is_met(present.card.id)
    print("ENDED", copied, sorted(made), met, told, flush=True)


def naive(base: Path, card: Path) -> None:
    folder = base / "a" / "naive"
    folder.mkdir()
    print("STARTED", flush=True)
    for path in sorted((card / "DCIM").iterdir()):
        temporary = folder / f"{path.name}.tmp"
        with temporary.open("wb") as out:
            out.write(path.read_bytes())
            out.flush()
            os.fsync(out.fileno())
        temporary.rename(folder / path.name)
        fd = os.open(folder, os.O_RDONLY)
        os.fsync(fd)
        os.close(fd)
    print("ENDED", len(os.listdir(folder)), flush=True)


def main() -> None:
    what, base, card = sys.argv[1], Path(sys.argv[2]), Path(sys.argv[3])
    if what == "naive":
        naive(base, card)
    elif what == "large":
        large(base, card)
    else:
        product(base, card, check=what == "finish")


main()
