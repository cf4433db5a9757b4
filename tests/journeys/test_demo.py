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

PLAIN = {k: v for k, v in ENVIRONMENT.items() if k != "PYTHONPATH"}


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path | None:
    """The program of a wheel in a new environment; None where no package index is within reach."""
    folder = tmp_path_factory.mktemp("wheel")
    made = subprocess.run([sys.executable, "-m", "pip", "wheel", "--no-deps", "-q", "-w", str(folder), str(ROOT)],
                          capture_output=True, text=True, env=PLAIN, check=False)
    if made.returncode != 0 and "No matching distribution" in made.stderr + made.stdout:
        return None
    assert made.returncode == 0, made.stderr
    venv.create(folder / "new", with_pip=True)
    scripts = folder / "new" / ("Scripts" if sys.platform == "win32" else "bin")
    wheel = next(folder.glob("nightloader-*.whl"))
    done = subprocess.run([str(scripts / "python"), "-m", "pip", "install", "-q", str(wheel)], capture_output=True,
                          text=True, env=PLAIN, check=False)
    assert done.returncode == 0, done.stderr
    return scripts / "nightloader"


@pytest.fixture(scope="module")
def rehearsed(installed: Path | None, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo run once: by the wheel's program, or where there is none by the checkout's."""
    parent = tmp_path_factory.mktemp("demo")
    program = [str(installed)] if installed else [sys.executable, "-m", "ingest"]
    done = subprocess.run([*program, "demo", "--dir", str(parent / "show")], capture_output=True, text=True,
                          timeout=300, env=PLAIN if installed else ENVIRONMENT, cwd=parent if installed else ROOT,
                          check=False)  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    return parent / "show"


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
            got = np.asarray(file.channels()["RGB"].pixels, dtype=np.float64)
        truth = scene.latlong(row["scene"], *row["size"])
        fair = (truth.min(-1) > 1e-4) & (truth.max(-1) < 4)
        ratio = got[..., 1][fair] / truth[..., 1][fair]
        assert got.shape == truth.shape and np.isfinite(got).all()
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


@pytest.mark.slow
def test_the_wheel_in_a_new_environment_runs_the_demo(installed: Path | None, rehearsed: Path) -> None:
    if installed is None:
        pytest.skip("no package index within reach: the demo ran from the checkout")
    assert len(_probes(rehearsed)) == len(lay.truth()["sets"])
