"""The setup log: every form a spreadsheet or a person writes, read in one meaning or asked about."""

from __future__ import annotations

import csv
import io
from datetime import UTC, date, datetime
from itertools import pairwise
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.records.setups import SetupLog
from ingest.steps.setups.log import read_log
from ingest.steps.setups.moments import DateOrder, Unclear, parse_day, parse_time

HEAD = "day,shot,setup,start,end,camera,lens,notes\n"
LISBON = "Europe/Lisbon"
DAY = "2026-04-01"


def read(*rows: str, **more: str) -> SetupLog:
    return read_log(HEAD + "\n".join(rows), zone=LISBON, **more)  # type: ignore[arg-type]


def local(seconds: float | None, zone: str = LISBON) -> str:
    return datetime.fromtimestamp(seconds, ZoneInfo(zone)).strftime("%d %H:%M") if seconds is not None else "open"


def spans(log: SetupLog) -> list[tuple[str, str, str]]:
    return [(r.setup, local(r.start_s), local(r.end_s)) for r in log.rows]


def test_a_plain_log() -> None:
    log = read(f"{DAY},A010,27A,09:05,09:40,A,35,x", f"{DAY},A020,27B,10:00,,A+B,,", f"{DAY},,28,11:15,,,,")
    assert spans(log) == [("27A", "01 09:05", "01 09:40"), ("27B", "01 10:00", "01 11:15"), ("28", "01 11:15", "open")]
    assert log.questions == ()
    assert log.rows[0].cells["lens"] == "35" and log.rows[1].camera == "A+B"
    assert [r.open_ended for r in log.rows] == [False, True, True]
    assert local(log.rows[2].until_s) == "02 06:00"


@pytest.mark.parametrize("encode", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252"])
@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("newline", ["\n", "\r\n", "\r"])
def test_every_spreadsheets_file(encode: str, separator: str, newline: str) -> None:
    plain = HEAD + DAY + ',Ä010,27A,09:05,09:40,A,35,"a b"\n\n,,,,,,,\n'
    log = read_log(plain.replace(",", separator).replace("\n", newline).encode(encode), zone=LISBON)
    assert spans(log) == [("27A", "01 09:05", "01 09:40")]
    assert log.rows[0].shot == "Ä010" and log.rows[0].line == 2 and not log.questions


SPREADSHEETS = Path(__file__).parents[2] / "data/spreadsheets"


@pytest.mark.parametrize("path", sorted(SPREADSHEETS.glob("*.csv")), ids=lambda p: p.stem)
def test_files_as_two_spreadsheet_programs_wrote_them(path: Path) -> None:
    # tests/data/spreadsheets/SOURCES.md names the programs and versions.
    log = read_log(path.read_bytes(), zone=LISBON)
    assert [(r.day, r.setup, local(r.start_s), local(r.end_s), r.camera, r.lens) for r in log.rows] == [
        ("2026-04-13", "27A", "13 09:05", "13 09:40", "A", "35"),
        ("2026-04-13", "27B", "13 10:00", "13 22:30", "A+B", "50"),
        ("2026-04-13", "28", "13 22:30", "13 23:10", "A", ""),
        ("2026-04-13", "29", "14 00:40", "14 01:15", "A", "85"),
    ]
    assert log.rows[0].shots == ("TL_0270", "TL_0280") and log.rows[0].notes == 'wide, "harbour" wall'
    assert log.rows[1].notes == "größer – näher" and not log.questions
    assert {r.coarse_s for r in log.rows} == {60}  # seconds that only the program added


def test_header_in_other_words_order_and_case_with_titles_and_repeats() -> None:
    text = (
        'sep=;\nCall sheet;day 12\n"SETUP No";Date;Cam;"Time in";Time Out;VFX Shot;Sandbags\n'
        "27A;2026-04-01;A;9h05;9h40;A010;4\nSetup;Date;Cam;Start;End;Shot;Sandbags\n27B;2026-04-01;B;10.00;;A020;7\n"
    )
    log = read_log(text, zone=LISBON)
    found = [(r.line, r.setup, r.camera, r.shot, r.cells["Sandbags"]) for r in log.rows]
    assert found == [(4, "27A", "A", "A010", "4"), (6, "27B", "B", "A020", "7")] and not log.questions


def test_the_committees_camera_report_is_a_setup_log() -> None:
    # Field names: visual effects society's technology committee, camera report CSV 1.1 (2013), start of its table.
    text = (
        "Job,CRIF Version,Unique Slate ID,SlatesUUID,Slate,Camera Letter,VFX Shot,Scene Number,Shoot Day,"
        "Shoot Timestamp,Shot Description,Unit\n"
        'Tideline,1.1,1,u-1,27A,A,,27,12,2013/07/12 15:03:30,"harbour, wide",Main\n'
        "Tideline,1.1,2,u-2,27B,A,TL_0270,27,12,2013/07/13 01:10:00,,Main\n"
    )
    log = read_log(text, zone=LISBON)
    found = [(r.setup, r.day, r.unit, r.shot) for r in log.rows]
    assert found == [("27A", "2013-07-12", "Main", ""), ("27B", "2013-07-12", "Main", "TL_0270")]
    assert log.rows[0].end_s == log.rows[1].start_s == datetime(2013, 7, 13, 0, 10, tzinfo=UTC).timestamp()
    assert log.rows[0].cells["SlatesUUID"] == "u-1" and not log.questions


def test_after_midnight_only_after_a_later_time_of_the_same_day() -> None:
    log = read(f"{DAY},,1,05:10,,,,", f"{DAY},,2,22:00,,,,", f"{DAY},,3,00:40,02:00,,,", "2026-04-02,,4,00:30,,,,")
    assert spans(log)[:2] == [("1", "01 05:10", "01 22:00"), ("2", "01 22:00", "02 00:40")]
    assert sorted(spans(log)[2:]) == [("3", "02 00:40", "02 02:00"), ("4", "02 00:30", "open")]
    assert {r.setup: r.day for r in log.rows}["3"] == DAY


def test_a_night_past_the_roll_over_is_one_day() -> None:
    assert spans(read(f"{DAY},,1,17:00,,,,", f"{DAY},,2,06:30,07:10,,,"))[1] == ("2", "02 06:30", "02 07:10")


def test_a_morning_row_below_an_evening_row_is_not_the_next_night() -> None:
    log = read(f"{DAY},,1,08:00,09:00,,,", f"{DAY},,2,20:00,21:00,,,", f"{DAY},,3,10:00,11:00,,,")
    assert spans(log)[1] == ("3", "01 10:00", "01 11:00") and log.rows[1].doubts


def test_units_have_their_own_nights_and_ends() -> None:
    rows = ("1,27,09:00", "2,90,09:30", "1,28,10:00", "2,91,11:00")
    text = "day,unit,setup,start\n" + "".join(f"{DAY},{r}\n" for r in rows)
    ends = {r.setup: local(r.end_s) for r in read_log(text, zone=LISBON).rows}
    assert ends == {"27": "01 10:00", "90": "01 11:00", "28": "open", "91": "open"}


def test_a_blank_day_continues_only_while_time_goes_on() -> None:
    log = read(f"{DAY},,1,14:00,,,,", ",,2,15:00,,,,", ",,3,00:20,,,,")
    assert [(r.setup, r.day) for r in log.rows] == [("1", DAY), ("2", DAY), ("3", DAY)] and not log.questions
    asked = read(f"{DAY},,1,14:00,,,,", ",,2,12:00,,,,")
    assert [q.column for q in asked.questions] == ["day"] and len(asked.rows) == 1


def test_a_line_that_holds_only_a_day_heads_the_lines_below() -> None:
    log = read(f"{DAY},,,,,,,", ",,1,14:00,,,,", ",,2,15:00,,,,", "2026-04-02,,,,,,,", ",,3,09:00,,,,")
    assert [(r.setup, r.day) for r in log.rows] == [("1", DAY), ("2", DAY), ("3", "2026-04-02")] and not log.questions
    assert read("lunch,,,,,,,", f"{DAY},,1,14:00,,,,").questions[0].column == "setup"


def test_dates_in_figures() -> None:
    with pytest.raises(Unclear):
        parse_day("01/04/24")
    assert parse_day("01/04/24", DateOrder.DAY_FIRST) == date(2024, 4, 1)
    assert parse_day("01/04/24", DateOrder.MONTH_FIRST) == date(2024, 1, 4)
    assert parse_day("13/04/2026") == date(2026, 4, 13) == parse_day("4-13-2026")
    for text in ("Wed 1 Apr 2026", "April 1, 2026", "01-Apr-26", "20260401", "2026/4/1", "2026-04-01 00:00:00"):
        assert parse_day(text) == date(2026, 4, 1), text
    for text in ("", "tomorrow", "2026-13-01", "46113", "Day 12", "31/02/2026"):
        with pytest.raises(Unclear):
            parse_day(text)
    log = read("01/04/24,,1,10:00,,,,", f"{DAY},,2,10:00,,,,")
    assert [r.setup for r in log.rows] == ["2"] and log.questions[0].written == "01/04/24"
    assert [r.day for r in read("01/04/24,,1,10:00,,,,", date_order="day-first").rows] == ["2024-04-01"]
    both = read("01/04/2026,,1,10:00,,,,", "13/04/2026,,2,10:00,,,,")  # the column shows its own order
    assert [r.day for r in both.rows] == ["2026-04-01", "2026-04-13"]


def test_times() -> None:
    for text in ("15:03", "3.03pm", "15h03", "1503", "15:03:20", "3:03 PM", "15.03", "~15:03", "2026-04-01 15:03"):
        assert parse_time(text).seconds // 60 == 15 * 60 + 3, text
    assert [parse_time(t).seconds for t in ("24:00", "12 am", "12pm", "noon")] == [86400, 0, 43200, 43200]
    for text in ("", "3", "15", "15:3", "25:10", "12:60", "1O:30", "13 am", "0pm", "later", "-5:00", "15:03:77"):
        with pytest.raises(Unclear):
            parse_time(text)


def test_summer_time() -> None:
    # Lisbon 2026: clocks go from 01:00 to 02:00 on 29 March and from 02:00 back to 01:00 on 25 October (IANA tz).
    log = read(*(f"2026-03-28,,{n},{t},,,," for n, t in ((1, "23:00"), (2, "01:30"), (3, "02:10"))))
    assert [r.setup for r in log.rows] == ["1", "3"]
    assert "does not exist" in log.questions[0].asks and log.rows[0].doubts
    assert log.rows[1].start_s == datetime(2026, 3, 29, 1, 10, tzinfo=UTC).timestamp()
    times = ((1, "23:00"), (2, "01:50"), (3, "01:10"), (4, "02:10"))
    back = read(*(f"2026-10-24,,{n},{t},,,," for n, t in times))
    starts = [(r.start_s or 0) / 60 for r in back.rows]
    assert [b - a for a, b in pairwise(starts)] == [170, 20, 60]


def test_bad_rows_cost_only_themselves_and_are_asked_about() -> None:
    log = read(
        f"{DAY},,1,09:00,,,,",
        f"{DAY},,2,1O:00,,,,",
        f"{DAY},,,11:00,,,,",
        f"{DAY},,4,12:00,11:30,,,",
        f"{DAY},,5,13:00,99:99,,,",
        f"{DAY},,6,14:00,,,,",
    )
    assert [r.setup for r in log.rows] == ["1", "4", "5", "6"]
    assert [(q.line, q.column) for q in log.questions] == [(3, "start"), (4, "setup"), (5, "end"), (6, "end")]
    assert log.rows[0].doubts  # its end hangs on rows that could not be read
    assert all(r.open_ended for r in log.rows)


def test_a_start_out_of_order_casts_doubt_where_it_matters() -> None:
    log = read(f"{DAY},,1,09:00,,,,", f"{DAY},,2,11:51,,,,", f"{DAY},,3,11:30,,,,")
    assert all(r.doubts for r in log.rows)  # 1 has no end: it hangs on the two
    ended = read(f"{DAY},,1,09:00,10:00,,,", f"{DAY},,2,11:51,,,,", f"{DAY},,3,11:30,,,,", f"{DAY},,4,13:00,,,,")
    assert {r.setup: bool(r.doubts) for r in ended.rows} == {"1": False, "2": True, "3": True, "4": False}
    assert log.questions[0].line == 4
    shuffled = read(f"{DAY},,2,11:00,11:30,,,", f"{DAY},,1,09:00,09:30,,,")
    assert not any(r.doubts for r in shuffled.rows) and not shuffled.questions


def test_no_header_is_asked_about() -> None:
    log = read_log("2026-04-01,A010,27A,09:05\n", zone=LISBON)
    assert not log.rows and "no row names the columns" in log.questions[0].asks
    assert read_log(b"", zone=LISBON) == read_log(HEAD, zone=LISBON) == SetupLog()


def test_one_spelling_for_a_setup() -> None:
    assert {r.setup for r in read(f"{DAY},,27a,09:00,,,,", f"{DAY},,27A,10:00,,,,").rows} == {"27a"}


def test_several_shots() -> None:
    log = read(f'{DAY},"A010, A020",27,09:00,,,,', f"{DAY},A010,28,10:00,,,,")
    assert log.rows[0].shots == ("A010", "A020") and log.rows[0].shot == "A010, A020"


@settings(max_examples=300, deadline=None)
@given(st.binary(max_size=400))
def test_any_bytes_give_an_answer(data: bytes) -> None:
    read_log(data, zone=LISBON)
    read_log(HEAD.encode() + data, zone=LISBON)


_CELL = st.text(st.characters(exclude_categories=("Cs", "Cc")), max_size=12)
_ROW = st.tuples(st.integers(0, 1439), st.sampled_from(["27", "27A", "30"]), _CELL)


@settings(max_examples=200, deadline=None)
@given(st.lists(_ROW, max_size=12), st.sampled_from(",;\t"), st.sampled_from(["utf-8", "utf-16", "utf-8-sig"]))
def test_what_is_written_is_read(rows: list[tuple[int, str, str]], separator: str, encode: str) -> None:
    """A log in order, each row on a day of its own, comes back as written."""
    out = io.StringIO()
    writer = csv.writer(out, delimiter=separator)
    writer.writerow(HEAD.strip().split(","))
    for n, (minute, setup, note) in enumerate(rows, 1):
        writer.writerow([f"2026-04-{n:02}", "S1", setup, f"{minute // 60:02}:{minute % 60:02}", "", "", "", note])
    log = read_log(out.getvalue().encode(encode), zone="Asia/Tokyo")
    assert [(r.setup, local(r.start_s, "Asia/Tokyo")) for r in log.rows] == [
        (setup, f"{n:02} {m // 60:02}:{m % 60:02}") for n, (m, setup, _) in enumerate(rows, 1)
    ]
    assert not log.questions


@pytest.mark.parametrize(("head", "row", "column"), [
    ("day,setup,start", "2026-04-01,27A", "start"),
    ("day,setup,start,timestamp", "2026-04-01,27A,,", "start"),
    ("day,setup,timestamp", "2026-04-01,27A,", "timestamp"),
    ("day,setup,start,timestamp", "2026-04-01,27A,,soon", "timestamp"),
])  # fmt: skip
def test_a_start_that_is_not_there_is_asked_for_in_a_column_that_is(head: str, row: str, column: str) -> None:
    (question,) = read_log(f"{head}\n{row}\n", zone="UTC").questions
    assert question.column == column


@pytest.mark.parametrize(
    ("encoding", "word", "asked"),
    [("cp1252", "Café Brücke", False), ("cp1252", "5½ “Nuit” – ±2°", False), ("utf-8-sig", "港の橋", False),
     ("utf-16", "港の橋", False), ("utf-16-le", "港の橋", False), ("cp932", "港の橋", True),
     ("gb18030", "港口大桥", True), ("big5", "港口大橋", True), ("euc-kr", "항구 다리", True),
     ("koi8-r", "Мост у порта", True)],
)  # fmt: skip
def test_letters_of_another_encoding_are_asked_about_and_never_guessed(encoding: str, word: str, asked: bool) -> None:
    text = f"day,shot,setup,start,end\n2026-04-14,A010,7A,09:00,\n2026-04-14,{word},8,10:00,\n"
    log = read_log(text.encode(encoding), zone=LISBON)
    assert [r.setup for r in log.rows] == ["7A", "8"]
    assert [(q.line, "CSV UTF-8" in q.asks) for q in log.questions] == ([(3, True)] if asked else [])
    assert asked or log.rows[1].shot == word
