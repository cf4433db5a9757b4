"""A hundred invented shoot days: what is filed right, what is marked, what coverage finds, against the truth."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field, replace
from datetime import time
from zoneinfo import ZoneInfo

import pytest

from ingest.records.coverage import Status, Taken
from ingest.records.filing import Placement
from ingest.steps.coverage.due import Evidence, judge
from ingest.steps.coverage.rules import ITEMS, default_rules
from ingest.steps.filing.placement import Evidences, place
from ingest.steps.setups.log import read_log
from ingest.steps.setups.spans import day_over
from tests.steps.coverage.shoot_days import Day, shoot_day

ONLY_PROBE = default_rules({i: i == "probe" for i in ITEMS})


@dataclass
class Figures:
    filed: Counter[str] = field(default_factory=Counter)
    wrong: list[str] = field(default_factory=list)
    coverage: Counter[str] = field(default_factory=Counter)
    told: list[str] = field(default_factory=list)


def weigh(day: Day, figures: Figures) -> None:
    log = read_log(day.log, zone=day.zone)
    placed = place(day.items, Evidences(log=log, zone=day.zone, slates=day.slates))
    slipped = {p.setup for p in day.parts if p.slip}
    for item, p in zip(day.items, placed, strict=True):
        right = p.setup.casefold() == day.truth[item.id].casefold()
        word = "unfiled" if not p.setup else "right" if right else "wrong"
        figures.filed[f"{word}{', review' if p.review else ''}"] += 1
        if word == "wrong" and not p.review:
            slips = [(q.setup, q.slip) for q in day.parts if q.slip]
            figures.wrong.append(f"{day.seed} {item.id} {p.setup} for {day.truth[item.id]}: {slips}")
    _coverage(day, log, placed, figures, slipped)


def _coverage(day: Day, log: object, placed: tuple[Placement, ...], figures: Figures, slipped: set[str]) -> None:
    rows = log.rows  # type: ignore[attr-defined]
    items = {i.id: i for i in day.items}
    taken = [
        Taken(
            id=p.item,
            item="probe",
            day=p.day,
            unit=p.unit,
            setup=p.setup,
            start_s=items[p.item].moments[0],
            sigma_s=items[p.item].sigma_s,
            review=p.review,
        )
        for p in placed
        if p.item.startswith("p") and p.setup
    ]
    now = max(p.end.timestamp() for p in day.parts) + 86400
    over = {day.date: day_over(day.date, now - 90000, ZoneInfo(day.zone), time(6))}
    found = judge(Evidence(rows=rows, now_s=now, taken=taken, day_over_s=over), ONLY_PROBE)
    missing = Counter(c.setup for c in found for i in c.items if i.status in (Status.DUE, Status.LOST))
    truth = Counter(p.setup for p in day.parts if not p.probe)
    marked = {p.setup for p in placed if p.review} | {day.truth[p.item] for p in placed if p.review or not p.setup}
    asked = {q.written for q in log.questions}  # type: ignore[attr-defined]
    for setup in {p.setup for p in day.parts}:
        n, t = missing[setup], truth[setup]
        if n == t:
            figures.coverage["agrees"] += 1
            continue
        word = "missed" if n < t else "false alarm"
        told = setup in marked or (setup in slipped and bool(asked))
        figures.coverage[f"{word}, {'marked' if told else 'unmarked'}"] += 1
        if not told:
            figures.told.append(
                f"{day.seed} {setup}: {word} {n} {t} {[(q.setup, q.slip) for q in day.parts if q.slip]}"
            )


def test_days_with_a_clean_log_leave_nothing_wrong_unmarked() -> None:
    figures = Figures()
    for seed in range(12):
        weigh(shoot_day(seed, slips=0.0), figures)
    assert not figures.wrong, figures.wrong
    assert not figures.told, figures.told


@pytest.mark.parametrize("off_s", [3600, -3600, -5 * 3600])
def test_a_clock_hours_off_is_mostly_noticed(off_s: int) -> None:
    marked = 0
    for seed in range(20):
        day = shoot_day(3000 + seed, slips=0.0, vague_clocks=0.0, slated=0.0)
        off = [replace(i, moments=tuple(m + off_s for m in i.moments)) for i in day.items if i.kind == "probe"]
        placed = place(off, Evidences(log=read_log(day.log, zone=day.zone), zone=day.zone))
        marked += any("clock wrong" in r for p in placed for r in p.reasons)
    assert marked >= 8  # 11 to 18 of 20 when written


def test_a_right_clock_is_not_doubted() -> None:
    for seed in range(40):
        day = shoot_day(4000 + seed, vague_clocks=0.0)
        placed = place(day.items, Evidences(log=read_log(day.log, zone=day.zone), zone=day.zone))
        assert not [r for p in placed for r in p.reasons if "clock wrong" in r], seed


@pytest.mark.campaign
@pytest.mark.parametrize("slips", [0.0, 0.02, 0.04])
def test_a_hundred_days(slips: float) -> None:
    figures = Figures()
    for seed in range(100):
        weigh(shoot_day(1000 + seed, slips=slips), figures)
    total = sum(figures.filed.values())
    print(f"\nslips {slips:.0%}, {total} items:", {k: f"{v / total:.2%}" for k, v in sorted(figures.filed.items())})
    print("coverage:", dict(figures.coverage))
    print("\n".join(figures.wrong[:40]))
    print("\n".join(figures.told[:40]))
    # Seeds 101000 to 101499 (one rule saw them): none, 4 and 6 of 30953 filed wrong without a mark at 0, 2 and
    # 4 % slips, 94.2, 92.1 and 89.9 % right without a person.  Nothing in those days contradicts the slip: a row that
    # nobody wrote within the usual length of the one before it, a start that takes over what follows the probe of the
    # setup before, a probe in the first written minute with a take right after it.
    assert not figures.wrong
    assert not figures.told
