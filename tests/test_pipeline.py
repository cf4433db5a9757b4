"""The order of the work at the desk."""

from __future__ import annotations

import json
import shutil
import threading
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from ingest.faces.cli import lay
from ingest.faces.cli.main import main
from ingest.faces.daemon.loop import Loader
from ingest.machinery import journal
from ingest.pipeline import around
from ingest.records.filing import Placement
from ingest.records.sights import SeenThing
from ingest.services import close_services, open_services
from ingest.settings.reading import load
from ingest.steps.stills import stage as stills
from tests.cart import fill

LATE = ("ORBE0216.JPG", "ORBE0217.JPG", "ORBE0218.JPG")  # of one bracket, which begins before them


def test_copies_that_land_during_a_pass_count_in_the_next(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The second half of a bracket is copied after this pass looked for stills and before it finds sets: the half
    that it knows must not become a probe."""
    assert main(["init", str(tmp_path / "show"), "--show", "TIDE", "--timezone", "UTC", "--destination",
                 str(tmp_path / "A"), "--destination", str(tmp_path / "B"), "--one-disk"]) == 0
    card = lay.lay("ORBE-02", tmp_path / "ORBE-02")
    pocket = tmp_path / "pocket"
    pocket.mkdir()
    where = {name: next(card.rglob(name)) for name in LATE}
    for name, path in where.items():
        shutil.move(path, pocket / name)
    settings = load(tmp_path / "show" / "nightloader.toml")
    services = open_services(settings, journal.set_up(settings.home / "logs", terminal=False), stop=threading.Event())
    try:
        loader = Loader(services)
        loader.copy([loader.lookout.take(str(card))])
        loader.join()
        for name, path in where.items():
            shutil.move(pocket / name, path)
        present = loader.lookout.take(str(card))
        really = stills.read_new

        def read_while_copies_land(*args: Any) -> int:
            count = really(*args)
            loader.copy([present])
            loader.join()
            return count

        with monkeypatch.context() as patch:
            patch.setattr("ingest.steps.stills.stage.read_new", read_while_copies_land)
            patch.setattr("ingest.pipeline.Desk._merge_and_file", lambda *_: True)  # only which sets there are matters
            loader.desk.work([present])
            assert services.work.views() == ()
            patch.setattr("ingest.steps.stills.stage.read_new", really)
            loader.desk.work([present])
        found = next(v for v in services.work.views() if any(f.files[0].path.endswith(LATE[0]) for f in v.frames))
        names = [f.files[0].path.rsplit("/", 1)[-1] for f in found.frames]
        assert set(LATE) <= set(names) and len(names) > len(LATE)
    finally:
        close_services(services)


def test_a_paper_is_never_older_than_what_it_is_known_by(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The last look at a card ends between two questions of the desk to the ledger."""
    assert main(["init", str(tmp_path / "show"), "--show", "TIDE", "--timezone", "UTC", "--destination",
                 str(tmp_path / "A"), "--destination", str(tmp_path / "B"), "--one-disk"]) == 0
    card = fill(tmp_path / "B007", {"NOTES/N1.TXT": b"one"})
    settings = load(tmp_path / "show" / "nightloader.toml")
    services = open_services(settings, journal.set_up(settings.home / "logs", terminal=False), stop=threading.Event())
    try:
        loader = Loader(services)
        present = loader.lookout.take(str(card))
        loader.copy([present])
        loader.join()
        services.cards.end_sighting(present.sighting, ended=None, utc=services.clock.utc())  # as if still at it
        really, ended = services.cards.stamp, []

        def stamp(id: str) -> tuple[object, ...]:
            if not ended:
                ended.append(services.cards.end_sighting(present.sighting, ended=True, utc=services.clock.utc()))
            return really(id)

        monkeypatch.setattr(services.cards, "stamp", stamp)
        loader.desk.work([present])
        loader.desk.work([present])
        (manifest,) = (tmp_path / "A").rglob("B007.manifest.json")
        assert json.loads(manifest.read_text(encoding="utf-8"))["card"]["listing_whole"] is True
    finally:
        close_services(services)


def test_a_probe_is_given_the_confirmed_balls_of_its_setup_and_what_the_log_says_of_the_sun() -> None:
    """Only confirmed grey balls of the same setup, the nearest in time first; a proposal is nobody's word."""
    day, unit = "2031-05-17", "main"

    def placed(setup: str) -> Placement:
        return Placement(item="x", day=day, unit=unit, setup=setup, shot=f"HA_{setup}" if setup else "")

    def still(id: str, setup: str, at_s: float, **more: Any) -> Any:
        return SimpleNamespace(**{"id": id, "digest": f"d{id}", "role": "grey_ball", "start_s": at_s, "proposed": False,
                                  "placement": placed(setup), **more})

    corners = ((0.1, 0.1), (0.2, 0.1), (0.2, 0.2), (0.1, 0.2))
    seen = {"df2": [SeenThing(what="chart", corners=corners, score=1.0),
                    SeenThing(what="grey_ball", corners=corners, score=0.5)]}
    services: Any = SimpleNamespace(work=SimpleNamespace(sights=lambda: seen))
    views: Any = [SimpleNamespace(id=i, taken_s=(100.0, 110.0)) for i in ("p1", "p2", "p3")]
    placements = {"p1": placed("12"), "p2": placed("13"), "p3": placed("")}
    rows = [SimpleNamespace(key=placements["p1"].key, lighting="full sun", cells={}),
            SimpleNamespace(key=placements["p2"].key, lighting="overcast", cells={})]
    filed: Any = SimpleNamespace(log=SimpleNamespace(rows=rows), placements=placements)
    stills: Any = [still("f1", "12", 900.0), still("f2", "12", 130.0), still("f3", "13", 100.0, proposed=True),
                   still("f4", "12", 100.0, role="mirror_ball"), still("f5", "", 100.0)]
    found = around(services, views, filed, stills)
    assert [b.id for b in found.balls["p1"]] == ["f2", "f1"] and found.balls["p2"] == [] and "p3" not in found.balls
    assert found.balls["p1"][0].corners == corners and found.balls["p1"][1].corners is None
    assert found.in_sun == {"p1"} and found.groups["p1"] == f"{day}|{unit}|HA_12" and "p3" not in found.groups


def test_previews_lie_only_where_they_may(tmp_path: Path) -> None:
    """Content security: pictures to look at only at the destination that is named, merged pictures at both; a person
    by the alias that the settings give."""
    assert main(["init", str(tmp_path / "show"), "--show", "TIDE", "--timezone", "UTC", "--destination",
                 str(tmp_path / "A"), "--destination", str(tmp_path / "B"), "--one-disk"]) == 0
    written = tmp_path / "show" / "nightloader.toml"
    named = f'previews_at = ["{(tmp_path / "B").as_posix()}"]'
    asked = written.read_text(encoding="utf-8").replace("#previews_at = []", named)
    asked = asked.replace("#people = {}", 'people = { "M. Odry" = "wrangler one" }')
    written.write_text(asked, encoding="utf-8")
    card = lay.lay("ORBE-02", tmp_path / "ORBE-02")
    command = ["--config", str(written)]
    assert main([*command, "offload", str(card)]) in (0, 1)
    assert main([*command, "sign", "ORBE-02", "--by", "m. odry"]) == 0
    assert main([*command, "audit"]) == 1
    names = {d: {p.name for p in (tmp_path / d).rglob("*") if p.is_file()} for d in "AB"}
    pictures = {d: {n for n in names[d] if n.endswith("_v001.jpg")} for d in "AB"}
    merged = {d: {n for n in names[d] if n.endswith("_v001.exr")} for d in "AB"}
    assert len(merged["A"]) == 5 and merged["A"] == merged["B"]
    assert pictures["A"] == set() and len(pictures["B"]) == 5
    reports = {d: next((tmp_path / d).rglob("reports/*.html")).read_text(encoding="utf-8") for d in "AB"}
    assert "data:image/jpeg" in reports["B"] and "data:image/jpeg" not in reports["A"]
    for d in "AB":
        assert "wrangler one" in reports[d]
        for paper in (tmp_path / d).rglob("*.*"):
            if paper.suffix in (".html", ".json", ".jsonl"):
                assert "odry" not in paper.read_text(encoding="utf-8").casefold(), paper
