"""The ten questions: exceptions first, nothing well that nobody looked at, no word too many."""

from __future__ import annotations

import itertools
import json
import random
import re
from dataclasses import fields, replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.records.audit_paper import AuditReport
from ingest.records.findings import Finding, Severity
from ingest.records.papers import parse, render
from ingest.steps.audit.evidence import Unfiled
from ingest.steps.audit.questions import QUESTION_OF_KIND, judge, question_of
from ingest.steps.audit.text import render_text
from ingest.steps.audit.words import CAUTION
from tests.audit_examples import card, hard, replace_probe, well

HARD = judge(hard())


def lines_of(report: AuditReport, number: int) -> str:
    return " ".join(f"{line.state}: {line.what} {line.next}" for line in report.questions[number - 1].lines)


def test_nothing_wrong_is_said_with_the_number_of_checks() -> None:
    report = judge(well())
    assert report.needs_a_person == 0 and report.exceptions == [] and report.losses == 0
    assert [q.state for q in report.questions] == ["well"] * 10
    assert report.headline == f"Nothing needs a person; {sum(report.checks.values())} checks made."
    assert report.checks["files read again"] == 12 and report.checks["cards judged"] == 2
    first = report.questions[0].answer
    assert first == (
        "2 of 2 cards verified at every required destination: 6 files, 6,000 bytes; disks TIDE-A and TIDE-B; "
        "all read back from the device; 12 files read again until 02:14, all equal."
    )


@pytest.mark.parametrize(
    ("number", "says"),
    [
        (1, "person: Destination TIDE-B is not here; 1 card owed to it"),
        (1, "person: Card B007 at TIDE-A: no longer equal to what was read from the card: DCIM/1.jpg."),
        (1, "person: Card C001 at TIDE-B: could not be read again: DCIM/2.jpg."),
        (1, "loss: card C001 at TIDE-A: missing: DCIM/0.jpg."),
        (1, "note\\u202etxt.exe"),
        (1, "person: Card S03 (sound) of 2026-04-01 was expected and has not come."),
        (1, "note: The reading at TIDE-A was interrupted after 6 files."),
        (1, "has room for 1 day like the last 4 recorded days"),
        (2, "person: Card C001: copies once reused 1 of 2; 3 files are not verified at destination TIDE-B."),
        (2, "Leave it in the reader until the policy is met."),
        (2, "person: Card C002: 3 files read once, a second reading is owed."),
        (2, "note: Card C002 was mounted writable; Nightloader wrote nothing to it."),
        (3, "person: grey ball for setup B, 2026-04-01: no picture of it. Still possible: take it, or waive it."),
        (4, "loss: clean plate for setup B, 2026-04-01: the set was struck."),
        (
            5,
            "p2: not all frames of the bracket are there; view 3 has 6 of 7 frames; The sun is clipped by 9",
        ),
        (5, "Shoot with ND 3.0."),
        (5, "unfiled, probe p3: frame 4 does not decode."),
        (6, "probe p3: no setup was running; nearest is setup B, 24 min away."),
        (7, "person: Lomvi R1 +3600 s (header): the sun stands 15° off: zone? "),
        (7, "note: Teist S2: its clock is taken as it stands."),
        (8, "Take 3 of setup B has no clip."),
        (8, "0412-0418 are on no card."),
        (9, "note: Card C001: one read was repeated."),
        (9, "loss: Bytes \\xff of <b>x</b> are gone."),
        (10, "person: Package TIDE_day12 to editing does not verify."),
    ],
)
def test_each_thing_stands_under_its_question_with_what_to_do(number: int, says: str) -> None:
    assert says in lines_of(HARD, number)


def test_waived_is_neither_due_nor_lost() -> None:
    assert "chart" not in lines_of(HARD, 3) + lines_of(HARD, 4)


def test_what_a_picture_may_show_is_asked_for_and_not_shot_again() -> None:
    setup = hard().setups[-1]  # type: ignore[index]
    due, lost, waived = setup.items
    seen = due.model_copy(update={"proposed": ["f5cf27ffaee"]})
    answer = judge(replace(hard(), setups=[setup.model_copy(update={"items": [seen, lost, waived]})]))
    told = [line for question in answer.questions for line in question.lines]
    (line,) = [one for one in told if one.kind == "proposed"]
    assert line.question == 3 and "f5cf27ffaee may show it" in line.what
    assert line.next.startswith("Look at it: `nightloader confirm f5cf27ffaee")
    assert not [one for one in told if one.kind == "due"]


def test_exceptions_first_losses_before_the_rest_and_every_line_says_what_to_do() -> None:
    states = [line.state for line in HARD.exceptions]
    assert states == sorted(states, key=["loss", "person"].index) and HARD.losses == states.count("loss") == 3
    assert HARD.needs_a_person == len(states) == sum(x.state != "note" for q in HARD.questions for x in q.lines)
    assert all(line.next for q in HARD.questions for line in q.lines)
    assert HARD.exceptions[3].until_utc == "2026-04-02T09:00:00Z", "what has a deadline comes before what has none"
    assert HARD.headline == f"{len(states)} things need a person, 3 of them a loss."


def test_what_nobody_looked_at_is_not_well() -> None:
    blank = replace(
        well(),
        probes=None,
        unfiled=None,
        clocks=None,
        setups=None,
        agreement=None,
        packages=None,
        differences=None,
        expected_cards=None,
        rereads=(),
    )
    report = judge(blank)
    assert [q.state for q in report.questions] == ["well"] * 2 + ["not checked"] * 6 + ["well", "not checked"]
    assert all(q.answer.startswith("Not checked") for q in report.questions if q.state == "not checked")
    assert "nothing was read again this time" in report.questions[0].answer


def test_no_evidence_at_all_is_no_praise() -> None:
    report = judge(replace(well(), cards=[], rereads=(), differences=None))
    assert report.questions[0].answer == "No card of 2026-04-01 is known."
    assert [q.state for q in report.questions[:2]] == ["not checked"] * 2


def test_one_disk_and_unproven_are_said_in_the_first_answer() -> None:
    short = judge(replace(well(), cards=[card(policy_met=False)])).questions  # said by the second, shown by both
    assert short[0].state == short[1].state == "person" and not short[0].lines
    assert "on one disk" in judge(replace(well(), cards=[card(on_one_disk=True)])).questions[0].answer


def test_a_finding_may_name_its_question_and_what_belongs_nowhere_was_odd() -> None:
    f = Finding(kind="never heard of", item="x", severity=Severity.NOTE, what="w", next="n")
    assert question_of(f) == 9 and question_of(replace(f, more={"question": 4})) == 4
    assert question_of(replace(f, more={"question": True})) == 9 and set(QUESTION_OF_KIND.values()) <= set(
        range(1, 11)
    )


@given(st.randoms(use_true_random=False))
def test_order_of_evidence_changes_nothing(turn: random.Random) -> None:
    given = hard()
    mixed = {}
    for f in fields(given):
        value = getattr(given, f.name)
        if isinstance(value, (list, tuple)):
            mixed[f.name] = turn.sample(list(value), len(value))
    assert judge(replace(given, **mixed)) == HARD


def test_json_and_back() -> None:
    data = render(HARD)
    assert parse(AuditReport, data) == HARD and json.loads(data)["paper"] == "audit"
    assert "/a" not in {d.get("path") for d in json.loads(data)["destinations"]}


FORBIDDEN = re.compile(
    r"\b(safe|safely|secure|complete|completed|done|format|formatting|guaranteed)\b", re.IGNORECASE
)


@pytest.mark.parametrize("width", [40, 72, 80, 132])
@pytest.mark.parametrize("made", [well, hard])
def test_text_fits_and_carries_the_caution(made, width: int) -> None:
    text = render_text(judge(made()), width=width)
    assert max(map(len, text.splitlines())) <= width
    flat = " ".join(text.split())
    for caution in CAUTION:
        assert caution in flat
        flat = flat.replace(caution, "")
    assert not FORBIDDEN.search(flat), FORBIDDEN.search(flat)
    assert flat.index("TEN QUESTIONS") < flat.index("CARDS (")
    if made is hard:
        assert flat.index("NEEDS A PERSON") < flat.index("TEN QUESTIONS") and "release decided by: ____" in flat


@given(st.text(max_size=200), st.integers(40, 90))
def test_any_words_fit(said: str, width: int) -> None:
    f = Finding(kind="x", item="y", severity=Severity.PERSON, what=said.encode("utf-8", "ignore").decode(), next="z")
    text = render_text(judge(replace(well(), findings=[f])), width=width)
    assert max(map(len, text.splitlines())) <= width and "\x1b" not in text


def test_losing_evidence_never_makes_the_morning_look_better() -> None:
    """Dropping any copy of any card never lowers the number of things that need a person."""
    before = judge(well()).needs_a_person
    for at, other in itertools.product(("AB", "A", "B", ""), repeat=2):
        assert judge(replace(well(), cards=[card(at=at), card("B008", at=other)])).needs_a_person >= before
        if (at, other) != ("AB", "AB"):
            assert judge(replace(well(), cards=[card(at=at), card("B008", at=other)])).needs_a_person > before


def test_a_paper_of_ours_that_no_longer_reads_as_written_is_no_card() -> None:
    night = well()
    bad = replace(night.rereads[0], differed=(("", "TIDE/paperwork/show.manifest.json"),))
    said = lines_of(judge(replace(night, rereads=[bad])), 1)
    assert "Nightloader's own files at TIDE-A: no longer equal to what was written" in said and "originals" in said


def test_nothing_to_look_at_is_not_well_either() -> None:
    bare = replace(well(), cards=[], rereads=(), differences=[], probes=[], unfiled=[], clocks=[], setups=[],
                   agreement=[], agreement_checks=0, packages=[])  # fmt: skip
    report = judge(bare)
    assert [q.state for q in report.questions] == ["not checked"] * 8 + ["well", "well"]


def test_an_unfiled_probe_is_one_thing_for_a_person() -> None:
    night = well()
    assert night.probes
    lost = replace_probe(night.probes[0], id="p00000000ab", setup=None, shot=None)
    report = judge(replace(night, probes=[lost], unfiled=[Unfiled(item=lost.id, what="probe", why="no setup")]))
    assert [x.question for x in report.exceptions] == [6] and report.needs_a_person == 1
    assert report.questions[5].answer == "1 item unfiled; 1 item looked at."
    assert report.checks["items looked for a home"] == 1


def test_remarks_are_counted_where_they_are_shown() -> None:
    odd = [Finding(kind="odd", item=f"i{n}", severity=Severity.NOTE if n < 2 else Severity.PERSON, what="w", next="n")
           for n in (0, 1, 1, 2, 3, 4)]
    report = judge(replace(well(), findings=odd))
    assert report.questions[8].answer.startswith("3 remarks above and 2 remarks below;")
    text = render_text(report)
    assert text.count("· w. n") == 2 and text.count("question 9") == 3
