"""A start with a slip of the pen in it reads like any other; what speaks against it is marked, the rest is not."""

from __future__ import annotations

from collections.abc import Sequence

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.records.filing import Item, Placement
from ingest.records.setups import SetupRow
from ingest.steps.filing.placement import Evidences, place
from ingest.steps.filing.slips import misread_starts
from ingest.steps.setups.log import read_log
from tests.steps.filing.test_placement import HEAD, ZONE, D, at

DAY_OF_SIX = ("27A,09:00", "27B,09:40", "27C,10:20", "27D,11:00", "27E,11:40", "27F,12:20", "27G,13:00")


def placed(rows: Sequence[str], *items: tuple[str, str]) -> dict[str, Placement]:
    """Rows "setup,start" without ends; items (id, HH:MM), probes where the id begins with p, else clips."""
    log = read_log(HEAD + "\n".join(f"{D},,,{r},,A" for r in rows), zone=ZONE)
    found = place(
        [Item(id=i, kind="probe" if i[0] == "p" else "clip", body=i[0], moments=(at(t), at(t) + 8)) for i, t in items],
        Evidences(log=log, zone=ZONE),
    )
    return {p.item: p for p in found}


def test_a_take_after_the_probe_within_a_slip_of_the_next_start_is_marked() -> None:
    # 09:40 may be 09:04 with the figures changed over: takes after 27A's probe fit that
    found = placed(DAY_OF_SIX, ("p1", "09:20"), ("c1", "09:10"), ("c2", "09:30"), ("p2", "10:15"), ("c3", "09:50"))
    assert {i for i, p in found.items() if p.review} == {"c2"}
    assert found["c2"].setup == "27A" and "27B begins 09:40" in found["c2"].reasons[0]


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


@pytest.mark.parametrize(("written", "early", "late"), [("10:41", -27, 8), ("10:10", -9, 9), ("10:09", -9, 0),
                                                        ("10:25", -5, 27), ("noon-ish", 0, 0)])  # fmt: skip
def test_what_one_slip_can_make_of_a_start(written: str, early: int, late: int) -> None:
    row = SetupRow(line=2, day=D, setup="27A", start_s=0.0, cells={"start": written})
    assert misread_starts(row) == (early * 60, late * 60)


@given(st.integers(0, 23), st.integers(0, 59))
def test_a_slip_stays_within_the_hour(hour: int, minute: int) -> None:
    row = SetupRow(line=2, day=D, setup="27A", start_s=0.0, cells={"start": f"{hour:02}:{minute:02}"})
    early, late = (s / 60 for s in misread_starts(row))
    assert early <= 0 <= late and minute + early >= 0 and minute + late < 60
