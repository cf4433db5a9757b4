"""What a person may get wrong: days, places, bytes, a ledger that is gone.  Nothing of it may do harm or hang."""

from __future__ import annotations

import json
import os
import shutil
import threading
from pathlib import Path
from typing import Any

import pytest

from ingest.faces.cli.main import main
from ingest.faces.daemon import loop
from ingest.services import close_services, open_services
from ingest.settings.reading import load
from tests.cart import fill


class Show:
    """A show with one card taken, and its commands."""

    def __init__(self, root: Path) -> None:
        self.root, self.home = root, root / "show"
        (root / "slots").mkdir()
        assert main(["init", str(self.home), "--show", "TIDE", "--timezone", "UTC", "--destination", str(root / "A"),
                     "--destination", str(root / "B"), "--watch", str(root / "slots"), "--one-disk"]) == 0
        written = self.home / "nightloader.toml"
        written.write_text(written.read_text(encoding="utf-8").replace("#settle_s = 5.0", "settle_s = 0.3"),
                           encoding="utf-8")
        self.card = fill(root / "B007", {"NOTES/N1.TXT": b"one", "NOTES/N2.TXT": b"two"})
        assert self("offload", str(self.card)) == 0

    def __call__(self, *words: str) -> int:
        return main(["--config", str(self.home / "nightloader.toml"), *words])


@pytest.fixture
def show(tmp_path: Path) -> Show:
    return Show(tmp_path)


def test_a_day_that_is_none_is_refused(show: Show, capsys: pytest.CaptureFixture[str]) -> None:
    for words in (["audit", "--day", "nonsense"], ["file", "x", "--shot", "S", "--setup", "1", "--day", "nonsense"]):
        assert show(*words) == 2
    assert "Traceback" not in capsys.readouterr().err


def test_an_audit_that_fails_in_the_daemon_is_not_asked_for_ever(
    show: Show, monkeypatch: pytest.MonkeyPatch
) -> None:
    settings = load(show.home / "nightloader.toml")
    services = open_services(settings, None)
    number = services.work.ask("audit", {"day": "nonsense", "full": False}, services.clock.utc())
    other = services.work.ask("audit", {"full": False}, services.clock.utc())
    tried = []

    def broken(*_: Any, day: str = "", **__: Any) -> None:
        tried.append(day)
        raise RuntimeError("nobody thought of this")

    monkeypatch.setattr("ingest.faces.auditing.audit", broken)
    assert loop.run(settings, drain=True, stop=threading.Event()) in (0, 1)
    assert tried == ["nonsense", ""] and services.work.open_requests() == ()
    for asked in (number, other):
        assert "nobody thought of this" in (services.work.request(asked)[1] or {})["text"]
    close_services(services)


@pytest.mark.parametrize("where", ["A", "B", "A/TIDE/cards", "show", ""])
def test_no_copy_is_made_of_copies(show: Show, where: str, capsys: pytest.CaptureFixture[str]) -> None:
    """A destination, a folder in one, the show's own folder, or one that holds them is no card."""
    assert show("offload", str(show.root / where)) == 2
    assert "no copy is made of copies" in capsys.readouterr().err
    show("status", "--json")
    assert len(json.loads(capsys.readouterr().out)["cards"]) == 1


def test_a_watched_place_around_the_destinations_is_refused(show: Show) -> None:
    written = show.home / "nightloader.toml"
    place = (show.root / "slots").as_posix()
    text = written.read_text(encoding="utf-8")
    assert place in text
    written.write_text(text.replace(place, show.root.as_posix()), encoding="utf-8")
    for command in ("status", "watch"):
        assert show(command) == 2


def test_bytes_that_are_no_text_are_refused_and_stop_nothing(show: Show) -> None:
    (note,) = (show.root / "A").rglob("N1.TXT")
    odd = os.fsdecode(b"\xff")
    assert show("file", str(note), "--shot", "S", "--setup", odd) == 2
    assert show("label", "B007", odd) == 2
    assert show("sign", "B007", "--by", odd) == 2
    assert show("file", str(note), "--shot", "S", "--setup", " ") == 2
    assert show("watch", "--drain") == 0


def test_a_lost_ledger_is_said_and_comes_back(show: Show, capsys: pytest.CaptureFixture[str]) -> None:
    for ledger in show.home.glob("ledger.sqlite*"):
        ledger.unlink()
    for words in (["watch", "--drain"], ["status"], ["audit"], ["offload", str(show.card)]):
        assert show(*words) == 2
        assert "nightloader adopt" in capsys.readouterr().err
    assert not (show.home / "ledger.sqlite").exists()
    (show.home / "ledger.sqlite").touch()  # or an empty file in its place
    assert show("status") == 2 and show("watch", "--drain") == 2
    capsys.readouterr()
    assert show("adopt", str(show.root / "A"), str(show.root / "B")) in (0, 1)
    capsys.readouterr()
    assert show("status", "--json") == 0
    (card,) = json.loads(capsys.readouterr().out)["cards"]
    assert card["policy_met"] and card["on_one_disk"]


def test_a_wrong_path_is_no_stop_without_an_end(show: Show) -> None:
    assert show("offload", str(show.root / "nowhere")) == 2
    services = open_services(load(show.home / "nightloader.toml"), None)
    assert not services.work.recall(loop.LastClaims.RUNNING)
    close_services(services)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes here")
def test_a_pipe_in_the_place_of_a_log_is_not_waited_for(show: Show, capsys: pytest.CaptureFixture[str]) -> None:
    for name in ("setup_log.csv", "clock_notes.csv", "measurements.csv"):
        (show.home / name).unlink(missing_ok=True)
        os.mkfifo(show.home / name)
    assert show("watch", "--drain") == 1
    capsys.readouterr()
    show("status", "--json")
    assert "cannot be read" in capsys.readouterr().out


def test_a_card_with_damaged_pictures_asks_for_a_person(
    show: Show, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    card = fill(tmp_path / "B008", {"DCIM/100TIDE/TIDE0001.JPG": b"\xff\xd8\xff no picture"})
    assert show("offload", str(card)) == 1
    assert "copies once reused 2 of 2" in capsys.readouterr().out


def test_what_was_typed_is_shown_as_text(show: Show, capsys: pytest.CaptureFixture[str]) -> None:
    (show.home / "setup_log.csv").write_text(
        "day,shot,setup,start,end,camera,lens,notes\n2031-05-17,\x1b[2J\u202e,9A,10:00,11:00,A,,\n", encoding="utf-8"
    )
    show("watch", "--drain")
    capsys.readouterr()
    show("setups")
    out = capsys.readouterr().out
    assert "9A" in out and "\x1b" not in out and "\u202e" not in out
    assert all(len(line) <= 80 for line in out.splitlines())
    shutil.rmtree(show.root / "slots")
