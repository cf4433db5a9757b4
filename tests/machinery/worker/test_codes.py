"""Finding our codes in rendered photographs, in clips, and nothing in anything else."""

from __future__ import annotations

import io
from datetime import UTC, datetime, timedelta
from pathlib import Path

import av
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.errors import Unreadable
from ingest.machinery.worker import clip_codes, codes
from ingest.machinery.worker.jobs import codes as job
from ingest.steps.clocks.code import clock_text
from ingest.steps.setups.slates import Slate, code_text
from tests.code_photographs import VIEWS, View, jpeg, photograph, surround

MORNING = datetime(2031, 5, 17, 6, 30, tzinfo=UTC)
# Of three pictures each; the rates over many are printed by tests/bench/codes.py.  A lamp's reflection that covers a
# corner mark altogether leaves nothing to find.
FLOOR = dict.fromkeys(VIEWS, 3) | {"very small": 2, "glare": 2, "blinding glare": 0}

pytestmark = pytest.mark.slow  # rendered photographs take half a minute


@pytest.mark.parametrize("name", sorted(VIEWS))
def test_codes_are_read_from_photographs(name: str) -> None:
    read = 0
    for seed in range(3):
        text = clock_text(MORNING + timedelta(seconds=77.7 * seed), True)
        found = codes.take(io.BytesIO(jpeg(photograph(text, VIEWS[name], seed))))["codes"]
        assert {c["text"] for c in found} <= {text}  # never a wrong one
        read += bool(found)
    assert read >= FLOOR[name], f"{name}: {read} of 3"


def test_place_and_angle_are_told() -> None:
    text = code_text(Slate(setup="31B", shot="HA_0310"))
    for roll in (0, 90, 180, -90):
        [found] = codes.take(io.BytesIO(jpeg(photograph(text, View(module_px=9, roll_deg=roll), 5))))["codes"]
        assert abs((found["up_deg"] - roll + 180) % 360 - 180) < 6
        corners = np.array(found["corners"])
        assert (corners > 0).all() and (corners < 1).all()
        side = np.hypot(*((corners[1] - corners[0]) * (3000, 2000)))
        assert side == pytest.approx(9 * (len(_rows(text))), rel=0.15)


def _rows(text: str) -> list[object]:
    from ingest.faces.slates import symbol

    return list(symbol(text).rows)


def test_a_small_code_in_a_large_picture_needs_the_closer_look() -> None:
    text = clock_text(MORNING, True)
    found = codes.take(io.BytesIO(jpeg(photograph(text, View(module_px=2.6), 3, size=(6000, 3000)))))
    assert [c["text"] for c in found["codes"]] == [text] and found["closer"] > 0


def test_a_foreign_code_is_none_of_our_business() -> None:
    assert codes.take(io.BytesIO(jpeg(photograph("WIFI:S:GUEST;P:SECRET;;", View(module_px=9), 1))))["codes"] == []


def test_no_code_is_seen_where_there_is_none() -> None:
    for seed in range(4):
        picture = np.round(np.clip(surround(seed), 0, 1) * 255).astype(np.uint8)
        assert codes.take(io.BytesIO(jpeg(picture)))["codes"] == []


def test_bad_files_are_refused_one_by_one() -> None:
    good = jpeg(photograph(clock_text(MORNING, None), View(), 1))
    files = [io.BytesIO(b""), io.BytesIO(good), io.BytesIO(good[: len(good) // 3]), io.BytesIO(b"\0" * 999)]
    answers = job.run({}, files, lambda _: None)["files"]
    assert ["refused" in a for a in answers] == [True, False, True, True]
    assert len(answers[1]["codes"]) == 1
    assert "refused" in job.run({"clip": True}, [io.BytesIO(good[:99])], lambda _: None)["files"][0]


@settings(max_examples=60, deadline=None)
@given(st.binary(max_size=400))
def test_any_bytes_give_an_answer(data: bytes) -> None:
    for clip in (True, False):
        [answer] = job.run({"clip": clip}, [io.BytesIO(data)], lambda _: None)["files"]
        assert "refused" in answer or answer["codes"] == []


def clip(pictures: list[tuple[float, np.ndarray]], length_s: float, path: Path, rate: int = 10) -> Path:
    """A clip that shows each picture from its moment on."""
    with av.open(str(path), "w") as out:
        stream = out.add_stream("mpeg4", rate=rate)
        stream.height, stream.width = pictures[0][1].shape
        stream.pix_fmt, stream.bit_rate = "yuv420p", 6_000_000
        for n in range(int(length_s * rate)):
            picture = [p for at, p in pictures if at <= n / rate + 1e-6][-1]
            frame = av.VideoFrame.from_ndarray(np.repeat(picture[..., None], 3, 2), format="rgb24")
            for packet in stream.encode(frame):
                out.mux(packet)
        for packet in stream.encode():
            out.mux(packet)
    return path


def test_both_ends_of_a_clip_are_looked_at(tmp_path: Path) -> None:
    size = (960, 540)
    plain = np.full(size[::-1], 90, np.uint8)
    slate = photograph(code_text(Slate(setup="31B")), View(module_px=7), 1, size=size)
    tail = photograph(code_text(Slate(setup="32")), View(module_px=7, roll_deg=180), 2, size=size)
    between = photograph(code_text(Slate(setup="33")), View(module_px=7), 3, size=size)
    shown = [(0, plain), (1.0, slate), (3.0, plain), (12.0, between), (13.5, plain), (27.0, tail)]
    path = clip(shown, 30, tmp_path / "a.mp4")
    with path.open("rb") as file:
        found = clip_codes.take(file)["codes"]
    assert [c["text"].split("/")[-1].split(":")[0] for c in found] == ["31B", "32"]
    assert 1.0 <= found[0]["at_s"] < 1.5 and 27.0 <= found[1]["at_s"] < 27.5
    assert abs(found[0]["up_deg"]) < 10 and abs(found[1]["up_deg"]) > 170


def test_a_sound_file_holds_no_picture(tmp_path: Path) -> None:
    with av.open(str(tmp_path / "a.wav"), "w") as out:
        stream = out.add_stream("pcm_s16le", rate=8000)
        frame = av.AudioFrame.from_ndarray(np.zeros((1, 800), np.int16), format="s16", layout="mono")
        frame.sample_rate = 8000
        for packet in [*stream.encode(frame), *stream.encode()]:
            out.mux(packet)
    with (tmp_path / "a.wav").open("rb") as file, pytest.raises(Unreadable, match="no picture"):
        clip_codes.take(file)
