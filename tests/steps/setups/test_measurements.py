"""measurements.csv, expected_cards.csv and the camera sheet in the log: values, questions, what cannot be."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.steps.setups.expected import read_expected
from ingest.steps.setups.log import read_log
from ingest.steps.setups.measurements import read_measurements, suspicious
from ingest.steps.setups.questions import findings
from ingest.steps.setups.sheet import read_sheet, unusual

HEAD = "day,setup,name,value,length,width,height,by,with,notes\n"


def test_lengths_and_boxes() -> None:
    rows, asked = read_measurements(
        HEAD + '2026-04-01,27A,mooring post to lens,"12\'4""",,,,Ines,tape,\n'
        '2026-04-01,27A,crate,,1.2 m,80 cm,"2\'6""",,,\n,,pier height,4m20,,,,,laser,whole show\n'
    )
    assert not asked
    assert rows[0].value and rows[0].value.m == pytest.approx(3.7592) and rows[0].value.written == "12'4\""
    assert rows[1].length and rows[1].width and rows[1].width.m == 0.8 and rows[1].height
    assert rows[1].height.m == pytest.approx(0.762)
    assert (rows[2].day, rows[2].setup, rows[2].tool) == ("", "", "laser")
    assert suspicious(rows) == []


def test_unclear_cells_are_asked_and_one_setting_solves_them() -> None:
    text = HEAD + "2026-04-01,27A,camera height,173,,,,,,\n2026-04-01,27A,,2 m,,,,,,\n2026-04-01,27A,table,,,,,,,\n"
    rows, asked = read_measurements(text)
    assert not rows and [(q.line, q.column) for q in asked] == [(2, "value"), (3, "name"), (4, "value")]
    rows, _ = read_measurements(text, units="metric")
    assert [r.value and r.value.m for r in rows] == [1.73]
    rows, asked = read_measurements("name,value (cm)\ncamera height,173\n")
    assert [r.value and r.value.m for r in rows] == [1.73] and not asked


def test_impossible_and_suspicious_values_are_findings() -> None:
    rows, _ = read_measurements(
        HEAD + "2026-04-01,27A,camera height,60 m,,,,,,\n"
        "2026-04-01,27A,table,1.70 m,,,,,,\n2026-04-01,27A,table,5.58 m,,,,,,\n"
        "2026-04-01,27A,door,2.00 m,,,,,,\n2026-04-01,27A,door,2.10 m,,,,,,\n"
    )
    assert [f.kind for f in suspicious(rows)] == ["unusual_value", "feet_for_metres", "measurements_differ"]


def test_the_camera_sheet_in_the_log() -> None:
    text = (
        "day,setup,start,lens,T-stop,Height,Tilt,FPS,Shutter Angle,ND,Focus Distance,probe height (cm)\n"
        "2026-04-01,27A,09:00,35mm,2.8 1/2,5'7\",5 dn,23.98,1/48,N6,12' to 4'6\",173\n"
        "2026-04-01,27B,10:00,the wide one,wide open,5.7,5,fast,,,inf,\n"
        "2026-04-01,27C,11:00,50,,60 m,,,,,,\n"
    )
    log = read_log(text, zone="Europe/Lisbon")
    sheet = read_sheet(log.rows[0], log)
    assert sheet.camera_height_m == pytest.approx(1.7018) and sheet.probe_height_m == 1.73
    assert (sheet.stop, sheet.stop_kind) == (pytest.approx(3.3636, abs=1e-4), "")
    assert sheet.tilt_deg == -5 and sheet.frame_rate == Fraction(24000, 1001) and sheet.focal_mm == 35
    assert sheet.shutter_deg == pytest.approx(179.82, abs=0.01) and sheet.nd_stops == pytest.approx(1.993, abs=1e-3)
    assert (sheet.focus_m, sheet.focus_to_m) == pytest.approx((3.6576, 1.3716)) and not sheet.questions
    second = read_sheet(log.rows[1], log)
    assert {q.column for q in second.questions} == {"stop", "camera_height", "tilt", "frame_rate"}
    assert second.focus_m == float("inf") and second.focal_mm is None
    assert read_sheet(log.rows[1], log, units="metric").camera_height_m == 5.7
    assert [f.kind for f in unusual(log.rows[2], read_sheet(log.rows[2], log))] == ["unusual_value"]
    assert findings(second.questions)[0].item == "setup_log.csv line 3, frame_rate"


def test_expected_cards() -> None:
    cards, asked = read_expected(
        "day;roll;body;kind;count\n2026-04-01;A001;A;camera;\n2026-04-01;;;sound;1\n"
        "2026-04-01;;Cam-360;stills;2\n01/04/26;B1;;;\n2026-04-01;B2;;;many\n2026-04-01;;;;3\n"
    )
    assert [(c.card, c.body, c.kind, c.count) for c in cards] == [
        ("A001", "A", "camera", 1),
        ("", "", "sound", 1),
        ("", "Cam-360", "stills", 2),
    ]
    assert [(q.line, q.column) for q in asked] == [(5, "day"), (6, "count"), (7, "card")]


@settings(max_examples=150, deadline=None)
@given(st.binary(max_size=200))
def test_any_bytes_give_an_answer(data: bytes) -> None:
    rows, _ = read_measurements(HEAD.encode() + data, units="imperial")
    suspicious(rows)
    read_expected(b"day,card\n" + data)
    read_expected(data)
