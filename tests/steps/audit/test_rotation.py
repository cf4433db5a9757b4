"""What is read again tonight, and that every file has its night."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.steps.audit.rotation import Held, share, tonight

TODAY = "2026-04-09"


def held(card: str, size: int, day: str = "2026-04-01", disk: str = "A", files: int = 1) -> Held:
    return Held(card_id=card, destination_id=disk, day=day, size_bytes=size, files=files)


def test_the_days_cards_whole_and_a_share_of_the_rest() -> None:
    plan = tonight([held("old", 7000), held("new", 5, TODAY), held("new", 5, TODAY, "B")], days=[TODAY], nights=7)
    assert plan.whole == (("new", "A"), ("new", "B"))
    assert plan.budgets == {"A": -(-(7000 + 4096) // 7)}


def test_full_reads_everything() -> None:
    plan = tonight([held("a", 5), held("b", 9, disk="B")], days=[], full=True)
    assert plan.whole == (("a", "A"), ("b", "B")) and plan.budgets == {}


def test_no_night_is_refused() -> None:
    with pytest.raises(ValueError, match="at least one"):
        tonight([], days=[], nights=0)


def test_a_file_larger_than_the_share_has_its_turn() -> None:
    assert share([("huge", 10**12), ("small", 1)], 5) == ["huge"] and share([("a", 1)], 0) == []


@given(st.lists(st.integers(0, 50_000), min_size=1, max_size=12), st.integers(1, 9))
def test_every_file_is_read_within_the_nights(sizes: list[int], nights: int) -> None:
    read = [""] * len(sizes)
    for night in range(nights):
        plan = tonight([held("c", sum(sizes), files=len(sizes))], days=[], nights=nights)
        order = sorted(range(len(sizes)), key=lambda n: (read[n], n))
        for n in share(((n, sizes[n]) for n in order), plan.budgets["A"]):
            read[n] = f"2026-05-{night + 1:02}"
    assert all(read)
