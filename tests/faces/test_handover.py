"""A shot's folder as whoever receives it opens it."""

from __future__ import annotations

import csv
import html
import importlib.util
import json
from pathlib import Path

import pytest

from ingest.faces.cli.main import main
from tests.faces.test_duties import show as show  # the same small show

bagit = pytest.importorskip("bagit")


def test_the_folder_stands_alone(tmp_path: Path, show: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "show" / "measurements.csv").write_text(
        "day,setup,name,value,by,with\n2026-04-14,7A,camera height,1.52 m,Ines,tape\n"
        "2026-04-15,9Z,door,2 m,Ines,tape\n")
    settings = tmp_path / "show" / "nightloader.toml"
    settings.write_text(settings.read_text() + '\n[[cameras]]\nletter = "A"\nsensor_mm = [24.9, 18.7]\n')
    to = tmp_path / "out" / "T010"
    assert main([*show, "handover", "--shot", "T010", "--to", str(to)]) in (0, 1), capsys.readouterr().err
    bag = bagit.Bag(str(to))
    assert bag.validate()
    names = {p.relative_to(to / "data").as_posix() for p in (to / "data").rglob("*") if p.is_file()}
    assert {"measurements.csv", "measurements.json", "clips.csv", "clips.json", "originals.csv",
            "7A/setup_sheet.html"} <= names
    assert any(n.startswith("7A/probes/") and n.endswith(".exr") for n in names)
    assert any(n.startswith("7A/probes/") and n.endswith(".jpg") for n in names)
    for path in (to / "data").rglob("*"):  # no paper holds a path of this machine
        if path.suffix in (".json", ".csv", ".html", ".usda", ".txt"):
            assert str(tmp_path) not in path.read_text(encoding="utf-8"), path
    assert [m["name"] for m in json.loads((to / "data" / "measurements.json").read_text())] == ["camera height"]
    originals = list(csv.DictReader((to / "data" / "originals.csv").open(newline="")))
    assert len(originals) == 5 and all(o["digest"].startswith("xxh3_128:") for o in originals)
    page = (to / "data" / "7A" / "setup_sheet.html").read_text()
    assert "1.520 m" in page and "probes/" in page and "24.9 x 18.7 mm" in page and "35 mm" in page
    if importlib.util.find_spec("pxr") is not None:
        stage = (to / "data" / "7A" / "stage.usda").read_text()
        assert "focalLength = 0.35" in stage and "horizontalAperture = 0.249" in stage
    victim = next((to / "data" / "7A" / "probes").glob("*.exr"))
    data = bytearray(victim.read_bytes())
    data[len(data) // 2] ^= 1
    victim.write_bytes(data)
    with pytest.raises(bagit.BagValidationError):
        bagit.Bag(str(to)).validate()


def test_the_stage_opens_and_names_its_picture(tmp_path: Path, show: list[str]) -> None:
    usd = pytest.importorskip("pxr.Usd")
    to = tmp_path / "out"
    main([*show, "handover", "--shot", "T010", "--to", str(to)])
    stage = usd.Stage.Open(str(to / "data" / "7A" / "stage.usda"))
    assert stage.GetDefaultPrim().IsValid()


def test_without_the_extra_it_says_so(
    tmp_path: Path, show: list[str], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    from ingest.steps.handover import usd

    def absent(_: object) -> str:
        raise ImportError("pxr")

    monkeypatch.setattr(usd, "stage_text", absent)
    main([*show, "handover", "--shot", "T010", "--to", str(tmp_path / "out")])
    assert "nightloader[usd]" in capsys.readouterr().out
    assert not list((tmp_path / "out").rglob("*.usda"))


def test_places_and_shots_that_are_refused(
    tmp_path: Path, show: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    settings = tmp_path / "show" / "nightloader.toml"
    (tmp_path / "CARDS").mkdir()
    settings.write_text(settings.read_text().replace("places = []", f'places = ["{tmp_path / "CARDS"}"]'))
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "note.txt").write_text("mine")
    assert main([*show, "handover", "--shot", "T010", "--to", str(tmp_path / "full")]) == 2
    assert [p.name for p in (tmp_path / "full").iterdir()] == ["note.txt"]
    assert main([*show, "handover", "--shot", "T010", "--to", str(tmp_path / "A" / "TIDE" / "out")]) == 2
    for place in ("A", "A/out", "B/TIDE", "show", "show/out", "CARDS/x"):
        assert main([*show, "handover", "--shot", "T010", "--to", str(tmp_path / place)]) == 2, place
    (tmp_path / "away").symlink_to(tmp_path / "A", target_is_directory=True)
    assert main([*show, "handover", "--shot", "T010", "--to", str(tmp_path / "away" / "out")]) == 2
    said = capsys.readouterr().err
    assert "destination" in said and "the show's own folder" in said and "watched" in said and "elsewhere" in said
    assert not (tmp_path / "A" / "out").exists() and not (tmp_path / "show" / "out").exists()
    assert main([*show, "handover", "--shot", "T999", "--to", str(tmp_path / "out")]) == 2
    assert not (tmp_path / "out").exists()


def test_a_picture_that_is_not_what_was_proven_stays_out(
    tmp_path: Path, show: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    for disk in "AB":
        victim = next((tmp_path / disk / "TIDE" / "shots").rglob("*.exr"))
        data = bytearray(victim.read_bytes())
        data[len(data) // 2] ^= 1
        victim.write_bytes(data)
    assert main([*show, "handover", "--shot", "T010", "--to", str(tmp_path / "out")]) == 1
    assert "not those that were proven" in capsys.readouterr().out
    assert not list((tmp_path / "out").rglob("*.exr"))
    assert bagit.Bag(str(tmp_path / "out")).validate()


def test_an_impossible_figure_is_no_figure(tmp_path: Path, show: list[str]) -> None:
    """Sixty metres stand on the sheet as written, with their question, and nowhere as a height or a size."""
    (tmp_path / "show" / "setup_log.csv").write_text(
        "day,shot,setup,start,end,camera,camera_height,probe_height,focus\n"
        "2026-04-14,T010,7A,09:50,10:20,A,60 m,1.5 m,3 m > 900 m\n")
    (tmp_path / "show" / "measurements.csv").write_text(
        "day,setup,name,value,length,width,height\n2026-04-14,7A,crate,,1.2 m,0.8 m,0.6 m\n"
        "2026-04-14,7A,lens to crate,9000 m,,,\n")
    to = tmp_path / "out"
    main([*show, "handover", "--shot", "T010", "--to", str(to)])
    page = html.unescape((to / "data" / "7A" / "setup_sheet.html").read_text())
    assert "written: 60 m" in page and "'60 m' is 60 m; usual is 0.05 to 12 m" in page
    assert "60.000 m" not in page and "196'" not in page and "9000.000" not in page and "900.000" not in page
    assert "lens to crate: '9000 m' is 9000 m" in page and "1.500 m" in page
    pytest.importorskip("pxr")
    stage = (to / "data" / "7A" / "stage.usda").read_text()
    for why in ("camera height", "focus", "lens to crate, measured"):
        assert f"Left out, {why}: " in stage
    assert "(0, 60" not in stage and "focusDistance" not in stage and "(0, 1.5, 3)" in stage and "crate" in stage
