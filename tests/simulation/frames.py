"""A day as frames for the grouping, and the score of what came out."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

from ingest.records.frames import Frame
from ingest.records.probes import Grouping
from tests.simulation.shoot import Day, Exposure


def frames_of(day: Day, *, pictures: bool = True) -> tuple[list[Frame], dict[str, Exposure]]:
    """The day's frames as the steps before would give them, and which exposure each id is."""
    found: list[Frame] = []
    whose: dict[str, Exposure] = {}
    kept = [e for e in day.exposures if not e.deleted]
    order = {id(e): k for k, e in enumerate(sorted(kept, key=lambda e: (e.card, e.folder, e.body.prefix, e.number)))}
    for made in kept:
        copies = [made.card] + (["J" + made.card] if made.body.pairs == "two cards" else [])
        for card in copies:
            frame = _frame(made, card, order[id(made)], pictures)
            found.append(frame)
            whose[frame.id] = made
    return found, whose


def _frame(made: Exposure, card: str, index: int, pictures: bool) -> Frame:
    headless = made.header == "none"
    exposure = float(made.exposure) if made.header in ("whole", "apex") else None
    stop = None if made.f_number is None else float(made.f_number)
    ev = None if exposure is None else math.log2(exposure * made.iso / 100 / (stop or 1.0) ** 2)
    frame_id = f"{card}/{made.folder}/{made.body.prefix}{made.number:04d}"
    place = {"id": frame_id, "card": card, "card_index": index, "prefix": made.body.prefix, "number": made.number,
             "folder_number": made.folder}
    if headless:
        return Frame(**place, usable=False)  # type: ignore[arg-type]
    width, height = made.body.size
    return Frame(
        **place,  # type: ignore[arg-type]
        body=made.body.name,
        time_s=made.shown_s - 7200.0,
        shown_s=made.shown_s,
        tick_s=10.0**-made.body.digits,
        exposure_ev=ev,
        exposure_s=exposure,
        f_number=stop,
        iso=made.iso,
        log2_brightness=made.level if pictures and made.usable else None,
        width=width,
        height=height,
        focal_mm=made.body.focal_mm,
        usable=made.usable,
        bracketed=made.bracketed if made.bracketed else (False if made.body.writes_mode else None),
        exposure_bias_ev=made.bias if made.bias is not None else (0.0 if made.body.writes_bias else None),
    )


@dataclass(kw_only=True)
class Score:
    """How a grouping did on one day or many (counts of sets)."""

    sets: int = 0
    exact: int = 0
    wrong: int = 0  # sets given that are none
    silent: int = 0  # of these, not marked for review and not called incomplete
    reviewed: int = 0  # exact sets under review though nothing is open about them
    plain: int = 0  # exact sets with nothing open about them
    vouched: int = 0  # called complete though they are not
    unsure: int = 0  # whole and plain, yet not called complete
    missed: int = 0
    notes: list[str] = field(default_factory=list)

    def add(self, other: Score) -> None:
        for name in ("sets", "exact", "wrong", "silent", "reviewed", "plain", "vouched", "unsure", "missed"):
            setattr(self, name, getattr(self, name) + getattr(other, name))
        self.notes += other.notes


def score(day: Day, grouping: Grouping, whose: Mapping[str, Exposure]) -> Score:
    """Compare with the truth, by exposure: the two files of one exposure count once."""
    truth = {frozenset(id(e) for e in t.members): t for t in day.sets if len(t.members) > 1}
    result = Score(sets=len(truth))
    found = set()
    for one in grouping.sets:
        members = [whose[i] for i in one.frames]
        key = frozenset(id(m) for m in members)
        names = f"{day.phenomenon}: {len(members)} frames from {members[0].key}"
        if key in truth:
            found.add(key)
            result.exact += 1
            t = truth[key]
            if one.complete and t.complete is False:
                result.vouched += 1
                result.notes.append(f"called complete: {names}")
            if t.complete and not t.open:
                result.plain += 1
                result.reviewed += one.review
                result.unsure += one.complete is not True
                if one.review or one.complete is not True:
                    result.notes.append(f"review {one.review}, complete {one.complete}: {names} {one.reasons}")
        elif len({m.aborted for m in members}) == 1 and members[0].aborted is not None and not one.complete:
            continue
        else:
            result.wrong += 1
            result.silent += not one.review and one.complete is not False
            result.notes.append(f"no such set ({one.review=}, {one.complete=}): {names} {one.why}")
    for key, t in truth.items():
        if key not in found:
            result.missed += 1
            result.notes.append(f"missed: {day.phenomenon}: {[m.key for m in t.members]}")
    return result
