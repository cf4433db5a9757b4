"""``merge`` as a person runs it: what it prints and writes, the comparison picture, and Ctrl-C."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from pathlib import Path

import cv2
import numpy as np
import pytest

from ingest.faces.cli.main import main
from tests import brackets
from tests.journeys.shows import ENVIRONMENT


@pytest.fixture(scope="module")
def frames(tmp_path_factory: pytest.TempPathFactory) -> list[str]:
    """Five TIFF frames of a known scene, whose headers say nothing: exposures are given."""
    folder = tmp_path_factory.mktemp("frames")
    bracket = brackets.make(brackets.scene(256, 128), brackets.Body(), brackets.times(5, 2, 1 / 1024))
    for k, shot in enumerate(bracket.shots):
        (folder / f"f{k}.tif").write_bytes(shot.data)
    return sorted(map(str, folder.glob("*.tif")))


def given(frames: list[str], out: Path) -> list[str]:
    exposures = [f"--exposure=1/{1024 >> 2 * k}" for k in range(len(frames))]
    return ["merge", *frames, *exposures, "--out", str(out)]


def test_it_says_what_it_decided_and_draws_the_comparison(
    frames: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    sheet = tmp_path / "why.png"
    main([*given(frames, tmp_path / "p.exr"), "--compare", str(sheet)])
    said = capsys.readouterr().out
    assert "response: linear" in said and "exposures refined" in said and "alignment:" in said
    assert sorted(p.name for p in tmp_path.iterdir()) == ["p.exr", "p.jpg", "p.json", "why.png"]
    drawn = cv2.imread(str(sheet))
    assert drawn is not None and drawn.shape[1] == 5 * 314 + 14
    # each frame as shot, and its share in the result: the shortest in the lamps, the longest in the shadows
    width = (drawn.shape[1] - 14) // 5
    cells = [drawn[:, 14 + k * width : 314 + k * width].astype(float) for k in range(5)]
    rows = slice(112, 262)  # the row of frames: heading, three lines of text, then 300 x 150
    bright = [cell[rows].mean() for cell in cells]
    assert bright == sorted(bright) and bright[-1] > 2 * bright[0]
    shares = [cell[266:416].mean() for cell in cells]
    assert shares[-1] > shares[0] and 150 < sum(shares) < 330  # they add up to the whole, 255


def test_a_quick_look_is_the_same_picture_less_the_care(
    frames: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    import OpenEXR

    main(given(frames, tmp_path / "p.exr"))
    main([*given(frames, tmp_path / "q.exr"), "--quick", "--encoding=linear"])
    capsys.readouterr()
    careful, quick = (OpenEXR.File(str(tmp_path / f"{n}.exr")).channels() for n in "pq")
    assert "sigma.Y" in careful and "sigma.Y" not in quick
    ratio = quick["RGB"].pixels.astype(float) / np.maximum(careful["RGB"].pixels.astype(float), 1e-9)
    assert np.median(ratio) == pytest.approx(1, abs=0.003)
    assert json.loads((tmp_path / "q.json").read_text())["frames"][0]["correction"] == 1.0


def test_a_comparison_of_another_kind_is_refused(frames: list[str], tmp_path: Path) -> None:
    assert main([*given(frames, tmp_path / "p.exr"), "--compare", str(tmp_path / "x.gif")]) == 2
    assert not list(tmp_path.iterdir())


def _heeds_ctrl_c() -> None:
    """Tests that run in the background of a shell inherit that Ctrl-C is ignored."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)


@pytest.mark.skipif(sys.platform == "win32", reason="no SIGINT to another process there")
def test_ctrl_c_ends_it_and_leaves_nothing(tmp_path: Path) -> None:
    bracket = brackets.make(brackets.scene(300, 150), brackets.Body(), brackets.times(4, 2, 1 / 1024))
    source, target = tmp_path / "in", tmp_path / "out"
    source.mkdir()
    target.mkdir()
    for k, shot in enumerate(bracket.shots):
        small = cv2.imdecode(np.frombuffer(shot.data, np.uint8), cv2.IMREAD_UNCHANGED)
        cv2.imwrite(str(source / f"f{k}.tif"), np.tile(small, (8, 8, 1)))  # a merge long enough to be stopped
    asked = given(sorted(map(str, source.glob("*.tif"))), target / "p.exr")
    running = subprocess.Popen([sys.executable, "-m", "ingest", *asked, "--compare", str(target / "c.png")],
                               env=ENVIRONMENT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
                               preexec_fn=_heeds_ctrl_c)  # fmt: skip
    for _ in range(400):  # until it writes
        if list(target.iterdir()) or running.poll() is not None:
            break
        time.sleep(0.02)
    assert running.poll() is None, running.communicate()
    running.send_signal(signal.SIGINT)
    out, err = running.communicate(timeout=30)
    assert running.returncode == 130, out + err
    assert not list(target.iterdir()) and "Traceback" not in err


def test_a_folder_in_the_place_of_a_frame_is_told(
    frames: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Most systems open one, and only the first read of it fails, in the worker."""
    assert main(["merge", str(Path(frames[0]).parent), "--out", str(tmp_path / "p.exr")]) == 2
    said = capsys.readouterr().err
    assert "is a folder" in said and "by name" in said and "Errno" not in said
    assert not list(tmp_path.iterdir())
