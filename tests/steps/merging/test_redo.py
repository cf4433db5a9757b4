"""The choice of what is merged again."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.records.merges import Again, PixelSettings
from ingest.steps.merging.redo import Choice, Selection, Subject, What, choose

OLD = PixelSettings(colour_space="rec709", reference_exposure_s=1 / 64, reference_f_number=5.6, reference_iso=100.0,
                    chart_colour=False)
NEW = replace(OLD, colour_space="acescg")
PROGRAM = "nightloader 9"

words = st.sampled_from(["A1", "a1", "B2", "C3", ""])
some = st.frozensets(words.filter(bool), max_size=2)
settings = st.sampled_from([OLD, NEW])
subjects = st.builds(
    Subject, id=st.uuids().map(str), shots=some, setup=words, day=words, bodies=some, made=st.none() | settings,
    program=st.sampled_from([PROGRAM, "nightloader 8", ""]),
    owed=st.none() | st.builds(Again, token=st.just("t"), settings=settings),
)
several = st.lists(subjects, max_size=8, unique_by=lambda s: s.id)
selections = st.builds(Selection, everything=st.booleans(), shots=some, setups=some, days=some, bodies=some)


def chosen(those: list[Subject], selection: Selection, wanted: PixelSettings = NEW, **more: bool) -> list[Choice]:
    return choose(those, selection, wanted, PROGRAM, **more)


@given(several, selections, settings, st.booleans(), st.randoms())
def test_each_probe_of_the_selection_once_and_no_other(
    those: list[Subject], selection: Selection, wanted: PixelSettings, force: bool, chance: object
) -> None:
    made = chosen(those, selection, wanted, force=force)
    assert [c.id for c in made] == sorted(s.id for s in those if selection.takes(s))
    shuffled = list(those)
    chance.shuffle(shuffled)  # type: ignore[attr-defined]
    assert chosen(shuffled, selection, wanted, force=force) == made
    if force:
        assert What.STANDS not in {c.what for c in made}


@given(several, selections, settings, st.booleans())
def test_asking_again_for_the_same_asks_for_nothing_new(
    those: list[Subject], selection: Selection, wanted: PixelSettings, force: bool
) -> None:
    """After the decisions are stored nothing is asked twice, and after the merges are made everything stands."""
    asked = {c.id for c in chosen(those, selection, wanted, force=force) if c.what is What.AGAIN}
    owing = [replace(s, owed=Again(token="now", settings=wanted)) if s.id in asked else s for s in those]
    assert What.AGAIN not in {c.what for c in chosen(owing, selection, wanted, force=force)}
    waits = {c.id for c in chosen(owing, selection, wanted, force=force) if c.what is What.GOES_ON}
    made = [replace(s, owed=None, made=wanted, program=PROGRAM) if s.id in waits else s for s in owing]
    assert {c.what for c in chosen(made, selection, wanted)} <= {What.STANDS}


@given(several, selections, selections)
def test_a_further_name_of_one_kind_widens_and_a_further_kind_narrows(
    those: list[Subject], one: Selection, two: Selection
) -> None:
    both = replace(one, shots=one.shots | two.shots)
    narrower = replace(one, days=two.days) if not one.days and not one.empty else one
    for subject in those:
        if one.shots and one.takes(subject):
            assert both.takes(subject)
        if narrower.takes(subject):
            assert one.takes(subject)


def test_nothing_named_takes_nothing() -> None:
    assert not Selection().takes(Subject(id="p1"))
    assert Selection(everything=True).takes(Subject(id="p1"))


def test_a_name_nobody_answers_to_is_told() -> None:
    probe = Subject(id="p1", shots=frozenset({"WEIR_010"}), setup="31A", bodies=frozenset({"Panorb 2"}))
    selection = Selection(shots=frozenset({"weir_010"}), setups=frozenset({"31B"}), bodies=frozenset({"panorb 2"}))
    assert selection.unknown([probe]) == ["setup 31B"]
    assert not selection.takes(probe)


@pytest.mark.parametrize(("owed", "made", "what"), [
    (None, OLD, What.AGAIN), (None, NEW, What.STANDS), (None, None, What.AGAIN),
    (Again(token="t", settings=NEW), NEW, What.GOES_ON), (Again(token="t", settings=OLD), NEW, What.AGAIN),
])
def test_what_becomes_of_one(owed: Again | None, made: PixelSettings | None, what: What) -> None:
    subject = Subject(id="p1", owed=owed, made=made, program=PROGRAM)
    assert chosen([subject], Selection(everything=True)) == [Choice(id="p1", what=what)]


@given(settings, st.text(max_size=8))
def test_an_asking_survives_its_json(wanted: PixelSettings, token: str) -> None:
    again = Again(token=token, settings=wanted)
    assert Again.from_json(again.to_json()) == again
