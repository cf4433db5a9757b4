"""What was due at each setup: have, due until when, waived by whom, or lost.

Findings come from here the moment a setup closes: while the set is still lit, one more is cheap.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from ingest.records.coverage import DueItem, SetupCoverage, Status, Taken, Waiver
from ingest.records.findings import Finding, Severity
from ingest.records.measurements import Measurement
from ingest.records.setups import SetupRow, Sheet
from ingest.steps.coverage.rules import Deadline, Rule, Scope
from ingest.steps.coverage.segments import Key, Segment, segments, setups_of, words

MINUTE_S = 60.0
# What lies on which cards: without one of each kind from after the setup nobody can say that it was not shot.
ON_CARDS = {"probe": ("stills",), "clean_plate": ("clips",), "dirty_plate": ("clips",), "chart": ("stills", "clips"),
            "balls": ("stills", "clips")}  # fmt: skip
NOT_NEEDED = ("n a", "na", "not needed", "no need", "not required")
GIVEN_UP = ("no time", "given up", "refused", "lost", "missed", "skipped", "not possible")
TICKS = ("x", "y", "yes", "ok", "1", "true", "done", "shot", "taken", "✓", "✔", "☑")


@dataclass(frozen=True, kw_only=True, slots=True)
class Evidence:
    """All that coverage weighs.  ``now_s`` true time; ``day_over_s`` when each shoot day is over (by day);
    ``grace_s`` how long after a setup's end its light is taken to stand; ``sheets`` by a row's ``place``.  With
    ``newest_s`` nothing that would lie on a card is lost before a card with later pictures came or the day is over."""

    rows: Sequence[SetupRow]
    now_s: float
    taken: Sequence[Taken] = ()
    sheets: Mapping[tuple[str, int], Sheet] = field(default_factory=dict)
    measurements: Sequence[Measurement] = ()
    waivers: Sequence[Waiver] = ()
    day_over_s: Mapping[str, float] = field(default_factory=dict)
    grace_s: float = 1800.0
    newest_s: Mapping[tuple[str, str], float] | None = None  # (day, stills or clips) -> newest on any card here


def judge(known: Evidence, rules: Sequence[Rule]) -> tuple[SetupCoverage, ...]:
    """Every setup of the log with its due items, in order of time."""
    desk = _Desk(known)
    found = []
    for key, rows in desk.setups.items():
        items = tuple(item for rule in rules if rule.on for item in desk.items(key, rows, rule))
        shots = dict.fromkeys(s for r in rows for s in r.shots)
        until = _end(rows)
        assert rows[0].start_s is not None
        found.append(SetupCoverage(
            day=key[0], unit=key[1], setup=key[2], shot=", ".join(shots), camera=_joined(r.camera for r in rows),
            lens=_joined(r.lens for r in rows), start_s=rows[0].start_s, end_s=rows[-1].end_s, until_s=until,
            closed=until <= known.now_s, items=items,
        ))
    return tuple(found)


def _joined(texts: Iterable[str]) -> str:
    return ", ".join(dict.fromkeys(t for t in texts if t))


def _end(rows: Sequence[SetupRow]) -> float:
    return max(r.until_s for r in rows if r.until_s is not None)


class _Desk:
    """The evidence sorted once, then asked per setup and rule."""

    def __init__(self, known: Evidence) -> None:
        self.known = known
        self.setups = setups_of(known.rows)
        self.parts = {key: segments(rows, known.sheets) for key, rows in self.setups.items()}
        self.of_day: dict[tuple[str, str], list[Key]] = defaultdict(list)
        for key in self.setups:
            self.of_day[key[:2]].append(key)
        self.taken: dict[Key, list[Taken]] = defaultdict(list)
        self.proposed: dict[Key, list[Taken]] = defaultdict(list)  # seen in a picture, believed by nobody yet
        for t in sorted(known.taken, key=lambda t: (t.start_s or 0.0, t.id)):
            (self.proposed if t.proposed else self.taken)[t.key].append(t)

    def items(self, key: Key, rows: Sequence[SetupRow], rule: Rule) -> Iterable[DueItem]:
        if rule.needs and not _tagged(rows, rule.needs):
            return
        if rule.item == "camera_sheet":
            lines = [f"{r.file} line {r.line}" for r in rows if _is_whole(self.known.sheets.get(r.place))]
            yield self._one(key, rows, rule, lines, "")
        elif rule.scope is Scope.SETUP:
            yield self._one(key, rows, rule, self._evidence(key, rule), "")
        elif rule.scope is Scope.DAY:
            if key == self.of_day[key[:2]][0]:  # said once, with the day's first setup
                keys = sorted(k for k in {*self.taken, key} if k[:2] == key[:2])
                yield self._one(key, rows, rule, [e for k in keys for e in self._evidence(k, rule)], "")
        else:
            for part in self.parts[key]:
                yield self._one(key, part.rows, rule, self._of_part(part, rule), part.because)

    def _evidence(self, key: Key, rule: Rule) -> list[str]:
        found = [t.id for t in self.taken.get(key, ()) if t.item == rule.item]
        if rule.item == "measured":
            found += [f"{m.file} line {m.line}" for m in self.known.measurements if _measures(m, key)]
        return found

    def _of_part(self, part: Segment, rule: Rule) -> list[str]:
        """What serves a part of a setup: taken in it, or nearer to it than to the setup's other parts; under
        ``LIGHTING`` also what was taken under the same named light that day."""
        own = self._nearest(part, rule)
        if rule.scope is not Scope.LIGHTING or not part.lighting:
            return own
        light = words(part.lighting)
        shared = [e for key in self.of_day[part.key[:2]] for p in self.parts[key]
                  if words(p.lighting) == light for e in self._nearest(p, rule)]
        return list(dict.fromkeys([*own, *shared]))

    def _nearest(self, part: Segment, rule: Rule) -> list[str]:
        parts = self.parts[part.key]
        homes = at_home([t for t in self.taken[part.key] if t.item == rule.item], parts)
        return homes[parts.index(part)]

    def _one(self, key: Key, rows: Sequence[SetupRow], rule: Rule, evidence: list[str], because: str) -> DueItem:
        def item(
            status: Status, until: float | None = None, said: str = "", proof: Sequence[str] = (),
            seen: tuple[str, ...] = (),
        ) -> DueItem:
            return DueItem(item=rule.item, status=status, why=rule.why, because=because, due_until_s=until,
                           evidence=tuple(proof), proposed=seen, words=said)

        if evidence:
            return item(Status.HAVE, proof=evidence)
        waiver = self._waiver(key, rule.item)
        if waiver:
            return item(Status.WAIVED, said=": ".join(p for p in (waiver.by and f"by {waiver.by}", waiver.why) if p))
        note = ""
        for row in rows:
            said = row.cells.get(rule.item, "").strip()
            plain = words(said)
            if plain in NOT_NEEDED or any(plain.startswith(g) for g in GIVEN_UP):
                return item(Status.WAIVED, said=f"the log, line {row.line}: {said}")
            if ticked(row, rule.item):
                if rule.tick:
                    return item(Status.HAVE, proof=[f"{row.file} line {row.line}"])
                note = f"line {row.line} of the log ticks it, but none is filed here"
        seen = tuple(t.id for t in self.proposed[key] if t.item == rule.item)
        until = self._until(key, rows, rule)
        wait = self._awaited(key, rows, rule)
        if wait is not None:
            until, note = wait, "; ".join(p for p in (note, "no card of that time has come yet") if p)
        over = until is not None and until <= self.known.now_s
        if seen:
            # It may be there, and only a person can say so: confirming has no deadline, shooting again keeps its own.
            return item(Status.DUE, until=None if over else until, said=note, seen=seen)
        return item(Status.LOST if over else Status.DUE, until=until, said=note)

    def _until(self, key: Key, rows: Sequence[SetupRow], rule: Rule) -> float | None:
        if rule.deadline is Deadline.SETUP:
            return _end(rows) + self.known.grace_s
        if rule.deadline is Deadline.WRAP:
            return max(_end(rows), self.known.day_over_s.get(key[0], 0.0))
        return None

    def _awaited(self, key: Key, rows: Sequence[SetupRow], rule: Rule) -> float | None:
        """Until when an item may still lie on a card that has not come; None where such a card came, or could not
        tell."""
        over = self.known.day_over_s.get(key[0])
        kinds = ON_CARDS.get(rule.item, ())
        if self.known.newest_s is None or over is None or not kinds or self.known.now_s >= over:
            return None
        newest = [self.known.newest_s.get((key[0], kind), 0.0) for kind in kinds]
        return over if min(newest) < _end(rows) else None

    def _waiver(self, key: Key, item: str) -> Waiver | None:
        for w in self.known.waivers:
            same_unit = w.unit.casefold() in ("", key[1].casefold())
            if (w.day, w.item) == (key[0], item) and same_unit and w.setup.casefold() in ("", key[2].casefold()):
                return w
        return None


def at_home(taken: Sequence[Taken], parts: Sequence[Segment]) -> list[list[str]]:
    """The ids that serve each part: the part a thing was taken in, else the nearest.

    Where the log's whole minutes and the clock's uncertainty allow two parts, a part that has none yet
    comes first: the count is sure, only the second is not.
    """
    homes: list[list[str]] = [[] for _ in parts]
    open_ones: list[tuple[Taken, list[int]]] = []
    for t in taken:
        away = [0.0 if t.start_s is None else p.away_s(t.start_s) for p in parts]
        near = [n for n, s in enumerate(away) if s <= MINUTE_S + 2 * t.sigma_s]
        if t.start_s is None or not near:
            homes[away.index(min(away))].append(t.id)
        elif len(near) == 1:
            homes[near[0]].append(t.id)
        else:
            open_ones.append((t, sorted(near, key=lambda n: away[n])))
    for t, near in open_ones:
        homes[next((n for n in near if not homes[n]), near[0])].append(t.id)
    return homes


def _is_whole(sheet: Sheet | None) -> bool:
    return sheet is not None and sheet.camera_height_m is not None and sheet.tilt_deg is not None


def ticked(row: SetupRow, item: str) -> bool:
    """Whether a row's own column says that an item was shot."""
    said = row.cells.get(item, "").strip()
    return words(said) in TICKS or said in TICKS


def homeless(measurements: Iterable[Measurement], rows: Sequence[SetupRow]) -> list[Finding]:
    """Measurements of setups that no row of their day names: they would reach nobody."""
    days = {r.day for r in rows}
    lost: dict[tuple[str, str, str], list[Measurement]] = defaultdict(list)
    for m in measurements:
        known = not m.day or m.day in days  # a day without any row yet: its log is still to come
        if m.setup and known and not any(_measures(m, r.key) for r in rows):
            lost[m.day, m.unit, m.setup].append(m)
    return [
        Finding(
            kind="measured_nowhere", item=f"{group[0].file} line {group[0].line}", severity=Severity.PERSON,
            what=f"no row of the log is called {setup}{f' on {day}' if day else ''}; "
                 f"{len(group)} measurement{' names' if len(group) == 1 else 's name'} it",
            next="Mend the setup's name in the measurements or in the log.",
            more={"day": day, "unit": unit, "setup": setup, "lines": [m.line for m in group]},
        )
        for (day, unit, setup), group in lost.items()
    ]


def _measures(m: Measurement, key: Key) -> bool:
    """Whether a measurement belongs to a setup: it names it, or names none and is of that day's set."""
    same_unit = m.unit.casefold() in ("", key[1].casefold())
    if m.setup:
        return m.day in ("", key[0]) and m.setup.casefold() == key[2].casefold() and same_unit
    return m.day == key[0] and same_unit


def _tagged(rows: Sequence[SetupRow], needs: Sequence[str]) -> bool:
    tags = {words(t) for r in rows for t in r.cells.get("tags", "").replace(";", ",").split(",")}
    return any(words(n) in tags for n in needs)
