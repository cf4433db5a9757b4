"""How much runs at once."""

from __future__ import annotations

import psutil
import pytest

from ingest.machinery.worker import room


def test_a_core_stays_free_while_a_card_is_read(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(room, "cores", lambda: 8)
    assert [room.at_once(0, copying=c) for c in (False, True)] == [8, 7]
    assert [room.at_once(3, copying=c) for c in (False, True)] == [3, 3]
    assert room.at_once(64, copying=False) == 8
    monkeypatch.setattr(room, "cores", lambda: 1)
    assert room.at_once(0, copying=True) == 1


def test_no_more_jobs_than_memory_holds_but_always_one() -> None:
    free = psutil.virtual_memory().available
    assert room.fit(free * 4) == 1
    assert 1 <= room.fit(free // 5) <= 4
    assert room.fit(1 << 20) > 4
