"""Due rules: what a setup owes, when it is lost, who waived it."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.errors import SettingsError
from ingest.records.coverage import SetupCoverage, Status, Taken, Waiver
from ingest.records.findings import Severity
from ingest.records.setups import SetupLog
from ingest.steps.coverage.due import Evidence, judge
from ingest.steps.coverage.rules import DEFAULTS, ITEMS, Rule, default_rules, parse_rules
from ingest.steps.coverage.words import findings, to_json
from ingest.steps.setups.log import read_log
from ingest.steps.setups.measurements import read_measurements
from ingest.steps.setups.sheet import read_sheet

ZONE = "Europe/Lisbon"
D = "2026-04-01"
ONLY_PROBE = default_rules({i: i == "probe" for i in ITEMS})


def at(clock: str) -> float:
    return datetime.strptime(f"{D} {clock}", "%Y-%m-%d %H:%M").replace(tzinfo=ZoneInfo(ZONE)).timestamp()


def log_of(head: str, *rows: str) -> SetupLog:
    return read_log(f"day,{head}\n" + "\n".join(f"{D},{r}" for r in rows), zone=ZONE)


def probe(setup: str, clock: str, item: str = "probe") -> Taken:
    return Taken(id=f"{item}@{clock}", item=item, day=D, setup=setup, start_s=at(clock))


def judged(
    log: SetupLog, now: str, *taken: Taken, rules: tuple[Rule, ...] = ONLY_PROBE, **more: object
) -> tuple[SetupCoverage, ...]:
    sheets = {r.place: read_sheet(r, log) for r in log.rows}
    return judge(Evidence(rows=log.rows, now_s=at(now), taken=taken, sheets=sheets, **more), rules)  # type: ignore[arg-type]


def states(coverage: tuple[SetupCoverage, ...]) -> list[tuple[str, str, str, str]]:
    return [(c.setup, i.item, str(i.status), i.because) for c in coverage for i in c.items]


PLAIN = ("setup,start,end,lens,lighting", "27A,09:00,10:00,35,", "27B,10:00,11:00,35,")


def test_what_is_proposed_is_due_and_never_lost_until_somebody_says_what_it_is() -> None:
    log = log_of(*PLAIN)
    rules = default_rules({i: i == "dirty_plate" for i in ITEMS})
    seen = replace(probe("27A", "09:50", "dirty_plate"), id="c123", proposed=True)
    before, after = (judged(log, now, seen, rules=rules)[0] for now in ("10:10", "18:00"))
    assert [(c.items[0].status, c.items[0].proposed) for c in (before, after)] == [(Status.DUE, ("c123",))] * 2
    assert before.items[0].due_until_s == at("10:30") and after.items[0].due_until_s is None
    told = findings([after])[0]
    assert (told.kind, told.severity) == ("dirty_plate_due", Severity.PERSON)
    assert "dirty plate proposed, nobody confirmed it: c123 may show it" in told.what
    assert "nightloader confirm c123" in told.next and "shoot it" not in told.next
    assert "or shoot it again before" in findings([before])[0].next
    assert to_json(after)["items"][0]["proposed"] == ["c123"]
    confirmed, refused = replace(seen, proposed=False), replace(seen, item="clip", proposed=False)
    assert judged(log, "18:00", confirmed, rules=rules)[0].items[0].status is Status.HAVE
    assert judged(log, "18:00", refused, rules=rules)[0].items[0].status is Status.LOST


def test_have_due_lost() -> None:
    log = log_of(*PLAIN)
    taken = probe("27A", "09:50")
    assert states(judged(log, "10:30", taken)) == [("27A", "probe", "have", ""), ("27B", "probe", "due", "")]
    assert states(judged(log, "11:30", taken))[1][2] == "lost"  # the deadline itself is too late
    late = judged(log, "11:31", taken)
    assert states(late)[1][2] == "lost"
    due = judged(log, "11:10", taken)[1].items[0]
    assert due.due_until_s == at("11:30") and due.why


def test_findings_come_when_a_setup_closes() -> None:
    log = log_of(*PLAIN)
    assert findings(judged(log, "09:30")) == []
    assert [f.kind for f in findings(judged(log, "09:30"), open_too=True)] == ["probe_due", "probe_due"]
    closed = findings(judged(log, "10:05"))
    assert [(f.kind, f.severity) for f in closed] == [("probe_due", Severity.PERSON)]
    assert "before 2026-04-01T09:30:00Z" in closed[0].next  # 10:30 in Lisbon summer time
    assert findings(judged(log, "10:31"))[0].severity is Severity.LOSS


@pytest.mark.parametrize(
    ("head", "first", "second", "because"),
    [
        ("setup,start,end,lens", "27,09:00,09:30,35", "27,09:30,10:00,50", "lens 35 to 50"),
        (
            "setup,start,end,lighting",
            "27,09:00,09:30,key left",
            "27,09:30,10:00,key right",
            "lighting key left to key right",
        ),
        ("setup,start,end,camera", "27,09:00,09:30,A", "27,09:30,10:00,B", "camera A to B"),
        (
            "setup,start,end,camera height",
            "27,09:00,09:30,1.2 m",
            "27,09:30,10:00,1.8 m",
            "camera height 1.20 m to 1.80 m",
        ),
    ],
)
def test_a_new_probe_after_each_change_the_log_shows(head: str, first: str, second: str, because: str) -> None:
    log = log_of(head, first, second)
    one = states(judged(log, "10:10", probe("27", "09:10")))
    assert one == [("27", "probe", "have", ""), ("27", "probe", "due", because)]
    both = states(judged(log, "10:10", probe("27", "09:10"), probe("27", "09:40")))
    assert [s[2] for s in both] == ["have", "have"]


def test_no_change_no_second_probe() -> None:
    log = log_of(
        "setup,start,end,lens,camera height",
        "27,09:00,09:30,35 mm,1.2 m",
        "27,09:30,10:00,,1.3 m",
        "27,10:00,10:30,35MM,",
    )
    assert len(judged(log, "10:40")[0].items) == 1


def test_one_lighting_setup_may_serve_several() -> None:
    log = log_of("setup,start,end,lighting", "27A,09:00,10:00,L1", "27B,10:00,11:00,l1", "28,11:00,12:00,L2")
    rules = parse_rules([{"item": "probe", "scope": "lighting"}], ONLY_PROBE)
    assert [s[2] for s in states(judged(log, "11:05", probe("27A", "09:10"), rules=rules))] == ["have", "have", "due"]
    assert [s[2] for s in states(judged(log, "10:05", probe("27A", "09:10")))] == ["have", "due", "due"]


def test_waived_by_a_person_or_in_the_log() -> None:
    log = log_of(
        "setup,start,end,clean plate,chart,probe", "27A,09:00,10:00,n/a,x,x", "27B,10:00,11:00,no time - rain,,"
    )
    rules = default_rules({"dirty_plate": False, "measured": False})
    waivers = [Waiver(day=D, item="chart", setup="27b", by="Ines", why="same light as 27A")]
    items = {(c.setup, i.item): i for c in judged(log, "10:10", rules=rules, waivers=waivers) for i in c.items}
    assert items["27A", "clean_plate"].status is Status.WAIVED
    assert items["27A", "chart"].status is Status.HAVE and "line 2" in items["27A", "chart"].evidence[0]
    assert items["27A", "probe"].status is Status.DUE and "ticks it" in items["27A", "probe"].words  # no file, no probe
    assert items["27B", "clean_plate"].status is Status.WAIVED and "rain" in items["27B", "clean_plate"].words
    assert items["27B", "chart"].words == "by Ines: same light as 27A"


def test_measurements_until_wrap_and_tags() -> None:
    log = log_of("setup,start,end,tags", "27A,09:00,10:00,removal; CG", "27B,10:00,11:00,")
    rules = parse_rules(
        [
            {"item": "clean_plate", "needs": ["removal"]},
            {"item": "probe", "on": False},
            {"item": "dirty_plate", "on": False},
            {"item": "chart", "on": False},
        ]
    )
    measured, _ = read_measurements(f"day,setup,name,value\n{D},27B,pier,2 m\n")
    over = {D: at("23:00")}
    found = states(judged(log, "20:00", rules=rules, measurements=measured, day_over_s=over))
    assert found == [
        ("27A", "clean_plate", "lost", ""),
        ("27A", "measured", "due", ""),
        ("27B", "measured", "have", ""),
    ]


def test_the_camera_sheet() -> None:
    log = log_of("setup,start,end,camera height,tilt", "27A,09:00,10:00,1.2 m,5 dn", "27B,10:00,11:00,5.7,5 dn")
    rules = default_rules({i: i == "camera_sheet" for i in ITEMS})
    assert [s[2] for s in states(judged(log, "10:10", rules=rules))] == ["have", "due"]


def test_rules_of_the_settings() -> None:
    rules = parse_rules([{"item": "witness", "scope": "setup", "deadline": "setup", "why": "body track"}])
    assert rules[-1].item == "witness" and len(rules) == len(DEFAULTS) + 1
    with pytest.raises(SettingsError) as told:
        parse_rules(
            [{"item": "prob", "scope": "shot"}, {"item": "probe", "deadlin": "setup", "needs": "x", "tick": 1}, {}]
        )
    text = str(told.value)
    assert "'shot' is none of" in text and "nearest known is probe" in text and "known are deadline" in text
    assert "no list of tags" in text and "true or false" in text and "due.rules[3].item" in text


def test_every_rule_says_why() -> None:
    assert all(len(r.why) > 10 for r in DEFAULTS)


def test_json_of_a_setup() -> None:
    entry = to_json(judged(log_of(*PLAIN), "10:05", probe("27A", "09:50"))[0])
    assert set(entry) == {
        "day",
        "unit",
        "shot",
        "setup",
        "camera",
        "lens",
        "start_utc",
        "end_utc",
        "items",
        "questions",
    }
    assert entry["items"][0] | {} == {
        "item": "probe",
        "status": "have",
        "due_until_utc": None,
        "proposed": [],
        "because": "",
        "words": "",
        "why": entry["items"][0]["why"],
        "evidence": ["probe@09:50"],
    }


_ROW = st.tuples(
    st.sampled_from(["27", "28"]),
    st.integers(420, 1100),
    st.integers(5, 60),
    st.sampled_from(["35", "50", ""]),
    st.sampled_from(["L1", "L2", ""]),
)
_TAKEN = st.tuples(
    st.sampled_from(["27", "28"]), st.integers(420, 1200), st.sampled_from(["probe", "clean_plate", "chart"])
)


@settings(max_examples=150, deadline=None)
@given(st.lists(_ROW, max_size=6), st.lists(_TAKEN, max_size=6), st.integers(400, 1400))
def test_properties(rows: list[tuple[str, int, int, str, str]], taken: list[tuple[str, int, str]], now: int) -> None:
    def hhmm(minute: int) -> str:
        return f"{minute // 60:02}:{minute % 60:02}"

    lines = [f"{s},{hhmm(a)},{hhmm(a + n)},{lens},{light}" for s, a, n, lens, light in sorted(rows, key=lambda r: r[1])]
    log = log_of("setup,start,end,lens,lighting", *lines)
    things = [
        Taken(id=str(n), item=i, day=D, setup=s, start_s=at("00:00") + m * 60) for n, (s, m, i) in enumerate(taken)
    ]
    known = Evidence(rows=log.rows, now_s=at("00:00") + now * 60, taken=things)
    full = judge(known, default_rules())
    assert (
        judge(replace(known, taken=things[::-1], rows=log.rows[::-1]), default_rules()) == full
    )  # order tells nothing
    bare = judge(replace(known, taken=things[:-1]), default_rules())
    for a, b in zip(full, bare, strict=True):  # taking evidence away never improves a status
        for x, y in zip(a.items, b.items, strict=True):
            assert not (y.status is Status.HAVE and x.status is not Status.HAVE)
    for c in full:
        assert len([i for i in c.items if i.item == "chart"]) == 1
        for i in c.items:
            assert (i.status is Status.HAVE) == bool(i.evidence)
            assert i.status is not Status.LOST or (i.due_until_s or 0) <= known.now_s
    served = {e for c in full for i in c.items for e in i.evidence}
    keys = {c.setup for c in full}
    assert served == {t.id for t in things if t.setup in keys}
