"""Charts and balls are found where they are, and not where they are not; in the worker's own job."""

from __future__ import annotations

import io
import time
from fractions import Fraction
from pathlib import Path

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.machinery.worker import pictures
from ingest.machinery.worker.jobs import sights as job
from ingest.records.sights import SeenThing, proposed_role
from ingest.steps.sights import balls, finding
from tests.bench.sights import HELD_OUT, in_photographs, near, photographs, rates
from tests.sight_frames import Codes, Thing, frame


def jpeg(rgb: Codes) -> io.BytesIO:
    ok, data = cv2.imencode(".jpg", rgb[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, 92])
    assert ok
    return io.BytesIO(data.tobytes())


@pytest.mark.parametrize(
    ("what", "seed", "size"), [("chart", 1, 0.3), ("chart", 2, 0.16), ("grey_ball", 3, 0.2), ("mirror_ball", 2, 0.18)]
)
def test_found_where_it_is(what: str, seed: int, size: float) -> None:
    thing = Thing(what=what, x=0.4, y=0.3, size=size, turn=0.1, lean=0.2)
    made = frame(seed, (thing,))
    found = finding.seek(made.rgb)
    assert [s.what for s in found] == [what] and near(found[0], thing, made.rgb)


def test_the_chart_is_read_in_its_own_order() -> None:
    """Upside down too: the first corner is the one at the dark skin patch."""
    for turn in (0.0, np.pi):
        thing = Thing(what="chart", x=0.5, y=0.33, size=0.3, turn=turn)
        seen = finding.chart(frame(4, (thing,), width=640, height=427).rgb)
        assert seen is not None
        first = np.array(seen.corners[0]) - np.mean(seen.corners, axis=0)
        assert (first[0] < 0 and first[1] < 0) == (turn == 0.0)


@pytest.mark.parametrize(("seed", "what"), [(5, "wheel"), (6, "")])
def test_nothing_is_seen_where_nothing_is(seed: int, what: str) -> None:
    """A room and a landscape; every decoy in forty of each is the campaign's."""
    things = (Thing(what=what, x=0.5, y=0.3, size=0.2),) if what else ()
    assert finding.seek(frame(seed, things, width=640, height=427).rgb) == []


def test_what_lies_in_a_frame_is_no_ball() -> None:
    """The same shaded disc is a grey ball before a wall, and a sky in a window where a frame runs around it."""
    height, width, x, y, r = 260, 300, 150.0, 130.0, 70.0
    down, across = np.mgrid[0:height, 0:width]
    nx, ny = (across + 0.5 - x) / r, (down + 0.5 - y) / r
    rho = np.hypot(nx, ny)
    shade = 0.25 + 0.5 * np.clip(0.5 * nx - 0.6 * ny + 0.6 * np.sqrt(np.clip(1 - rho**2, 0, 1)), 0, None)
    wall = 0.12 + 0.05 * np.sin(across / 9.0) * np.sin(down / 7.0)
    for framed in (False, True):
        light = np.where(rho < 1, shade, np.where((rho < 1.15) & framed, 0.03, wall))
        light = cv2.GaussianBlur(np.repeat(light[..., None], 3, axis=2).astype(np.float32), (0, 0), 0.7)
        curved = np.cbrt(light).astype(np.float32)
        assert balls.framed(curved, x, y, r) is framed
        judged = balls.judge(light, curved, x, y, r)
        assert (judged is None) is framed and (framed or (judged is not None and judged[0] == "grey_ball"))


def test_one_bad_file_costs_that_file() -> None:
    good = jpeg(frame(1, (Thing(what="chart", x=0.4, y=0.3, size=0.3),)).rgb)
    files = [io.BytesIO(b""), io.BytesIO(b"\xff\xd8\xff no picture"), good]
    answers = job.run({}, files, lambda _: None)["files"]
    assert ["refused" in a for a in answers] == [True, True, False]
    assert [s["what"] for s in answers[2]["sights"]] == ["chart"]
    SeenThing.from_json(answers[2]["sights"][0])


@given(st.binary(max_size=400))
@settings(max_examples=30, deadline=None)
def test_any_bytes_give_an_answer(data: bytes) -> None:
    for args in ({}, {"clip": True}, {"corners": [[0, 0], [1, 0], [1, 1], [0, 1]]}, {"crop": [[0, 0]] * 4}):
        (answer,) = job.run(args, [io.BytesIO(data)], lambda _: None)["files"]
        assert "refused" in answer


@pytest.mark.parametrize("corners", [[], [[0, 0]] * 3, [[float("nan"), 0]] * 4, [[9, 9]] * 4, "corners"])
def test_corners_of_a_worker_gone_wrong_are_refused(corners: object) -> None:
    picture = jpeg(np.zeros((60, 90, 3), np.uint8))
    try:
        (answer,) = job.run({"crop": corners}, [picture], lambda _: None)["files"]
    except ValueError:
        return
    assert "refused" in answer


def test_a_ball_is_cut_out_with_a_margin() -> None:
    rgb = np.full((600, 900, 3), 40, np.uint8)
    cv2.circle(rgb, (450, 300), 100, (200, 210, 220), -1)
    box = [[350 / 900, 200 / 600], [550 / 900, 200 / 600], [550 / 900, 400 / 600], [350 / 900, 400 / 600]]
    (answer,) = job.run({"crop": box}, [jpeg(rgb)], lambda _: None)["files"]
    assert 255 <= answer["width"] <= 265 and 255 <= answer["height"] <= 265


def test_a_chart_carried_through_a_clip_is_seen(tmp_path: Path) -> None:
    import av

    thing = Thing(what="chart", x=0.5, y=0.33, size=0.35)
    with_chart, without = frame(1, (thing,)).rgb, frame(1).rgb
    path = tmp_path / "clip.mp4"
    with av.open(str(path), "w") as out:
        stream = out.add_stream("mpeg4", rate=Fraction(10))
        stream.width, stream.height, stream.pix_fmt, stream.bit_rate = 1000, 666, "yuv420p", 8_000_000
        for n in range(60):
            picture = np.ascontiguousarray((with_chart if 25 <= n < 40 else without)[:666])
            out.mux(stream.encode(av.VideoFrame.from_ndarray(picture, format="rgb24")))
        out.mux(stream.encode())
    with path.open("rb") as file:
        (answer,) = job.run({"clip": True}, [file], lambda _: None)["files"]
    (seen,) = answer["sights"]
    assert seen["what"] == "chart" and 2.0 <= seen["at_s"] <= 4.0


def test_what_is_proposed() -> None:
    def thing(what: str, score: float = 0.5, times: int = 1) -> SeenThing:
        return SeenThing(what=what, corners=((0, 0), (1, 0), (1, 1), (0, 1)), score=score, at_s=1.0, times=times)

    assert proposed_role([], clip=True) == ""
    assert proposed_role([thing("chart")], clip=True) == "chart"
    assert proposed_role([thing("chart"), thing("mirror_ball")], clip=True) == "dirty_plate"
    assert proposed_role([thing("grey_ball", 0.9)], clip=True) == ""  # once in six frames: nobody is asked
    assert proposed_role([thing("grey_ball", 0.3, times=2)], clip=True) == "dirty_plate"
    assert SeenThing.from_json(thing("chart", times=3).to_json()).times == 3
    assert proposed_role([thing("mirror_ball", 0.9), thing("chart", 0.6)], clip=False) == "chart"
    assert proposed_role([thing("grey_ball", 0.4), thing("mirror_ball", 0.6)], clip=False) == "mirror_ball"
    few, far = {"what": "chart", "corners": [[0, 0]] * 3}, {"what": "chart", "corners": [[9, 9]] * 4}
    whole = {"what": "chart", "corners": [[0, 0]] * 4}
    for wrong in ({}, {"what": "hat"}, few, far, {**whole, "times": 0}, {**whole, "times": "two"}):
        with pytest.raises((ValueError, TypeError)):
            SeenThing.from_json(wrong)


PLATES = Path(__file__).parents[3] / "sample_cards" / "cards" / "YMBER-A7" / "A7" / "CLIPS"


@pytest.mark.parametrize(
    ("name", "role"), [("A7-0043-T1.MOV", ""), ("A7-0043-T2.MOV", "dirty_plate"), ("A7-0044-T1.MP4", "")]
)
def test_the_sample_cards_plates(name: str, role: str) -> None:
    """A spoked wheel on a brick wall is no ball; balls and chart carried before it are."""
    with (PLATES / name).open("rb") as file:
        (answer,) = job.run({"clip": True}, [file], lambda _: None)["files"]
    assert proposed_role([SeenThing.from_json(s) for s in answer["sights"]], clip=True) == role


def test_a_busy_machine_sees_as_many_frames_of_a_clip(monkeypatch: pytest.MonkeyPatch) -> None:
    """What the budget bounds is the decoding: time that others have the processor, or that is looked, is not it."""
    with (PLATES / "A7-0044-T1.MP4").open("rb") as file:
        began = time.process_time()
        count = len(list(pictures.frames(file)))
        budget_s = 0.1 + 2 * (time.process_time() - began)
        monkeypatch.setattr(pictures, "BUDGET_S", budget_s)
        for _ in pictures.frames(file):
            count -= 1
            time.sleep(budget_s / 3)
    assert count == 0


ROUND = ("coins", "coffee")  # of the photographs those with the most round things in them


def test_nothing_is_seen_in_photographs_without_any() -> None:
    """Coins, a cup and its saucer, whole; the campaign takes all of tests/data/photographs, and parts of them."""
    views = [(name, rgb) for name, rgb in photographs(ROUND) if name.endswith("whole")]
    assert len(views) == len(ROUND)
    assert [(name, s.what) for name, rgb in views for s in finding.seek(rgb)] == []


@pytest.mark.campaign
def test_rates() -> None:
    """Printed by `python -m tests.bench.sights`: frames on which no bound was set."""
    hits, false, frames = rates(HELD_OUT)
    assert hits["chart"] >= 38 and hits["grey_ball"] >= 35 and hits["mirror_ball"] >= 34
    told, views = in_photographs()
    assert false.total() <= frames / 200 and len(told) <= views / 200
