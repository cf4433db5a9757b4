"""Words of commands and pages: helps fit a terminal, figures agree with their nouns, paths of every form are known."""

from __future__ import annotations

import argparse
import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from ingest.errors import UsageError
from ingest.faces import answers, deciding, duties
from ingest.faces.cli.main import build, main
from ingest.faces.web import pages
from ingest.records.findings import Finding, Severity
from ingest.records.views import View
from ingest.services import Services, close_services, open_services
from ingest.settings.reading import load
from tests.cart import fill
from tests.faces.web import shows


def helps(parser: argparse.ArgumentParser) -> Iterator[str]:
    yield parser.format_help()
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            for inner in action.choices.values():
                yield from helps(inner)


def test_every_help_fits_eighty_columns(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    every = list(helps(build()))
    assert len(every) > 25
    assert [line for text in every for line in text.splitlines() if len(line) > 80] == []


@pytest.fixture
def taken(tmp_path: Path) -> Iterator[tuple[Services, Path]]:
    """A show with one card of one still that is still in its reader."""
    assert main(["init", str(tmp_path / "show"), "--show", "TIDE", "--timezone", "UTC", "--destination",
                 str(tmp_path / "A"), "--destination", str(tmp_path / "B"), "--one-disk"]) == 0
    card = fill(tmp_path / "B007", {"DCIM/100TIDE/T_0001.JPG": shows.jpeg()})
    command = ["--config", str(tmp_path / "show" / "nightloader.toml")]
    assert main([*command, "offload", str(card)]) in (0, 1)
    services = open_services(load(tmp_path / "show" / "nightloader.toml"), None)
    yield services, card
    close_services(services)


def test_a_still_is_confirmed_by_any_path_that_a_person_may_have(
    taken: tuple[Services, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    services, card = taken
    (known,) = services.cards.cards()
    (file,) = services.cards.files(known.id)
    inside = f"{known.folder}/{file.path}"
    copies = [Path(d.path) / "TIDE" / inside for d in services.cards.destinations()]
    forms = [*map(str, copies), inside, f"TIDE/{inside}", f"./{inside}", str(card / file.path), file.digest]
    monkeypatch.chdir(copies[0].parent)
    forms += [copies[0].name, os.path.join("..", copies[0].parent.name, copies[0].name)]
    monkeypatch.setattr(type(services.work), "still_digests", lambda _: frozenset({file.digest}))
    for form in forms:
        assert list(duties.confirm(services, form, "chart")) == [file.digest], form
    for wrong in ("", "/", "TIDE", known.folder, f"{inside}x", "../..", str(copies[0].parent), "cards/../../etc"):
        with pytest.raises(UsageError):
            duties.confirm(services, wrong, "chart")


def test_one_is_one(taken: tuple[Services, Path]) -> None:
    services, _ = taken
    words = answers.status_words(answers.status(services))
    assert words.startswith("TIDE: 1 card\n") and "1 file, " in words and "1 files" not in words
    with pytest.raises(UsageError, match="no card is named"):
        deciding.card_called(services, "")
    with pytest.raises(UsageError, match="no card is called so"):
        deciding.card_called(services, "X9")


def test_one_frame_is_one_frame_on_the_page() -> None:
    view: View = shows.a_view("p0000000001", 1)
    template = pages.environment().from_string(
        '{% import "shapes.html" as s %}{{ s.probe_card(p, true) }}')
    glance = {"id": view.id, "version": 1, "record": {}, "trouble": "", "setup": "", "shot": "", "merged_utc": "",
              "view": {"frames": [1]}}
    assert "1 frame," in template.render(p=glance)


def test_what_happened_ends_before_the_advice_begins(taken: tuple[Services, Path]) -> None:
    services, _ = taken
    services.work.set_findings("test", [Finding(
        kind="take_without_clip", item="27A", severity=Severity.PERSON, what="27A: no clip of take 3",
        next="Look for the card.")], services.clock.utc())
    assert "no clip of take 3. Look for the card." in " ".join(
        answers.status_words(answers.status(services)).split())
    assert str(UsageError("meets another file", item="x", next="Rename one.")) == "x: meets another file. Rename one."
    assert str(UsageError("is there already.", item="x", next="Rename one.")) == "x: is there already. Rename one."
