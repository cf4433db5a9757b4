"""What the daemon's loop decides by itself, without a disk or a card."""

from __future__ import annotations

from ingest.faces.daemon.loop import HOLDS_UP_S, Arriving


def test_sets_wait_for_a_card_whose_listing_settles_but_not_for_ever() -> None:
    arriving = Arriving()
    assert arriving.any(["slot"], 0.0) and arriving.any(["slot"], HOLDS_UP_S - 1)
    assert not arriving.any(["slot"], HOLDS_UP_S)
    assert arriving.any(["slot", "other"], HOLDS_UP_S)  # one that came later still holds them up
    assert not arriving.any([], HOLDS_UP_S + 1)
    assert arriving.any(["slot"], HOLDS_UP_S + 2)  # gone and back: it counts from now
