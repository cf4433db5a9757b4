"""Log, clips, stills, numbering, expected cards and lenses held against each other."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.records.coverage import Captured, CardSeen, Taken
from ingest.records.filing import Evidence, Placement
from ingest.records.findings import Severity
from ingest.records.setups import SetupLog
from ingest.steps.coverage.due import homeless
from ingest.steps.coverage.reconcile import (
    expected_cards,
    headers_and_log,
    lens_ledger,
    numbering_gaps,
    probes_without_row,
    takes_and_clips,
    takes_of,
)
from ingest.steps.setups.expected import read_expected
from ingest.steps.setups.log import read_log
from ingest.steps.setups.measurements import read_measurements
from ingest.steps.setups.sheet import read_sheet, unusual

D = "2026-04-01"


def log_of(head: str, *rows: str) -> SetupLog:
    return read_log(f"day,{head}\n" + "\n".join(f"{D},{r}" for r in rows), zone="Europe/Lisbon")


def clip(n: int, setup: str = "27A", **more: object) -> Captured:
    return Captured(id=f"c{n}", kind="clip", name=f"clip {n}", day=D, setup=setup, start_s=1775030700.0 + n, **more)  # type: ignore[arg-type]


def test_takes_without_clips_and_clips_without_takes() -> None:
    log = log_of("setup,start,take,camera", "27A,09:00,1-3,A", "27B,10:00,,A", '28,11:00,"1, 2",A+B')
    assert (
        takes_and_clips(log.rows, [clip(n, take=str(n)) for n in (1, 2, 3)] + [clip(n, "28") for n in range(4)]) == []
    )
    kinds = {
        f.kind: f.what
        for f in takes_and_clips(
            log.rows, [clip(1, take="1"), clip(2, take="t4"), clip(3, "99"), clip(4, "28"), clip(5, "28")]
        )
    }
    assert kinds["take_without_clip"] == "27A: no clip of take 2, 3" and "take 4" in kinds["clip_without_take"]
    assert "99" in kinds["clips_without_row"]
    counted = takes_and_clips(log.rows, [clip(n) for n in (1, 2)] + [clip(n, "28") for n in range(5)])
    assert [f.kind for f in counted] == ["take_without_clip", "clip_without_take"]
    plates = [clip(n) for n in (1, 2, 3)] + [clip(9, role="clean_plate")] + [clip(n, "28") for n in range(4)]
    assert takes_and_clips(log.rows, plates) == []
    deleted = [replace(clip(9), trashed=True), *plates]  # kept, but on the card somebody deleted it
    assert takes_and_clips(log.rows, deleted) == []
    assert [f.kind for f in takes_and_clips(log.rows, [clip(9), *plates])] == ["clip_without_take"]


def test_probes_of_a_setup_that_the_log_does_not_have() -> None:
    """By hand or slate under an unknown setup: told, with where the log has that name."""
    log = log_of("setup,start,unit", "27A,09:00,1")

    def filed(n: int, setup: str, by: Evidence = Evidence.HAND, unit: str = "1", day: str = D) -> Placement:
        return Placement(item=f"p{n}", day=day, unit=unit, setup=setup, evidence=by)

    assert probes_without_row(log.rows, [filed(1, "27A"), Placement(item="p3", day=D)]) == []
    two = probes_without_row(log.rows, [filed(1, "99"), filed(2, "99", Evidence.SLATE), filed(3, "27A", unit="2")])
    assert [f.kind for f in two] == ["probes_without_row"] * 2 and all(f.severity is Severity.PERSON for f in two)
    assert "2 probes" in two[0].what and two[0].more["evidence"] == ["p1", "p2"]
    assert "nightloader file p1" in two[0].next
    assert f"it has 27A on {D} 1" in two[1].what


def test_takes_as_written() -> None:
    assert takes_of("1-12")[-1] == "12" and takes_of("1/2") == ("1", "2") and takes_of("9-3") == ()


def test_headers_against_the_log() -> None:
    log = log_of("setup,start,focal length,fps,lens serial", "27A,09:00,35mm,24,00-12O7", "27A,10:00,50,23.98,S/N 1207")
    sheets = {r.place: read_sheet(r, log) for r in log.rows}
    first, second = (r.start_s or 0 for r in log.rows)

    def at(moment: float, **more: object) -> Captured:
        return Captured(id="c", kind="clip", name="clip", day=D, setup="27A", start_s=moment, **more)  # type: ignore[arg-type]

    true24 = Fraction(24000, 1001)
    fine = [
        at(first + 60, focal_mm=35.2, frame_rate=Fraction(24), lens_serial="1207"),
        at(second + 60, focal_mm=50, frame_rate=true24, lens_serial="1207"),
        at(first + 60),
    ]
    assert headers_and_log(log.rows, sheets, fine) == []
    told = headers_and_log(log.rows, sheets, [at(first + 60, frame_rate=true24)])
    assert [f.severity for f in told] == [Severity.NOTE]
    wrong = [at(second + 60, focal_mm=35), at(first, frame_rate=Fraction(25)), at(first, lens_serial="1208")]
    found = headers_and_log(log.rows, sheets, wrong)
    (one,) = found  # of one setup
    assert one.severity is Severity.PERSON and one.what.count("line 2") == 2 and one.what.count("line 3") == 1


def still(number: int, moment: float, body: str = "b", series: str = "DSCF") -> Captured:
    return Captured(
        id=f"{body}{series}{number}@{moment}",
        kind="still",
        name=f"{series}{number:04}",
        body=body,
        series=series,
        number=number,
        start_s=moment,
    )


def test_numbers_on_no_card() -> None:
    frames = [still(n, n) for n in (*range(400, 412), *range(419, 430))]
    found = numbering_gaps(frames)
    assert [f.item for f in found] == ["b DSCF0412-0418"] and found[0].severity is Severity.PERSON
    assert numbering_gaps([still(9998, 1), still(9999, 2), still(1, 3), still(2, 4)]) == []
    assert numbering_gaps([still(5, 1), still(4000, 2)]) == []
    assert (
        numbering_gaps([still(1, 1), still(2, 2, body="c"), still(4, 3, body="c"), still(2, 4)])[0].item == "c DSCF0003"
    )
    assert numbering_gaps([still(1, 1), still(5, 2), still(3, 3), still(2, 4), still(4, 5)]) == []


@settings(max_examples=100, deadline=None)
@given(st.integers(1, 9000), st.integers(2, 60), st.sets(st.integers(1, 58)))
def test_every_number_taken_away_is_named(first: int, count: int, away: set[int]) -> None:
    frames = [still(first + n, n) for n in range(count) if n not in away or n == count - 1]
    gone = sum(f.more["count"] for f in numbering_gaps(frames))
    assert gone == len([n for n in away if 0 < n < count - 1])


def test_expected_cards() -> None:
    want, _ = read_expected(f"day,card,body,kind,count\n{D},A001,,,\n{D},a002,,,\n{D},,,sound,\n{D},,360,still,2\n")
    seen = [
        CardSeen(id="1", day=D, roll="A001", kinds=("clip",)),
        CardSeen(id="2", day=D, label="A-002"),
        CardSeen(id="3", day=D, bodies=("Make|One 360|77",), kinds=("still",)),
    ]
    assert [f.item for f in expected_cards(want, seen)] == [f"{D} a002", f"{D} sound", f"{D} 360 still"]
    more = [
        CardSeen(id="4", day=D, label="A002"),
        CardSeen(id="5", day=D, kinds=("sound",)),
        CardSeen(id="6", day=D, bodies=("One 360|78",), kinds=("still",)),
    ]
    assert expected_cards(want, [*seen, *more]) == []
    late = [replace(c, day="2026-09-09", days=(D, "2026-09-08")) for c in (*seen, *more)]  # from a pocket, days after
    assert expected_cards(want, late) == []


def test_the_lens_ledger() -> None:
    log = log_of("setup,start,lens,lens serial", "27A,09:00,35,4471", "27B,10:00,50,0O12")
    clips = [
        clip(1, lens_serial="S/N 4471"),
        clip(2, "27B", lens_serial="12"),
        clip(3, "28", lens_serial="99", lens="85"),
    ]
    grid = Taken(id="g", item="lens_grid", day=D, lens_serial="4471")
    entries, found = lens_ledger(log.rows, clips, [grid])
    assert {e.serial: e.grids for e in entries} == {"0O12": (), "4471": ("g",), "99": ()}
    assert {f.item for f in found} == {"lens 0O12", "lens 99"}
    ticked = log_of("setup,start,lens,lens serial,grid", "27A,09:00,35,4471,shot", "27B,10:00,50,0O12,")
    entries, found = lens_ledger(ticked.rows, [], [])
    assert {e.serial: len(e.grids) for e in entries} == {"0O12": 0, "4471": 1} and len(found) == 1


def test_a_measurement_of_a_setup_that_is_in_no_row_is_told() -> None:
    log = log_of("setup,start", "27A,09:00")
    measured, _ = read_measurements("day,setup,name,value\n"
                                    f"{D},27a,a,1 m\n{D},27X,b,1 m\n{D},27X,c,2 m\n2030-01-01,9,d,1 m\n{D},,e,3 m\n")
    (told,) = homeless(measured, log.rows)
    assert "27X" in told.what and "2 measurements name it" in told.what


def test_a_guessed_focal_length_is_told() -> None:
    log = log_of("setup,start,focal length", "27A,09:00,approx 35", "27B,10:00,35 mm")
    told = [f for r in log.rows for f in unusual(r, read_sheet(r, log))]
    assert [f.kind for f in told] == ["approximate_value"] and "'approx 35'" in told[0].what
