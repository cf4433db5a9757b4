"""The sample cards are what their truth says, and obey the standards a real card obeys."""

from __future__ import annotations

import hashlib
import io
import json
import re
import wave
from datetime import datetime, timedelta
from fractions import Fraction
from pathlib import Path, PurePosixPath
from typing import Any
from zoneinfo import ZoneInfo

import exifread
import numpy as np
import pytest
import rawpy
import simplejpeg
from PIL import Image

FOLDER = Path(__file__).parents[2] / "sample_cards"
TRUTH: dict[str, Any] = json.loads((FOLDER / "truth.json").read_text(encoding="utf-8"))
CARDS = {card["name"]: card for card in TRUTH["cards"]}
BODIES = {body["serial"]: body for body in TRUTH["show"]["bodies"]}
ZONE = ZoneInfo(TRUTH["show"]["timezone"])
STILLS = [(name, row["path"]) for name, card in CARDS.items() for row in card["files"] if "/DCIM/" in "/" + row["path"]]
TRUNCATED = ("KESTO-A3", "DCIM/100KSTVR/KSTV9995.JPG")


def read(card: str, path: str) -> bytes:
    return (FOLDER / "cards" / card / path).read_bytes()


def test_truth_lists_every_file_with_its_bytes() -> None:
    listed = {(name, row["path"]): row for name, card in CARDS.items() for row in card["files"]}
    there = {(p.relative_to(FOLDER / "cards").parts[0], "/".join(p.relative_to(FOLDER / "cards").parts[1:]))
             for p in (FOLDER / "cards").rglob("*") if p.is_file()}
    assert there == set(listed)
    for (card, path), row in listed.items():
        data = read(card, path)
        assert (len(data), hashlib.sha256(data).hexdigest()) == (row["size_bytes"], row["sha256"]), path


def test_small_enough_to_commit() -> None:
    assert sum(p.stat().st_size for p in FOLDER.rglob("*") if p.is_file() and "__pycache__" not in p.parts) < 12_000_000


def test_names_survive_every_checkout() -> None:
    """Windows: no reserved signs or names, no trailing dot or space (its file-naming rules; common practice)."""
    names = [row["path"] for card in CARDS.values() for row in card["files"]] + \
        [row["path"] for row in TRUTH["litter"]]
    for name in names:
        for part in PurePosixPath(name).parts:
            assert not re.search(r'[<>:"|?*\\\x00-\x1f]', part)
            assert part.rstrip(". ") == part and len(part.encode()) < 250
            assert part.split(".")[0].lower() not in {"con", "prn", "aux", "nul", "com1", "lpt1"}
    committed = [row["path"] for card in CARDS.values() for row in card["files"]]
    assert all(name.isascii() and not any(p.startswith(".") for p in PurePosixPath(name).parts) for name in committed)


def test_stills_cards_obey_dcf() -> None:
    """JEITA CP-3461 (DCF), from memory: DCIM/NNNccccc/ccccNNNN.EXT, folder numbers unique, files 0001 to 9999."""
    assert STILLS
    folders: dict[tuple[str, str], set[str]] = {}
    for card, path in STILLS:
        found = re.fullmatch(r"DCIM/([1-9]\d\d)([A-Z0-9_]{5})/([A-Z0-9_]{4})(\d{4})\.(JPG|DNG)", path)
        assert found and found[4] != "0000", path
        folders.setdefault((card, found[1]), set()).add(found[2])
    assert all(len(names) == 1 for names in folders.values())


def test_a_set_runs_over_the_roll_over_and_a_folder_change() -> None:
    over = [s for s in TRUTH["sets"] if len({PurePosixPath(f["files"][0]).parent for f in s["frames"]}) == 2]
    assert [s["name"] for s in over] == ["fisheye-front"]
    stems = [PurePosixPath(f["files"][0]).stem for f in over[0]["frames"]]
    assert sorted(stems) == ["KSTV0001", "KSTV9996", "KSTV9997", "KSTV9998", "KSTV9999"]


def test_every_still_has_one_place_in_the_truth() -> None:
    told = [(s["card"], name) for s in TRUTH["sets"] for f in s["frames"] for name in f["files"]]
    told += [(s["card"], name) for s in TRUTH["stills"] for name in s["files"]]
    assert sorted(told) == sorted(STILLS)


def _frames() -> list[tuple[dict[str, Any], dict[str, Any]]]:
    return [(s, f) for s in TRUTH["sets"] for f in s["frames"]]


def test_headers_say_marks_and_the_shown_time() -> None:
    for row, frame in _frames():
        for name in frame["files"]:
            tags = exifread.process_file(io.BytesIO(read(row["card"], name)), details=False)
            body = BODIES[row["serial"]]
            assert str(tags["Image Make"]) == body["make"] and str(tags["EXIF BodySerialNumber"]) == row["serial"]
            marked = tags["EXIF ExposureTime"].values[0]
            assert Fraction(marked.num, marked.den) == Fraction(frame["marked"])
            off = np.log2(float(Fraction(frame["marked"])) / frame["exposure_s"])
            assert abs(off) < 0.1  # a mark, not the exact time
            assert float(tags["EXIF FNumber"].values[0]) == frame["f_number"]
            assert tags["EXIF ISOSpeedRatings"].values[0] == frame["iso"]
            assert not any("OffsetTime" in tag for tag in tags)
            shown = datetime.strptime(f"{tags['EXIF DateTimeOriginal']}.{tags['EXIF SubSecTimeOriginal']}",
                                      "%Y:%m:%d %H:%M:%S.%f").replace(tzinfo=ZONE)
            true = datetime.fromisoformat(frame["taken_utc"])
            assert abs((shown + timedelta(seconds=body["offset_s"]) - true).total_seconds()) < 0.011, name


def test_one_burst_crosses_the_bodys_midnight() -> None:
    crossing = []
    for row in TRUTH["sets"]:
        offset = timedelta(seconds=BODIES[row["serial"]]["offset_s"])
        days = {(datetime.fromisoformat(f["taken_utc"]).astimezone(ZONE) - offset).date() for f in row["frames"]}
        crossing += [row["name"]] if len(days) == 2 else []
    assert crossing == ["deck-night"]


def test_clock_notes_say_what_the_headers_are_off() -> None:
    lines = (FOLDER / "show" / "clock_notes.csv").read_text().splitlines()
    assert lines[0] == "camera,serial,camera_shows,true_time,offset_s,note"
    for line in lines[1:]:
        _, serial, shows, true, offset, _ = line.split(",", 5)
        difference = (datetime.fromisoformat(true) - datetime.fromisoformat(shows)).total_seconds()
        assert difference == BODIES[serial]["offset_s"] and offset in ("", str(BODIES[serial]["offset_s"]))


def test_jpegs_are_as_in_camera_files() -> None:
    """DCF, from memory: Exif is the first segment, its thumbnail 160 x 120; read here by a second decoder."""
    for card, path in STILLS:
        if path.endswith(".JPG"):
            data = read(card, path)
            assert data[:4] == b"\xff\xd8\xff\xe1" and data[6:12] == b"Exif\0\0"
            thumb = exifread.process_file(io.BytesIO(data), details=False, extract_thumbnail=True)["JPEGThumbnail"]
            assert Image.open(io.BytesIO(thumb)).size == (160, 120)
            if (card, path) == TRUNCATED:
                with pytest.raises(OSError):
                    Image.open(io.BytesIO(data)).load()
                with pytest.raises(ValueError):
                    simplejpeg.decode_jpeg(data)
            else:
                assert Image.open(io.BytesIO(data)).convert("RGB").size[0] in (1024, 600, 432)


def test_raws_decode_with_their_levels() -> None:
    raws = [(card, path) for card, path in STILLS if path.endswith(".DNG")]
    assert len(raws) == 10
    for card, path in raws:
        data = read(card, path)
        with rawpy.imread(io.BytesIO(data)) as raw:
            image = raw.raw_image_visible
            assert image.shape == (288, 432) and raw.raw_pattern.tolist() == [[0, 1], [3, 2]]
            assert raw.black_level_per_channel == [512] * 4 and raw.white_level == 15871
            assert np.allclose(raw.camera_whitebalance[:3], [1 / 0.57, 1, 1 / 0.69], rtol=1e-4)
            assert abs(float(np.median(image[:20, :20])) - 512) < 3  # outside the circle only black and read noise
            assert raw.color_matrix[:3, :3].sum(axis=1) == pytest.approx([1, 1, 1], abs=1e-4)  # grey stays grey
            rgb = raw.postprocess(gamma=(1, 1), no_auto_bright=True, output_bps=16, adjust_maximum_thr=0.0, user_flip=0)
            assert rgb.shape == (288, 432, 3)


def test_clips_are_real() -> None:
    av = pytest.importorskip("av")
    for clip in TRUTH["clips"]:
        with av.open(io.BytesIO(read("YMBER-A7", clip["files"][0]))) as container:
            stream = container.streams.video[0]
            assert str(stream.average_rate) == clip["frame_rate"] and stream.metadata["timecode"] == clip["timecode"]
            begun = datetime.fromisoformat(container.metadata["creation_time"])
            assert begun == datetime.fromisoformat(clip["start_utc"])
            assert sum(1 for _ in container.decode(video=0)) == clip["frames"]


def test_sound_says_when_it_began() -> None:
    """EBU Tech 3285: TimeReference counts samples since midnight, at byte 338 of the bext chunk (from memory)."""
    data = read("YMBER-A7", "A7/SOUND/A7-0043-T2.WAV")
    with wave.open(io.BytesIO(data)) as sound:
        assert (sound.getframerate(), sound.getnchannels(), sound.getnframes()) == (48_000, 1, 57_600)
    at = data.index(b"bext") + 8
    assert data[at + 320: at + 330] == b"2026-04-14"
    assert int.from_bytes(data[at + 338: at + 346], "little") == (14 * 3600 + 19 * 60 + 8) * 48_000
