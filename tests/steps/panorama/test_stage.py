"""A position's panorama as the desk makes it: picture, record, and what it finds with a picture of that."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import OpenEXR
import pytest

from ingest.faces import answers
from ingest.machinery.ledger.work import ProbeFact
from ingest.outbox import Outbox
from ingest.records.filing import Place
from ingest.records.findings import Finding
from ingest.services import Services, close_services
from ingest.settings.model import Body
from ingest.steps.panorama import stage
from ingest.steps.reports import stage as reports
from tests import scenes
from tests.faces.web import shows
from tests.steps.panorama.test_projection import file, two


@pytest.fixture(scope="module")
def stitched(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Services, Path, list[Finding]]]:
    """One merged two-lens view of a leaning street, stitched by nominal lens numbers."""
    base = tmp_path_factory.mktemp("stitched")
    services = shows.scratch(base)
    view = replace(shows.a_view("pfeed", 0), kind="dual-fisheye")
    services.work.set_grouping([view], {}, {}, shows.UTC)
    lean = cv2.Rodrigues(np.radians(6.0) * np.array([1.0, 0.0, 0.0]))[0]
    picture = scenes.fisheye(scenes.built(104, tilt=lean), two(), (801, 401), parts=1).astype(np.float32)
    OpenEXR.File({"whiteLuminance": 1000.0}, {"RGB": picture}).write(str(base / "view.exr"))
    fact = ProbeFact(id=view.id, version=1, signature="s", frames=view.digests, record={"checks": []}, trouble="",
                     superseded_utc=None, merged_utc=shows.UTC)  # fmt: skip
    services.work.add_probe(fact, shows.UTC)
    lens = {**file(two()).to_json(), "calibration": "nominal"}
    body = Body(make="Brumelle", model="Orb", lens=lens)
    services = replace(services, settings=services.settings.model_copy(update={"bodies": [body]}))
    with Outbox(services) as outbox:
        for destination in outbox.here:
            outbox.put_at(destination, "TIDE/probes/a.exr", (base / "view.exr").read_bytes(), kind="probe",
                          owner="pfeed/1")
        found = stage.stitch(services, outbox, [view], {view.id: Place(folder="probes", stem="a")}, {view.id: fact},
                             lambda *_: True)
    yield services, base, found
    close_services(services)


def test_what_a_panorama_finds_is_told_under_its_first_view(stitched: tuple[Services, Path, list[Finding]]) -> None:
    services, base, found = stitched
    assert {"tilt", "uncalibrated"} <= {f.kind for f in found}
    assert {f.item for f in found} == {"pfeed: panorama"} and all(f.more["confidence"] > 0 for f in found)
    (first, second) = (base / d / "TIDE" / "probes" / "a_latlong01.json" for d in "ab")
    record = json.loads(first.read_text(encoding="utf-8"))
    assert first.read_bytes() == second.read_bytes() and record["probes"] == ["pfeed"] and str(base) not in str(record)
    assert [f["picture"] for f in record["findings"]] == list(range(1, len(record["findings"]) + 1))
    (entry,) = answers.probes(services)
    assert {f["kind"] for f in entry["findings"] if f.get("of") == "panorama"} == {f.kind for f in found}
    assert {c["check"]: c["made"] for c in entry["checks"]} == {"tilt": True, "flare": False}
    sheet = cv2.imread(entry["panorama_findings_picture"])
    assert sheet is not None and sheet.shape[1] > 1200 and np.ptp(sheet) > 100


def test_the_report_shows_it(stitched: tuple[Services, Path, list[Finding]]) -> None:
    services, _, _ = stitched
    with Outbox(services) as outbox:
        shown = reports.pictures(services, outbox, {"pfeed": {}})["pfeed"].findings
    (only,) = shown
    sheet = cv2.imdecode(np.frombuffer(only.data, np.uint8), cv2.IMREAD_COLOR)
    assert (only.height, only.width) == sheet.shape[:2]


def test_one_made_before_its_record_was_kept_still_stands(stitched: tuple[Services, Path, list[Finding]]) -> None:
    services, _, _ = stitched
    known: list[dict[str, Any]] = [{"signature": "s"}, {"signature": "t", "trouble": "no light"}]
    services.work.put("panoramas|q9", json.dumps(known))
    assert services.work.panorama("q9") == ("q9/1", {}) and services.work.panorama("q8") is None
