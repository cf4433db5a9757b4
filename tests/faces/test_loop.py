"""What the daemon's loop decides by itself."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from ingest.faces import deciding
from ingest.faces.cli.main import main
from ingest.faces.daemon.loop import HOLDS_UP_S, Arriving
from ingest.services import close_services, open_services
from ingest.settings.reading import load
from tests.cart import fill


def test_sets_wait_for_a_card_whose_listing_settles_but_not_for_ever() -> None:
    arriving = Arriving()
    assert arriving.any(["slot"], 0.0) and arriving.any(["slot"], HOLDS_UP_S - 1)
    assert not arriving.any(["slot"], HOLDS_UP_S)
    assert arriving.any(["slot", "other"], HOLDS_UP_S)  # one that came later still holds them up
    assert not arriving.any([], HOLDS_UP_S + 1)
    assert arriving.any(["slot"], HOLDS_UP_S + 2)  # gone and back: it counts from now


def test_an_error_at_the_desk_costs_neither_copies_nor_the_daemon(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "slots").mkdir()
    assert main(["init", str(tmp_path / "show"), "--show", "TIDE", "--timezone", "UTC", "--destination",
                 str(tmp_path / "A"), "--destination", str(tmp_path / "B"), "--watch", str(tmp_path / "slots"),
                 "--one-disk"]) == 0
    fill(tmp_path / "slots" / "B007", {"DCIM/100TIDE/TIDE0001.JPG": b"no picture"})
    command = ["--config", str(tmp_path / "show" / "nightloader.toml")]

    def broken(*_: object, **__: object) -> None:
        raise RuntimeError("nobody thought of this")

    with monkeypatch.context() as patch:
        patch.setattr("ingest.steps.probes.stage.group", broken)
        assert main([*command, "watch", "--drain"]) == 3
    capsys.readouterr()
    assert main([*command, "status", "--json"]) == 1
    said = json.loads(capsys.readouterr().out)
    assert said["cards"][0]["policy_met"] and "not worked out" in [f["kind"] for f in said["findings"]]
    assert main([*command, "watch", "--drain"]) == 1  # the picture that does not decode remains
    capsys.readouterr()
    main([*command, "status", "--json"])
    assert "not worked out" not in [f["kind"] for f in json.loads(capsys.readouterr().out)["findings"]]


def test_which_card_is_first_can_be_said_at_any_time(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["init", str(tmp_path / "show"), "--show", "TIDE", "--timezone", "UTC", "--destination",
                 str(tmp_path / "A"), "--destination", str(tmp_path / "B"), "--one-disk"]) == 0
    command = ["--config", str(tmp_path / "show" / "nightloader.toml")]
    for name in ("B007", "B008"):
        assert main([*command, "offload", str(fill(tmp_path / name, {"NOTE.TXT": name.encode()}))]) == 0
    assert main([*command, "first", "B009"]) == 2
    assert main([*command, "first", "B008"]) == 0
    assert "B008 is read next" in capsys.readouterr().out
    services = open_services(load(tmp_path / "show" / "nightloader.toml"), None)
    try:
        ranks = {c.label: deciding.rank(services)(c.id) for c in services.cards.cards()}
    finally:
        close_services(services)
    assert ranks == {"B007": 1, "B008": 0}
