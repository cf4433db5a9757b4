"""Properties of the grouping: a partition, whatever the frames, and the same whatever their order."""

from __future__ import annotations

import random

from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.records.frames import Frame
from ingest.records.probes import Grouping
from ingest.steps.probes.grouping import Remembered, group
from tests.simulation.frames import frames_of
from tests.simulation.phenomena import PHENOMENA, a_day

EVS = st.one_of(st.none(), st.integers(-60, 12).map(lambda k: k / 3))


@st.composite
def any_frames(draw: st.DrawFn) -> list[Frame]:
    """Frames with anything in them, or nothing."""
    count = draw(st.integers(0, 14))
    return [
        Frame(
            id=f"f{k}",
            body=draw(st.sampled_from(["", "Hollin|H7|1", "Hollin|H7|", "Tamarisk|Tam 360|9"])),
            time_s=(t := draw(st.one_of(st.none(), st.floats(0, 3000)))),
            shown_s=t if t is None else t + 7200,
            tick_s=draw(st.sampled_from([1.0, 0.01])),
            exposure_ev=draw(EVS),
            exposure_s=draw(st.sampled_from([None, 0.001, 0.5, 30.0])),
            log2_brightness=draw(st.one_of(st.none(), st.floats(-14, 0))),
            card=draw(st.sampled_from(["A", "B"])),
            card_index=draw(st.integers(0, 20)),
            prefix="DEMO",
            number=draw(st.one_of(st.none(), st.integers(1, 9999))),
            folder_number=draw(st.one_of(st.none(), st.sampled_from([100, 101]))),
            usable=draw(st.booleans()),
            bracketed=draw(st.sampled_from([None, True, False])),
        )
        for k in range(count)
    ]


def placed(grouping: Grouping) -> list[str]:
    return [i for s in grouping.sets for i in s.frames] + list(grouping.loose) + list(grouping.partner_of)


@given(any_frames())
@settings(max_examples=60, deadline=None)
def test_every_frame_stands_in_exactly_one_place(frames: list[Frame]) -> None:
    grouping = group(frames)
    assert sorted(placed(grouping)) == sorted(f.id for f in frames)
    assert grouping.loose.keys() == grouping.why_loose.keys()
    assert all(s.why and (s.reasons or not s.review) for s in grouping.sets)


@given(any_frames(), st.randoms(use_true_random=False))
@settings(max_examples=40, deadline=None)
def test_the_order_of_input_changes_nothing(frames: list[Frame], dice: random.Random) -> None:
    shuffled = list(frames)
    dice.shuffle(shuffled)
    assert group(shuffled) == group(frames)


@given(st.sampled_from(sorted(PHENOMENA)), st.integers(1000, 1400), st.randoms(use_true_random=False))
@settings(max_examples=12, deadline=None)
def test_a_shuffled_day_is_the_same_day(phenomenon: str, seed: int, dice: random.Random) -> None:
    frames, _ = frames_of(a_day(phenomenon, seed))
    shuffled = list(frames)
    dice.shuffle(shuffled)
    assert group(shuffled) == group(frames)


@given(st.lists(st.integers(1000, 1400), min_size=2, max_size=3, unique=True), st.randoms(use_true_random=False))
@settings(max_examples=6, deadline=None)
def test_what_is_remembered_changes_nothing(seeds: list[int], dice: random.Random) -> None:
    """Cards that come in any pieces, with the last grouping remembered, end as all at once."""
    frames = [f for seed in seeds for f in frames_of(a_day("orders", seed))[0]]
    remembered = Remembered()
    dice.shuffle(frames)
    for end in (len(frames) // 3, len(frames) // 2, len(frames)):
        assert group(frames[:end], remembered=remembered) == group(frames[:end])


@given(st.integers(1000, 1400))
@settings(max_examples=8, deadline=None)
def test_a_frame_that_does_not_decode_never_makes_a_set_complete(seed: int) -> None:
    frames, _ = frames_of(a_day("broken files", seed))
    broken = {f.id for f in frames if not f.usable}
    assert not any(s.complete for s in group(frames).sets if broken & set(s.frames))


def test_headings_of_one_standpoint_are_one_position() -> None:
    day = a_day("headings", 0)
    frames, whose = frames_of(day)
    grouping = group(frames)
    truth = {id(m): (t.position, m.view) for t in day.sets for m in t.members}
    for one in grouping.sets:
        where = {truth[id(whose[i])] for i in one.frames}
        assert len(where) == 1 and one.view == next(iter(where))[1] + 1
    by_position = {one.position: {truth[id(whose[i])][0] for i in one.frames} for one in grouping.sets}
    assert len(by_position) == day.positions


def test_repeats_at_one_position_are_tied_and_one_is_proposed() -> None:
    for seed in range(4):
        day = a_day("back to back", seed)
        frames, whose = frames_of(day)
        grouping = group(frames)
        repeats = {id(t.members[0]): t.repeat for t in day.sets}
        for one in grouping.sets:
            firsts = [repeats[id(whose[i])] for i in one.frames if id(whose[i]) in repeats]
            assert firsts == [one.repeat_of is not None]
        for first in (k for k, s in enumerate(grouping.sets) if s.repeat_of is None):
            family = [s for k, s in enumerate(grouping.sets) if k == first or s.repeat_of == first]
            assert sum(s.proposed for s in family) == 1
