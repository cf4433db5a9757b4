"""A copy as a process of its own, to be killed, traced and starved: ``driver.py BASE CARD... [--also]``.

Copies every CARD to the destinations of BASE's ledger (made on the first start) and prints the kinds of
the standing findings.  With --ready it makes ledger and destinations, prints ``ready`` and waits for a line.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))

from ingest.steps.copying.plan import CopySettings
from tests.cart import Cart


def main() -> None:
    words = [a for a in sys.argv[1:] if not a.startswith("--")]
    base, cards = Path(words[0]), [Path(c) for c in words[1:]]
    hang_s = next((float(a.split("=")[1]) for a in sys.argv if a.startswith("--hang=")), 30.0)
    destinations = next((a.split("=")[1].split(",") for a in sys.argv if a.startswith("--to=")), ["a", "b"])
    known = (base / "ledger.sqlite").exists() and "--keep" in sys.argv
    cart = Cart(base, destinations=() if known else destinations, settings=CopySettings(
        reserve_bytes=0, pause_s=0.01, hang_s=hang_s, pieces=4, patience_s=0.5))
    if "--ready" in sys.argv:
        print("ready", flush=True)
        sys.stdin.readline()
    presents = [cart.take(card) for card in cards]
    cart.run(*presents)
    print(json.dumps({
        "kinds": sorted(cart.kinds()),
        "met": [cart.is_met(p.card.id) for p in presents],
        "findings": [[f.kind, f.item, f.what] for f in cart.ledger.findings()],
    }))


main()
