"""Real brackets, played as shooting days (tests/data/traces/SOURCES.md): every set exact, nothing invented."""

from __future__ import annotations

import random
from collections import defaultdict

import pytest

from ingest.records.frames import Frame
from ingest.records.probes import Grouping
from ingest.steps.probes.grouping import group
from tests.traces import moved, series

SERIES = series()
BRACKETS = sorted(name for name in SERIES if name.startswith("S"))
OTHERS = sorted(name for name in SERIES if name.startswith("N"))


def cut(frames: list[Frame]) -> set[frozenset[str]]:
    return members(group(frames))


def members(grouping: Grouping) -> set[frozenset[str]]:
    return {frozenset(s.frames) for s in grouping.sets}


def ids(frames: list[Frame]) -> frozenset[str]:
    return frozenset(f.id for f in frames)


@pytest.mark.parametrize("name", BRACKETS)
def test_a_set_alone_is_one_set(name: str) -> None:
    assert cut(SERIES[name]) == {ids(SERIES[name])}


@pytest.mark.parametrize("name", OTHERS)
def test_what_is_no_bracket_gives_no_set(name: str) -> None:
    assert cut(SERIES[name]) == set()


def test_each_camera_as_it_was_used() -> None:
    cameras: dict[str, list[Frame]] = defaultdict(list)
    truth = set()
    for name, frames in SERIES.items():
        cameras[frames[0].body].extend(frames)
        if name in BRACKETS:
            truth.add(ids(frames))
    assert cut([f for frames in cameras.values() for f in frames]) == truth


@pytest.mark.parametrize("seed", range(60))
def test_all_on_one_body_in_one_day(seed: int) -> None:
    """In any order, 101 s or more apart (the smallest distance met between two real sets), one counter."""
    dice = random.Random(seed)
    names = BRACKETS + OTHERS
    dice.shuffle(names)
    day: list[Frame] = []
    truth = set()
    clock, number = 1_700_000_000.0, 100
    for name in names:
        frames = SERIES[name]
        start = min(f.time_s or 0.0 for f in frames)
        played = moved(frames, clock - start, body="maker|one|1", card="card", first=number)
        day += played
        number += len(frames)
        clock += max(f.time_s or 0.0 for f in frames) - start + 101 * 10 ** dice.uniform(0, 1.2)
        if name in BRACKETS:
            truth.add(ids(frames))
    dice.shuffle(day)
    assert cut(day) == truth
