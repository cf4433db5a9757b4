"""A destination's listing against its papers."""

from __future__ import annotations

import unicodedata

from hypothesis import given
from hypothesis import strategies as st

from ingest.records.findings import Severity
from ingest.steps.audit.comparison import LITTER, Difference, compare, findings
from tests.card_strategies import path

ABOUT = {"destination_id": "A", "of": "card B007", "card_id": "c1"}
listing = st.dictionaries(path, st.integers(0, 2), max_size=6)


def test_missing_changed_foreign_and_the_rest() -> None:
    expected = {"a": 1, "b": 2, "c": 3}
    found = {"a": 1, "b": 9, "x": 1, ".nl-0123456789abcdef.tmp": 5, "s/.DS_Store": 2, "log": 77}
    d = compare(expected, found, papers=["log", "chain"], **ABOUT)
    assert d.missing == ("c", "chain") and d.changed == ("b",) and d.foreign == ("x",)
    assert d.leftovers == (".nl-0123456789abcdef.tmp",) and d.litter == ("s/.DS_Store",) and d.compared == 5


def says_nothing(d: Difference) -> bool:
    return not (d.missing or d.changed or d.foreign or d.leftovers)


def test_the_other_unicode_form_is_the_same_file() -> None:
    nfd = unicodedata.normalize("NFD", "grün.jpg")
    assert says_nothing(compare({"grün.jpg": 1}, {nfd: 1}, **ABOUT))
    assert compare({"grün.jpg": 1}, {nfd: 2}, **ABOUT).changed == ("grün.jpg",)
    both = compare({"grün.jpg": 1, nfd: 1}, {"grün.jpg": 1}, **ABOUT)
    assert both.missing == (nfd,), "twins need two files"


@given(listing, listing)
def test_every_file_is_accounted_for(expected: dict[str, int], found: dict[str, int]) -> None:
    d = compare(expected, found, **ABOUT)
    assert set(d.missing) <= expected.keys() - found.keys()
    assert {p for p in expected if p in found and expected[p] != found[p]} <= set(d.changed)
    unexplained = found.keys() - expected.keys()
    assert set(d.foreign) | set(d.leftovers) | set(d.litter) <= unexplained
    assert len(d.missing) + len(unexplained) == len(expected.keys() - found.keys()) + len(
        set(d.foreign) | set(d.leftovers) | set(d.litter)
    )  # what one list lacks beyond the other's forms is a pair of forms
    assert all(LITTER & set(p.split("/")) for p in d.litter)


@given(listing)
def test_the_same_is_no_difference(both: dict[str, int]) -> None:
    assert says_nothing(compare(both, both, **ABOUT))


def test_how_bad_it_is_depends_on_other_copies() -> None:
    d = Difference(**ABOUT, missing=("a\n", "b", "c", "d"), foreign=("x",))
    kind = {f.kind: f for f in findings(d, destination="TIDE-A", held_elsewhere=True)}
    assert kind["file missing"].severity is Severity.PERSON and "a\\x0a, b, c and 1 more" in kind["file missing"].what
    worse = findings(d, destination="TIDE-A", held_elsewhere=False)
    assert worse[0].severity is Severity.LOSS and "keep the card" in worse[0].next
