"""A start with a slip of the pen in it reads like any other; what speaks against it is marked, the rest is not."""

from __future__ import annotations

from collections.abc import Sequence

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from ingest.records.filing import Item, Placement, SlateReading
from ingest.records.setups import SetupRow
from ingest.steps.filing.changes import Changes
from ingest.steps.filing.placement import Evidences, place
from ingest.steps.filing.rows import Limits
from ingest.steps.filing.slips import meant_starts
from ingest.steps.setups.log import read_log
from tests.steps.filing.test_placement import HEAD, ZONE, D, at

DAY_OF_SIX = ("27A,09:00", "27B,09:40", "27C,10:20", "27D,11:00", "27E,11:40", "27F,12:20", "27G,13:00")
SLIPPED = ("27A,09:00", "27B,09:51", *DAY_OF_SIX[2:])  # 27B began at 09:15


def placed(rows: Sequence[str], *items: tuple[str, str]) -> dict[str, Placement]:
    """Rows "setup,start" without ends; items (id, HH:MM), probes where the id begins with p, else clips."""
    log = read_log(HEAD + "\n".join(f"{D},,,{r},,A" for r in rows), zone=ZONE)
    found = place(
        [Item(id=i, kind="probe" if i[0] == "p" else "clip", body=i[0], moments=(at(t), at(t) + 8)) for i, t in items],
        Evidences(log=log, zone=ZONE),
    )
    return {p.item: p for p in found}


def test_a_take_after_the_probe_within_a_slip_of_the_next_start_is_marked() -> None:
    # 09:51 may be 09:15 with the figures changed over: takes after 27A's probe fit that
    found = placed(SLIPPED, ("p1", "09:11"), ("c1", "09:08"), ("c2", "09:30"), ("p2", "10:15"), ("c3", "09:55"))
    assert {i for i, p in found.items() if p.review} == {"c2"}
    assert found["c2"].setup == "27A" and "27B begins 09:51" in found["c2"].reasons[0]
    # but not where the probe came after 09:15 too: then 27A would be left without its own
    found = placed(SLIPPED, ("p1", "09:20"), ("c1", "09:08"), ("c2", "09:30"), ("p2", "10:15"), ("c3", "09:55"))
    assert not [p for p in found.values() if p.review]


def test_where_the_row_has_an_end_the_next_start_says_nothing() -> None:
    found = placed(("27A,09:00,09:40", *(f"{r}" for r in DAY_OF_SIX[1:])), ("p1", "09:20"), ("c2", "09:30"))
    assert not [p for p in found.values() if p.review and p.setup == "27A"]


def test_a_probe_in_the_first_minutes_beside_a_setup_without_one_is_marked_with_the_takes_before_it() -> None:
    found = placed(DAY_OF_SIX, ("c0", "10:21"), ("p1", "10:24"), ("c1", "10:40"), ("p0", "09:20"), ("c2", "09:50"))
    assert {i for i, p in found.items() if p.review} == {"c0", "p1"}
    assert found["p1"].setup == "27C" and "27B before it has no probe" in found["p1"].reasons[0]


def test_a_late_row_of_the_same_setup_leaves_the_row_before_it_open_to_doubt() -> None:
    rows = ("27A,09:00", "27B,10:40", "27B,10:00", "28,10:30")
    found = placed(rows, ("c1", "09:50"), ("c2", "10:50"), ("c3", "10:35"))
    assert found["c1"].review and "its end hangs on line" in found["c1"].reasons[0]
    assert found["c2"].review and found["c3"].review  # which of 10:40 and 10:30 is wrong nobody can say


def test_rows_of_one_setup_that_change_places_alone_mark_nothing_in_it() -> None:
    found = placed(("27B,10:40", "27B,10:00", "28,11:30"), ("c1", "10:50"), ("c2", "10:10"), ("c3", "11:40"))
    assert not [p for p in found.values() if p.review]


def test_the_first_written_minute_after_a_gap_may_lie_before_the_setup() -> None:
    rows = ("27A,09:00,09:30", "27C,10:00,10:30")
    found = placed(rows, ("p1", "10:00"), ("c1", "10:02"))
    assert found["p1"].review and "written to the minute" in found["p1"].reasons[0] and not found["c1"].review


def test_a_pause_in_a_row_that_lasts_long_may_hide_a_setup_nobody_wrote() -> None:
    rows = tuple(r for r in DAY_OF_SIX if not r.startswith("27D"))  # 27C runs from 10:20 to 11:40 now
    rows = (*rows[:-4], *(r.replace("27E", "30").replace("27F", "31").replace("27G", "32") for r in rows[-4:]))
    found = placed((*rows, "33,13:40"), ("c1", "10:25"), ("c2", "10:30"), ("c3", "11:05"), ("p3", "11:30"))
    assert {i for i, p in found.items() if p.review} == {"c3", "p3"}
    assert "nothing was shot for 35 min" in found["c3"].reasons[0]


def test_an_empty_setup_before_one_that_lasts_long_doubts_all_of_it() -> None:
    rows = ("27A,09:00", "27B,09:40", "27C,10:20", "27D,10:23", "27E,12:00", "27F,12:40", "27G,13:20")
    found = placed(rows, ("c1", "10:30"), ("c2", "11:50"), ("c0", "09:50"))
    assert found["c1"].review and "nothing lies in 27C" in found["c1"].reasons[-1] and not found["c0"].review


def test_takes_that_follow_each_other_at_once_are_of_one_setup() -> None:
    # 09:40 may be 09:31 to 09:39 mistyped, or 09:04; but c2 follows the probe within two minutes
    found = placed(DAY_OF_SIX, ("p1", "09:32"), ("c2", "09:34"), ("c3", "09:38"), ("c4", "09:41"))
    assert not [p for p in found.values() if p.review]


def test_a_start_an_hour_early_is_doubted_where_the_setup_before_is_left_without_its_probe() -> None:
    rows = ("27A,09:00", "27B,09:02", "27C,10:40", "27D,11:20")  # 27B began at 10:02
    found = placed(rows, ("c0", "09:01"), ("p1", "09:30"), ("c1", "10:10"), ("p2", "10:30"), ("c2", "10:50"))
    assert found["p1"].review and "27A before it has no probe" in found["p1"].reasons[-1]
    assert not found["c0"].review and not found["c2"].review


@pytest.mark.parametrize(("written", "meant"), [("10:41", (14, 40, 49)), ("10:10", (1, 11, 19)), ("10:09", (0, 8)),
                                                ("10:25", (20, 29, 52)), ("noon-ish", ())])  # fmt: skip
def test_what_one_slip_can_make_of_a_start(written: str, meant: tuple[int, ...]) -> None:
    row = SetupRow(line=2, day=D, setup="27A", start_s=0.0, cells={"start": written})
    found = {round(s / 60) + int(written[3:]) for s in meant_starts(row)} if meant else set(meant_starts(row))
    assert found >= set(meant) and (len(found) in (11, 12) if meant else not found)


@given(st.integers(0, 23), st.integers(0, 59))
def test_a_slip_keeps_the_hour_or_is_an_hour(hour: int, minute: int) -> None:
    row = SetupRow(line=2, day=D, setup="27A", start_s=0.0, cells={"start": f"{hour:02}:{minute:02}"})
    off = [round(s / 60) for s in meant_starts(row)]
    assert off[-2:] == [-60, 60] and all(0 <= minute + m < 60 and m for m in off[:-2])


def slated(rows: Sequence[str], *items: tuple[str, str], slates: Sequence[tuple[str, str]]) -> dict[str, Placement]:
    """As ``placed``; slates (setup, HH:MM) as the probes' body saw them."""
    log = read_log(HEAD + "\n".join(f"{D},,,{r},,A" for r in rows), zone=ZONE)
    found = place(
        [Item(id=i, kind="probe" if i[0] == "p" else "clip", body=i[0], moments=(at(t), at(t) + 8)) for i, t in items],
        Evidences(log=log, zone=ZONE, slates=[SlateReading(setup=s, at_s=at(t), body="p") for s, t in slates]),
    )
    return {p.item: p for p in found}


def test_a_slate_of_one_body_speaks_against_the_log_for_the_others() -> None:
    """A setup nobody wrote: its slate was photographed, and the plates rolled on."""
    found = slated(DAY_OF_SIX, ("p0", "09:20"), ("c1", "09:10"), ("c2", "09:35"), ("c3", "09:45"),
                   slates=[("27A", "09:01"), ("27x", "09:25")])  # fmt: skip
    assert {i for i, p in found.items() if p.review} == {"c2"}
    assert found["c2"].reasons == ("a slate at 09:25 says 27X, the log has 27A then",)


def test_a_slate_at_the_written_start_clears_it_of_slips() -> None:
    shot = (("p1", "09:11"), ("c2", "09:30"), ("c3", "09:55"))
    assert placed(SLIPPED, *shot)["c2"].review
    assert not slated(SLIPPED, *shot, slates=[("27B", "09:52")])["c2"].review
    assert not slated(SLIPPED, *shot, slates=[("27A", "09:25")])["c2"].review
    assert slated(SLIPPED, *shot, slates=[("27B", "09:16")])["c2"].review  # it had begun: the slip is proven


def test_where_every_setup_is_slated_a_late_slate_doubts_the_start_and_none_is_forgotten() -> None:
    times = [r.split(",") for r in DAY_OF_SIX]
    slates = [(setup, t) for setup, t in times if setup != "27C"]
    takes = [("p1", "09:01"), ("c1", "10:25"), ("c2", "10:35")]
    found = slated(DAY_OF_SIX, *takes, slates=[*slates, ("27C", "10:30")])
    assert found["c1"].review and "its slate comes at 10:30 only" in found["c1"].reasons[0]
    assert not found["c2"].review
    rows = [r for r in DAY_OF_SIX if not r.startswith("27C")]  # 27B runs on: doubtful, but for the slates
    long = [("p1", "09:01"), ("c1", "09:45"), ("c2", "10:35")]
    assert placed(rows, *long)["c2"].review
    assert not slated(rows, *long, slates=slates)["c2"].review


@example([(0, 0, 20.0)], 0, 0)
@given(st.lists(st.tuples(st.integers(0, 7200), st.integers(0, 900), st.sampled_from([0.0, 20.0, 200.0])), max_size=12),
       st.integers(-60, 7300), st.integers(0, 600))
def test_a_change_fits_exactly_where_nothing_was_shot_for_long_enough(
    shot: list[tuple[int, int, float]], low: int, more: int
) -> None:
    limits = Limits()
    items = [Item(id=str(n), moments=(a, a + b), sigma_s=s) for n, (a, b, s) in enumerate(shot)]
    surely = [(a + 2 * s, a + b - 2 * s) for a, b, s in shot if s < 100]  # begun at the latest, ended at the earliest
    fits = any(
        end - since >= limits.change_s and since <= low + more and end >= low
        and all(ended <= since or begun >= end for begun, ended in surely)
        for since in (-1e9, *(ended for _, ended in surely))
        for end in (1e9, *(begun for begun, _ in surely))
    )  # fmt: skip
    assert Changes([(i, (D, "", "27A")) for i in items], limits).fit((D, ""), low, low + more) == fits


def test_the_views_of_one_standpoint_count_as_one_probe() -> None:
    """Four headings of a turned head beside a setup without a probe: nobody is asked which of them is its own."""
    log = read_log(HEAD + f"{D},,,27A,09:00,09:40,A\n{D},,,27B,09:40,10:20,A", zone=ZONE)
    for together, asked in (("s1", 0), ("", 1)):
        views = [Item(id=f"p{n}", body="b", moments=(at(f"09:5{n}"),), together=together) for n in range(4)]
        found = place(views, Evidences(log=log, zone=ZONE))
        assert sum(p.review for p in found) == asked


def slated_at(setup: str, clock: str) -> SlateReading:
    return SlateReading(setup=setup, body="s", at_s=at(clock), source=clock)


def test_a_slate_by_a_vague_clock_speaks_where_no_row_of_its_name_is_near() -> None:
    """Two minutes and more off, but a quarter of an hour from the row that the log gives its setup."""
    log = read_log(HEAD + "\n".join(f"{D},,,{r},,A" for r in DAY_OF_SIX), zone=ZONE)
    slates = [slated_at("27C", "10:05"), slated_at("27E", "11:37")]
    items = [Item(id="s", body="s", sigma_s=120.0, moments=(at("11:50"),)),
             *(Item(id=t, kind="clip", body="c", moments=(at(t),)) for t in ("09:50", "10:08", "11:30"))]
    found = {p.item: p for p in place(items, Evidences(log=log, zone=ZONE, slates=slates))}
    assert found["10:08"].review and "says 27C, the log has 27B" in found["10:08"].reasons[0]
    assert not found["09:50"].review and not found["11:30"].review  # 11:37 is 11:40 within what the clock is off


def test_a_slate_that_the_log_contradicts_does_so_until_the_log_names_another_setup() -> None:
    """102A began at 02:15 by its slate; a second row of 102, an hour late, is no answer to that."""
    rows = ("98,01:20", "102,01:54", "102,02:22", "102A,02:45", "103,03:10", "104,03:40")
    log = read_log(HEAD + "\n".join(f"{D},,,{r},,A" for r in rows), zone=ZONE)
    items = [Item(id="p", body="s", moments=(at("02:39"),)),
             *(Item(id=t, kind="clip", body="c", moments=(at(t),)) for t in ("02:05", "02:25", "02:50"))]
    found = {p.item: p for p in place(items, Evidences(log=log, zone=ZONE, slates=[slated_at("102A", "02:15")]))}
    assert {i for i, p in found.items() if p.review} == {"p", "02:25"}


def test_a_start_before_the_end_above_it_with_a_name_left_out_between_is_doubted_whole() -> None:
    rows = ("175,17:11,17:32", "181A,17:14,18:52", *(f"18{n},{19 + n}:00,{19 + n}:40" for n in range(2, 5)))
    log = read_log(HEAD + "\n".join(f"{D},,,{r},A" for r in (*rows, "186,16:00,16:30", "187,16:30,17:00")), zone=ZONE)
    item = Item(id="c", kind="clip", body="c", moments=(at("18:00"),))
    (found,) = place([item], Evidences(log=log, zone=ZONE))
    assert found.setup == "181A" and "181 between them is nowhere in it" in found.reasons[0]
    whole = read_log(HEAD + "\n".join(f"{D},,,{r},A" for r in (*rows, "181,16:00,16:30", "187,16:30,17:00")), zone=ZONE)
    assert not place([item], Evidences(log=whole, zone=ZONE))[0].review


def test_a_vague_clock_further_off_than_it_is_allowed_gives_itself_away() -> None:
    """Ten minutes of uncertainty, twenty-five off: no probe lies in a setup, nor would by any clock allowed for."""
    rows = [f"{n},{9 + n}:00,{9 + n}:04" for n in range(8)]
    log = read_log(HEAD + "\n".join(f"{D},,,{r},A" for r in rows), zone=ZONE)

    def told(off_s: float, sigma_s: float) -> bool:
        items = [Item(id=f"p{n}", body="b", sigma_s=sigma_s, moments=(at(f"{9 + n}:02") + off_s,)) for n in range(8)]
        return any("further than its clock is known" in r for p in place(items, Evidences(log=log, zone=ZONE))
                   for r in p.reasons)

    assert told(1500, 600.0) and told(-1500, 600.0) and not told(0, 600.0) and not told(900, 600.0)
    assert told(400, 120.0) and not told(400, 20.0) and not told(200, 120.0)
