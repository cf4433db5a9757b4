"""What belongs on the report of one day."""

from __future__ import annotations

from ingest.records.audit_paper import ProbeLine
from ingest.steps.audit.scope import Scope
from tests.audit_examples import card

OLD, DAY, LATER = "2026-03-30", "2026-04-01", "2026-04-02"
NEWEST, PAST = Scope(day=DAY, newest=True), Scope(day=DAY, newest=False)


def probe(**more: object) -> ProbeLine:
    return ProbeLine.model_validate({"id": "p1", "shot": None, "setup": None, "day": None, "complete": True, **more})


def test_the_report_of_a_day_gone_by_is_about_that_day() -> None:
    assert PAST.probe(probe(), DAY) and not PAST.probe(probe(review=True), OLD)
    assert PAST.setup(DAY, []) and not PAST.setup(OLD, [("due", LATER)]) and not PAST.setup(LATER, [("lost", LATER)])
    assert PAST.item(DAY) and PAST.item("") and not PAST.item(OLD)
    assert not PAST.card(card(day=OLD))
    assert PAST.card(card(day=OLD, at="A")), "a card short of the policy is told always"


def test_the_newest_report_also_tells_what_earlier_days_still_ask() -> None:
    assert NEWEST.probe(probe(review=True), OLD) and NEWEST.probe(probe(merged=False), OLD)
    assert not NEWEST.probe(probe(), OLD), "what is well is no news"
    assert NEWEST.setup(OLD, [("have", ""), ("due", "2026-04-03T10:00:00Z")])
    assert NEWEST.setup(OLD, [("lost", "2026-04-01T10:00:00Z")]) and not NEWEST.setup(OLD, [("lost", OLD)])
    assert NEWEST.item(OLD) and NEWEST.card(card(day=OLD))


def test_what_that_days_cards_hold_was_shot_days_before() -> None:
    late = Scope(day=DAY, newest=False, shot=frozenset({OLD}))
    assert late.probe(probe(), OLD) and late.setup(OLD, []) and late.item(OLD) and late.probe(probe(), DAY)
    assert not late.probe(probe(), LATER) and not late.setup(LATER, []) and not late.item(LATER)
