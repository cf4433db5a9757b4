"""Findings about views from their headers: what the pipeline says before a pixel is merged."""

from __future__ import annotations

import math

import pytest

from ingest.records.views import View, ViewFrame
from ingest.steps.light.stage import ceiling, unequal_views


def view(name: str, number: int, times: list[float], *, repeat_of: str | None = None) -> View:
    frames = tuple(
        ViewFrame(files=(), exposure_s=t, f_number=8.0, iso=100.0, taken_s=None) for t in times
    )
    return View(
        id=name, frames=frames, complete=True, review=False, reasons=(), why=(), position="s1", view=number,
        repeat_of=repeat_of, body="Hollin|H7|1", make="Hollin", model="H7", serial="1", lens="", focal_mm=8.0,
        kind="fisheye", kind_proposed=False,
    )


LADDER = [1 / 1024, 1 / 256, 1 / 64]


def test_a_heading_of_other_exposures_is_pointed_out() -> None:
    odd = view("p3", 3, [t * 2 for t in LADDER])
    views = [view("p1", 1, LADDER), view("p2", 2, LADDER), odd, view("p4", 4, LADDER)]
    (found,) = unequal_views(views)
    assert found.item == "p3: view" and found.kind == "unequal_views"
    assert found.more["amount"] == pytest.approx(1.0)
    assert found.more["unit"] == "stops" and found.more["confidence"] == 1
    assert unequal_views([v for v in views if v is not odd]) == []
    assert unequal_views([*views[:2], view("p5", 1, [t * 4 for t in LADDER], repeat_of="p1")]) == []


def test_what_a_bracket_holds_is_known_from_its_headers() -> None:
    """78 N^2 / (0.65 S t): f/8, 1/8000 s, ISO 100 hold 6.1e5 cd/m2 (saturation-based speed, ISO 12232), the sun's
    disc of 1.6e9 stands 11.3 stops over that."""
    told = ceiling(view("p1", 1, [1 / 8000, 1 / 1000]))
    assert told is not None
    assert told["ceiling_cd_m2"] == pytest.approx(78 * 64 / (0.65 * 100 / 8000))
    assert told["sun_over_stops"] == pytest.approx(math.log2(1.6e9 / told["ceiling_cd_m2"]))
    assert told["sun_over_stops"] == pytest.approx(11.35, abs=0.1)
