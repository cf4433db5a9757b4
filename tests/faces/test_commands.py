"""Commands as a person or a script calls them: words, files, exit codes."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import OpenEXR
import pytest
from PIL import Image
from PIL.TiffImagePlugin import IFDRational

from ingest.faces.cli.main import MODULES, build, main
from tests.faults.mounts import needs_root, tmpfs

ROOT = Path(__file__).parents[2]


def run(*words: str | Path, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "ingest", *map(str, words)], capture_output=True, text=True, check=False, cwd=cwd,
        env={**os.environ, "PYTHONPATH": str(ROOT)}, timeout=120,
    )


@pytest.fixture
def show(tmp_path: Path) -> Path:
    (tmp_path / "watch").mkdir()
    assert main(["init", str(tmp_path / "show"), "--show", "TIDE", "--timezone", "Europe/Lisbon", "--destination",
                 str(tmp_path / "A"), "--destination", str(tmp_path / "B"), "--watch", str(tmp_path / "watch"),
                 "--one-disk"]) == 0
    return tmp_path / "show"


def test_help_of_every_command_and_wrong_words() -> None:
    parser = build()
    assert len(set(MODULES)) == len(MODULES)
    assert "exit codes" in parser.format_help()
    assert run("--help").returncode == 0
    for words in ((), ("nonsense",), ("init",), ("merge", "a.jpg")):
        assert run(*words).returncode == 2


def test_start_imports_no_heavy_library() -> None:
    code = "import sys; from ingest.faces.cli.main import build; build(); print([m for m in sys.modules])"
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT).stdout
    for heavy in ("numpy", "cv2", "OpenEXR", "pydantic", "structlog", "rawpy", "watchdog", "jinja2"):
        assert f"'{heavy}'" not in loaded, heavy


def test_the_daemon_itself_loads_no_picture_library() -> None:
    """Pictures belong to the workers; each of these would cost the waiting daemon some 15 MiB for ever."""
    code = ("import sys, ingest.faces.daemon.loop, ingest.faces.web.serving\n"
            "print([m.partition('.')[0] for m in sys.modules])")  # fmt: skip
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT).stdout
    for heavy in ("cv2", "OpenEXR", "rawpy", "av", "simplejpeg", "PIL", "pymupdf", "scipy"):
        assert f"'{heavy}'" not in loaded, heavy


def test_init_makes_what_it_says(show: Path) -> None:
    assert (show / "setup_log.csv").read_text() == "day,shot,setup,start,end,camera,lens,notes\n"
    assert (show / "clock_notes.csv").read_text() == "camera,serial,camera_shows,true_time,offset_s,note\n"
    assert "one_disk = true" in (show / "nightloader.toml").read_text()


@pytest.mark.parametrize(
    ("destinations", "watch", "words"),
    [
        (["A"], [], "fewer than two"),
        (["A", "A"], [], "named twice"),
        (["A", "A/inner"], [], "nested"),
        (["W/copy", "B"], ["W"], "in or around the watched place"),
        (["A", "B"], ["A/in"], "in or around the watched place"),
        (["A", "no/such/parent"], [], "neither it nor its parent"),
        (["A", "link"], [], "named twice"),
    ],
)
def test_init_refuses_even_on_one_disk(tmp_path: Path, destinations: list[str], watch: list[str], words: str) -> None:
    for name in ("A", "B", "W"):
        (tmp_path / name).mkdir()
    (tmp_path / "link").symlink_to(tmp_path / "A")
    args = ["init", str(tmp_path / "show"), "--show", "T", "--timezone", "UTC", "--one-disk"]
    args += [w for d in destinations for w in ("--destination", str(tmp_path / d))]
    args += [w for d in watch for w in ("--watch", str(tmp_path / d))]
    done = run(*args)
    assert done.returncode == 2 and words in done.stderr
    assert not (tmp_path / "show" / "nightloader.toml").exists()


def test_two_destinations_on_one_disk_need_the_word(tmp_path: Path) -> None:
    args = ["init", tmp_path / "show", "--show", "T", "--timezone", "UTC", "--destination", tmp_path / "A",
            "--destination", tmp_path / "B"]
    done = run(*args)
    assert done.returncode == 2 and "--one-disk" in done.stderr
    assert not (tmp_path / "A").exists()


@needs_root
@pytest.mark.needs_root
def test_two_destinations_on_a_volume_without_a_name_are_on_one_disk(tmp_path: Path) -> None:
    """A file system in memory has neither identity nor disk; the device tells that it is one."""
    with tmpfs(tmp_path / "memory", "1m"):
        args = ["init", tmp_path / "show", "--show", "T", "--timezone", "UTC", "--destination",
                tmp_path / "memory" / "A", "--destination", tmp_path / "memory" / "B"]
        done = run(*args)
        assert done.returncode == 2 and "same volume" in done.stderr
        assert run(*args, "--one-disk").returncode == 0


def test_init_never_touches_a_show_that_is_there(show: Path, tmp_path: Path) -> None:
    before = (show / "nightloader.toml").read_bytes()
    done = run("init", show, "--show", "OTHER", "--timezone", "UTC", "--destination", tmp_path / "A", "--destination",
               tmp_path / "B", "--one-disk")
    assert done.returncode == 2 and (show / "nightloader.toml").read_bytes() == before


@pytest.mark.usefixtures("show")
def test_identity_of_a_destination_is_kept(tmp_path: Path) -> None:
    before = (tmp_path / "A" / ".nightloader-destination.json").read_bytes()
    assert run("init", tmp_path / "second", "--show", "T", "--timezone", "UTC", "--destination", tmp_path / "A",
               "--destination", tmp_path / "B", "--one-disk").returncode == 0
    assert (tmp_path / "A" / ".nightloader-destination.json").read_bytes() == before


def test_a_disk_that_took_over_leaves_the_old_one_without_a_duty(show: Path, tmp_path: Path) -> None:
    (tmp_path / "one" / "DCIM").mkdir(parents=True)
    (tmp_path / "one" / "DCIM" / "NOTE.TXT").write_text("first card")
    assert run("offload", tmp_path / "one", cwd=show).returncode == 0
    assert run("destination", "add", "../C", "--replaces", "../A", "--one-disk", cwd=show).returncode == 0
    assert [p.split('"')[1] for p in (show / "nightloader.toml").read_text().splitlines() if p.startswith("path =")] \
        == [str(tmp_path / "C"), str(tmp_path / "B")]
    (tmp_path / "A").rename(tmp_path / "broken")
    assert run("watch", "--drain", cwd=show).returncode == 0
    (tmp_path / "two" / "DCIM").mkdir(parents=True)
    (tmp_path / "two" / "DCIM" / "NOTE.TXT").write_text("second card")
    assert run("offload", tmp_path / "two", cwd=show).returncode == 0
    cards = json.loads(run("status", "--json", cwd=show).stdout)["cards"]
    assert [c["policy_met"] for c in cards] == [True, True]
    for card in cards:
        assert {d["path"] for d in card["destinations"] if d["required"]} == {str(tmp_path / "B"), str(tmp_path / "C")}
        assert sorted(p.name for p in (tmp_path / "C" / card["folder"]).rglob("*.TXT")) == ["NOTE.TXT"]


def test_a_disk_that_is_mounted_elsewhere_is_known_by_its_identity(show: Path, tmp_path: Path) -> None:
    """The settings name the new place; what was claimed last on it is read there before it is believed for good."""
    (tmp_path / "one" / "DCIM").mkdir(parents=True)
    (tmp_path / "one" / "DCIM" / "NOTE.TXT").write_text("first card")
    assert run("offload", tmp_path / "one", cwd=show).returncode == 0
    settings = show / "nightloader.toml"
    old, new = tmp_path / "A", tmp_path / "mounted-elsewhere"
    settings.write_text(settings.read_text().replace(f'"{old}"', f'"{new}"'))

    shutil.copytree(old, new)
    twins = run("status", cwd=show)
    assert twins.returncode == 2 and "one is a copy of the other" in twins.stderr and str(old) in twins.stderr

    shutil.rmtree(new)
    old.rename(new)
    (copy,) = new.rglob("NOTE.TXT")
    copy.write_text("other text")  # as long as the first: only reading it tells
    (card,) = json.loads(run("status", "--json", cwd=show).stdout)["cards"]
    assert {d["path"] for d in card["destinations"]} == {str(new), str(tmp_path / "B")}
    run("watch", "--drain", cwd=show)
    status = json.loads(run("status", "--json", cwd=show).stdout)
    assert "claim withdrawn" in {f["kind"] for f in status["findings"]}
    assert not old.exists() and copy.read_text() == "other text"
    assert [p.read_text() for p in new.rglob("NOTE*") if p != copy] == ["first card"]


def test_two_disks_that_changed_places_are_found(show: Path, tmp_path: Path) -> None:
    """Mount points numbered as disks come: the settings name both, and each identity lies under the other's path."""
    for n in ("one", "two"):
        (tmp_path / n / "DCIM").mkdir(parents=True)
        (tmp_path / n / "DCIM" / "NOTE.TXT").write_text(f"card {n}")
    assert run("offload", tmp_path / "one", cwd=show).returncode == 0
    before = {d["id"]: d["path"] for d in json.loads(run("status", "--json", cwd=show).stdout)["destinations"]}
    (tmp_path / "A").rename(tmp_path / "x")
    absent = json.loads(run("status", "--json", cwd=show).stdout)["destinations"]
    assert [d["present"] for d in absent] == [False, True]
    (tmp_path / "B").rename(tmp_path / "A")
    alone = json.loads(run("status", "--json", cwd=show).stdout)["destinations"]
    assert [(d["path"], d["present"]) for d in alone] == [(str(tmp_path / n), False) for n in "AB"]
    (tmp_path / "x").rename(tmp_path / "B")
    assert run("offload", tmp_path / "two", cwd=show).returncode == 0
    said = json.loads(run("status", "--json", cwd=show).stdout)
    after = {d["id"]: d["path"] for d in said["destinations"]}
    assert sorted(after.values()) == sorted(before.values()) and all(after[i] != before[i] for i in before)
    assert [c["policy_met"] for c in said["cards"]] == [True, True]
    assert "another volume" not in {f["kind"] for f in said["findings"]}


def test_a_copied_disk_in_place_of_its_original_counts_once_it_was_read_whole(show: Path, tmp_path: Path) -> None:
    (tmp_path / "one" / "DCIM").mkdir(parents=True)
    for n in range(3):
        (tmp_path / "one" / "DCIM" / f"NOTE{n}.TXT").write_text(f"card, file {n}")
    assert run("offload", tmp_path / "one", cwd=show).returncode == 0
    settings = show / "nightloader.toml"
    text = settings.read_text()
    original, copied = tmp_path / "A", tmp_path / "copied"
    shutil.copytree(original, copied)
    (copy,) = copied.rglob("NOTE1.TXT")
    copy.write_text("card, file ?")
    original.rename(tmp_path / "in the safe")

    settings.write_text(text.replace(f'"{original}"', f'"{copied}"'))
    shutil.copytree(copied, tmp_path / "again")
    settings.write_text(settings.read_text() + f'\n[[destinations]]\npath = "{tmp_path / "again"}"\n')
    twins = run("status", cwd=show)
    assert twins.returncode == 2 and "one is a copy of the other" in twins.stderr
    shutil.rmtree(tmp_path / "again")
    settings.write_text(text.replace(f'"{original}"', f'"{copied}"'))

    before = json.loads(run("status", "--json", cwd=show).stdout)
    (card,) = before["cards"]
    assert not card["policy_met"] and "another volume" in {f["kind"] for f in before["findings"]}
    assert [d["verified"] for d in card["destinations"]] == [False, True]
    run("watch", "--drain", cwd=show)
    after = json.loads(run("status", "--json", cwd=show).stdout)
    kinds = {f["kind"] for f in after["findings"]}
    assert "claim withdrawn" in kinds and "another volume" not in kinds
    assert after["cards"][0]["policy_met"] and copy.read_text() == "card, file ?"  # made good beside it
    assert "card, file 1" in {p.read_text() for p in copied.rglob("NOTE1*")}


def test_status_of_an_empty_show(show: Path) -> None:
    done = run("status", "--json", cwd=show)
    assert done.returncode == 0 and json.loads(done.stdout)["cards"] == []
    assert all(len(line) <= 80 for line in run("status", cwd=show).stdout.splitlines())


def test_wrong_settings_name_the_key_and_end_with_2(show: Path) -> None:
    file = show / "nightloader.toml"
    file.write_text(file.read_text().replace("[watch]", "[wacth]"))
    done = run("status", cwd=show)
    assert done.returncode == 2 and "Did you mean watch?" in done.stderr and "Traceback" not in done.stderr


def bracket(folder: Path) -> list[Path]:
    """Five JPEGs of one scene, sRGB, one stop apart, with the exposure in the header."""
    rng = np.random.default_rng(7)
    scene = np.clip(np.exp(rng.normal(-2, 1.0, (16, 24, 1))) * np.ones((16, 24, 3)), 0.004, 4).repeat(8, 0).repeat(8, 1)
    files = []
    for n, marks in enumerate([(1, 500), (1, 250), (1, 125), (1, 60), (1, 30)]):
        light = np.clip(scene * 2.0**n / 8, 0, 1)
        code = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
        image = Image.fromarray(np.round(code * 255).astype(np.uint8))
        exif = Image.Exif()
        exif[0x010F], exif[0x0110] = "Brumelle", "Orb Twelve"
        inner = exif.get_ifd(0x8769)
        inner[0x829A], inner[0x829D], inner[0x8827] = IFDRational(*marks), IFDRational(4, 1), 100
        inner[0x9003] = f"2026:04:14 10:00:0{n}"
        path = folder / f"F{n}.JPG"
        image.save(path, quality=95, exif=exif)
        files.append(path)
    return files


def test_merge_without_a_show(tmp_path: Path) -> None:
    files = bracket(tmp_path)
    out = tmp_path / "out.exr"
    done = run("merge", *files, "--out", out)
    assert done.returncode in (0, 1), done.stderr
    record = json.loads((tmp_path / "out.json").read_text())
    assert [round(1 / f["exposure_s"]) for f in sorted(record["frames"], key=lambda f: f["exposure_s"])] == [
        512, 256, 128, 64, 32]  # 1/500 is 1/512 s: CIPA DC-008, APEX values of annex C
    assert (tmp_path / "out.jpg").read_bytes()[:2] == b"\xff\xd8"
    pixels = OpenEXR.File(str(out)).channels()["RGB"].pixels
    assert pixels.shape == (128, 192, 3) and np.isfinite(pixels).all()
    again = run("merge", *files, "--out", out)
    assert again.returncode == 2 and "there already" in again.stderr
    assert not list(tmp_path.glob(".nl-*"))


def test_merge_of_a_broken_frame_names_it_and_leaves_nothing(tmp_path: Path) -> None:
    files = bracket(tmp_path)
    files[2].write_bytes(files[2].read_bytes()[:700])
    done = run("merge", *files, "--out", tmp_path / "out.exr")
    assert done.returncode == 1 and "F2.JPG" in done.stderr
    assert not list(tmp_path.glob("out.*")) and not list(tmp_path.glob(".nl-*"))


def test_offload_file_and_audit(show: Path, tmp_path: Path) -> None:
    card = tmp_path / "CARD"
    (card / "DCIM" / "100TIDE_").mkdir(parents=True)
    for n, file in enumerate(bracket(tmp_path)):
        file.rename(card / "DCIM" / "100TIDE_" / f"TIDE000{n + 1}.JPG")
    done = run("offload", card, cwd=show)
    assert done.returncode in (0, 1), done.stderr
    status = json.loads(run("status", "--json", cwd=show).stdout)
    assert [c["policy_met"] for c in status["cards"]] == [True] and status["cards"][0]["files"] == 5
    folder = status["cards"][0]["folder"]
    for name in ("A", "B"):
        assert (tmp_path / name / folder / "DCIM" / "100TIDE_" / "TIDE0003.JPG").is_file()
    probes = json.loads(run("probes", "--json", cwd=show).stdout)
    assert len(probes) == 1 and probes[0]["shot"] is None and "unfiled" in probes[0]["exr"]
    assert [round(1 / f["exposure_s"]) for f in probes[0]["frames"]] == [512, 256, 128, 64, 32]
    assert run("file", probes[0]["id"], "--shot", "T010", "--setup", "7A", cwd=show).returncode == 0
    filed = json.loads(run("probes", "--json", cwd=show).stdout)[0]
    assert (filed["shot"], filed["setup"]) == ("T010", "7A") and Path(filed["exr"]).is_file()
    assert "shots/T010/7A" in filed["exr"] and not (tmp_path / "A" / "TIDE" / "unfiled").exists()
    assert Path(filed["exr"]).is_relative_to(tmp_path / "A")  # at the first destination, as the contract says
    log = (tmp_path / "B" / "TIDE" / "paperwork" / "show_log.jsonl").read_text().splitlines()
    events = [json.loads(line)["event"] for line in log]
    assert [e for e in events if e in ("filed", "moved")] == ["filed", "moved"]
    report = json.loads(run("audit", "--json", cwd=show).stdout)
    assert report["losses"] == 0 and report["cards"][0]["policy_met"]
    victim = tmp_path / "A" / folder / "DCIM" / "100TIDE_" / "TIDE0002.JPG"
    data = bytearray(victim.read_bytes())
    data[1000] ^= 1
    victim.write_bytes(data)
    audit = run("audit", cwd=show)
    assert audit.returncode == 1 and "TIDE0002.JPG" in audit.stdout and "1 of 2" in audit.stdout
    assert json.loads(run("status", "--json", cwd=show).stdout)["cards"][0]["policy_met"] is False
