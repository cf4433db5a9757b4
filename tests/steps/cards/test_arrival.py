"""A folder that is still being filled is left until it was quiet for a while."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from ingest.records.cards import CardFile, Inventory
from ingest.steps.cards.arrival import Glimpse, is_quiet, remember, signature


def inventory(*files: tuple[str, int, int], problems: tuple[tuple[str, str], ...] = ()) -> Inventory:
    return Inventory(files=tuple(CardFile(path=p, size_bytes=s, mtime_ns=t) for p, s, t in files), left_out=(),
                     empty_folders=(), problems=problems, changed_ns=0)


def test_a_signature_changes_with_whatever_may_matter() -> None:
    marks = [
        inventory(("a", 1, 1)), inventory(("b", 1, 1)), inventory(("a", 2, 1)), inventory(("a", 1, 2)),
        inventory(("a", 1, 1), ("b", 1, 1)), inventory(("a", 1, 1), problems=(("x", "EIO"),)), inventory(),
        inventory(("a\n", 1, 1)), inventory(("a", 11, 1)),
    ]
    assert len({signature(m) for m in marks}) == len(marks)
    assert signature(inventory(("a", 1, 1))) == signature(inventory(("a", 1, 1)))


@given(st.lists(st.tuples(st.dictionaries(st.sampled_from("ab"), st.sampled_from("xyz")), st.floats(0.1, 5.0)),
                max_size=12), st.floats(0.0, 10.0))
def test_quiet_means_equal_looks_that_lie_apart(looks: list[tuple[dict[str, str], float]], settle_s: float) -> None:
    known: dict[str, Glimpse] = {}
    history: list[tuple[float, dict[str, str]]] = []
    now = 0.0
    for seen, pause in looks:
        now += pause
        history.append((now, seen))
        known = remember(known, seen, now)
        assert known.keys() == seen.keys()
        for place, mark in seen.items():
            alike = []
            for at, then in reversed(history):
                if then.get(place) != mark:
                    break
                alike.append(at)
            wanted = len(alike) >= 2 and now - alike[-1] >= settle_s
            assert is_quiet(known[place], now, settle_s, read_only=False) is wanted
            assert is_quiet(known[place], now, settle_s, read_only=True)
