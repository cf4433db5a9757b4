"""Rows entered on the page: what was typed is kept, once, and read back as what it means."""

from __future__ import annotations

import csv

from hypothesis import given
from hypothesis import strategies as st

from ingest.steps.setups.entering import COLUMNS, Entry, entries, entry_of, render, tidy, with_entry
from ingest.steps.setups.page import read_logs

TEXT = st.text(max_size=40)
TIMES = st.times().map(lambda t: t.strftime("%H:%M"))
DAYS = st.dates(
    min_value=__import__("datetime").date(2000, 1, 1), max_value=__import__("datetime").date(2090, 1, 1)
).map(str)
ENTRIES = st.builds(
    lambda said, day, start, setup: entry_of({**said, "day": day, "start": start, "setup": setup, "end": ""})[0],
    st.fixed_dictionaries(dict.fromkeys(("unit", "shot", "camera", "lens", "notes"), TEXT)),
    DAYS,
    TIMES,
    TEXT.filter(lambda t: bool(tidy(t))),
)


@given(st.dictionaries(st.sampled_from(COLUMNS), TEXT))
def test_any_text_gives_an_entry_or_words(said: dict[str, str]) -> None:
    entry, wrong = entry_of(said)
    assert (entry is None) == bool(wrong) and wrong.keys() <= set(COLUMNS)


@given(st.lists(ENTRIES, max_size=6))
def test_what_is_written_is_read_back(rows: list[Entry]) -> None:
    assert entries(render(rows)) == rows


@given(st.binary(max_size=200), ENTRIES)
def test_any_file_takes_an_entry_and_takes_it_once(before: bytes, entry: Entry) -> None:
    once = with_entry(before, entry)
    assert entry in entries(once) and with_entry(once, entry) == once


@given(ENTRIES)
def test_no_cell_begins_as_a_spreadsheets_formula(entry: Entry) -> None:
    for row in csv.reader(render([entry]).decode().splitlines()):
        for cell in row:
            assert cell[:1] not in tuple("=@\t\r") and (
                cell[:1] not in tuple("+-") or cell.strip("+-").replace(".", "").replace(",", "").isdigit()
            )


def test_the_reader_of_the_log_reads_it_and_knows_the_night() -> None:
    own = "day,shot,setup,start,end\n2031-05-17,A,9,22:00,23:30\n"
    rows = [
        entry_of({"day": "2031-05-17", "setup": s, "start": t, "end": e})[0]
        for s, t, e in (("10", "01:10", ""), ("11", "05:30", "05:50"))
    ]
    log, differ = read_logs(own, render([r for r in rows if r]), zone="Atlantic/Azores")
    assert [(r.setup, r.day) for r in log.rows] == [("9", "2031-05-17"), ("10", "2031-05-17"), ("11", "2031-05-17")]
    assert [round(((r.start_s or 0) - (log.rows[0].start_s or 0)) / 60) for r in log.rows] == [0, 190, 450]
    assert not log.questions and not differ


def test_closing_a_row_of_the_persons_log_fills_its_end() -> None:
    own = "day,shot,setup,start,end\n2031-05-17,A,9,22:00,\n"
    entry, _ = entry_of({"day": "2031-05-17", "shot": "A", "setup": "9", "start": "2031-05-17 22:00", "end": "23:10"})
    assert entry
    log, differ = read_logs(own, with_entry(b"", entry), zone="Atlantic/Azores")
    assert [(r.setup, r.open_ended, r.file) for r in log.rows] == [("9", False, "setup_log.csv")] and not differ
