"""What each setup has and lacks, now: the log, the measurements and what was filed, weighed together."""

from __future__ import annotations

import json
import math
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import time, timedelta
from zoneinfo import ZoneInfo

from ingest.machinery.clock import Clock
from ingest.machinery.disk.files import read_plain
from ingest.records.coverage import Captured, CardSeen, SetupCoverage, Taken, Waiver
from ingest.records.filing import Placement
from ingest.records.findings import Finding
from ingest.records.roles import LENS_GRID, SERVES
from ingest.records.setups import Question, SetupLog
from ingest.records.views import View
from ingest.services import Services
from ingest.settings.model import Show
from ingest.steps.coverage import sun
from ingest.steps.coverage.due import Evidence, homeless, judge
from ingest.steps.coverage.probe_checks import age_findings, height_findings, in_sun
from ingest.steps.coverage.reconcile import (
    expected_cards,
    headers_and_log,
    lens_ledger,
    numbering_gaps,
    probes_without_row,
    takes_and_clips,
    takes_of,
)
from ingest.steps.coverage.rules import Rule, default_rules, parse_rules
from ingest.steps.coverage.words import findings as due_findings
from ingest.steps.setups.expected import read_expected
from ingest.steps.setups.measurements import read_measurements, suspicious
from ingest.steps.setups.questions import findings as question_findings
from ingest.steps.setups.sheet import believable, read_sheet, unusual
from ingest.steps.setups.spans import day_over
from ingest.steps.stills.frames import body_key


@dataclass(frozen=True, kw_only=True, slots=True)
class Coverage:
    """Every setup with its due items, the questions that the files leave open, what a person should know, and
    the items that the settings ask for (only these become findings)."""

    setups: tuple[SetupCoverage, ...]
    questions: tuple[Question, ...]
    findings: tuple[Finding, ...]
    asked: frozenset[str]


def cover(
    services: Services, log: SetupLog, views: Sequence[View], placements: Mapping[str, Placement],
    captured: Sequence[Captured], stills: Sequence[Taken] = (),
    stills_on_cards: Callable[[], Iterable[tuple[str, str]]] = tuple,
) -> Coverage:
    """Judge coverage.  Findings come only for items that the settings' [due] asks for; ``setups`` shows all.
    ``stills_on_cards`` answers (digest, card id) where cards are expected."""
    settings = services.settings
    show, due = settings.show, settings.due
    units = show.units
    measurements, asked = read_measurements(
        _bytes(services, show.measurements), units=units, date_order=show.date_order, file=show.measurements
    )
    expected, asked_cards = read_expected(
        _bytes(services, show.expected_cards), date_order=show.date_order, file=show.expected_cards
    )
    sheets = {row.place: read_sheet(row, log, units=units) for row in log.rows}
    taken = [*_probes(views, placements), *_clips(captured), *stills]
    now_s = _now(services.clock)
    rolls = time.fromisoformat(show.day_starts)
    over = {
        r.day: day_over(r.day, r.start_s, ZoneInfo(show.zone_of(r.day)), rolls) for r in log.rows
        if r.start_s is not None
    }
    waivers = [
        Waiver(day=w.get("day", ""), item=w.get("item", ""), unit=w.get("unit", ""), setup=w.get("setup", ""),
               by=services.settings.security.alias(w.get("by", "")), why=w.get("why", ""))
        for w in services.work.decisions("waive").values()
    ]
    rules = rules_of(services)
    setups = judge(
        Evidence(rows=log.rows, now_s=now_s, taken=taken, sheets=sheets, measurements=measurements, waivers=waivers,
                 day_over_s=over, newest_s=_newest(services, log, captured)),
        rules,
    )
    switches = due.switches
    wanted = {r.item for r in rules if switches.get(r.item, r.on)}
    due_now = [f for f in due_findings(setups) if f.kind.rsplit("_", 1)[0] in wanted]
    lenses, without_grid = lens_ledger(log.rows, captured, taken)
    services.work.put("lenses", json.dumps([asdict(e) for e in lenses]))
    if any(r.item == "lens_grid" and r.on for r in rules):
        due_now += without_grid
    services.work.put("compared", json.dumps(_compared(log, captured)))
    questions = (*asked, *asked_cards, *(q for s in sheets.values() for q in s.questions))
    came = expected_cards(expected, _cards(services, captured, stills_on_cards())) if expected else []
    found = [
        *due_now, *question_findings(questions), *suspicious(measurements),
        *homeless(measurements, log.rows),
        *(f for row in log.rows for f in unusual(row, sheets[row.place])),
        *height_findings(log.rows, {r.place: believable(r, sheets[r.place])[0] for r in log.rows}, measurements),
        *age_findings(log.rows, sheets, taken, now_s=now_s, oldest_s=due.probe_age_min * 60, daylight=_daylight(show)),
        *takes_and_clips(log.rows, captured),
        *probes_without_row(log.rows, [placements[v.id] for v in views]), *headers_and_log(log.rows, sheets, captured),
        *numbering_gaps(captured), *came, *_sun(services, log, views, placements),
    ]
    return Coverage(setups=setups, questions=questions, findings=tuple(found), asked=frozenset(wanted))


def rules_of(services: Services) -> tuple[Rule, ...]:
    """The trade's rules as the settings change them; SettingsError names every mistake."""
    return parse_rules(services.settings.due.rules, default_rules())


def _compared(log: SetupLog, captured: Sequence[Captured]) -> dict[str, int]:
    """How many rows, takes and clips were held against each other: what an audit may count as checked."""
    takes = sum(len(takes_of(r.take)) for r in log.rows)
    return {"rows": len(log.rows), "takes": takes, "clips": sum(c.kind == "clip" for c in captured)}


def _newest(services: Services, log: SetupLog, captured: Sequence[Captured]) -> dict[tuple[str, str], float]:
    """(day, stills or clips) -> the newest picture on any card, near the day's rows."""
    spans = {r.day: (r.start_s, r.until_s) for r in reversed(log.rows) if r.start_s and r.until_s}
    days = {d: (min(r.start_s for r in log.rows if r.day == d and r.start_s) - 3600, start + 86400)
            for d, (start, _) in spans.items()}
    zone = ZoneInfo(services.settings.show.timezone)
    clocks = {c["body"]: float(c.get("offset_s") or 0) for c in json.loads(services.work.recall("bodies") or "[]")}
    stills = [
        at.replace(tzinfo=zone).timestamp() + clocks.get(body_key(header), 0.0) for header, at in services.work.taken()
    ]
    clips = [c.start_s for c in captured if c.kind == "clip" and c.start_s is not None]
    out = {}
    for kind, times in (("stills", stills), ("clips", clips)):
        for day, (low, high) in days.items():
            near = [t for t in times if low <= t < high]
            if near:
                out[day, kind] = max(near)
    return out


def _daylight(show: Show) -> Callable[[float], bool] | None:
    """Whether the sun is up at a true time, where the settings say where the unit is."""
    latitude, longitude = show.latitude_deg, show.longitude_deg
    if latitude is None or longitude is None:
        return None
    return lambda moment_s: sun.is_daylight(moment_s, latitude, longitude)


def _sun(
    services: Services, log: SetupLog, views: Sequence[View], placements: Mapping[str, Placement]
) -> list[Finding]:
    """The strongest source of each lat-long in sunlight against the sun, where the settings say where the unit is.

    Only heights are compared: a probe's heading is not in its header.  A setup whose log does not say that the
    sun shone is not judged: its strongest source may be a lamp, or a bright cloud.
    """
    show = services.settings.show
    if show.latitude_deg is None or show.longitude_deg is None:
        return []
    outdoors = {r.key for r in log.rows if in_sun(r)}
    versions = {p.id: p.version for p in services.work.probes()}
    found = []
    for view in views:
        times, kept = view.taken_s, services.work.recall(f"light|{view.id}/{versions.get(view.id)}")
        if times is None or kept is None or placements[view.id].key not in outdoors:
            continue
        lights = json.loads(kept).get("lights") or ()
        if not lights:
            continue
        height = math.degrees(math.asin(max(-1.0, min(1.0, float(lights[0]["direction"][1])))))
        seen = sun.check(times[0], show.latitude_deg, show.longitude_deg, elevation_deg=height)
        finding = sun.finding(view.id, seen, elevation_deg=height)
        if finding is not None:
            found.append(finding)
    return found


def _bytes(services: Services, name: str) -> bytes:
    try:
        return read_plain(services.settings.beside(name))
    except OSError:
        return b""  # a file that is not kept asks nothing


def _now(clock: Clock) -> float:
    return clock.now().timestamp()


def _probes(views: Sequence[View], placements: Mapping[str, Placement]) -> list[Taken]:
    out = []
    for view in views:
        placement, times = placements[view.id], view.taken_s
        if placement.setup:
            out.append(Taken(
                id=view.id, item="probe", day=placement.day, unit=placement.unit, setup=placement.setup,
                start_s=times[0] if times else None, end_s=times[1] if times else None, sigma_s=view.sigma_s,
                review=placement.review or view.review, body=view.body,
            ))
    return out


def _clips(captured: Sequence[Captured]) -> list[Taken]:
    proposals = [
        Taken(id=c.id, item=c.proposed, day=c.day, unit=c.unit, setup=c.setup, start_s=c.start_s, proposed=True)
        for c in captured if c.kind == "clip" and c.setup and c.proposed and not (c.role or c.trashed)
    ]
    return proposals + [
        Taken(
            id=c.id, item=SERVES.get(c.role, c.role) or "clip", day=c.day, unit=c.unit, setup=c.setup,
            start_s=c.start_s,
            end_s=c.start_s + c.duration_s if c.start_s is not None and c.duration_s is not None else c.start_s,
            body=c.body, lens_serial=c.lens_serial,
        )
        for c in captured if c.kind == "clip" and (c.setup or c.role == LENS_GRID) and (c.role or not c.trashed)
    ]


def _cards(
    services: Services, captured: Iterable[Captured], stills_on_cards: Iterable[tuple[str, str]]
) -> list[CardSeen]:
    """The cards that came, each for the day it came and for those its pictures are of: a card that was forgotten in a
    pocket is of the day it was shot on.  A still's day is that of its body's own clock."""
    days: dict[str, set[str]] = defaultdict(set)
    bodies: dict[str, set[str]] = defaultdict(set)
    rolls = time.fromisoformat(services.settings.show.day_starts)
    before = timedelta(hours=rolls.hour, minutes=rolls.minute)
    for clip in captured:
        days[clip.card].add(clip.day)
        bodies[clip.card].add(clip.body)
    headers = services.work.headers()
    for digest, card in stills_on_cards:
        if (header := headers.get(digest)) is not None:
            bodies[card].add(body_key(header))
            if header.taken is not None:
                days[card].add((header.taken - before).date().isoformat())
    return [
        CardSeen(id=c.id, day=c.day, label=c.label, roll=c.roll, kinds=services.cards.kinds(c.id),
                 bodies=tuple(sorted(bodies[c.id] - {""})), days=tuple(sorted(days[c.id] - {""})))
        for c in services.cards.cards()
    ]
