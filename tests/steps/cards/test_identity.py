"""Which card is it: by volume and content, never by name."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import given
from hypothesis import strategies as st

from ingest.records.cards import CardFile
from ingest.steps.cards.identity import (
    SAMPLES,
    Known,
    Meeting,
    card_id,
    folder_for,
    label_of,
    recognise,
    same_time,
    to_sample,
)

S = 10**9


def files(count: int, *, start: int = 0, mtime_s: int = 1000) -> list[CardFile]:
    return [CardFile(path=f"DCIM/{n:04}.JPG", size_bytes=1000 + n, mtime_ns=(mtime_s + n) * S)
            for n in range(start, start + count)]


def known(id: str, held: list[CardFile], volume: str = "v", samples: dict[str, str] | None = None) -> Known:
    return Known(id=id, volume_id=volume, files={f.path: f for f in held}, samples=samples or {})


def samples(held: list[CardFile], salt: str = "") -> dict[str, str]:
    return {p: f"{salt}{p}" for p in to_sample(held)}


def test_the_same_card_again() -> None:
    held = files(5)
    found = recognise("v", held, samples(held), [known("c", held, samples=samples(held))])
    assert (found.meeting, found.id, found.fresh) == (Meeting.SAME, "c", ())


def test_shot_on_further() -> None:
    held, more = files(5), files(8)
    found = recognise("v", more, samples(held), [known("c", held, samples=samples(held))])
    assert found.meeting is Meeting.FURTHER and found.fresh == tuple(f.path for f in more[5:])


def test_formatted_and_numbered_anew_is_another_card() -> None:
    """Same volume, names, sizes and times, other content."""
    held = files(5)
    found = recognise("v", held, samples(held, "other "), [known("c", held, samples=samples(held))])
    assert found == recognise("v", held, {}, []) and found.meeting is Meeting.OTHER


def test_another_volume_with_equal_files_is_another_card() -> None:
    held = files(5)
    assert recognise("w", held, samples(held), [known("c", held, samples=samples(held))]).meeting is Meeting.OTHER


def test_files_deleted_on_the_card_leave_it_the_same_card() -> None:
    held = files(6)
    found = recognise("v", held[2:], samples(held), [known("c", held, samples=samples(held))])
    assert found.meeting is Meeting.SAME and found.id == "c"


def test_the_best_of_several_is_taken() -> None:
    held = files(6)
    cards = [known("few", held[:2]), known("most", held[:5]), known("none", files(3, start=50))]
    assert recognise("v", held, {}, cards).id == "most"


@given(st.integers(0, 2**62), st.integers(-104, 104), st.integers(-2 * S, 2 * S))
def test_fat_times_in_another_zone_are_the_same(at: int, quarters: int, within: int) -> None:
    """FAT keeps local time in steps of 2 s (Microsoft Learn, File Times): whole quarter hours up to 26 h apart."""
    moved = at + quarters * 900 * S + within
    if abs(moved - at) <= 26 * 3600 * S:
        assert same_time(at, moved) and same_time(moved, at)


def test_other_times_are_other() -> None:
    for off in (3 * S, 60 * S, 897 * S, 27 * 3600 * S):
        assert not same_time(10**18, 10**18 + off)


@given(st.lists(st.integers(0, 9999), unique=True, max_size=60))
def test_samples_are_few_spread_and_of_this_card(numbers: list[int]) -> None:
    held = [CardFile(path=f"D/{n:04}.JPG", size_bytes=n % 3, mtime_ns=0) for n in numbers]
    chosen = to_sample(held)
    there = sorted(f.path for f in held if f.size_bytes)
    assert set(chosen) <= set(there) and len(chosen) == min(SAMPLES, len(there)) == len(set(chosen))
    if there:
        assert chosen[0] == there[0] and chosen[-1] == there[-1]


def test_an_id_says_what_the_card_is() -> None:
    held = files(4)
    one = card_id("v", held, samples(held))
    assert one == card_id("v", held, dict(reversed(samples(held).items()))) and len(one) == 12
    others = {
        card_id("w", held, samples(held)), card_id("v", held[1:], samples(held)), card_id("v", held, {}),
        card_id("v", [replace(held[0], size_bytes=9), *held[1:]], samples(held)), one,
    }
    assert len(others) == 5


def test_labels_that_say_nothing() -> None:
    assert label_of("NO NAME", "Untitled") == "" and label_of(" B002 ", "x") == "B002"


TAKEN = st.sets(st.sampled_from([f"cards/2031-05-17/{name}" for name in ("card", "B", "b-2")]))


@given(st.text(max_size=20), st.text(max_size=20), TAKEN)
def test_a_folder_is_never_one_that_is_taken(roll: str, label: str, taken: set[str]) -> None:
    folder = folder_for("2031-05-17", roll, label, taken)
    assert folder.lower() not in {t.lower() for t in taken}
    assert folder.startswith("cards/2031-05-17/") and folder.count("/") == 2 and not folder.endswith("/")
