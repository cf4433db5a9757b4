"""A merged picture as the morning report shows it."""

from __future__ import annotations

import base64
import io
from typing import Any

import numpy as np
import pytest
import simplejpeg

from ingest.errors import Unreadable
from ingest.machinery.worker import exr
from ingest.machinery.worker.jobs import linear_picture, looks
from ingest.steps.light import balls
from ingest.steps.panorama.raster import Layout, Raster


def ask(rgb: np.ndarray, **facts: Any) -> dict[str, Any]:
    file = io.BytesIO()
    file.name = "x.exr"  # type: ignore[attr-defined]
    exr.write(file, {"RGB": np.ascontiguousarray(rgb, np.float32)}, facts)
    file.seek(0)
    return looks.run({"width": 128, "kind": "lat-long"}, [file], lambda _: None)


def codes(said: dict[str, Any]) -> np.ndarray:
    return simplejpeg.decode_jpeg(base64.b64decode(said["jpeg"]), "RGB")


def test_exposures_are_four_stops_apart_and_middle_grey_in_the_middle() -> None:
    """18 % grey is sRGB code 118 (IEC 61966-2-1), four stops less 26 and four stops more white."""
    answer = ask(np.full((64, 128, 3), 3.0))
    dark, middle, bright = (codes(e) for e in answer["exposures"])
    assert [e["name"] for e in answer["exposures"]] == ["-4", "+0", "+4"]
    assert abs(float(middle.mean()) - 118) <= 2 and abs(float(dark.mean()) - 26) <= 2 and bright.min() >= 254
    assert answer["balls"] == []  # nobody said that it is a lat-long


def test_the_histogram_counts_whole_stops() -> None:
    rgb = np.full((64, 128, 3), 0.3)  # between -2 and -1 stop
    rgb[:16] = 5.0  # a quarter, between 2 and 3
    rgb[-1] = 0.0  # black has no stop
    answer = ask(rgb)
    assert answer["from_stop"] == -2 and len(answer["histogram"]) == 5
    assert answer["histogram"][0] == pytest.approx(47 / 63, abs=1e-5)
    assert answer["histogram"][4] == pytest.approx(16 / 63, abs=1e-5)


def test_balls_in_a_white_furnace_are_flat() -> None:
    """Irradiance under constant radiance L is pi L, so a matte ball of 0.18 looks 0.18 L all over, a mirror L."""
    answer = ask(np.full((64, 128, 3), 1.0), envmap="latlong")
    grey, mirror = (codes(b) for b in answer["balls"])
    middle = slice(50, 110)
    assert abs(float(grey[middle, middle].mean()) - 50) <= 3  # 0.18 x 0.18 of white
    assert abs(float(mirror[middle, middle].mean()) - 118) <= 3
    assert grey[middle, middle].std() < 3 and mirror[middle, middle].std() < 3


def test_nothing_and_no_number_cost_no_crash(monkeypatch: pytest.MonkeyPatch) -> None:
    assert ask(np.zeros((32, 64, 3)))["histogram"] == []
    odd = np.full((32, 64, 3), np.nan)
    odd[0] = np.inf
    odd[1] = -1.0
    with pytest.raises(Unreadable):
        looks.run({}, [io.BytesIO(b"no picture")], lambda _: None)
    # Ours never hold what is no number, but somebody else's may lie there.
    read = linear_picture.LinearPicture(rgb=odd.astype(np.float32), header={"envmap": "latlong"})
    monkeypatch.setattr(linear_picture, "read", lambda _: read)
    assert len(looks.run({"width": 64}, [io.BytesIO()], lambda _: None)["exposures"]) == 3


def test_the_quick_grey_ball_is_the_exact_one_to_the_eye() -> None:
    """Against the step's own ball, which adds up every normal: a sun, a sky and walls."""
    lights = np.full((256, 512, 3), 0.2, np.float32)
    lights[60:64, 300:304] = 4e3
    lights[:100] += np.float32([0.3, 0.5, 1.0])
    lights[120:180, 100:200] *= np.float32(8.0)
    raster = Raster(height=256, width=512, layout=Layout.CENTRES)
    exact = balls.grey_ball(lights, raster, size=looks.BALL)
    assert np.abs(looks.grey_ball(lights, raster) - exact).max() <= 0.02 * exact.max()
