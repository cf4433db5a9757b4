"""The demo as a person runs it, from the checkout and from a wheel in a new environment."""

from __future__ import annotations

import json
import subprocess
import sys
import venv
from pathlib import Path

import numpy as np
import pytest

from ingest.faces.cli import lay
from sample_cards import scene
from tests.journeys.shows import ENVIRONMENT, ROOT

EVERY = 5  # of so many rows and columns of a picture one is held against the scene
PLAIN = {k: v for k, v in ENVIRONMENT.items() if k != "PYTHONPATH"}


@pytest.fixture(scope="session")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("wheel")
    made = subprocess.run([sys.executable, "-m", "pip", "wheel", "--no-deps", "-q", "-w", str(folder), str(ROOT)],
                          capture_output=True, text=True, env=PLAIN, check=False)
    if made.returncode != 0 and "No matching distribution" in made.stderr + made.stdout:
        pytest.skip("no package index within reach to fetch what builds the wheel")
    assert made.returncode == 0, made.stderr
    return next(folder.glob("nightloader-*.whl"))


def _rehearse(program: list[str], parent: Path, environment: dict[str, str]) -> Path:
    done = subprocess.run([*program, "demo", "--dir", str(parent / "rehearsal")], capture_output=True, text=True,
                          timeout=300, env=environment, cwd=parent, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    return parent / "rehearsal"


@pytest.fixture(scope="module")
def rehearsed(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo run once by what the wheel holds, beside the libraries that are here."""
    parent = tmp_path_factory.mktemp("demo")
    unpacked = parent / "unpacked"
    pip = [sys.executable, "-m", "pip", "install", "-q", "--no-deps", "--target", str(unpacked), str(wheel)]
    done = subprocess.run(pip, capture_output=True, text=True, env=PLAIN, check=False)
    assert done.returncode == 0, done.stderr
    environment = {**PLAIN, "PYTHONPATH": str(unpacked)}
    where = subprocess.run([sys.executable, "-c", "import ingest; print(ingest.__file__)"], capture_output=True,
                           text=True, env=environment, cwd=parent, check=True)
    assert Path(where.stdout.strip()).is_relative_to(unpacked)
    return _rehearse([sys.executable, "-m", "ingest"], parent, environment)


def _probes(folder: Path) -> list[dict[str, object]]:
    done = subprocess.run([sys.executable, "-m", "ingest", "--config", str(folder / "show" / "nightloader.toml"),
                           "probes", "--json"], capture_output=True, text=True, env=ENVIRONMENT, check=False)
    return list(json.loads(done.stdout))


@pytest.mark.slow
def test_the_merged_pictures_are_the_scene(rehearsed: Path) -> None:
    """Each lat-long against the radiance it was made from, where no frame clips and light is not drowned."""
    import OpenEXR

    by_file = {Path(str(row["frames"][0]["files"][0])).name: row for row in lay.truth()["sets"]}
    checked = 0
    for probe in _probes(rehearsed):
        row = by_file[Path(probe["frames"][0]["files"][0]["path"]).name]  # type: ignore[index]
        if row["projection"] != "lat-long":
            continue
        with OpenEXR.File(str(probe["exr"])) as file:
            pixels = np.asarray(file.channels()["RGB"].pixels, dtype=np.float64)
        assert pixels.shape == (row["size"][1], row["size"][0], 3) and np.isfinite(pixels).all()
        got = pixels[::EVERY, ::EVERY]
        truth = scene.latlong(row["scene"], *row["size"], every=EVERY)
        fair = (truth.min(-1) > 1e-4) & (truth.max(-1) < 4)
        ratio = got[..., 1][fair] / truth[..., 1][fair]
        assert np.median(ratio) == pytest.approx(1.0, abs=0.01), row["name"]
        slope = np.polyfit(np.log(truth[..., 1][fair]), np.log(np.maximum(got[..., 1][fair], 1e-9)), 1)[0]
        assert slope == pytest.approx(1.0, abs=0.01), row["name"]
        checked += 1
    assert checked == 5


@pytest.mark.slow
def test_nothing_is_laid_into_a_folder_in_use(rehearsed: Path) -> None:
    done = subprocess.run([sys.executable, "-m", "ingest", "demo", "--dir", str(rehearsed)], capture_output=True,
                          text=True, env=ENVIRONMENT, check=False)
    assert done.returncode == 2 and "not empty" in done.stderr


@pytest.mark.campaign
def test_the_wheel_in_a_new_environment_runs_the_demo(wheel: Path, tmp_path: Path) -> None:
    venv.create(tmp_path / "new", with_pip=True)
    scripts = tmp_path / "new" / ("Scripts" if sys.platform == "win32" else "bin")
    done = subprocess.run([str(scripts / "python"), "-m", "pip", "install", "-q", str(wheel)], capture_output=True,
                          text=True, env=PLAIN, check=False)
    assert done.returncode == 0, done.stderr
    assert len(_probes(_rehearse([str(scripts / "nightloader")], tmp_path, PLAIN))) == len(lay.truth()["sets"])
