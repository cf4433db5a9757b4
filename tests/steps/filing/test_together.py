"""Probes and clips bear witness for each other in the stages too: each places all that is known of the show."""

from __future__ import annotations

from datetime import UTC, datetime
from types import SimpleNamespace
from typing import Any

from ingest.records.views import View, ViewFrame
from ingest.settings.model import Show
from ingest.steps.filing.stage_clips import file_clips
from ingest.steps.filing.stage_items import together
from ingest.steps.setups.log import read_log
from tests.steps.filing.test_placement import HEAD, ZONE, D, at


def view(id: str, clock: str) -> View:
    frame = ViewFrame(files=(), exposure_s=0.01, f_number=8.0, iso=100.0, taken_s=at(clock), taken_sigma_s=1.0)
    return View(id=id, frames=(frame,), complete=True, review=False, reasons=(), why=(), position=f"s{id}", view=1,
                repeat_of=None, body="b", make="", model="", serial="", lens="", focal_mm=None, kind="lat-long",
                kind_proposed=False)  # fmt: skip


def services(views: list[View], clips: dict[str, str]) -> Any:
    facts = {
        f"xxh3_128:{name}": ({"kind": "QuickTime", "readable": True, "duration_s": 8.0,
                              "created_utc": datetime.fromtimestamp(at(clock), UTC).isoformat()}, "")
        for name, clock in clips.items()
    }  # fmt: skip
    empty = dict[str, Any]
    work = SimpleNamespace(
        views=lambda: views, clips=lambda: facts, codes=empty, sights=empty, decisions=lambda _: {},
        recall=lambda _: None, put=lambda *_: None,
    )
    clock = SimpleNamespace(now=lambda: datetime(2026, 5, 1, tzinfo=UTC))
    settings = SimpleNamespace(show=Show(code="TIDE", timezone=ZONE))
    return SimpleNamespace(work=work, clock=clock, settings=settings, show="TIDE")


def test_a_clip_after_the_probe_of_its_setup_is_marked_by_what_the_probe_says() -> None:
    log = read_log(HEAD + f"{D},,,27A,09:00,,A\n{D},,,27B,09:51,,A\n{D},,,27C,10:20,,A", zone=ZONE)
    clips = {"a" * 32: "09:05", "b" * 32: "09:30"}
    cards = [(f"xxh3_128:{n}", "card", f"{n}.MOV") for n in clips]
    alone = services([], clips)
    assert not [c for c in file_clips(alone, cards, together(alone, [], log)) if c.placement.review]
    views = [view("p1", "09:11")]
    beside = services(views, clips)
    everything = together(beside, views, log)
    marked = [c for c in file_clips(beside, cards, everything) if c.placement.review]
    assert [c.placement.reasons[0].split(" and ")[0] for c in marked] == ["it comes after the probe of 27A"]
    assert set(everything.placements) == {"p1", *(f"c{n[:10]}" for n in clips)}
