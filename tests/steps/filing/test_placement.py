"""Filing: by hand, slate, log; what the evidence leaves open is marked, never guessed silently."""

from __future__ import annotations

import random
from dataclasses import replace
from datetime import datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.records.filing import Decision, Evidence, Item, Placement, SlateReading
from ingest.steps.filing.days import shoot_day
from ingest.steps.filing.forgotten import name_before
from ingest.steps.filing.placement import Evidences, place
from ingest.steps.setups.log import read_log

ZONE = "Europe/Lisbon"
HEAD = "day,unit,shot,setup,start,end,camera\n"
D = "2026-04-01"


def at(clock: str, day: str = D) -> float:
    form = "%Y-%m-%d %H:%M:%S" if clock.count(":") == 2 else "%Y-%m-%d %H:%M"
    return datetime.strptime(f"{day} {clock}", form).replace(tzinfo=ZoneInfo(ZONE)).timestamp()


def known(*rows: str, **more: object) -> Evidences:
    return Evidences(log=read_log(HEAD + "\n".join(f"{D},{r}" for r in rows), zone=ZONE), zone=ZONE, **more)  # type: ignore[arg-type]


def probe(clock: str, n: int = 5, **more: object) -> Item:
    return Item(id="p", body="b", moments=tuple(at(clock) + i for i in range(n)), **more)  # type: ignore[arg-type]


def one(item: Item, evidence: Evidences) -> Placement:
    return place([item], evidence)[0]


THREE = (",A010,27A,09:00,,A", ",A020,27B,10:00,10:40,A", ",,28,11:30,,A")


@pytest.mark.parametrize(
    ("clock", "setup", "shot"),
    [("09:30", "27A", "A010"), ("10:20", "27B", "A020"), ("12:00", "28", ""), ("09:02", "27A", "A010")],
)
def test_by_the_log(clock: str, setup: str, shot: str) -> None:
    p = one(probe(clock), known(*THREE))
    assert (p.setup, p.shot, p.evidence, p.review, p.day) == (setup, shot, Evidence.LOG, False, D)
    assert p.why


def test_between_rows_is_unfiled_with_the_nearest() -> None:
    p = one(probe("10:50"), known(*THREE))
    assert (p.setup, p.evidence, p.review, p.nearest, p.minutes_away) == ("", Evidence.NONE, False, "27B", 10.0)
    assert one(probe("08:00"), known(*THREE)).nearest == "27A"
    assert one(probe("08:00"), known()).nearest == ""


def test_the_last_written_minute_still_belongs() -> None:
    p = one(probe("10:40:20"), known(*THREE))
    assert (p.setup, p.review) == ("27B", True) and "within a minute" in p.reasons[0]
    early = one(probe("11:29:40"), known(*THREE))
    assert (early.setup, early.review) == ("28", True)
    assert one(probe("10:41:10"), known(*THREE)).setup == ""


def test_an_uncertain_clock_near_a_change_is_for_review() -> None:
    clear = one(probe("09:55", sigma_s=60), known(*THREE))
    assert (clear.setup, clear.review) == ("27A", False)
    near = one(probe("09:55", sigma_s=200), known(*THREE))
    assert (near.setup, near.review) == ("27A", True) and "27B" in near.reasons[0]
    gap = one(probe("10:38", sigma_s=100), known(*THREE))
    assert (gap.setup, gap.review) == ("27B", True) and "outside" in gap.reasons[0]
    into = one(probe("10:43", sigma_s=100), known(*THREE))
    assert (into.setup, into.review) == ("", True) and "27B" in into.reasons[0]


def test_the_minute_of_a_change_is_for_review() -> None:
    p = one(probe("10:00:20"), known(*THREE))
    assert (p.setup, p.review) == ("27B", True)
    assert one(probe("09:58:50"), known(*THREE)).review is False
    exact = known(",,1,09:00:01,,A", ",,2,10:00:01,,A")
    assert one(probe("10:00:20"), exact).review is False


def test_a_set_across_a_change_goes_where_most_frames_are() -> None:
    p = one(probe("09:59:57", n=9), known(*THREE))
    assert (p.setup, p.review) == ("27B", True) and "both sides" in p.reasons[0]


def test_overlapping_rows() -> None:
    two = known("1,,27,09:00,11:00,A", "2,,90,09:30,10:30,B")
    p = one(probe("10:00"), two)
    assert (p.setup, p.review) == ("90", True)
    assert (one(probe("10:00", unit="1"), two).setup, one(probe("10:00", unit="1"), two).review) == ("27", False)
    assert (one(probe("10:00", camera="A"), two).setup, one(probe("10:00", camera="a"), two).review) == ("27", False)
    both = known(",S1,27,09:00,11:00,A", ",S2,27,09:00,11:00,B")
    p = one(probe("10:00"), both)
    assert (p.setup, p.shots, p.review) == ("27", ("S1", "S2"), False)


def test_the_last_row_without_an_end() -> None:
    assert one(probe("14:00"), known(*THREE)).review is False
    late = one(probe("19:00"), known(*THREE))
    assert (late.setup, late.review) == ("28", True)


def test_after_midnight_belongs_to_the_day_of_its_row() -> None:
    night = known(",,1,22:00,,", ",,2,00:30,02:00,")
    p = one(Item(id="p", moments=(at("01:00", "2026-04-02"),)), night)
    assert (p.setup, p.day) == ("2", D)
    loose = one(Item(id="p", moments=(at("05:30", "2026-04-02"),)), night)
    assert (loose.setup, loose.day, bool(loose.notes)) == ("", D, True)


def test_a_doubtful_row_makes_what_it_decides_doubtful() -> None:
    p = one(probe("09:30"), known(",,1,09:00,,", ",,2,1O:00,,", ",,3,11:00,,"))
    assert (p.setup, p.review) == ("1", True)


def test_by_hand_wins() -> None:
    p = one(
        probe("09:30"),
        known(
            *THREE,
            decisions={"p": Decision(shot="", setup="28", by="Ines")},
            slates=[SlateReading(setup="27B", at_s=at("09:29"), body="b")],
        ),
    )
    assert (p.setup, p.evidence, p.review, p.day) == ("28", Evidence.HAND, False, D)
    new = one(probe("09:30"), known(decisions={"p": Decision(shot="Z1", setup="99")}))
    assert (new.shot, new.setup, new.day) == ("Z1", "99", D)


def slate(setup: str, clock: str, **more: object) -> SlateReading:
    return SlateReading(setup=setup, at_s=at(clock), body="b", source="s", **more)  # type: ignore[arg-type]


def test_a_slate_wins_over_the_log_and_the_difference_is_said() -> None:
    p = one(probe("09:30"), known(*THREE, slates=[slate("27B", "09:29")]))
    assert (p.setup, p.shot, p.evidence, p.review) == ("27B", "A020", Evidence.SLATE, True)
    assert "the log says 27A" in p.reasons[0]
    same = one(probe("09:30"), known(*THREE, slates=[slate("27a", "09:29")]))
    assert (same.setup, same.review) == ("27A", False)
    unknown = one(probe("09:30"), known(slates=[slate("31", "09:29")]))
    assert (unknown.setup, unknown.day, bool(unknown.notes)) == ("31", D, True)


def test_a_slates_reach() -> None:
    # Ends at the next slate, at the next row of another setup, at the roll-over, after 30 min without a frame.
    assert one(probe("09:30"), known(*THREE, slates=[slate("X", "09:20"), slate("27A", "09:29")])).setup == "27A"
    row = one(probe("10:20"), known(*THREE, slates=[slate("27A", "09:55")]))
    assert (row.setup, row.evidence, row.review) == ("27B", Evidence.LOG, False)
    assert "27A" in row.notes[0]  # the log has moved on to this very setup
    idle = one(probe("09:50"), known(*THREE, slates=[slate("X", "09:10")]))
    assert (idle.setup, idle.evidence, idle.review) == ("27A", Evidence.LOG, True) and "40 min" in idle.reasons[0]
    busy = known(*THREE, slates=[slate("X", "09:10")], frames={"b": [at("09:30")]})
    assert one(probe("09:50"), busy).setup == "X"
    rolled = known(slates=[slate("X", "05:50")])
    assert one(probe("06:10"), rolled).setup == ""
    other = known(*THREE, slates=[replace(slate("X", "09:29"), body="c")])
    assert one(probe("09:30"), other).setup == "27A"


def test_a_row_holds_its_first_second_and_not_the_next_ones() -> None:
    exact = known(",,1,09:00:01,10:00:01,", ",,2,10:00:01,11:00:01,")
    first = one(probe("10:00:01", n=1), exact)
    assert (first.setup, first.review) == ("2", False)
    assert one(probe("11:00:01", n=1), exact).setup == ""


def test_a_second_row_of_the_same_setup_does_not_end_its_slate() -> None:
    takes = known(",,27A,09:00,,", ",,27A,09:20,,", ",,28,11:00,,", slates=[slate("27A", "09:10", shot="S9")])
    p = one(probe("09:25"), takes)
    assert (p.evidence, p.shot) == (Evidence.SLATE, "S9")


def test_a_tail_slate_speaks_backwards() -> None:
    tail = known(*THREE, slates=[slate("27B", "09:31", tail=True)])
    assert one(probe("09:30"), tail).setup == "27B" and one(probe("09:40"), tail).setup == "27A"


def test_a_slate_inside_a_clip_speaks_for_it() -> None:
    p = one(probe("09:30"), known(*THREE, slates=[SlateReading(setup="28", at_s=at("09:30"), item="p")]))
    assert (p.setup, p.review) == ("28", True)


def test_no_time_is_unfiled_and_for_review() -> None:
    p = one(Item(id="p"), known(*THREE))
    assert (p.setup, p.review, p.minutes_away) == ("", True, None)


def test_a_setup_left_empty_beside_one_with_two() -> None:
    # 27B began 10:15 in truth but 10:45 was written: its probe at 10:20 falls to 27A.
    log = known(",,27A,09:00,,", ",,27B,10:45,,", ",,28,12:00,,")
    items = [replace(probe(c), id=c) for c in ("09:10", "10:20", "12:10")]
    reviews = {p.item: p.review for p in place(items, log)}
    assert reviews == {"09:10": False, "10:20": True, "12:10": False}


def test_a_name_that_the_log_leaves_out() -> None:
    """After 27A comes 27C and 27B is nowhere: what lies late in the unended 27A may be 27B's; a person looks."""
    rows = (",,26,08:00,,", ",,27,08:30,,", ",,27A,09:00,,", ",,{},09:35,,", ",,28,10:05,,", ",,29,10:35,,",
            ",,30,11:05,,")  # fmt: skip

    def marked(clock: str, *log: str) -> bool:
        return one(probe(clock), known(*log)).review

    left_out = [r.format("27C") for r in rows]
    assert (marked("09:05", *left_out), marked("09:22", *left_out)) == (False, True)
    assert not marked("09:22", *(r.format("27B") for r in rows))
    assert not marked("09:22", *left_out, ",,27B,12:00,,")  # shot out of order
    assert not marked("09:22", *(r.replace("27A,09:00,", "27A,09:00,09:35") for r in left_out))  # its end is written
    assert [name_before(n) for n in ("27J", "27P", "27A", "27", "27AA", "x")] == ["27H", "27N", "27", "", "", ""]


def test_the_shoot_day_in_summer_time() -> None:
    # Lisbon 2026-03-29: clocks go forward at 01:00 (IANA tz); 06:00 summer time is five hours after 00:00.
    zone = ZoneInfo(ZONE)
    rolls = datetime(2026, 3, 29, 6, tzinfo=zone)
    assert shoot_day(rolls.timestamp() - 1, zone, rolls.time()) == ("2026-03-28", 1.0)
    assert shoot_day(rolls.timestamp(), zone, rolls.time()) == ("2026-03-29", 0.0)


_ROWS = st.lists(
    st.tuples(st.integers(7 * 60, 20 * 60), st.integers(5, 120), st.sampled_from("ABCDE"), st.booleans()), max_size=8
).map(lambda rows: sorted(rows))
_TIMES = st.lists(st.tuples(st.integers(6 * 3600 + 1800, 22 * 3600), st.sampled_from([0.0, 20.0, 200.0])), max_size=8)


@settings(max_examples=200, deadline=None)
@given(_ROWS, _TIMES, st.integers(0, 99))
def test_properties(rows: list[tuple[int, int, str, bool]], times: list[tuple[int, float]], seed: int) -> None:
    def hhmm(minute: int) -> str:
        return f"{minute // 60:02}:{minute % 60:02}"

    evidence = known(*(f",,{s},{hhmm(a)},{'' if open_end else hhmm(a + n)}," for a, n, s, open_end in rows))
    midnight = at("00:00")
    items = [
        Item(id=str(n), body="b", moments=tuple(midnight + t + i for i in range(5)), sigma_s=s)
        for n, (t, s) in enumerate(times)
    ]
    placed = place(items, evidence)
    mixed = list(items)
    random.Random(seed).shuffle(mixed)
    assert sorted(place(mixed, evidence), key=lambda p: p.item) == sorted(placed, key=lambda p: p.item)
    worse = place([replace(i, sigma_s=i.sigma_s + 300) for i in items], evidence)
    for item, p, w in zip(items, placed, worse, strict=True):
        assert w.review or not p.review  # taking evidence away never improves a verdict
        assert p.review == bool(p.reasons)
        if p.setup and not p.review:
            covering = {
                r.key
                for r in evidence.log.rows
                for m in item.moments
                if r.start_s is not None and r.until_s is not None and r.start_s <= m < r.until_s
            }
            assert covering == {p.key}
