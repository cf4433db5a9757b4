"""States of slots as the ledger's facts and the copier's events make them."""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from ingest.faces.web import pages
from ingest.faces.web.board import Board, Looker
from ingest.faces.web.events import _OLD_S, Hub
from ingest.records.evidence import CardEvidence
from ingest.services import Services, close_services
from tests.faces.web import shows


@pytest.fixture
def services(tmp_path: Path) -> Iterator[Services]:
    found = shows.scratch(tmp_path)
    yield found
    close_services(found)


class Steady:
    """A clock that stands where it is put."""

    now_s = 0.0

    def steady_s(self) -> float:
        return self.now_s


class Look(Looker):
    """A looker in a thread of its own, as the hub has it: SQLite tells a connection of others' commits only."""

    def __init__(self, services: Services) -> None:
        super().__init__(services)
        self._thread = ThreadPoolExecutor(1)

    def look(self) -> Board:
        return self._thread.submit(super().look).result()


def copying(card: str, state: str, done: int) -> dict[str, object]:
    return {
        "card": card,
        "state": state,
        "doing": "",
        "path": "",
        "files_done": done,
        "files_total": 3,
        "bytes_done": done * 1000,
        "bytes_total": 3000,
    }


def test_a_cards_way_through_the_states(services: Services) -> None:
    looker = Look(services)
    card = shows.add_card(services, "ROLL", copied=False)

    def state() -> tuple[str, str, int]:
        slot = looker.look().slots[0]
        return slot.state, slot.word, slot.copies

    assert state() == ("waiting", "waiting", 0), "a card not read whole is never shown as not being read any more"
    services.work.put("reading", card)
    looker.event("copying", copying(card, "being read", 1))
    assert state() == ("reading", "being read", 0)
    assert looker.look().slots[0].done_bytes == 1000
    shows.copy_card(services, card)
    services.work.put("reading", "")
    looker.event("copying", copying(card, "not being read", 3))
    assert state() == ("met", "not being read any more", 2)
    services.cards.gone([card], shows.UTC)
    assert looker.look().slots == ()


def test_a_card_with_a_lost_copy_is_short(services: Services) -> None:
    looker = Look(services)
    card = shows.add_card(services, "ROLL")
    assert looker.look().slots[0].state == "met"
    copy = services.cards.copies(card)[0]
    services.cards.record_reread([(copy, "", "device", shows.UTC)])
    looker.event("copying", copying(card, "not being read", 3))
    slot = looker.look().slots[0]
    assert (slot.state, slot.copies) == ("short", 1) and "1 of 2" in slot.figure and slot.reason


def test_cards_that_left_are_judged_again_in_turn(services: Services) -> None:
    looker = Look(services)
    ids = [shows.add_card(services, f"R{n}", n=n, here=False) for n in range(9)]
    assert {c.state for c in looker.look().cards} == {"met"}
    copy = services.cards.copies(ids[5])[0]
    services.cards.record_reread([(copy, "", "device", shows.UTC)])
    seen = []
    for _ in range(6):
        services.work.put("anything", str(len(seen)))
        looker._judged[ids[5]].at_s = looker._turned_at = -1e9  # as if time had passed: not asked for too often
        seen.append(next(c.state for c in looker.look().cards if c.id == ids[5]))
    assert "short" in seen


def test_rate_and_time_left_are_the_figures_that_the_daemon_measured(services: Services) -> None:
    """One figure for the page, ``status`` and a page beside the daemon, which gets no events."""
    card = shows.add_card(services, "ROLL", copied=False)
    looker = Look(services)
    services.work.put("reading", card)
    assert looker.look().slots[0].rate is None
    services.work.put("paces", json.dumps({card: 250.0}))
    slot = looker.look().slots[0]
    assert (slot.state, slot.rate, slot.left_s, slot.size_bytes) == ("reading", 250.0, 12.0, 3000)
    shows.copy_card(services, card)
    looker._judged[card].at_s = -1e9
    assert (looker.look().slots[0].done_bytes, looker.look().slots[0].done_files) == (3000, 3)
    services.work.put("reading", "")
    slot = looker.look().slots[0]
    assert (slot.state, slot.rate, slot.left_s) == ("met", None, None)


def test_a_change_that_nobody_told_of_is_seen_within_seconds(services: Services) -> None:
    card = shows.add_card(services, "ROLL")
    looker = Look(services)
    clock = Steady()
    object.__setattr__(services, "clock", clock)
    assert looker.look().slots[0].state == "met"
    clock.now_s = 0.1
    services.cards.record_reread([(services.cards.copies(card)[0], "", "device", shows.UTC)])
    assert looker.look().slots[0].state == "met", "a card that is not being read is not judged at each commit"
    clock.now_s = 2.1
    assert looker.look().slots[0].state == "short", "but soon, also if nothing more was committed"


def test_nothing_is_asked_twice_when_nothing_changed(services: Services, monkeypatch: pytest.MonkeyPatch) -> None:
    shows.add_card(services, "A")
    looker = Look(services)
    looker.look()
    asked: list[str] = []
    monkeypatch.setattr(type(services.cards), "evidence", lambda _, card: asked.append(card) or CardEvidence())
    looker.look()
    assert asked == []


def test_parts_are_equal_where_nothing_changed(services: Services) -> None:
    shows.add_card(services, "A")
    shows.add_probes(services, 3)
    looker = Look(services)
    kept: dict[str, tuple[object, str]] = {}
    first = pages.parts(looker.look(), kept)
    assert first == pages.parts(looker.look(), kept) == pages.parts(looker.look())
    shows.add_card(services, "B", n=1)
    second = pages.parts(looker.look(), kept)
    assert second["slots"] != first["slots"] and second["probes"] == first["probes"]


def test_a_page_that_nobody_had_open_shows_what_is_true_now(services: Services) -> None:
    card = shows.add_card(services, "TIDE_A001")
    hub = Hub(Looker(services), pages.parts, services.log)
    hub.start()
    try:
        hub.look_first()
        deadline = time.monotonic() + 30
        while "TIDE_A001" not in hub.part("slots") and time.monotonic() < deadline:
            time.sleep(0.05)
        time.sleep(_OLD_S + 1.5)  # longer than a look counts as new, shorter than the next one by itself
        services.cards.name_roll(card, "ROLL7X")
        assert "ROLL7X" not in hub.part("slots")
        hub.look_first()
        assert "ROLL7X" in hub.part("slots")
    finally:
        hub.close()
