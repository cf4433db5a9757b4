"""What codes say about frames, and which files are searched."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from ingest.records.codes import SeenCode
from ingest.records.frames import Frame
from ingest.steps.codes.choice import worth_searching
from ingest.steps.codes.signs import TURNED_DEG, no_probe, upside_down


def _frames(*times: float | None) -> dict[str, Frame]:
    return {f"f{i}": Frame(id=f"f{i}", body="B", time_s=t, card="c", card_index=i) for i, t in enumerate(times)}


def _is_clock(text: str) -> bool:
    return text.startswith("NLC1:")


@given(st.floats(-180, 180), st.sampled_from([1, 3, 6, 8]))
def test_turning_picture_and_code_together_changes_nothing(up: float, orientation: int) -> None:
    stored = (up - TURNED_DEG.get(orientation, 0.0) + 180) % 360 - 180
    if abs(abs(up) - 135) > 1e-6:
        assert upside_down(SeenCode(text="x", up_deg=stored), orientation) == upside_down(SeenCode(text="x", up_deg=up))


def test_a_lone_slate_and_every_clock_are_no_probe() -> None:
    frames = _frames(0.0, 100.0, 101.0, 102.0, 5000.0)
    signs = {
        "f0": [SeenCode(text="NL1:A")], "f1": [SeenCode(text="NL1:B")], "f2": [SeenCode(text="NL1:B")],
        "f3": [SeenCode(text="NLC1:1")], "f4": [SeenCode(text="NL1:B")],
    }
    apart = no_probe(frames, signs, _is_clock)
    assert {i: what for i, (what, _) in apart.items()} == {"f0": "slate", "f3": "clock", "f4": "slate"}


def test_a_slate_left_standing_in_a_bracket_without_times_stays() -> None:
    signs = {"f0": [SeenCode(text="NL1:B")], "f1": [SeenCode(text="NL1:B")]}
    assert not no_probe(_frames(None, None), signs, _is_clock)


@given(st.lists(st.tuples(st.sampled_from("ab"), st.sampled_from(["D/1.JPG", "D/1.CR3", "d/1.jpg", "D/2.DNG"]))))
def test_every_picture_is_searched_in_some_file(files: list[tuple[str, str]]) -> None:
    given_files = [(f"{card}{path}", card, path) for card, path in files]
    chosen = worth_searching(given_files)
    assert len(chosen) == len(set(chosen)) and set(chosen) <= {d for d, _, _ in given_files}
    stems = {(card, path.rpartition(".")[0].lower()) for _, card, path in given_files}
    searched = {(card, path.rpartition(".")[0].lower()) for d, card, path in given_files if d in chosen}
    assert stems == searched
