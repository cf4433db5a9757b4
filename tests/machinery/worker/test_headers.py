"""The two header readers: against each other, against real headers, and on every container we know.

Reference: exifread.  Tag meanings: Exif 2.32 (CIPA DC-008-2019).  Real files and facts read from real files: see
tests/data/headers/SOURCES.md.
"""

from __future__ import annotations

import io
import json
import os
import struct
import time
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.errors import Unreadable
from ingest.machinery.worker import containers, headers
from ingest.machinery.worker.tiff import Malformed, Source
from ingest.steps.stills.header import understand
from tests.machinery.worker import containers_made as made

DATA = Path(__file__).parents[2] / "data" / "headers"
SAID: dict[str, int | str] = {
    "Make": "Harmatan", "Model": "K2 Field", "Orientation": 6, "ExposureTime": "1/60", "FNumber": "28/5",
    "PhotographicSensitivity": 125, "DateTimeOriginal": "2026:03:01 12:00:00", "SubSecTimeOriginal": "07",
    "OffsetTimeOriginal": "+01:00", "ExposureBiasValue": "-2/3", "BodySerialNumber": "K2-0042", "LensModel": "8 mm f/4",
    "FocalLength": "8/1", "ExposureMode": 2, "CompositeImage": 1, "PixelXDimension": 6000, "PixelYDimension": 4000,
}  # fmt: skip


def read(data: bytes) -> dict[str, Any]:
    return headers.read(io.BytesIO(data))


def own(data: bytes) -> dict[str, Any]:
    source = Source(io.BytesIO(data))
    return headers.read_own(source, containers.kind(source.read(0, min(64, source.size))))


@pytest.mark.parametrize(
    ("kind", "data"),
    [
        ("jpeg", made.jpeg(made.tiff(SAID))),
        ("jpeg", made.jpeg(made.tiff(SAID, order=">"))),
        ("jpeg", made.jpeg(made.tiff(SAID, exif_in_first=True))),
        ("jpeg", made.jpeg(made.tiff(SAID), before=made.comments(6_000))),
        ("jpeg", made.jpeg(made.tiff(SAID), before=made.comments(300_000))),
        ("tiff", made.tiff(SAID)),
        ("tiff", made.tiff(SAID, order=">", exif_in_first=True)),
        ("cr3", made.cr3(SAID)),
        ("heif", made.heif(SAID)),
        ("heif", made.heif(SAID, brand=b"heic")),
        ("raf", made.raf(SAID)),
        ("mrw", made.mrw(SAID)),
    ],
)
def test_every_container_gives_the_same_header(kind: str, data: bytes) -> None:
    answer = read(data)
    assert answer["kind"] == kind
    assert answer["differs"] == []
    found = understand(answer)
    assert (found.make, found.model, found.body_serial) == ("Harmatan", "K2 Field", "K2-0042")
    assert str(found.exposure_time_s) == "1/60" and str(found.f_number) == "28/5" and found.iso == 125
    assert found.taken is not None and found.taken.microsecond == 70_000 and found.subsec_digits == 2
    assert (found.utc_offset_s, found.exposure_mode, found.orientation) == (3600, 2, 6)
    assert found.problems == ()


def test_exif_far_into_a_jpeg_is_found_though_the_library_is_silent() -> None:
    """A known trap: with more than about 4,000 bytes before it exifread gives nothing, without a word."""
    late = made.jpeg(made.tiff(SAID), before=made.comments(6_000))
    assert headers.read_library(io.BytesIO(late)) == {}
    assert read(late)["reader"] == "own"


def test_sigma_properties() -> None:
    said = {"CAMMANUF": "SIGMA", "CAMMODEL": "SD10", "CAMSERIAL": "02001234", "EXPTIME": "24140", "APERTURE": "8.35419",
            "ISO": "100", "TIME": "978309395", "DRIVE": "SINGLE", "FLENGTH": "50"}  # fmt: skip
    found = understand(read(made.x3f(said)))
    assert float(found.exposure_time_s or 0) == pytest.approx(0.02414)
    assert float(found.f_number or 0) == pytest.approx(8.35419)
    assert (found.iso, found.body_serial, found.focal_length_mm) == (100, "02001234", 50.0)
    assert found.taken is not None and found.taken.year == 2001


def test_sizes_are_those_of_the_raw_and_not_of_its_preview() -> None:
    assert understand(read(made.raf(SAID))).width == 4256
    assert understand(read(made.mrw(SAID))).height == 2448
    small = {**SAID, "ImageWidth": 160, "ImageLength": 120}
    small = {k: v for k, v in small.items() if not k.startswith("Pixel")}
    raw = made.tiff(small, sub={"ImageWidth": 6016, "ImageLength": 4016})
    assert understand(read(raw)).width == 6016


def test_a_serial_number_only_the_maker_note_has() -> None:
    said = {k: v for k, v in SAID.items() if k != "BodySerialNumber"} | {"Make": "Canon"}
    assert understand(read(made.cr3(said, serial=730267814))).body_serial == "730267814"


def test_tags_newer_than_the_library() -> None:
    said = {**SAID, "CompositeImage": 3, "PhotographicSensitivity": 65535, "SensitivityType": 2,
            "RecommendedExposureIndex": 102400}  # fmt: skip
    found = understand(read(made.jpeg(made.tiff(said))))
    assert found.composite and found.iso == 102400


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "empty"),
        (b"\0" * 4096, "zeros"),
        (b"hello, this is no picture", "no known kind"),
        (made.jpeg(b""), "no Exif data"),
        (made.tiff({"ImageWidth": 10, "ImageLength": 10}), "no Exif data"),
        (made.cr3(SAID)[:60], "no Exif data"),
        (made.cr3(SAID)[:30], "no tags in its boxes"),
    ],
)
def test_what_has_no_tags_is_refused_and_never_empty(data: bytes, words: str) -> None:
    with pytest.raises(Unreadable, match=words):
        read(data)


def test_readers_that_disagree_are_reported(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(headers, "read_library", lambda _file: {"Make": "Harmatan", "ExposureTime": "1/30"})
    answer = read(made.jpeg(made.tiff(SAID)))
    assert answer["differs"] == ["ExposureTime"]
    assert understand(answer).problems == ("two readers do not agree on ExposureTime",)


# -- real headers ----------------------------------------------------------------------------------

REAL = {
    "canon-r6-head.cr3": ("Canon EOS R6", "1/100", "14/5", 25600, "2025-09-06 20:24:47.720000", "072021007989"),
    "fujifilm_x_t1_01.raf": ("X-T1", "2/5", "8", 200, "2014-01-30 12:49:13", None),
    "endless_loop.jpg": ("Canon EOS 1000D", "1/3200", "63/10", 800, "2009-05-09 15:42:01.980000", "730267814"),
}


@pytest.mark.parametrize("name", sorted(REAL))
def test_real_files(name: str) -> None:
    found = understand(read((DATA / name).read_bytes()))
    model, time_s, stop, iso, taken, serial = REAL[name]
    said = (found.model, str(found.exposure_time_s), str(found.f_number), found.iso, str(found.taken))
    assert said == (model, time_s, stop, iso, taken)
    assert serial is None or found.body_serial == serial


# A JPEG's own frame header says its size; what its tags say of it is not asked.
SIZES = {"PixelXDimension", "PixelYDimension"}
FACTS: dict[str, dict[str, dict[str, Any]]] = json.loads((DATA / "real_tags.json").read_text())


@pytest.mark.parametrize("name", sorted(FACTS))
def test_what_real_cameras_wrote_is_understood(name: str) -> None:
    tags = FACTS[name]["own"] | FACTS[name]["exifread"]
    found = understand({"kind": FACTS[name]["kind"], "tags": tags, "differs": []})
    doubted = {p.split()[0] for p in found.problems}
    assert found.make or found.model or doubted
    for tag, value in (("ExposureTime", found.exposure_time_s), ("FNumber", found.f_number)):
        assert (value is not None) or tag not in tags or tag in doubted, (tag, tags[tag])
    if "DateTimeOriginal" in tags:
        assert found.taken or "DateTimeOriginal" in doubted


@pytest.mark.parametrize("name", sorted(n for n in FACTS if FACTS[n]["exifread"]))
def test_both_readers_agree_on_real_values(name: str) -> None:
    """Each real file's tags written anew, byte order both ways, and read by both."""
    reference = {k: v for k, v in FACTS[name]["exifread"].items() if not isinstance(v, list)}
    for order in "<>":
        data = made.jpeg(made.tiff(_writable(reference), order=order))
        mine, theirs = own(data), headers.read_library(io.BytesIO(data))
        for tag in theirs.keys() - SIZES:
            assert mine[tag] == theirs[tag], tag


def _writable(tags: dict[str, Any]) -> dict[str, int | str]:
    keep = {}
    for name, value in tags.items():
        if isinstance(value, str) and name in made.RATIONAL and value.startswith("-"):
            continue
        keep[name] = value
    return keep


@pytest.mark.campaign
def test_both_readers_agree_on_a_folder_of_files() -> None:
    folder = os.environ.get("NIGHTLOADER_HEADERS")
    if not folder:
        pytest.skip("set NIGHTLOADER_HEADERS to a folder of stills")
    differ, only, files = [], {"own": 0, "exifread": 0}, 0
    for path in sorted(p for p in Path(folder).rglob("*") if p.is_file()):
        data = path.read_bytes()
        try:
            mine = own(data)
        except Malformed:
            mine = {}
        try:
            theirs = headers.read_library(io.BytesIO(data))
        except Exception:
            theirs = {}
        files += bool(mine or theirs)
        only["own"] += bool(mine) and not theirs
        only["exifread"] += bool(theirs) and not mine
        both = mine.keys() & theirs.keys()
        differ += [(path.name, t, mine[t], theirs[t]) for t in both if not headers._same(mine[t], theirs[t])]
    print(f"{files} files with tags; only one reader: {only}; differing: {differ}")
    assert not differ
    assert not only["exifread"]


# -- traps -----------------------------------------------------------------------------------------


def test_a_directory_that_keeps_the_library_busy_for_ever() -> None:
    """65,535 entries of 999 longs each: exifread alone was still running after eight seconds."""
    entries = b"".join(struct.pack("<HHII", 0x9999, 4, 999, 8) for _ in range(65_535))
    data = b"II*\0\x08\0\0\0" + struct.pack("<H", 65_535) + entries + b"\0" * 4096
    begun = time.monotonic()
    with pytest.raises(Unreadable):
        read(data)
    assert time.monotonic() - begun < 5


def test_a_chain_of_empty_directories() -> None:
    chain = b"".join(struct.pack("<HI", 0, 8 + 6 * (i + 1)) for i in range(200_000))
    begun = time.monotonic()
    with pytest.raises(Unreadable):
        read(b"II*\0\x08\0\0\0" + chain)
    assert time.monotonic() - begun < 5


def test_directories_that_point_at_themselves() -> None:
    loop = b"II*\0\x08\0\0\0" + struct.pack("<H", 2) + struct.pack("<HHII", 0x8769, 4, 1, 8)
    loop += struct.pack("<HHII", 0x014A, 4, 1, 8) + struct.pack("<I", 8)
    with pytest.raises(Unreadable):
        read(loop)


RATIOS = st.builds("{}/{}".format, st.integers(0, 2**32 - 1), st.integers(0, 2**32 - 1))
TEXTS = st.text(st.characters(min_codepoint=33, max_codepoint=126), min_size=1, max_size=40)
SAYINGS = st.fixed_dictionaries(
    {"Make": TEXTS, "ExposureTime": RATIOS},
    optional={"FNumber": RATIOS, "PhotographicSensitivity": st.integers(0, 65535), "DateTimeOriginal": TEXTS,
              "SubSecTimeOriginal": TEXTS, "Orientation": st.integers(0, 9), "BodySerialNumber": TEXTS,
              "PixelXDimension": st.integers(0, 2**32 - 1)},
)  # fmt: skip


@given(SAYINGS, st.sampled_from("<>"), st.booleans(), st.integers(0, 9000))
@settings(max_examples=60)
def test_what_is_written_is_read_by_both(said: dict[str, int | str], order: str, first: bool, before: int) -> None:
    data = made.jpeg(made.tiff(said, order=order, exif_in_first=first), before=made.comments(before))
    mine = own(data)
    assert {k for k in said if k in mine or k == "PixelXDimension"} == set(said)
    assert mine["Make"] == said["Make"]
    if before < 1000:
        theirs = headers.read_library(io.BytesIO(data))
        for tag, value in theirs.items():
            assert tag in SIZES or headers._same(mine[tag], value)
