"""The light of a day's probes at the desk: summaries, what changed since the one before, what clipped sources lack."""

from __future__ import annotations

import json
import threading
from collections.abc import Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import OpenEXR
import pytest

from ingest.faces.cli.main import main
from ingest.machinery import journal
from ingest.originals import Originals
from ingest.outbox import Outbox
from ingest.records.filing import Place
from ingest.records.views import View
from ingest.services import Services, close_services, open_services
from ingest.settings.reading import load
from ingest.steps.light import rescue, stage, summary
from ingest.steps.light.stage import Around, Ball, upright
from ingest.steps.panorama import stage as panorama
from ingest.steps.panorama.raster import Layout
from tests import scenes
from tests.bench.light import photographed_ball
from tests.brackets import srgb
from tests.cart import fill
from tests.simulation.exif import ASCII, RATIONAL, SHORT, Field, jpeg

SUNS = (scenes.at(40, 35), scenes.at(40, 20))  # it sinks between the two probes


def photographed(light: np.ndarray, exposure: tuple[int, int], second: int, gain: float) -> bytes:
    codes = np.round(255 * srgb(np.clip(light * gain * exposure[0] / exposure[1], 0, 1))).astype(np.uint8)
    taken = f"2031:05:17 10:{second // 60:02d}:{second % 60:02d}"
    main_fields: list[Field] = [(0x010F, ASCII, "Orbe"), (0x0110, ASCII, "Orbe Two"), (0x0132, ASCII, taken)]
    exif: list[Field] = [
        (0x829A, RATIONAL, exposure), (0x829D, RATIONAL, (8, 1)), (0x8827, SHORT, 100), (0x9003, ASCII, taken),
        (0xA431, ASCII, "77001"), (0xA402, SHORT, 2),
    ]
    return jpeg(codes, main_fields, exif)


@pytest.fixture(scope="module")
def day(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Services, Path]]:
    """Two probes outdoors whose sun clips, and a bracket of the grey ball in the light of the first."""
    base = tmp_path_factory.mktemp("day")
    wholes = [scenes.latlong(scenes.outdoor(seed=3, sun=sun), 256, parts=1, discs=40, layout=scenes.Layout.CENTRES)
              for sun in SUNS]
    corners = scenes.latlong(scenes.outdoor(seed=3, sun=SUNS[0]), 256, parts=1, discs=40)
    seen = photographed_ball(corners, rescue.turned(np.radians([220.0, 1.0, 0.0])), np.random.default_rng(1),
                             size=128, level=0.0, noise=0.01, hand=False)
    rng = np.random.default_rng(4)
    ball = 0.12 * 2.0 ** (1.5 * scenes.texture(np.moveaxis(np.mgrid[0:256, 0:384, 0:1], 0, -1)[:, :, 0] / 200.0, 5))
    ball = np.repeat(ball[..., None], 3, axis=2) * (1 + 0.01 * rng.normal(size=(256, 384, 3)))
    ball[64:192, 128:256] = seen
    exposures = [(1, 2000), (1, 500), (1, 125), (1, 30), (1, 8), (1, 2)]
    files, number, second = {}, 1, 0
    for light in (wholes[0], ball, wholes[1]):
        for exposure in exposures:
            files[f"DCIM/100ORBEX/ORBE{number:04d}.JPG"] = photographed(light, exposure, second, 25.0)
            number, second = number + 1, second + 2
        second += 120
    card = fill(base / "ORBE-09", files)
    assert main(["init", str(base / "show"), "--show", "TIDE", "--timezone", "UTC", "--destination", str(base / "A"),
                 "--destination", str(base / "B"), "--one-disk"]) == 0
    assert main(["--config", str(base / "show" / "nightloader.toml"), "offload", str(card)]) in (0, 1)
    settings = load(base / "show" / "nightloader.toml")
    services = open_services(settings, journal.set_up(settings.home / "logs", terminal=False), stop=threading.Event())
    yield services, base
    close_services(services)


def summarise(services: Services, around: Around) -> list[Any]:
    views = services.work.views()
    current = {p.id: p for p in services.work.probes()}
    places = {v.id: Place(folder="probes", stem=f"TIDE_{v.id}_v001") for v in views}
    with Outbox(services) as outbox:
        return stage.summarise(services, outbox, Originals(services, outbox.here), views, places, current, around,
                               lambda position: panorama.newest(services, position))


def of_day(services: Services) -> tuple[list[View], View]:
    views = services.work.views()
    probes = sorted((v for v in views if v.kind == "lat-long"), key=lambda v: v.taken_s or (0, 0))
    return probes, next(v for v in views if v.kind != "lat-long")


def paper(base: Path, name: str) -> dict[str, Any]:
    (first, second) = (next((base / d).rglob(name)) for d in "AB")
    assert first.read_bytes() == second.read_bytes()
    return dict(json.loads(first.read_text(encoding="utf-8")))


@pytest.mark.slow
def test_a_clipped_sun_gets_an_estimate_of_its_own_from_the_confirmed_ball(day: tuple[Services, Path]) -> None:
    services, base = day
    (first, second), ball = of_day(services)
    middle = ball.frames[len(ball.frames) // 2].files[0]
    corners = [[128 / 384, 0.25], [256 / 384, 0.25], [256 / 384, 0.75], [128 / 384, 0.75]]
    shrunk = [[0.5 + 0.9 * (x - 0.5), 0.5 + 0.9 * (y - 0.5)] for x, y in corners]  # the ball fills .9 of its square
    groups = {first.id: "day|A|12", second.id: "day|A|12"}
    around = Around(groups=groups, in_sun=(),
                    balls={first.id: [Ball(digest=middle.digest, id="f1", corners=shrunk)]})
    plain = summarise(services, Around(groups={}, balls={}, in_sun=()))
    assert not [f for f in plain if f.kind in ("clipped_estimate", "light_moved")]
    measured = paper(base, f"TIDE_{first.id}_v001.light.json")
    assert any(light["at_least"] for light in measured["lights"])
    found = summarise(services, around)
    assert paper(base, f"TIDE_{first.id}_v001.light.json") == measured  # the measured one stays what it was
    told = paper(base, f"TIDE_{first.id}_v001_estimate.json")
    (one,) = told["estimates"]
    sun = scenes.outdoor(seed=3, sun=SUNS[0]).discs[0]
    # a pixel of 1.0 saturates the reference exposure, 1/64 s at f/5.66: at f/8 that is 1/32 s
    unit = 25.0 / 32
    assert np.array(one["with_it"]["irradiance_rgb"])[1] / (sun.irradiance[1] * unit) == pytest.approx(1, abs=0.12)
    assert "not measured" in one["label"] and told["ball"] == "f1" and one["relative_sigma"] < 0.2
    picture = next((base / "A").rglob(f"TIDE_{first.id}_v001_estimate01.exr"))
    assert "not measured" in OpenEXR.File(str(picture)).header()["comments"]
    (note,) = [f for f in found if f.kind == "clipped_estimate"]
    assert note.item.startswith(first.id) and "not measured" in note.what and note.more["amount"] > 3
    # once made it is not made again, and the same facts give the same bytes
    before = {p: p.stat().st_mtime_ns for p in base.rglob("*_estimate*")}
    assert summarise(services, around) == found
    assert {p: p.stat().st_mtime_ns for p in base.rglob("*_estimate*")} == before


def test_a_key_that_is_gone_is_told() -> None:
    lamps = [scenes.Disc(direction=scenes.at(a, 20), radius_rad=0.05, radiance=np.full(3, r)) for a, r in
             ((40, 900.0), (-120, 150.0))]
    papers = [
        summary.summarise(
            scenes.latlong(scenes.Scene(background=lambda d, _: 0.2 + 0 * d, discs=tuple(on)), 256, parts=1),
            Layout.CORNERS,
        ).to_json()
        for on in (lamps, lamps[1:])
    ]
    one, previous = (cast(Any, SimpleNamespace(view=SimpleNamespace(id=n))) for n in ("p2", "p1"))
    (told,) = stage._since(papers[1], papers[0], one, previous)
    assert "the key is gone. Another light is the key now" in told.what and told.more["unit"] == "stops"
    assert stage._since(dict(papers[1]), papers[1], one, previous) == []


@pytest.mark.slow
def test_the_probe_before_it_of_the_same_shot_shows_that_one_was_due(day: tuple[Services, Path]) -> None:
    services, base = day
    (first, second), _ = of_day(services)
    found = summarise(services, Around(groups={first.id: "g", second.id: "g"}, balls={}, in_sun=()))
    (moved,) = [f for f in found if f.kind == "light_moved"]
    assert moved.item.startswith(second.id) and first.id in moved.what
    assert moved.more["unit"] == "degrees" and moved.more["amount"] == pytest.approx(15, abs=2)
    told = paper(base, f"TIDE_{second.id}_v001.light.json")
    assert told["previous_probe"] == first.id and told["difference"]["key_moved_deg"] == pytest.approx(15, abs=2)
    assert "difference" not in paper(base, f"TIDE_{first.id}_v001.light.json")
    apart = summarise(services, Around(groups={first.id: "g", second.id: "h"}, balls={}, in_sun=()))
    assert not [f for f in apart if f.kind == "light_moved"]


@pytest.mark.slow
def test_a_clear_sky_speaks_only_where_the_log_says_that_the_sun_shone(day: tuple[Services, Path]) -> None:
    services, base = day
    (_, second), _ = of_day(services)
    found = summarise(services, Around(groups={}, balls={}, in_sun={second.id}))
    (note,) = [f for f in found if f.kind == "clipped_estimate"]
    assert note.item.startswith(second.id) and "clear sky" in note.what
    assert paper(base, f"TIDE_{second.id}_v001_estimate.json")["ball"] is None


def test_a_place_in_a_turned_picture_is_found_upright() -> None:
    # Exif orientation 6: the stored top left is shown at the top right
    assert upright(0.1, 0.2, 1) == (0.1, 0.2) and upright(0.0, 0.0, 6) == (1.0, 0.0)
    picture = np.arange(12).reshape(3, 4)
    for value, turn in ((3, lambda a: np.rot90(a, 2)), (6, lambda a: np.rot90(a, -1)), (8, np.rot90)):
        there = turn(picture)
        x, y = upright((1 + 0.5) / 4, (2 + 0.5) / 3, value)
        assert there[int(y * there.shape[0]), int(x * there.shape[1])] == picture[2, 1]
