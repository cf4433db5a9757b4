"""Which setup an item belongs to, on which evidence, and when a person must look.

Evidence, strongest first: by hand, a slate, the setup log.  Rules:

1. A slate speaks for its body until the next slate on it, the next log row that names another setup,
   the day's roll-over, or half an hour without a frame.  Beyond that it only gives a reason for review.
2. In the log, each frame falls into the row that covers its time; a set goes where most frames are.
3. Uncertainty is carried, not hidden: what the clock's uncertainty or the log's whole minutes could move
   into another setup, or into a gap, is filed where it most likely belongs and marked for review.
4. Time between two rows belongs to neither: unfiled, with the nearest setup and the distance.
5. What only the whole day shows (a setup without a probe beside one with two, a row nobody wrote, a start that a slip
   of the pen would move, a clock hours off) moves nothing, but a person looks.
Rows may overlap (units, cameras); unit and camera decide where they are known, else a person does.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import time
from zoneinfo import ZoneInfo

from ingest.records.filing import Decision, Evidence, Item, Placement, SlateReading
from ingest.records.setups import SetupLog, SetupRow
from ingest.steps.filing.changes import Changes
from ingest.steps.filing.clock_sense import doubted
from ingest.steps.filing.days import NEAR_S, clock, shoot_day
from ingest.steps.filing.forgotten import forgotten_rows
from ingest.steps.filing.neighbours import barren_neighbours
from ingest.steps.filing.reach import Slates
from ingest.steps.filing.rows import Limits, RowIndex, cover_whole, covers, distance_s, letters, row_name, same
from ingest.steps.filing.slips import mistyped_starts

Key = tuple[str, str, str]


@dataclass(frozen=True, kw_only=True, slots=True)
class Evidences:
    """All that is known beside the items: the log, slates, hand decisions by item id, and all frame times
    of each body (true seconds, for the slates' reach; the items' own are added)."""

    log: SetupLog
    zone: str
    day_starts: str = "06:00"
    zones: Mapping[str, str] | None = None
    slates: Sequence[SlateReading] = ()
    decisions: Mapping[str, Decision] | None = None
    frames: Mapping[str, Sequence[float]] | None = None
    limits: Limits = field(default_factory=Limits)


def place(items: Sequence[Item], known: Evidences) -> tuple[Placement, ...]:
    """One placement per item, in the items' order.  Order of input changes nothing."""
    desk = _Desk(items, known)
    placed = [desk.place(item) for item in items]
    placed = barren_neighbours(items, placed, known.log, known.limits)
    placed = forgotten_rows(items, placed, known.log, desk.slates, known.limits)
    placed = mistyped_starts(items, placed, known.log, desk.slates, desk.changes, known.limits)
    placed = desk.slates.contradictions(items, placed, lambda at, day: clock(at, desk.zone(day)))
    return tuple(doubted(items, placed, known.log))


class _Desk:
    """The evidence sorted once, then asked per item."""

    def __init__(self, items: Sequence[Item], known: Evidences) -> None:
        self.known = known
        self.limits = known.limits
        self.rolls = time.fromisoformat(known.day_starts)
        self.index = RowIndex(known.log.rows)
        self.slates = Slates(known.slates, items, known.frames or {}, self.index, known.limits, self.day_of)
        self.changes = Changes(((item, self._key_of(item)) for item in items), known.limits)

    def zone(self, day: str) -> ZoneInfo:
        return ZoneInfo((self.known.zones or {}).get(day, self.known.zone))

    def day_of(self, moment_s: float) -> tuple[str, float]:
        day, near = shoot_day(moment_s, self.zone(""), self.rolls)
        return shoot_day(moment_s, self.zone(day), self.rolls) if self.known.zones else (day, near)

    def place(self, item: Item) -> Placement:
        by_log = self._by_log(item)
        decision = (self.known.decisions or {}).get(item.id)
        if decision:
            return self._by_hand(item, decision, by_log)
        slate, ended = self.slates.speaking_for(item)
        if slate is None:
            return by_log
        if ended is None:
            return self._by_slate(item, slate, by_log)
        if same(by_log.setup, slate.setup):
            return by_log
        if isinstance(ended, SetupRow):
            ended = f"the log begins {ended.setup} at {clock(ended.start_s or 0.0, self.zone(ended.day))}"
        said = f"the last slate before it says {slate.setup}, but {ended}"
        then = {r.key for r in self.index.touching(slate.at_s, slate.at_s)}
        if by_log.key and by_log.key not in then and any(
            r.key == by_log.key for r in self.index.begun(slate.at_s, min(item.moments))
        ):
            return replace(by_log, notes=(*by_log.notes, said))  # the log has moved on since, to this very setup
        return replace(by_log, review=True, reasons=(*by_log.reasons, said))

    # by hand

    def _by_hand(self, item: Item, decision: Decision, by_log: Placement) -> Placement:
        day = decision.day or self._day_named(decision.setup, decision.unit, by_log.day)
        row = self._row_of((day, decision.unit, decision.setup))
        shots = (decision.shot,) if decision.shot else (row.shots if row else ())
        who = f" by {decision.by}" if decision.by else ""
        return Placement(
            item=item.id, day=day, unit=decision.unit or (row.unit if row else ""), shot=shots[0] if shots else "",
            shots=shots, setup=row.setup if row else decision.setup, evidence=Evidence.HAND,
            line=row.line if row else 0, why=(f"filed by hand{who}",),
        )

    def _day_named(self, setup: str, unit: str, otherwise: str) -> str:
        """The day of a setup named without one: the item's own if the log has it there, else the only one."""
        days = {r.day for r in self.index.named(setup, unit)}
        return days.pop() if len(days) == 1 else otherwise

    def _row_of(self, key: Key) -> SetupRow | None:
        day, unit, setup = key
        rows = self.index.named(setup, unit, day)
        return rows[0] if rows else None

    # by slate

    def _by_slate(self, item: Item, slate: SlateReading, by_log: Placement) -> Placement:
        day = slate.day or by_log.day
        agrees = same(by_log.setup, slate.setup)
        row = self._row_of((day, slate.unit, slate.setup))
        shots = (slate.shot,) if slate.shot else by_log.shots if agrees else row.shots if row else ()
        reasons: tuple[str, ...] = ()
        if by_log.setup and not agrees:
            reasons = (f"the slate says {slate.setup}, the log says {by_log.setup} (line {by_log.line})",)
        notes = () if row else (f"the log has no row for {slate.setup} on {day}",)
        return Placement(
            item=item.id, day=day, unit=slate.unit or (row.unit if row else by_log.unit if agrees else ""),
            shot=shots[0] if shots else "", shots=shots, setup=row.setup if row else slate.setup,
            evidence=Evidence.SLATE, review=bool(reasons), reasons=reasons, notes=(*notes, *by_log.notes),
            why=(f"slate {slate.setup}" + (f" in {slate.source}" if slate.source else ""),),
            line=row.line if row else 0,
        )

    # the log

    def _by_log(self, item: Item) -> Placement:
        if not item.moments:
            return Placement(item=item.id, review=True, reasons=("no frame of it tells its time",))
        near, votes = self._votes(item)
        key = _winner(votes)
        middle = sorted(item.moments)[len(item.moments) // 2]
        if key is None:
            row = self._within_its_minute(item)
            return self._in_its_minute(item, row) if row else self._unfiled(item, middle, votes)
        own = [t for t in item.moments if (row := _row_at(item, t, near)) and row.key == key]
        rows = [r for r in near if r.key == key and any(covers(r, t) for t in own)]
        shots = tuple(dict.fromkeys(s for r in rows for s in r.shots))
        reasons = [*self._straddles(votes, key), *self._touches(item, key), *_crowded(item, own, near)]
        for row in rows:
            reasons += [f"line {row.line} of the log: {doubt}" for doubt in row.doubts]
        reasons += self._overlong(rows, own)
        zone = self.zone(key[0])
        why = f"{clock(own[0], zone)} lies in {key[2]}, line {rows[0].line} of the log"
        return Placement(
            item=item.id, day=key[0], unit=key[1], shot=shots[0] if shots else "", shots=shots, setup=key[2],
            evidence=Evidence.LOG, review=bool(reasons), reasons=tuple(dict.fromkeys(reasons)), why=(why,),
            line=rows[0].line,
        )

    def _votes(self, item: Item) -> tuple[list[SetupRow], Counter[Key | None]]:
        """The rows that touch an item, and for how many of its frames each setup speaks."""
        near = self.index.touching(min(item.moments), max(item.moments))
        return near, Counter(row.key if (row := _row_at(item, t, near)) else None for t in sorted(item.moments))

    def _key_of(self, item: Item) -> Key | None:
        return _winner(self._votes(item)[1]) if item.moments else None

    def _within_its_minute(self, item: Item) -> SetupRow | None:
        """The one setup whose first or last written minute still holds the whole item, if it is one."""
        low, high = min(item.moments), max(item.moments)
        held = {}
        for row in self.index.touching(low - 360, high + 360):
            assert row.start_s is not None and row.until_s is not None
            early, late = self._slack(row)
            if row.start_s - early <= low and high < row.until_s + late and not row.doubts:
                held[row.key] = row
        return next(iter(held.values())) if len(held) == 1 else None

    def _in_its_minute(self, item: Item, row: SetupRow) -> Placement:
        zone = self.zone(row.day)
        edges = f"{clock(row.start_s or 0.0, zone)} to {clock(row.until_s or 0.0, zone)}"
        return Placement(
            item=item.id, day=row.day, unit=row.unit, shot=row.shots[0] if row.shots else "", shots=row.shots,
            setup=row.setup, evidence=Evidence.LOG, review=True, line=row.line,
            reasons=(f"it lies within a minute outside {row.setup}, {edges} by the log",),
            why=(f"the minute of {row.setup}, line {row.line} of the log",),
        )

    def _straddles(self, votes: Counter[Key | None], key: Key) -> list[str]:
        if len(votes) == 1:
            return []
        parts = [f"{n} in {k[2] if k else 'no setup'}" for k, n in votes.items()]
        return [f"its frames lie on both sides of a change: {', '.join(parts)}; filed as {key[2]}"]

    def _touches(self, item: Item, key: Key) -> list[str]:
        """Reasons from what the uncertainty of clock and log could reach beside ``key``."""
        reach = self.limits.sigmas * item.sigma_s
        low, high = min(item.moments) - reach, max(item.moments) + reach
        zone = self.zone(key[0])
        clock_words = f"the clock is known to ±{reach:.0f} s"
        reasons = []
        for row in self._others(item, key, low, high):
            assert row.start_s is not None and row.until_s is not None
            early, late = self._slack(row)
            if low < row.until_s + late and high >= row.start_s - early:
                edge = f"begins {clock(row.start_s, zone)}" if row.start_s > low else f"ends {clock(row.until_s, zone)}"
                surely = low < row.until_s and high >= row.start_s
                if not surely and not self._may_have_changed(item, key, row):
                    continue
                words = clock_words if surely else "the log is written to the minute"
                reasons.append(f"it may belong to {row.setup}, which {edge}: {words}")
        if not reasons and (begun := self._just_begun(min(item.moments), key)):
            reasons.append(f"it may lie before {key[2]}, which begins {clock(begun.start_s or 0.0, zone)} by the log, "
                           "written to the minute")
        if reach and not reasons:
            own = [r for r in self.index.touching(low, high) if r.key == key]
            if not cover_whole(own, low, high):
                reasons.append(f"it may lie outside {key[2]}: {clock_words}")
        return reasons

    def _may_have_changed(self, item: Item, key: Key, row: SetupRow) -> bool:
        """Whether a change of setup fits between an item and the written edge of a row beside it."""
        assert row.start_s is not None and row.until_s is not None
        early, late = self._slack(row)
        reach = self.limits.sigmas * item.sigma_s
        if row.start_s > min(item.moments):  # it would have begun before the item
            return self.changes.fit(key[:2], row.start_s - early - reach, min(item.moments))
        return self.changes.fit(key[:2], max(item.moments), row.until_s + late + reach)

    def _just_begun(self, first_s: float, key: Key) -> SetupRow | None:
        """The row in whose first written minute a moment lies, after a time that no row covers."""
        row = next((r for r in self.index.touching(first_s, first_s) if r.key == key), None)
        if row is None or row.start_s is None or row.coarse_s < 60:
            return None
        if first_s >= row.start_s + self.limits.minute_after_s:
            return None
        return None if self.index.touching(row.start_s - 1, row.start_s - 1) else row

    def _others(self, item: Item, key: Key, low: float, high: float) -> list[SetupRow]:
        """Rows of other setups that could claim the item: unit and camera known to differ cannot."""
        slack = self.limits.minute_after_s + 300
        rows = [r for r in self.index.touching(low - slack, high + slack) if r.key != key]
        if item.unit:
            rows = [r for r in rows if same(r.unit, item.unit)]
        if item.camera:
            rows = [r for r in rows if not r.camera or item.camera.casefold() in letters(r.camera)]
        return [r for r in rows if not any(covers(r, t) for t in item.moments)]

    def _slack(self, row: SetupRow) -> tuple[float, float]:
        """How much earlier a row may have begun and later it may have ended than written (s)."""
        if row.coarse_s < 60:
            return 0.0, 0.0
        more = max(0, row.coarse_s - 60)
        return self.limits.minute_before_s + more, self.limits.minute_after_s + more

    def _overlong(self, rows: Sequence[SetupRow], own: Sequence[float]) -> list[str]:
        reasons = []
        for row in rows:
            late = max(own) - (row.start_s or 0.0)
            if row.open_ended and row.end_s is None and late > self.limits.open_reach_s:
                after = f"this is {late / 3600:.1f} h after its start"
                reasons.append(f"{row.setup} is the last row of its day and has no end; {after}")
        return reasons

    def _unfiled(self, item: Item, middle: float, votes: Counter[Key | None]) -> Placement:
        day, near = self.day_of(middle)
        rows = [(distance_s(r, middle), r) for r in self.index.around(middle, middle)]
        rows = [(d, r) for d, r in rows if r.day == day or d < 12 * 3600]
        distance, nearest = min(rows, key=lambda p: (p[0], p[1].line), default=(None, None))
        reach = self.limits.sigmas * item.sigma_s
        reasons = []
        if len(votes) > 1:
            some = ", ".join(sorted(k[2] for k in votes if k))
            reasons.append(f"some of its frames lie in {some}, most in no setup")
        low, high = min(item.moments) - reach, max(item.moments) + reach
        for row in self.index.touching(low - 360, high + 360):
            assert row.start_s is not None and row.until_s is not None
            early, late = self._slack(row)
            if low < row.until_s + late and high >= row.start_s - early and row.key not in votes:
                known = f"the clock is known to ±{reach:.0f} s, the log to the minute"
                reasons.append(f"it may belong to {row.setup}: {known}")
        what = f"no row of the log covers {clock(middle, self.zone(day))}"
        notes = ("within an hour of the day's roll-over: check its day",) if near < NEAR_S else ()
        return Placement(
            item=item.id, day=day, unit=item.unit, review=bool(reasons), reasons=tuple(dict.fromkeys(reasons)),
            why=(what,), notes=notes, nearest=nearest.setup if nearest else "",
            minutes_away=None if distance is None else round(distance / 60, 1),
        )


def _winner(votes: Counter[Key | None]) -> Key | None:
    most = max(votes.values())
    return next((k for k in votes if k is not None and votes[k] == most), None)


def _candidates(item: Item, moment_s: float, near: Sequence[SetupRow]) -> list[SetupRow]:
    """Rows that cover a moment, narrowed by unit and camera where item and rows tell them."""
    rows = [r for r in near if covers(r, moment_s)]
    if item.unit:
        rows = [r for r in rows if same(r.unit, item.unit)] or rows
    if item.camera:
        letter = item.camera.casefold()
        rows = [r for r in rows if letter in letters(r.camera)] or [r for r in rows if not r.camera] or rows
    return rows


def _row_at(item: Item, moment_s: float, near: Sequence[SetupRow]) -> SetupRow | None:
    """The row that a moment falls into; of several the one begun last (the first written on a tie)."""
    rows = _candidates(item, moment_s, near)
    return max(rows, key=lambda r: (r.start_s or 0.0, -r.line), default=None)


def _crowded(item: Item, own: Sequence[float], near: Sequence[SetupRow]) -> list[str]:
    names: dict[str, None] = {}
    for moment in own:
        rows = _candidates(item, moment, near)
        if len({r.key for r in rows}) > 1:
            names.update(dict.fromkeys(row_name(r) for r in rows))
    return [f"the log has {' and '.join(sorted(names))} at that time; unit or camera must tell"] if names else []
