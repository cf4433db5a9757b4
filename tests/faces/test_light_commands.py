"""``panorama`` and ``light`` as a person runs them, workers and all."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import OpenEXR
import pytest

from ingest.faces.cli.main import main
from ingest.records import rasters
from ingest.steps.light import rescue
from tests import scenes
from tests.bench.light import photographed_ball
from tests.steps.panorama.test_projection import file, two


@pytest.fixture(scope="module")
def burst(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with one merged two-lens view and its lens numbers, JSON and TOML."""
    folder = tmp_path_factory.mktemp("burst")
    picture = scenes.fisheye(scenes.outdoor(seed=3), two(), (801, 401), parts=1).astype(np.float32)
    OpenEXR.File({"whiteLuminance": 1000.0}, {"RGB": picture}).write(str(folder / "view.exr"))
    numbers = file(two()).to_json()
    (folder / "lens.json").write_text(json.dumps(numbers), encoding="utf-8")
    lenses = "\n".join(
        "[[lenses]]\n" + "\n".join(f"{k} = {json.dumps(v)}" for k, v in one.items()) for one in numbers["lenses"]
    )
    (folder / "lens.toml").write_text(f'kind = "dual-fisheye"\ncalibration = "exact"\n{lenses}\n', encoding="utf-8")
    return folder


def test_from_view_to_light(burst: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out, record = tmp_path / "p.exr", tmp_path / "p.json"
    view, lens = str(burst / "view.exr"), str(burst / "lens.toml")
    asked = ["panorama", view, "--lens", lens, "--out", str(out), "--width", "512"]
    assert main([*asked, "--record", str(record)]) == 0
    made = OpenEXR.File(str(out))
    assert made.header()["envmap"] == OpenEXR.ENVMAP_LATLONG and made.header()["whiteLuminance"] == 1000.0
    assert made.header()[rasters.ATTRIBUTE] == rasters.ON_EDGES
    assert made.channels()["coverage"].pixels.min() >= 1
    told = json.loads(record.read_text(encoding="utf-8"))
    assert told["coverage"]["share"] == pytest.approx(1) and told["seam"]["level_stops"] < 0.01
    assert main([*asked]) == 2  # the name is taken
    assert sorted(p.name for p in tmp_path.iterdir()) == ["p.exr", "p.json"]  # nothing else is left behind
    capsys.readouterr()
    balls = [f"--{k}={tmp_path / k}.exr" for k in ("convolved", "grey-ball", "mirror-ball")]
    assert main(["light", str(out), "--previous", str(out), "--json", *balls]) == 0
    answer = json.loads(capsys.readouterr().out)
    sun = scenes.outdoor(seed=3).discs[0]
    assert np.degrees(np.arccos(np.dot(answer["lights"][0]["direction"], sun.direction))) < 0.1
    assert answer["lights"][0]["irradiance_rgb"][1] == pytest.approx(sun.irradiance[1], rel=0.02)
    assert answer["difference"]["key_moved_deg"] == 0 and answer["difference"]["key_stops"] == 0
    assert set(answer) >= {"lights", "total_rgb", "sh_radiance", "irradiance", "key_to_fill", "difference"}
    ball = OpenEXR.File(str(tmp_path / "grey-ball.exr")).channels()["RGB"].pixels
    assert ball.shape == (256, 256, 3) and np.isfinite(ball).all() and ball[0, 0].max() == 0 < ball[128, 128].min()


def test_calibrating_writes_numbers_with_sigmas(burst: Path, tmp_path: Path) -> None:
    out, refined = tmp_path / "p.exr", tmp_path / "l.json"
    view, lens = str(burst / "view.exr"), str(burst / "lens.json")
    asked = ["panorama", view, "--lens", lens, "--out", str(out), "--width", "256"]
    assert main([*asked, "--calibrate", "--lens-out", str(refined)]) == 0
    told = json.loads(refined.read_text(encoding="utf-8"))
    assert {"cx", "cy", "f", "k", "R", "vig", "gain"} <= set(told["lenses"][1]["sigma"])
    assert "field of view not proven" in told["notes"][0]


@pytest.mark.parametrize(("content", "words"), [
    ("{", "is no"), ("[]", "no table"), ('{"kind": "fisheye"}', "needs 1"), ('{"kind": "tent"}', "none of"),
])  # fmt: skip
def test_a_wrong_lens_file_is_refused(
    burst: Path, tmp_path: Path, content: str, words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    lens = tmp_path / "l.json"
    lens.write_text(content, encoding="utf-8")
    assert main(["panorama", str(burst / "view.exr"), "--lens", str(lens), "--out", str(tmp_path / "p.exr")]) == 2
    assert words in capsys.readouterr().err
    assert not (tmp_path / "p.exr").exists()


def test_what_is_no_probe_is_refused_by_name(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    rubbish = tmp_path / "x.exr"
    rubbish.write_bytes(b"\x76\x2f\x31\x01" + bytes(200))
    square = tmp_path / "square.exr"
    OpenEXR.File({}, {"RGB": np.ones((64, 64, 3), np.float32)}).write(str(square))
    empty = tmp_path / "empty.exr"
    OpenEXR.File({}, {"RGB": np.full((32, 64, 3), np.nan, np.float32)}).write(str(empty))
    nothing = tmp_path / "nothing.exr"
    nothing.write_bytes(b"")
    for path in (rubbish, square, empty, nothing, tmp_path / "none.exr"):
        assert main(["light", str(path), "--json"]) in (1, 2)
        assert path.name in capsys.readouterr().err


def test_of_several_files_the_wrong_one_is_named(
    burst: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Empty, no EXR, and cut short: in plain words, and not of the file beside it."""
    whole = (burst / "view.exr").read_bytes()
    probe = tmp_path / "probe.exr"
    OpenEXR.File({}, {"RGB": np.ones((32, 64, 3), np.float32)}).write(str(probe))
    wrong = tmp_path / "wrong.exr"
    view, lens, out = str(burst / "view.exr"), str(burst / "lens.json"), str(tmp_path / "p.exr")
    views = json.dumps({**json.loads(Path(lens).read_text(encoding="utf-8")), "views": [{}, {}]})
    (tmp_path / "two.json").write_text(views, encoding="utf-8")
    for content, words in ((b"", "empty"), (b"no picture" * 9, "no OpenEXR"), (whole[: len(whole) // 2], "damaged")):
        wrong.write_bytes(content)
        for asked in (["light", str(probe), "--previous", str(wrong)],
                      ["panorama", view, "--view", str(wrong), "--lens", str(tmp_path / "two.json"), "--out", out]):
            assert main(asked) in (1, 2, 3)
            said = capsys.readouterr().err
            assert "wrong.exr" in said and words in said and "buffer" not in said, (asked, said)
            assert "view.exr:" not in said and "probe.exr:" not in said


def test_a_clipped_source_is_estimated_beside_what_was_measured(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    scene = scenes.outdoor(seed=3, sun=scenes.at(40, 35))
    whole = scenes.latlong(scene, 256, parts=1, discs=40)
    held = np.minimum(whole, 40.0).astype(np.float32)
    support = np.where((whole > 40.0).any(axis=2), 0, 3).astype(np.float16)
    header = {"envmap": OpenEXR.ENVMAP_LATLONG, "whiteLuminance": 1000.0}
    probe, ball, out = (tmp_path / name for name in ("probe.exr", "ball.exr", "est.exr"))
    OpenEXR.File(dict(header), {"RGB": held, "support.frames": support}).write(str(probe))
    seen = photographed_ball(whole, rescue.turned(np.radians([220.0, 2.0, -1.0])), np.random.default_rng(1), level=0.0)
    OpenEXR.File({"whiteLuminance": 500.0}, {"RGB": (2 * seen).astype(np.float32)}).write(str(ball))
    asked = ["light", str(probe), "--ball", str(ball), "--ball-outline", "29.5,29.5,27"]
    assert main([*asked, "--estimated", str(out), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    plain = main(["light", str(probe), "--json"]), json.loads(capsys.readouterr().out)
    assert plain[0] == 0 and {k: v for k, v in told.items() if "estimate" not in k} == plain[1]  # the measured stays
    (one,) = told["estimates"]
    sun = scene.discs[0]
    whole_sun = np.array(one["with_it"]["irradiance_rgb"])
    assert np.allclose(whole_sun, sun.irradiance, rtol=0.05) and "not measured" in one["label"]
    assert abs(one["missing_irradiance_rgb"][1] / sun.irradiance[1] - 1) < 3 * one["relative_sigma"]
    assert "not measured" in OpenEXR.File(str(out)).header()["comments"]
    assert main(asked) == 0
    assert "ESTIMATE" in capsys.readouterr().out
    assert main(["light", str(probe), "--sun"]) == 0
    assert "clear sky" in capsys.readouterr().out
    silent = tmp_path / "silent.exr"  # a foreign probe does not say what clips; its brightest pixels are that
    OpenEXR.File(dict(header), {"RGB": held}).write(str(silent))
    assert main(["light", str(silent), *asked[2:], "--json"]) == 0
    (guessed,) = json.loads(capsys.readouterr().out)["estimates"]
    assert "brightest pixels" in " ".join(guessed["notes"])
    assert np.allclose(guessed["missing_irradiance_rgb"], one["missing_irradiance_rgb"], rtol=0.02)
    assert main([*asked, "--ball-outline", "1,2"]) == 2 and main([*asked, "--ball-reflectance", "7"]) == 2
    assert main(["light", str(probe), "--estimated", str(out)]) == 2


def test_what_clips_in_every_frame_is_known_after_stitching_too(
    burst: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A sun that two lenses show, held by no frame: the lat-long says so, and its light is "at least"."""
    picture = OpenEXR.File(str(burst / "view.exr")).channels()["RGB"].pixels
    held = np.minimum(picture, 40.0)
    support = np.where((picture > 40.0).any(axis=2), 0, 5).astype(np.float16)
    view, out, record = tmp_path / "v.exr", tmp_path / "p.exr", tmp_path / "p.json"
    OpenEXR.File({"whiteLuminance": 1000.0}, {"RGB": held, "support.frames": support}).write(str(view))
    lens = str(burst / "lens.json")
    asked = ["panorama", str(view), "--lens", lens, "--out", str(out), "--width", "512"]
    assert main([*asked, "--record", str(record)]) == 0
    said = capsys.readouterr().out
    layer = OpenEXR.File(str(out)).channels()["clipped"].pixels
    assert 0 < layer.sum() < 60 and set(np.unique(layer)) == {0, 1}
    told = json.loads(record.read_text(encoding="utf-8"))
    made = {c["check"]: c for c in told["checks"]}
    assert made["flare"]["made"] and 0 < made["flare"]["share"] < 1
    assert not made["tilt"]["made"] and made["tilt"]["why"] and "not checked for tilt" in said
    assert main(["light", str(out), "--json"]) == 0
    lights = json.loads(capsys.readouterr().out)["lights"]
    sun = scenes.outdoor(seed=3).discs[0]
    (lost,) = [light for light in lights if light["at_least"]]
    assert np.degrees(np.arccos(np.dot(lost["direction"], sun.direction))) < 0.5


@pytest.mark.parametrize("command", ["light", "panorama"])
def test_what_a_command_cannot_take_is_said_with_what_it_wants(
    burst: Path, tmp_path: Path, command: str, capsys: pytest.CaptureFixture[str]
) -> None:
    note = tmp_path / "x.JPG"
    note.write_bytes(b"\xff\xd8\xff\xe0" + bytes(64))
    more = [] if command == "light" else ["--lens", str(burst / "lens.json"), "--out", str(tmp_path / "o.exr")]
    for path in (note, tmp_path):
        assert main([command, str(path), *more]) == 2
        said = capsys.readouterr().err
        assert path.name in said and ("OpenEXR" in said or "frame" in said), said
    assert not (tmp_path / "o.exr").exists()
