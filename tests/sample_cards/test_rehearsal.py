"""The comparison with the truth says nothing when all is right, and names each thing that is not."""

from __future__ import annotations

import dataclasses
from datetime import datetime
from typing import Any

import pytest

from ingest.faces.cli import lay
from ingest.faces.cli.rehearsal import Found, FoundCard, FoundSet, differences
from ingest.records.findings import Finding, Severity

TRUTH: dict[str, Any] = lay.truth()


def exact() -> Found:
    cards = {}
    for card in TRUTH["cards"]:
        litter = [row for row in TRUTH["litter"] if row["card"] == card["name"]]
        files = {row["path"]: row["size_bytes"] for row in card["files"]}
        cards[card["name"]] = FoundCard(
            files=files | {row["path"]: 1 for row in litter if row.get("kept")}, policy_met=True,
            left_out=frozenset(row["path"] for row in litter if row.get("kept") is False),
            empty_folders=frozenset(row["path"] for row in litter if "kept" not in row),
        )
    sets = [
        FoundSet(
            id=f"p{n:02d}", day=row["day"], shot=row["shot"], setup=row["setup"], complete=row["complete"],
            review=row["review"], exr="there.exr",
            frames=tuple((frozenset((row["card"], path) for path in f["files"]), f["exposure_s"],
                          datetime.fromisoformat(f["taken_utc"])) for f in row["frames"]),
        ) for n, row in enumerate(TRUTH["sets"])
    ]
    ids = {row["name"]: f"p{n:02d}" for n, row in enumerate(TRUTH["sets"])}
    findings = [
        Finding(kind=row["kind"], item=ids.get(row["names"][4:-1], row["names"]) + ": x",
                severity=Severity(row["severity"]), what="", next="") for row in TRUTH["findings"]
    ]
    return Found(cards=cards, sets=sets, findings=findings,
                 loose={(row["card"], path): row["loose"] for row in TRUTH["stills"] for path in row["files"]})


def test_the_truth_itself_differs_in_nothing() -> None:
    assert differences(exact(), TRUTH) == []


def changed_set(**change: Any) -> Found:
    found = exact()
    return dataclasses.replace(found, sets=[dataclasses.replace(found.sets[0], **change), *found.sets[1:]])


@pytest.mark.parametrize(("found", "words"), [
    (changed_set(setup="31B"), "setup is 31B, not 31A"),
    (changed_set(complete=None), "complete is None"),
    (changed_set(review=True), "review is True"),
    (changed_set(exr=None), "has no merged picture"),
    (changed_set(frames=exact().sets[0].frames[1:]), "does not put together"),
    (changed_set(frames=tuple(reversed(exact().sets[0].frames))), "not in order from dark to bright"),
    (dataclasses.replace(exact(), sets=exact().sets[1:]), "set hall: not found"),
    (dataclasses.replace(exact(), loose={}), "not test exposure"),
    (dataclasses.replace(exact(), findings=()), "not made"),
    (dataclasses.replace(exact(), findings=[*exact().findings, exact().findings[0]]), "is on no list"),
    (dataclasses.replace(exact(), cards={}), "never taken"),
    (dataclasses.replace(exact(), cards={**exact().cards, "X": exact().cards["ORBE-02"]}), "card X: is on no list"),
    (dataclasses.replace(exact(), cards={
        **exact().cards, "ORBE-02": dataclasses.replace(exact().cards["ORBE-02"], policy_met=False)}), "copy policy"),
])
def test_each_difference_is_named(found: Found, words: str) -> None:
    assert any(words in line for line in differences(found, TRUTH))
