"""A shoot day with a photographed clock and photographed slates, through ``offload`` end to end.

The body is an invented one whose clock is seventeen hours slow and loses time over the day.
"""

from __future__ import annotations

import io
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import av
import numpy as np
import pytest
from PIL import Image
from PIL.TiffImagePlugin import IFDRational

from ingest.steps.clocks.code import clock_text
from ingest.steps.setups.slates import Slate, code_text
from tests.brackets import srgb
from tests.code_photographs import VIEWS, photograph, surround
from tests.journeys.shows import Show

ZONE = ZoneInfo("Europe/Lisbon")
DAY = "2026-05-18"
SLOW_S = 61_200.0
DRIFT = 4.0  # seconds lost a day
SIZE = (1500, 1000)


def true(clock: str) -> datetime:
    return datetime.fromisoformat(f"{DAY}T{clock}").replace(tzinfo=ZONE)


@dataclass(kw_only=True)
class Card:
    """A card in the making: files named in order, each stamped by the slow clock."""

    folder: Path
    number: int = 100
    names: dict[str, str] = field(default_factory=dict)

    def put(self, picture: np.ndarray, taken: datetime, exposure_s: float = 1 / 64, *, orientation: int = 1) -> str:
        since = (taken - true("09:00:00")).total_seconds()
        shown = taken.replace(tzinfo=None) - timedelta(seconds=SLOW_S + DRIFT * since / 86400)
        exif = Image.Exif()
        exif[0x010F], exif[0x0110], exif[0x0112] = "Quernmore", "Lantern 4", orientation
        more = exif.get_ifd(0x8769)
        more[0x829A], more[0x829D], more[0x8827] = IFDRational(*exposure_s.as_integer_ratio()), IFDRational(28, 5), 100
        more[0x9003], more[0x9291] = shown.strftime("%Y:%m:%d %H:%M:%S"), f"{shown.microsecond // 10000:02d}"
        more[0xA431] = "Q0042"
        out = io.BytesIO()
        Image.fromarray(picture).convert("RGB").save(out, "JPEG", quality=88, exif=exif.tobytes())
        name = f"DCIM/100QUERN/QRN_{self.number:04d}.JPG"
        path = self.folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(out.getvalue())
        self.number += 1
        return name

    def bracket(self, first: datetime, seed: int) -> list[str]:
        light = surround(seed, *SIZE)[::3, ::3]
        out = []
        for i, stops in enumerate((-4, -2, 0, 2, 4)):
            picture = np.round(srgb(np.clip(light * 2.0**stops, 0, 1)) * 255).astype(np.uint8)
            out.append(self.put(picture, first + timedelta(seconds=0.6 * i), 2.0 ** (stops - 6)))
        return out


def a_clock(taken: datetime, lag_s: float, seed: int, view: str = "turned and tilted") -> np.ndarray:
    text = clock_text(taken.astimezone(UTC) - timedelta(seconds=lag_s), True)
    return photograph(text, VIEWS[view], seed, size=SIZE)


def a_slate(seed: int, view: str = "near, straight", **said: Any) -> np.ndarray:
    return photograph(code_text(Slate(**said)), VIEWS[view], seed, size=SIZE)


@pytest.fixture(scope="module")
def day(tmp_path_factory: pytest.TempPathFactory) -> tuple[Show, Mapping[str, list[str]]]:
    root = tmp_path_factory.mktemp("codes")
    show = Show(root=root, settings=root / "show" / "nightloader.toml")
    card = Card(folder=root / "slots" / "Q001")
    sets: dict[str, list[str]] = {}
    card.put(a_clock(true("09:00:10.350000"), 0.35, 1), true("09:00:10.350000"))
    card.put(a_slate(2, setup="27A", shot="HA_0270", show="HARBOUR", role="probe"), true("09:05:00"))
    sets["agreed"] = card.bracket(true("09:05:20"), 11)
    # the log still says 30 when 31B is slated
    card.put(a_slate(3, view="low light", setup="31B", shot="HA_0310", show="HARBOUR"), true("10:30:00"))
    sets["slated"] = card.bracket(true("10:30:10"), 12)
    sets["slated again"] = card.bracket(true("10:41:00"), 13)
    sets["out of reach"] = card.bracket(true("11:30:00"), 14)
    # a tail slate, in a picture the body stored on its side
    sets["tail"] = card.bracket(true("13:00:00"), 15)
    tail = np.rot90(a_slate(4, view="upside down", setup="44", shot="HA_0440", show="HARBOUR"), 1)
    card.put(np.ascontiguousarray(tail), true("13:00:30"), orientation=6)
    card.put(a_slate(5, setup="9", shot="XX_0010", show="OTHER"), true("14:00:00"))
    card.put(a_clock(true("18:00:00.800000"), 0.8, 6), true("18:00:00.800000"))
    _clip(card.folder / "CLIPS" / "QRN_0001.MP4")
    made = show.run("init", str(root / "show"), "--show", "HARBOUR", "--timezone", "Europe/Lisbon", "--one-disk",
                    "--destination", str(show.disks[0]), "--destination", str(show.disks[1]))
    if made.returncode != 0:  # --config names a file that init is about to make
        raise AssertionError(made.stderr)
    (root / "show" / "setup_log.csv").write_text(
        "day,shot,setup,start,end,camera,lens,notes\n"
        f"{DAY},HA_0270,27A,09:00,09:40,A,,\n{DAY},HA_0300,30,10:00,11:00,A,,\n{DAY},HA_0400,40,11:10,12:00,A,,\n"
        f"{DAY},HA_0440,44,12:50,13:30,A,,\n", encoding="utf-8",
    )
    done = show.run("offload", str(card.folder))
    assert done.returncode in (0, 1), done.stdout + done.stderr
    return show, sets


def _clip(path: Path) -> None:
    """A clip whose file names a moment five hours off; its frames show a slate and then the cart's clock.  It truly
    begins at 10:50:00."""
    small = (800, 448)
    plain = np.full(small[::-1], 70, np.uint8)
    text = code_text(Slate(setup="30", shot="HA_0300", show="HARBOUR", role="clean_plate"))
    slate = photograph(text, VIEWS["small"], 7, size=small)
    clock = photograph(clock_text(true("10:50:02").astimezone(UTC), True), VIEWS["small"], 8, size=small)
    path.parent.mkdir(parents=True)
    with av.open(str(path), "w") as out:
        out.metadata["creation_time"] = "2026-05-18T14:50:00Z"
        stream = out.add_stream("mpeg4", rate=10)
        stream.width, stream.height, stream.pix_fmt, stream.bit_rate = *small, "yuv420p", 5_000_000
        for n in range(60):
            picture = slate if 5 <= n < 15 else clock if 20 <= n < 30 else plain
            frame = av.VideoFrame.from_ndarray(np.repeat(picture[..., None], 3, 2), format="rgb24")
            out.mux(stream.encode(frame))
        out.mux(stream.encode())


def _probe(show: Show, files: list[str]) -> dict[str, Any]:
    names = {Path(f).name for f in files}
    found = [
        p for p in show.answer("probes")
        if {Path(f["path"]).name for frame in p["frames"] for f in frame["files"]} == names
    ]
    assert len(found) == 1, f"no set of exactly {sorted(names)}"
    return dict(found[0])


@pytest.mark.slow
def test_the_body_goes_by_the_photographed_clock(day: tuple[Show, Mapping[str, list[str]]]) -> None:
    show, sets = day
    [body] = show.answer("bodies")
    assert (body["make"], body["model"], body["serial"]) == ("Quernmore", "Lantern 4", "Q0042")
    assert body["source"] == "photographed"
    assert abs(body["offset_s"] - (SLOW_S + DRIFT * 9 / 24)) < 1.0
    assert abs(body["drift_s_per_day"] - DRIFT) < 2 * 1.0 / (9 / 24)
    assert body["uncertainty_s"] < 1.0
    taken = datetime.fromisoformat(_probe(show, sets["slated"])["frames"][0]["taken_utc"])
    assert min(abs((taken - true("10:30:10")).total_seconds() - 0.6 * i) for i in range(5)) < 1.0


@pytest.mark.slow
def test_slates_file_what_follows_until_their_reach_ends(day: tuple[Show, Mapping[str, list[str]]]) -> None:
    show, sets = day
    wanted = {"agreed": ("HA_0270", "27A"), "slated": ("HA_0310", "31B"), "slated again": ("HA_0310", "31B"),
              "out of reach": ("HA_0400", "40"), "tail": ("HA_0440", "44")}
    for name, (shot, setup) in wanted.items():
        probe = _probe(show, sets[name])
        assert (probe["shot"], probe["setup"]) == (shot, setup), name
        assert f"/shots/{shot}/{setup}/" in probe["exr"], name


@pytest.mark.slow
def test_slate_and_log_that_disagree_are_a_finding(day: tuple[Show, Mapping[str, list[str]]]) -> None:
    show, sets = day
    findings = show.findings()
    doubtful = {f["item"]: f["what"] for f in findings if f["kind"] == "filing doubtful"}
    assert "the slate says 31B, the log says 30" in doubtful[_probe(show, sets["slated"])["id"]]
    assert _probe(show, sets["agreed"])["id"] not in doubtful
    assert ["another show, OTHER" in f["what"] for f in findings if f["kind"] == "slate not used"] == [True]


@pytest.mark.slow
def test_pictures_of_clock_and_slate_are_no_probes(day: tuple[Show, Mapping[str, list[str]]]) -> None:
    show, sets = day
    assert len(show.answer("probes")) == len(sets)
    why = show.run("probes", "--why", "QRN_0100.JPG").stdout
    assert "clock" in why


@pytest.mark.slow
def test_a_clip_is_filed_by_its_slate_and_timed_by_its_clock(day: tuple[Show, Mapping[str, list[str]]]) -> None:
    show, _ = day
    [clip] = show.answer("clips")
    assert (clip["shot"], clip["setup"], clip["role"]) == ("HA_0300", "30", "clean_plate")
    assert abs((datetime.fromisoformat(clip["start_utc"]) - true("10:50:00")).total_seconds()) < 1.0
