"""Clock notes as people write them."""

from __future__ import annotations

from datetime import datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.steps.clocks.notes import parse_moment, read_notes

HEAD = "camera,serial,camera_shows,true_time,offset_s,note\n"


@pytest.mark.parametrize("mark", [",", ";", "\t"])
@pytest.mark.parametrize("start", ["", "\ufeff"])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_separators_marks_and_line_ends(mark: str, start: str, end: str) -> None:
    rows = ["camera|serial|camera_shows|true_time|offset_s|note",
            '"Hollin H7"|12|2026-11-24 02:00:00|2026-11-24 19:00:00||a']
    notes, questions = read_notes(start + end.join(r.replace("|", mark) for r in rows) + end)
    assert not questions
    assert [(n.camera, n.serial, n.offset_s) for n in notes] == [("Hollin H7", "12", 61200.0)]


def test_an_offset_alone_is_enough_and_has_the_contract_s_sign() -> None:
    notes, questions = read_notes(HEAD + "H7,,2026-11-24 02:00:00,,-30,\n")
    assert not questions and notes[0].offset_s == -30.0 and notes[0].true_time is None


def test_a_contradiction_is_asked_not_chosen() -> None:
    notes, questions = read_notes(HEAD + "H7,,2026-11-24 02:00:00,2026-11-24 03:00:00,60,\n")
    assert notes == () and [(q.line, q.column) for q in questions] == [(2, "offset_s")]


@pytest.mark.parametrize(("written", "month", "day"), [
    ("2026-03-04 05:06:07", 3, 4), ("2026/3/4 5:06", 3, 4), ("2026:03:04 05:06:07", 3, 4),
    ("2026-03-04T05:06:07", 3, 4), ("04.03.2026 05:06:07", 3, 4), ("25/03/2026 05:06:07", 3, 25),
    ("03/25/2026 05:06", 3, 25), ("4.3.2026 05.06", 3, 4),
])
def test_forms_of_a_moment(written: str, month: int, day: int) -> None:
    found = parse_moment(written)
    assert (found.month, found.day, found.hour, found.minute) == (month, day, 5, 6)


@pytest.mark.parametrize(
    "written", ["03/04/2026 05:06", "2026-02-30 05:06", "yesterday", "2026-03-04", "0000:00:00 00:00:00"]
)
def test_what_could_mean_two_things_or_nothing_is_asked(written: str) -> None:
    notes, questions = read_notes(HEAD + f"H7,,{written},2026-03-04 05:06:07,,\n")
    assert notes == () and [q.column for q in questions] == ["camera_shows"]


def test_missing_columns_are_named() -> None:
    assert {q.column for q in read_notes("camera,serial\nH7,1\n")[1]} >= {"camera_shows", "true_time"}


@given(st.text(max_size=400))
def test_any_text_gives_an_answer(text: str) -> None:
    notes, questions = read_notes(text)
    assert all(q.asks for q in questions) and all(n.line >= 1 for n in notes)


@given(st.text(alphabet="0123456789-:./ ,;T\n\"H7", max_size=200))
def test_any_rows_give_an_answer(text: str) -> None:
    read_notes(HEAD + text)


@given(st.datetimes(datetime(1990, 1, 1), datetime(2090, 1, 1)), st.integers(-10**6, 10**6))  # noqa: DTZ001
def test_rendered_rows_read_back(shows: datetime, offset_s: int) -> None:
    written = shows.replace(microsecond=0)
    notes, questions = read_notes(HEAD + f"H7,1,{written:%Y-%m-%d %H:%M:%S},,{offset_s},x\n")
    assert not questions and (notes[0].camera_shows, notes[0].offset_s) == (written, offset_s)
