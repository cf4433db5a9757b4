"""The person's log and the page's, read as one."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.steps.setups.log import read_log
from ingest.steps.setups.page import read_logs

HEAD = "day,shot,setup,start,end,camera,lens,notes\n"
D = "2026-04-01"


def test_the_persons_row_wins_blanks_are_filled_and_differences_told() -> None:
    own = HEAD + f"{D},A010,27A,09:00,,A,35,\n{D},,28,11:00,,,,\n"
    page = f"day,setup,start,end,lens,camera height\n{D},27a,09:00,09:40,50,1.6 m\n{D},27B,10:00,,35,\n"
    log, found = read_logs(own, page, zone="Europe/Lisbon")
    assert [(r.setup, r.file) for r in log.rows] == [
        ("27A", "setup_log.csv"),
        ("27B", "setup_log.page.csv"),
        ("28", "setup_log.csv"),
    ]
    first, second, _ = log.rows
    assert (first.lens, first.cells["camera_height"], first.open_ended) == ("35", "1.6 m", False)
    assert first.end_s and first.start_s and first.end_s - first.start_s == 2400
    assert second.end_s == log.rows[2].start_s  # the open row ends at the next row of either file
    assert [f.item for f in found] == ["setup_log.csv line 2, lens"]


def test_no_page_changes_nothing() -> None:
    own = HEAD + f"{D},A010,27A,09:00,,A,35,\n{D},,28,1O:00,,,,\n"
    log, found = read_logs(own, b"", zone="Europe/Lisbon")
    assert log == read_log(own, zone="Europe/Lisbon") and not found


_ROWS = st.lists(st.tuples(st.integers(420, 1200), st.sampled_from(["27", "28", "29"])), max_size=6)


@settings(max_examples=80, deadline=None)
@given(_ROWS, _ROWS)
def test_every_row_of_either_is_there_once(own: list[tuple[int, str]], page: list[tuple[int, str]]) -> None:
    def text(rows: list[tuple[int, str]]) -> str:
        return HEAD + "".join(f"{D},,{s},{m // 60:02}:{m % 60:02},,,,\n" for m, s in sorted(rows))

    log, _ = read_logs(text(own), text(page), zone="Europe/Lisbon")
    starts = [(int((r.start_s or 0) // 60), r.setup) for r in log.rows]
    assert len(starts) == len(set(starts)) == len(set(own) | set(page)) or not page
    assert all(r.until_s is not None and r.start_s is not None and r.until_s > r.start_s for r in log.rows)
