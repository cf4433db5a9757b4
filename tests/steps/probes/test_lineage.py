"""Ids last: a restart repeats them, a completed set keeps its own, none is given twice."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from ingest.steps.probes.lineage import inherit

digests = st.integers(0, 10**6).map(lambda n: f"xxh3_128:{n:032x}")


@st.composite
def partitions(draw: st.DrawFn) -> list[list[str]]:
    members = draw(st.lists(digests, unique=True, min_size=1, max_size=24))
    sets: list[list[str]] = [[]]
    for member in members:
        if sets[-1] and draw(st.booleans()):
            sets.append([])
        sets[-1].append(member)
    return sets


@given(partitions())
def test_the_same_sets_keep_their_ids(sets: list[list[str]]) -> None:
    ids, lineage = inherit({}, sets)
    assert len(set(ids)) == len(ids)
    assert inherit(lineage, sets) == (ids, lineage)
    again, _ = inherit(lineage, sets[::-1])
    assert again == ids[::-1]


@given(partitions(), partitions())
def test_no_id_stands_for_two_sets_whatever_came_before(before: list[list[str]], now: list[list[str]]) -> None:
    _, lineage = inherit({}, before)
    ids, after = inherit(lineage, now)
    assert len(set(ids)) == len(ids) == len(now)
    assert [list(after[i]) for i in ids] == now


@given(partitions(), digests)
def test_a_late_frame_changes_no_id(sets: list[list[str]], late: str) -> None:
    if any(late in members for members in sets):
        return
    ids, lineage = inherit({}, sets)
    grown = [[late, *sets[0]], *sets[1:]]
    assert inherit(lineage, grown)[0] == ids


def test_the_larger_share_inherits() -> None:
    ids, _ = inherit({"pold": ["a", "b", "c"]}, [["a", "x"], ["b", "c"]])
    assert ids[1] == "pold" and ids[0] != "pold"
