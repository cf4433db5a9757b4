"""Settings: every mistake at once, with its key, what was found and what is allowed."""

from __future__ import annotations

import re
import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import BaseModel

from ingest.errors import SettingsError, UsageError
from ingest.settings import model
from ingest.settings.reading import _model, find, parse
from ingest.settings.template import render

GOOD = """
[show]
code = "TIDE"
timezone = "Europe/Lisbon"
[[destinations]]
path = "/a"
[[destinations]]
path = "/b"
"""


def test_every_mistake_is_told_in_one_go() -> None:
    text = """
    [show]
    code = "T I D E"
    timezon = "Europe/Lisbon"
    [watch]
    rescan_s = "soon"
    setle_s = 4
    [merging]
    colour_space = "srgb"
    [[destinations]]
    path = "/a"
    """
    with pytest.raises(SettingsError) as caught:
        parse(text.encode(), home=Path("/show"))
    told = "\n".join(caught.value.problems)
    assert len(caught.value.problems) == 7
    for words in ("show.code: found 'T I D E'", "show.timezone: missing", "Did you mean timezone?",
                  "rescan_s: found 'soon'", "Did you mean settle_s?", "found 'srgb'", "fewer than two required"):
        assert words in told
    assert caught.value.exit_code == 2


def test_a_digest_that_cannot_be_taken_here_is_told_before_a_card_comes(monkeypatch: pytest.MonkeyPatch) -> None:
    text = GOOD + '[copying]\ndigests = ["xxh3_128", "blake3"]\n'
    assert parse(text.encode(), home=Path("/show")).copying.digests == ("xxh3_128", "blake3")
    monkeypatch.setitem(sys.modules, "blake3", None)  # as where it is not installed
    with pytest.raises(SettingsError, match="blake3 is not installed here"):
        parse(text.encode(), home=Path("/show"))


@given(st.binary(max_size=400))
def test_any_bytes_give_settings_or_a_refusal(data: bytes) -> None:
    with pytest.raises(SettingsError):
        parse(data, home=Path("/show"))


@given(st.text(max_size=40), st.sampled_from(["show", "watch", "copying", "merging", "bodies", "destinations"]))
def test_any_value_in_a_section_is_refused_in_words(value: str, section: str) -> None:
    import json

    text = GOOD + f"\n[[{section}]]\nwrong = {json.dumps(value)}\n"
    with pytest.raises(SettingsError):
        parse(text.encode("utf-8", "surrogatepass"), home=Path("/show"))


def test_what_init_writes_reads_as_the_defaults() -> None:
    text = render(code="TIDE", timezone="Europe/Lisbon", destinations=["/a", "/b \"odd\""], watch=["/w"], one_disk=True)
    settings = parse(text.encode(), home=Path("/show"))
    assert [d.path for d in settings.destinations] == ["/a", '/b "odd"']
    assert settings.copying.one_disk and settings.watch.places == ("/w",)
    assert settings.merging == model.Merging()


def test_a_commented_line_taken_out_of_its_comment_is_read() -> None:
    """The file is usable as it is: every default it shows can be switched on where it stands."""
    text = render(code="TIDE", timezone="Europe/Lisbon", destinations=["/a", "/b"])
    head, _, _ = text.partition("# One block per camera")
    lines = [line[1:] if line.startswith("#") and not line.startswith("# ") and not line.endswith("=") else line
             for line in head.splitlines()]
    settings = parse("\n".join(lines).encode(), home=Path("/show"))
    assert settings.copying == model.Copying() and settings.notify == model.Notify()


def test_every_setting_stands_in_the_example_with_its_words() -> None:
    example = (Path(__file__).parents[2] / "config" / "nightloader.example.toml").read_text(encoding="utf-8")
    sections: list[type[BaseModel]] = [
        model.Show, model.Watch, model.Destination, model.Copying, model.Merging, model.Filing, model.Due, model.Notify,
        model.Security, model.Page, model.Body, model.TakingCamera,
    ]
    for section in sections:
        for name, field in section.model_fields.items():
            assert field.description and field.description in example, name
            assert f"{name} =" in example, name


def test_the_settings_file_is_found_above(tmp_path: Path) -> None:
    (tmp_path / "nightloader.toml").write_text(GOOD)
    inner = tmp_path / "a" / "b"
    inner.mkdir(parents=True)
    assert find(inner) == tmp_path / "nightloader.toml"
    with pytest.raises(UsageError):
        find(tmp_path.parent / "nowhere")


def test_no_refusal_speaks_of_the_program_instead_of_the_file() -> None:
    """Every key of every section with values of every kind."""
    values = ("1", "1.5", "nan", "-1", "true", '"x"', '""', "[]", "[1, 2]", '["a", 1]', "{}", "{a = 1}", "2031-05-17")
    told: set[str] = set()

    def refused(text: str) -> None:
        try:
            parse(text.encode(), home=Path("/show"))
        except SettingsError as error:
            told.update(error.problems)

    for section, field in model.Settings.model_fields.items():
        for value in values:
            refused(f"{section} = {value}")
        inner = _model(field.annotation)
        block = f"[[{section}]]" if "tuple" in str(field.annotation) else f"[{section}]"
        for key in inner.model_fields if inner else ():
            for value in values:
                refused(f"{block}\n{key} = {value}")
    refused("")
    assert len(told) > 300
    ours = re.compile(r"tuple|dictionary|instance|[Ii]nput|pattern|\^\(|\\d|\bNone\b|\bTrue\b(?! local)|\bFalse\b")
    assert not [words for words in told if ours.search(words) or re.search(r"missing\.\s*$", words)]
    assert any(w.startswith("show: missing. Add [show] with code and timezone") for w in told)
    assert any(w.startswith("destinations, entry 1, path: missing. Add `path = ...` under [[dest") for w in told)
    assert any(w.startswith("show.day_starts: found 'x'; it must be a time of the day such as 06:00.") for w in told)
    assert any(w.startswith("watch.places, entry 2: found 1; it must be text in quotes.") for w in told)
