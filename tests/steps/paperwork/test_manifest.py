"""The card manifest: same records back, no path of a machine, what was not text stays exact."""

from __future__ import annotations

import json
import random
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.errors import Unreadable
from ingest.records.cards import CardRecord, FileKind, FileRecord
from ingest.steps.paperwork.manifest import card_manifest, modified_ns, modified_word, parse_card_manifest
from tests.card_strategies import Evidence, evidence

WRITTEN = {"software_version": "0.1.0", "written_utc": "2026-04-02T03:00:00Z"}


def made(given: Evidence, destination: str = "disk-0") -> bytes:
    return card_manifest(
        given.card, given.files, show="TIDE", destination_id=destination, copies=given.copies, left_out=given.left_out,
        empty_folders=given.empty_folders, problems=given.problems, **WRITTEN,
    )


@given(evidence())
def test_parse_gives_back_the_records(given: Evidence) -> None:
    read = parse_card_manifest(made(given))
    assert read.card == replace(given.card, mount=None)
    order = lambda x: x.path.encode("utf-8", "surrogateescape")  # noqa: E731
    assert list(read.files) == sorted(given.files, key=order)
    assert list(read.copies) == sorted((c for c in given.copies if c.destination_id == "disk-0"), key=order)
    assert list(read.left_out) == sorted(given.left_out, key=order)
    assert set(read.empty_folders) == set(given.empty_folders)
    assert sorted(read.problems) == sorted((p, w) for p, w in read.problems)
    assert {p for p, _ in read.problems} == {p for p, _ in given.problems}


@given(evidence())
def test_same_facts_same_bytes(given: Evidence) -> None:
    before = made(given)
    turn = random.Random(1)
    for part in (given.files, given.copies, given.left_out, given.empty_folders, given.problems):
        turn.shuffle(part)
    assert made(given) == before


@given(evidence())
def test_no_path_of_the_machine_and_no_carriage_return(given: Evidence) -> None:
    given.card = replace(given.card, volume_id="folder:/media/anna/CARD", mount="/media/anna/CARD")
    text = made(given).decode()
    assert "/media" not in text and "/disk" not in text and "anna" not in text
    assert b"\r" not in made(given)


@given(st.integers(-(2**80), 2**80))
def test_times_survive_to_the_nanosecond(mtime_ns: int) -> None:
    assert modified_ns(modified_word(mtime_ns)) == mtime_ns


def a_card() -> CardRecord:
    return CardRecord(
        id="c1", label="B007", roll="", day="2026-04-01", folder="cards/2026-04-01/B007", volume_id="5E3A-11F0",
        first_seen_utc="2026-04-01T19:00:00Z", last_seen_utc="2026-04-01T19:00:00Z", generation=1,
        listing_whole=True, read_only=None, mount=None,
    )


def test_golden() -> None:
    problems = [("", "no answer")]
    text = card_manifest(a_card(), [], show="TIDE", destination_id="A", copies=[], problems=problems, **WRITTEN)
    assert text.decode() == (
        "{\n"
        ' "paper": "card manifest",\n "version": 1,\n "show": "TIDE",\n "written_utc": "2026-04-02T03:00:00Z",\n'
        ' "software": {"name": "nightloader", "version": "0.1.0"},\n "destination": "A",\n'
        ' "card": {"id": "c1", "label": "B007", "roll": "", "day": "2026-04-01", "folder": "cards/2026-04-01/B007",'
        ' "volume": "5E3A-11F0", "first_seen_utc": "2026-04-01T19:00:00Z", "last_seen_utc": "2026-04-01T19:00:00Z",'
        ' "generation": 1, "listing_whole": true, "mounted": "unknown"},\n'
        ' "totals": {"files": 0, "size_bytes": 0, "read_twice": 0, "second_readings_that_differ": 0},\n'
        ' "copies": [],\n "files": [],\n "left_out": [],\n "empty_folders": [],\n'
        ' "problems": [\n  {"path": ".", "why": "no answer"}\n ]\n}\n'
    )


@pytest.mark.parametrize("climb", ["/etc/passwd", "../x", "a/../../x", "a//x", "a/./x", "a\0"])
def test_a_paper_that_climbs_is_refused(climb: str) -> None:
    given = Evidence(a_card(), [], [], [], [], ["ok"], [])
    paper = json.loads(made(given))
    paper["empty_folders"][0]["path"] = climb
    with pytest.raises(Unreadable):
        parse_card_manifest(json.dumps(paper).encode())
    paper["empty_folders"][0] = {"path": "x", "path_bytes": climb.encode().hex()}
    with pytest.raises(Unreadable):
        parse_card_manifest(json.dumps(paper).encode())


@pytest.mark.parametrize("word", ["2026-99-99T00:00:00Z", "ns:" + "9" * 5000])
def test_a_time_that_is_none_is_refused(word: str) -> None:
    card = replace(a_card(), listing_whole=True)
    file = FileRecord(card_id="c1", path="a", size_bytes=0, mtime_ns=0, kind=FileKind.OTHER, generation=1)
    paper = json.loads(card_manifest(card, [file], show="TIDE", destination_id="A", copies=[], **WRITTEN))
    paper["files"][0]["modified_utc"] = word
    with pytest.raises(Unreadable):
        parse_card_manifest(json.dumps(paper).encode())


@given(evidence(), st.data())
def test_any_damage_is_a_paper_or_a_named_refusal(given: Evidence, data: st.DataObject) -> None:
    whole = made(given)
    cut = data.draw(st.integers(0, len(whole)))
    rubbish = data.draw(st.binary(max_size=4))
    for damaged in (whole[:cut], whole[:cut] + rubbish + whole[cut:], rubbish):
        try:
            parse_card_manifest(damaged)
        except Unreadable as refusal:
            assert refusal.what and refusal.next
