"""Waive, confirm, sign and a disk declared lost, as the responsible person types them."""

from __future__ import annotations

import json
from pathlib import Path

import av
import numpy as np
import pytest
from PIL import Image
from PIL.TiffImagePlugin import IFDRational

from ingest.faces.cli.main import main
from tests.faces.test_commands import bracket


@pytest.fixture
def show(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> list[str]:
    """A show with one setup in the log and a card with a bracket of it and two single stills."""
    assert main(["init", str(tmp_path / "show"), "--show", "TIDE", "--timezone", "UTC", "--destination",
                 str(tmp_path / "A"), "--destination", str(tmp_path / "B"), "--one-disk"]) == 0
    (tmp_path / "show" / "setup_log.csv").write_text(
        "day,shot,setup,start,end,camera,lens,notes\n2026-04-14,T010,7A,09:50,10:20,A,35,\n")
    folder = tmp_path / "CARD" / "DCIM" / "100TIDE_"
    folder.mkdir(parents=True)
    for n, file in enumerate(bracket(tmp_path)):
        file.rename(folder / f"TIDE000{n + 1}.JPG")
    words = ["--config", str(tmp_path / "show" / "nightloader.toml")]
    assert main([*words, "offload", str(tmp_path / "CARD")]) in (0, 1)
    capsys.readouterr()
    return words


def answer(show: list[str], capsys: pytest.CaptureFixture[str], *words: str) -> object:
    main([*show, *words, "--json"])
    return json.loads(capsys.readouterr().out)


def items(show: list[str], capsys: pytest.CaptureFixture[str]) -> dict[str, dict[str, object]]:
    setups = answer(show, capsys, "setups")
    return {i["item"]: i for i in setups[0]["items"]}  # type: ignore[index]


def test_waived_with_who_and_why(show: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert items(show, capsys)["clean_plate"]["status"] in ("due", "lost")
    assert main([*show, "waive", "clean_plate", "--day", "2026-04-14", "--setup", "7a", "--by", "Ines", "--why",
                 "no removal"]) == 0
    capsys.readouterr()
    waived = items(show, capsys)["clean_plate"]
    assert waived["status"] == "waived" and "Ines" in str(waived) and "no removal" in str(waived)
    for wrong in (["nonsense", "--day", "2026-04-14"], ["chart", "--day", "yesterday"],
                  ["chart", "--day", "2026-04-14", "--setup", "99Z"]):
        assert main([*show, "waive", *wrong, "--by", "I", "--why", "w"]) == 2
    assert main([*show, "waive", "chart", "--day", "2026-04-14", "--by", " ", "--why", "w"]) == 2


def test_a_confirmed_chart_is_there(tmp_path: Path, show: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert items(show, capsys)["chart"]["status"] != "have"
    status = answer(show, capsys, "status")
    still = tmp_path / "B" / status["cards"][0]["folder"] / "DCIM" / "100TIDE_" / "TIDE0003.JPG"  # type: ignore[index]
    assert main([*show, "confirm", str(still), "--role", "chart"]) == 0
    capsys.readouterr()
    chart = items(show, capsys)["chart"]
    assert chart["status"] == "have" and chart["evidence"]
    assert main([*show, "confirm", "tide0002.jpg", "--role", "chart"]) == 0  # as the camera shows it
    (tmp_path / "TWO").mkdir()
    (tmp_path / "TWO" / "TIDE0002.JPG").write_bytes(b"another of that name")
    main([*show, "offload", str(tmp_path / "TWO")])
    capsys.readouterr()
    assert main([*show, "confirm", "TIDE0002.JPG", "--role", "chart"]) == 2
    assert "2 files have that name" in (said := capsys.readouterr().err) and said.count("TIDE0002.JPG") == 3
    assert main([*show, "confirm", str(still), "--role", "hat"]) == 2
    assert main([*show, "confirm", "c0123456789", "--role", "chart"]) == 2


def test_lenses_by_log_headers_and_grids(tmp_path: Path, show: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    """What a movie file says of its lens is compared with its row, and a grid counts for the lens in its header."""
    log = tmp_path / "show" / "setup_log.csv"
    log.write_text("day,shot,setup,start,end,camera,lens,lens serial\n2026-04-14,T010,7A,09:50,10:20,A,35 mm,LX-4471\n")
    folder = tmp_path / "ROLL" / "CLIPS"
    folder.mkdir(parents=True)
    with av.open(str(folder / "T1.MOV"), "w", options={"movflags": "use_metadata_tags"}) as out:
        out.metadata.update({"creation_time": "2026-04-14T10:05:00Z", "com.ymberline.lens-serial-number": "LX-9002",
                             "com.ymberline.lens.focal_length": "50 mm"})
        stream = out.add_stream("mpeg4", rate=24)
        stream.width, stream.height, stream.pix_fmt = 160, 96, "yuv420p"
        for n in range(24):
            grey = np.full((96, 160, 3), 8 * n, np.uint8)
            out.mux(stream.encode(av.VideoFrame.from_ndarray(grey, format="rgb24")))
        out.mux(stream.encode())
    stills = (("GRID1.JPG", "LX 4471", "2026:03:20 15:00:00"), ("NOTE.JPG", "?", "2026:04:14 10:06:00"))
    for name, serial, taken in stills:
        exif = Image.Exif()
        exif[0x010F], exif[0x0110] = "Brumelle", "Orb Twelve"
        inner = exif.get_ifd(0x8769)  # CIPA DC-008: 0xA435 is LensSerialNumber
        inner[0x9003], inner[0xA435], inner[0x829A] = taken, serial, IFDRational(1, 60)
        Image.new("RGB", (64, 48), "grey").save(folder / name, exif=exif)
    assert main([*show, "offload", str(tmp_path / "ROLL")]) in (0, 1)
    capsys.readouterr()
    found = [f["what"] for f in answer(show, capsys, "status")["findings"] if f["kind"] == "log_and_header_differ"]
    assert found == ["in 7A T1.MOV: header 50 mm, log 35 mm (log line 2); T1.MOV: lens serial LX-9002 in the header, "
                     "LX-4471 in the log (log line 2)"]
    lenses = {e["serial"]: e for e in answer(show, capsys, "lenses")}
    assert {s: (e["setups"], e["grids"]) for s, e in lenses.items()} == {
        "LX-4471": (["7A"], []), "LX-9002": (["7A"], [])}
    (grid,) = (tmp_path / "A").rglob("GRID1.JPG")  # shot weeks before: in no setup
    assert main([*show, "confirm", str(grid), "--role", "lens_grid"]) == 0
    capsys.readouterr()
    assert [len(e["grids"]) for e in answer(show, capsys, "lenses")] == [1, 0]


def test_roles_that_the_settings_add(tmp_path: Path, show: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    """Confirmed like the others, and serving a due item of their name."""
    settings = Path(show[1])
    text = settings.read_text()
    settings.write_text(text.replace("#roles = {}", 'roles = {element = "a layer shot apart"}')
                        + '\n[[due.rules]]\nitem = "element"\nscope = "setup"\ndeadline = "wrap"\n'
                        'why = "smoke is laid over"\n')  # fmt: skip
    status = answer(show, capsys, "status")
    still = tmp_path / "B" / status["cards"][0]["folder"] / "DCIM" / "100TIDE_" / "TIDE0003.JPG"  # type: ignore[index]
    assert main([*show, "confirm", str(still), "--role", "hat"]) == 2
    assert "element, other, none" in capsys.readouterr().err
    assert main([*show, "confirm", str(still), "--role", "element"]) == 0
    capsys.readouterr()
    assert items(show, capsys)["element"]["status"] == "have"
    assert main([*show, "confirm", str(still), "--role", "other"]) == 0
    capsys.readouterr()
    assert items(show, capsys)["element"]["status"] != "have"
    for wrong in ('{Hat = "x"}', '{chart = "another"}', '{element = " "}'):
        settings.write_text(text.replace("#roles = {}", f"roles = {wrong}"))
        assert main([*show, "status"]) == 2


def told(show: list[str], capsys: pytest.CaptureFixture[str], kind: str) -> list[dict[str, str]]:
    return [f for f in answer(show, capsys, "status")["findings"] if f["kind"] == kind]  # type: ignore[index]


def test_a_probe_filed_under_an_unknown_setup_is_filed_and_told(
    tmp_path: Path, show: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    probe = answer(show, capsys, "probes")[0]["id"]  # type: ignore[index]
    assert told(show, capsys, "probes_without_row") == []
    assert main([*show, "file", probe, "--setup", "99Z"]) == 0
    capsys.readouterr()
    (one,) = told(show, capsys, "probes_without_row")
    assert "99Z" in one["what"] and one["severity"] == "person" and "Add the setup's row" in one["next"]
    report = answer(show, capsys, "audit")
    assert any(x["kind"] == "probes_without_row" for x in report["questions"][7]["lines"])  # type: ignore[index]
    with (tmp_path / "show" / "setup_log.csv").open("a") as log:
        log.write("2026-04-14,T011,99Z,10:20,10:40,A,35,\n")
    main([*show, "file", probe, "--setup", "99Z"])
    capsys.readouterr()
    assert told(show, capsys, "probes_without_row") == []


def test_clips_without_a_home_need_a_person(
    tmp_path: Path, show: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    """One that cannot be read tells no time: nobody but a person can say where it belongs."""
    folder = tmp_path / "REEL" / "CLIP"
    folder.mkdir(parents=True)
    (folder / "A001C001.MOV").write_bytes(b"no clip at all" * 400)
    assert main([*show, "offload", str(tmp_path / "REEL")]) == 1
    capsys.readouterr()
    (one,) = told(show, capsys, "unfiled")
    assert "A001C001.MOV" in one["what"] and "cannot be read" in one["what"] and one["severity"] == "person"
    (clip,) = answer(show, capsys, "clips")  # type: ignore[misc]
    assert one["item"] == clip["id"] and f"nightloader file {clip['id']}" in one["next"]
    report = answer(show, capsys, "audit")
    assert any(clip["id"] in x["item"] for x in report["exceptions"])  # type: ignore[index]
    sixth = report["questions"][5]  # type: ignore[index]
    assert any(clip["id"] in x["item"] for x in sixth["lines"]) and sixth["checks"] == 2  # the probe, the clip
    assert main([*show, "file", clip["id"], "--setup", "7A"]) == 0
    capsys.readouterr()
    assert told(show, capsys, "unfiled") == []


def test_a_signature_stands_in_the_audit(show: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main([*show, "sign", "CARD", "--by", "Tomas"]) == 0
    said = capsys.readouterr().out
    assert "2 of 2, on one disk" in said
    report = answer(show, capsys, "audit")
    assert report["cards"][0]["released_by"] == "Tomas"  # type: ignore[index]
    assert main([*show, "sign", "OTHER", "--by", "Tomas"]) == 2


def test_a_lost_disk_counts_no_more(tmp_path: Path, show: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    assert main([*show, "destination", "lost", str(tmp_path / "B")]) == 0
    said = capsys.readouterr().out
    assert "declared lost" in said
    card = answer(show, capsys, "status")["cards"][0]  # type: ignore[index]
    assert (card["copies_once_reused"], card["policy_met"]) == (1, False)
    assert main([*show, "sign", "CARD", "--by", "Tomas"]) == 0
    assert "not met" in capsys.readouterr().out
    assert main([*show, "destination", "lost", str(tmp_path / "B")]) == 2


def test_expected_cards_that_came_or_not(tmp_path: Path, show: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    day = answer(show, capsys, "status")["cards"][0]["day"]  # type: ignore[index]
    (tmp_path / "show" / "expected_cards.csv").write_text(f"day,card\n{day},CARD\n{day},B009\n")
    main([*show, "label", "CARD", "CARD"])
    capsys.readouterr()
    report = json.dumps(answer(show, capsys, "audit"))
    assert "Card B009" in report and "Card CARD of" not in report


def test_decisions_stand_in_the_running_log(tmp_path: Path, show: list[str]) -> None:
    main([*show, "sign", "CARD", "--by", "Tomas"])
    for disk in "AB":
        lines = (tmp_path / disk / "TIDE" / "paperwork" / "show_log.jsonl").read_text().splitlines()
        said = [json.loads(x) for x in lines if json.loads(x)["event"] == "decided"]
        assert [(x["decision"], x["said"]["by"]) for x in said] == [("sign", "Tomas")]


def test_a_roll_name_is_words_on_one_line(show: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    for wrong in ("", "  ", "../../x", "a/b", "a\\b", "..", "A\n012", "A\x1b[2J", "x" * 65):
        assert main([*show, "label", "CARD", wrong]) == 2, wrong
    assert "what stands on the card" in capsys.readouterr().err
    assert main([*show, "label", "CARD", " A 012 "]) == 0
    assert "is roll A 012;" in capsys.readouterr().out
    assert main([*show, "first", "A 012"]) == 0  # it goes by that name from now on
    assert main([*show, "first", " A 012 "]) == 2
