"""The cheap look: whole or cut, how bright, two circles; on pictures whose truth is known."""

from __future__ import annotations

import io
import math
import struct
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
import pytest
import simplejpeg

from ingest.errors import Unreadable
from ingest.machinery.worker import look
from tests.machinery.worker import containers_made as made

Array = npt.NDArray[Any]
CARDS = Path(__file__).parents[3] / "sample_cards" / "cards"


def codes(linear: Array) -> Array:
    """Linear 0..1 to 8-bit sRGB (IEC 61966-2-1), three equal channels."""
    x = np.clip(linear, 0, 1)
    y = np.where(x <= 0.0031308, 12.92 * x, 1.055 * np.maximum(x, 0.0031308) ** (1 / 2.4) - 0.055)
    return np.repeat(np.round(y * 255).astype(np.uint8)[..., None], 3, axis=-1)


def picture(width: int = 640, height: int = 320, level: float = 0.2) -> Array:
    rng = np.random.default_rng(5)
    small = rng.uniform(0.2, 1.8, (8, 16))
    return np.clip(level * cv2.resize(small, (width, height), interpolation=cv2.INTER_CUBIC), 0.001, 1.0)


def jpeg(linear: Array, *, thumbnail: Array | None = None) -> bytes:
    data: bytes = simplejpeg.encode_jpeg(np.ascontiguousarray(codes(linear)), quality=90)
    if thumbnail is None:
        return data
    small = simplejpeg.encode_jpeg(np.ascontiguousarray(codes(thumbnail)), quality=85)
    block = made.tiff({"Make": "Harmatan"}, thumbnail=small)
    app1 = b"\xff\xe1" + struct.pack(">H", len(block) + 8) + b"Exif\0\0" + block
    return data[:2] + app1 + data[2:]


def take(data: bytes, tmp_path: Path) -> dict[str, Any]:
    path = tmp_path / "still"
    path.write_bytes(data)
    with path.open("rb") as file:
        return look.take(file)


@pytest.mark.parametrize("level", [0.02, 0.1, 0.4])
def test_brightness_is_the_mean_of_linear_light(tmp_path: Path, level: float) -> None:
    linear = picture(level=level)
    seen = take(jpeg(linear), tmp_path)
    assert seen["log2_brightness"] == pytest.approx(math.log2(linear.mean()), abs=0.05)
    assert (seen["width"], seen["height"], seen["two_circles"]) == (640, 320, False)


def test_the_thumbnail_is_enough_and_its_black_bars_do_not_count(tmp_path: Path) -> None:
    linear = picture()
    bars = np.zeros((120, 160))
    bars[20:100] = cv2.resize(linear, (160, 80), interpolation=cv2.INTER_AREA)
    seen = take(jpeg(linear, thumbnail=bars), tmp_path)
    assert seen["log2_brightness"] == pytest.approx(math.log2(linear.mean()), abs=0.08)
    assert seen["width"] == 640


def test_a_cut_jpeg_is_refused_whatever_its_thumbnail_shows(tmp_path: Path) -> None:
    linear = picture(1280, 640)
    for data in (jpeg(linear), jpeg(linear, thumbnail=cv2.resize(linear, (160, 80)))):
        for share in (0.2, 0.6, 0.95):
            with pytest.raises(Unreadable):
                take(data[: int(len(data) * share)], tmp_path)
        with pytest.raises(Unreadable):
            take(data[: len(data) // 2] + b"\0" * (len(data) - len(data) // 2), tmp_path)
        with pytest.raises(Unreadable):
            take(data[:-2], tmp_path)
    with pytest.raises(Unreadable, match="empty"):
        take(b"", tmp_path)
    with pytest.raises(Unreadable, match="zeros"):
        take(b"\0" * 100_000, tmp_path)


def test_what_a_maker_appends_does_no_harm(tmp_path: Path) -> None:
    data = jpeg(picture())
    seen = take(data + np.random.default_rng(1).bytes(300_000).replace(b"\xff\xd9", b"\xff\0"), tmp_path)
    assert seen["width"] == 640


def circles(height: int = 256, *, radius: float = 0.97, level: float = 0.3) -> Array:
    y, x = np.mgrid[0:height, 0 : 2 * height]
    middle = np.where(x < height, height / 2, 3 * height / 2)
    inside = np.hypot(x - middle, y - height / 2) < radius * height / 2
    return np.where(inside, picture(2 * height, height, level), 0.0005)


@pytest.mark.parametrize(("radius", "level"), [(0.97, 0.3), (0.92, 0.1), (1.0, 0.5)])
def test_two_circles_are_seen(tmp_path: Path, radius: float, level: float) -> None:
    assert take(jpeg(circles(radius=radius, level=level)), tmp_path)["two_circles"] is True


def test_two_circles_are_seen_on_a_thumbnail(tmp_path: Path) -> None:
    linear = circles(512)
    bars = np.zeros((120, 160))
    bars[20:100] = cv2.resize(linear, (160, 80), interpolation=cv2.INTER_AREA)
    assert take(jpeg(linear, thumbnail=bars), tmp_path)["two_circles"] is True


def test_other_pictures_show_no_circles(tmp_path: Path) -> None:
    linear = picture(512, 256)
    night = linear * np.linspace(0, 1, 256)[:, None] ** 4  # dark sky above, bright ground
    lamp = np.full((256, 512), 0.001)
    lamp[120:136, 100:130] = 1.0
    one = circles()[:, :256]
    for flat in (linear, night, lamp, one, np.hstack([one, picture(256, 256)])):
        assert take(jpeg(flat), tmp_path)["two_circles"] is False
    assert take(jpeg(np.full((256, 512), 0.0)), tmp_path)["two_circles"] is None


def test_a_tiff_of_16_bits_is_seen_like_its_jpeg(tmp_path: Path) -> None:
    linear = picture()
    deep = codes(linear).astype(np.uint16) * 257
    data = cv2.imencode(".tif", deep)[1].tobytes()
    seen = take(data, tmp_path)
    assert seen["log2_brightness"] == pytest.approx(math.log2(linear.mean()), abs=0.05)
    with pytest.raises(Unreadable, match=r"cut|decode|read"):
        take(data[: len(data) // 2], tmp_path)


def test_a_tiff_with_a_black_lower_half_is_a_picture(tmp_path: Path) -> None:
    deep = np.zeros((400, 600, 3), np.uint16)
    deep[:100] = 40_000
    ok, data = cv2.imencode(".tif", deep, [cv2.IMWRITE_TIFF_COMPRESSION, 1])
    assert ok and take(data.tobytes(), tmp_path)["width"] == 600


def test_raws_know_how_long_they_must_be() -> None:
    strips = made.tiff({"ImageWidth": 100, "ImageLength": 100})
    entries = struct.pack("<HHII", 0x0111, 4, 1, 1000) + struct.pack("<HHII", 0x0117, 4, 1, 5000)
    data = b"II*\0\x08\0\0\0" + struct.pack("<H", 2) + entries + b"\0" * 4
    assert look.length_needed(look.Source(io.BytesIO(data)), "tiff") == 6000
    assert look.length_needed(look.Source(io.BytesIO(strips)), "tiff") == 0
    whole = made.cr3({"Make": "Harmatan"})
    assert look.length_needed(look.Source(io.BytesIO(whole)), "cr3") == len(whole)
    assert look.length_needed(look.Source(io.BytesIO(whole[:-20])), "cr3") == len(whole)


def dngs() -> list[Path]:
    return sorted(CARDS.rglob("*.DNG")) if CARDS.exists() else []


def test_a_raw_whole_cut_and_zeroed(tmp_path: Path) -> None:
    """A raw library opens some cut raws without an error and gives zeros or invented pixels."""
    if not dngs():
        pytest.skip("the sample cards are not in this checkout")
    data = dngs()[0].read_bytes()
    seen = take(data, tmp_path)
    assert seen["width"] > 100 and -12 < seen["log2_brightness"] < 0
    for share in (0.3, 0.7, 0.99):
        with pytest.raises(Unreadable, match="cut"):
            take(data[: int(len(data) * share)], tmp_path)
    with pytest.raises(Unreadable, match="zeros"):
        take(data[: len(data) // 4] + b"\0" * (len(data) - len(data) // 4), tmp_path)


def test_what_cannot_be_decoded_says_so(tmp_path: Path) -> None:
    for data in (made.heif({"Make": "Harmatan"}), b"no picture at all, just words", made.raf({}), made.cr3({})):
        with pytest.raises(Unreadable):
            take(data, tmp_path)
