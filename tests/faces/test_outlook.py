"""What ``status`` says of the hours and days to come."""

from __future__ import annotations

import json
from datetime import UTC, datetime
from pathlib import Path

import pytest

from ingest.faces import answers
from ingest.faces.cli.main import main
from ingest.faces.outlook import Paces
from ingest.services import Services, close_services, open_services
from ingest.settings.reading import load
from tests.cart import fill


class Steady:
    """A clock that stands where it is put."""

    def __init__(self) -> None:
        self.steady = 0.0

    def now(self) -> datetime:
        return datetime(2026, 4, 1, 13, 0, tzinfo=UTC)

    def steady_s(self) -> float:
        return self.steady

    def utc(self) -> str:
        return "2026-04-01T13:00:00.000Z"


def test_a_card_being_read_and_the_days_a_disk_lasts(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["init", str(tmp_path / "show"), "--show", "TIDE", "--timezone", "UTC", "--destination",
                 str(tmp_path / "A"), "--destination", str(tmp_path / "B"), "--one-disk"]) == 0
    command = ["--config", str(tmp_path / "show" / "nightloader.toml")]
    assert main([*command, "offload", str(fill(tmp_path / "B007", {"NOTE.TXT": bytes(10_000_000)}))]) == 0
    capsys.readouterr()
    services = open_services(load(tmp_path / "show" / "nightloader.toml"), None)
    try:
        said = answers.status(services)["forecast"]
        assert said["cards"] == [] and said["night_ends_utc"] is None  # nothing is being read
        assert [d["from_days"] for d in said["disks"]] == [1, 1] and all(d["days_left"] > 100 for d in said["disks"])
        _being_read(services)
    finally:
        close_services(services)


def _being_read(services: Services) -> None:
    """At 100 bytes a second, with 600 of 1000 done: 4 s from now."""
    (card,) = services.cards.cards()
    clock = Steady()
    object.__setattr__(services, "clock", clock)
    object.__setattr__(services.cards, "done", lambda _: (1, 1000, 0, 600))
    paces = Paces(services)
    for second in range(8):
        clock.steady = float(second)
        paces.note(card.id, second * 100)
    said = answers.status(services)["forecast"]
    assert said["cards"] == [{"id": card.id, "free_at_utc": "2026-04-01T13:00:04Z"}]
    assert said["night_ends_utc"] == "2026-04-01T13:00:04Z"
    words = answers.status_words(answers.status(services))
    assert "read at about 13:00Z" in words and all(len(line) <= 80 for line in words.splitlines())
    paces.end()
    assert json.loads(services.work.recall("paces") or "{}") == {}
    assert answers.status(services)["forecast"]["night_ends_utc"] is None
