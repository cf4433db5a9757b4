"""The panorama's job: what it does with a ball's hinted outline, and which pictures it refuses."""

from __future__ import annotations

import io
from typing import Any

import numpy as np
import pytest

from ingest.errors import Unreadable
from ingest.machinery.worker import exr
from ingest.machinery.worker.jobs import panorama
from tests import scenes

CIRCLE = (100.4, 99.2, 86.3)


def stored(picture: np.ndarray) -> io.BytesIO:
    out = io.BytesIO()
    exr.write(out, {"RGB": np.ascontiguousarray(picture, np.float32)}, {})
    return out


def made(lens: dict[str, Any], pictures: list[np.ndarray], **more: Any) -> dict[str, Any]:
    asked = {"lens": lens, "views": len(pictures), "width": 128, **more}
    return panorama.run(asked, [*(stored(p) for p in pictures), io.BytesIO()], lambda _: None)


def ball(key: str, circle: tuple[float, float, float]) -> dict[str, Any]:
    view = {"focal_px": 1400.0, "reflectivity_normal": [0.6, 0.6, 0.58],
            key: dict(zip(("cx", "cy", "radius_px"), circle, strict=True))}  # fmt: skip
    return {"kind": "mirror-ball", "calibration": "nominal", "views": [view]}


def test_a_hinted_outline_is_refined_and_a_given_one_is_kept() -> None:
    picture = scenes.ball(scenes.room(seed=6), (201, 201), CIRCLE, 1400.0)
    hint = (CIRCLE[0] + 3, CIRCLE[1] - 2, CIRCLE[2] + 2)
    hinted = made(ball("outline_hint", hint), [picture])
    outline, sigma = (hinted["lens"]["views"][0][k] for k in ("outline", "sigma"))
    for key, true, guess in zip(("cx", "cy", "radius_px"), CIRCLE, hint, strict=True):
        assert abs(outline[key] - true) < min(2 * sigma[key], abs(guess - true)), key
    assert [f["kind"] for f in hinted["findings"] if "edge alone" in f["what"]] == ["uncalibrated"]
    given = made(ball("outline", CIRCLE), [picture])
    assert given["lens"]["views"][0]["outline"] == dict(zip(("cx", "cy", "radius_px"), CIRCLE, strict=True))
    assert not any("edge alone" in f["what"] for f in given["findings"])


FISHEYE = {"kind": "fisheye", "lenses": [{"cx": 50.0, "cy": 50.0, "f": 30.0, "fov": 190.0, "model": "equidistant",
                                          "R": np.diag([-1.0, -1.0, 1.0]).tolist()}]}  # fmt: skip


@pytest.mark.parametrize(("sizes", "words"), [
    (((101, 101), (121, 121)), "101x101, 121x121"), (((101, 101), (101, 121)), "differ in size"),
    (((8, 8),), "too small"), (((101, 6),), "too small"),
])  # fmt: skip
def test_views_of_different_size_and_tiny_ones_are_refused(sizes: tuple[tuple[int, int], ...], words: str) -> None:
    lens = {**FISHEYE, "views": [{"heading_deg": 90.0 * i} for i in range(len(sizes))]}
    with pytest.raises(Unreadable, match=words) as refused:
        made(lens, [np.full((h, w, 3), 0.5) for h, w in sizes])
    assert refused.value.next


def test_balls_may_differ_in_size() -> None:
    pictures = [scenes.ball(scenes.room(seed=6), (n, n), (n / 2, n / 2, 0.4 * n), 7.0 * n) for n in (121, 141)]
    views = [{"heading_deg": 90.0 * i, "focal_px": 7.0 * n, "outline": {"cx": n / 2, "cy": n / 2, "radius_px": 0.4 * n}}
             for i, n in enumerate((121, 141))]  # fmt: skip
    record = made({"kind": "mirror-ball", "calibration": "exact", "views": views}, pictures)
    assert record["views"] == 2 and record["coverage"]["share"] > 0.99


def test_the_view_that_cannot_be_read_is_named() -> None:
    lens = {**FISHEYE, "views": [{"heading_deg": 0.0}, {"heading_deg": 90.0}]}
    good, bad = stored(np.full((101, 101, 3), 0.5)), io.BytesIO(b"no picture")
    with pytest.raises(Unreadable, match="no OpenEXR") as refused:
        panorama.run({"lens": lens, "views": 2, "width": 64, "names": ["one.exr", "two.exr"]},
                     [good, bad, io.BytesIO()], lambda _: None)  # fmt: skip
    assert refused.value.item == "two.exr"
