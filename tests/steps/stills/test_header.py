"""Tags to a header: real field values, absurd ones, and whatever a subverted worker might answer."""

from __future__ import annotations

from datetime import datetime, timedelta
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from ingest.errors import Unreadable
from ingest.records.names import shown
from ingest.records.stills import StillHeader
from ingest.steps.stills.header import understand


def header(kind: str = "jpeg", **tags: Any) -> StillHeader:
    return understand({"kind": kind, "tags": tags, "reader": "own", "differs": []})


def test_a_usual_header() -> None:
    found = header(
        Make="HARMATAN", Model="HARMATAN  K2 ", BodySerialNumber="0042", ExposureTime="1/60", FNumber="28/5",
        PhotographicSensitivity=125, DateTimeOriginal="2026:01:02 23:59:59", SubSecTimeOriginal="9",
        OffsetTimeOriginal="+09:00", ExposureBiasValue="-2/3", ExposureMode=2, ExposureProgram=1, FocalLength="8/1",
        PixelXDimension=6000, PixelYDimension=4000, Orientation=6, ColorSpace=65535, WhiteBalance=1,
    )  # fmt: skip
    assert found.model == "HARMATAN K2"
    assert found.exposure_time_s == Fraction(1, 60)
    assert found.f_number == Fraction(28, 5)
    assert (found.iso, found.exposure_bias_ev, found.exposure_mode) == (125, Fraction(-2, 3), 2)
    assert (found.width, found.height, found.orientation, found.focal_length_mm) == (6000, 4000, 6, 8.0)
    assert found.utc_offset_s == 9 * 3600
    assert found.problems == ()


def test_sub_seconds_are_the_digits_after_the_point() -> None:
    """Exif 2.32, SubSecTime: "07" is 0.07 s, "5" is 0.5 s; bodies write one to six digits."""
    def taken(text: str, subsec: Any) -> datetime:
        found = header(Make="M", DateTimeOriginal=text, SubSecTimeOriginal=subsec)
        assert found.taken is not None
        return found.taken

    # The standard's own check: a frame at .9 s before midnight and one at .1 s after are 0.2 s apart.
    assert taken("2026:01:03 00:00:00", "1") - taken("2026:01:02 23:59:59", "9") == timedelta(seconds=0.2)
    for digits, us in (("07", 70_000), ("5", 500_000), ("479039", 479_039), ("8130", 813_000), ("123456789", 123_456)):
        assert taken("2024:04:01 17:57:01", digits).microsecond == us
        assert header(DateTimeOriginal="2024:04:01 17:57:01", SubSecTimeOriginal=digits).subsec_digits == len(digits)
    assert header(DateTimeOriginal="2024:04:01 17:57:01").subsec_digits == 0


@pytest.mark.parametrize(
    "text",
    ["0000:00:00 00:00:00", "    :  :     :  :  ", "2024:13:01 10:00:00", "2024:02:30 1:2:3", "1904:01:01 00:00:00",
     "yesterday", "2024:01:01 24:00:00", "9999:99:99 99:99:99"],
)  # fmt: skip
def test_dates_that_are_none(text: str) -> None:
    found = header(Make="M", DateTimeOriginal=text)
    assert found.taken is None
    assert any("is no date" in p for p in found.problems) or not text.strip(" :")


def test_the_moment_of_exposure_wins_and_the_file_date_is_doubted() -> None:
    found = header(DateTime="2026:05:05 05:05:05", DateTimeOriginal="2026:01:01 01:01:01")
    assert found.taken == datetime(2026, 1, 1, 1, 1, 1)  # noqa: DTZ001
    found = header(DateTime="2026:05:05 05:05:05", DateTimeOriginal="0000:00:00 00:00:00", SubSecTime="25")
    assert found.taken == datetime(2026, 5, 5, 5, 5, 5, 250_000)  # noqa: DTZ001
    assert any("program may have changed" in p for p in found.problems)


@pytest.mark.parametrize(("text", "seconds"), [("+02:00", 7200), ("-03:30", -12600), ("Z", 0), ("+0900", 32400),
                                               ("+25:00", None), ("   :  ", None), ("+02:75", None)])  # fmt: skip
def test_offsets(text: str, seconds: int | None) -> None:
    found = header(DateTimeOriginal="2026:01:01 08:00:00", OffsetTimeOriginal=text)
    assert found.utc_offset_s == seconds
    assert header(DateTimeOriginal="2026:01:01 08:00:00", OffsetTime=text).utc_offset_s == seconds


@pytest.mark.parametrize("value", ["0/1", "0/0", "1/0", "-1/60", "99999999/1", "1/99999999999", "4294967295/1"])
def test_an_exposure_time_that_makes_no_sense_is_not_said(value: str) -> None:
    found = header(Make="M", ExposureTime=value)
    assert found.exposure_time_s is None
    assert len(found.problems) == 1 and "ExposureTime" in found.problems[0]


def test_apex_stands_in_for_a_missing_time_and_f_number() -> None:
    """Exif 2.32: ShutterSpeedValue 6 is 2^-6 = 1/64 s, ApertureValue 5 is f/2^2.5 = 5.657."""
    found = header(Make="M", ShutterSpeedValue="6/1", ApertureValue="5/1")
    assert (found.exposure_time_s, found.exposure_from_apex) == (Fraction(1, 64), True)
    assert float(found.f_number or 0) == pytest.approx(5.65685, abs=1e-5)
    found = header(Make="M", ExposureTime="0/0", ShutterSpeedValue="128021/32768")
    assert float(found.exposure_time_s or 0) == pytest.approx(2 ** -(128021 / 32768), rel=1e-6)
    # 0/1 is what stands there when a body does not fill the tag in.
    assert header(Make="M", ExposureTime="0/1", ShutterSpeedValue="0/1").exposure_time_s is None


def test_a_header_that_contradicts_itself_says_so() -> None:
    assert any("do not agree" in p for p in header(ExposureTime="1/4", ShutterSpeedValue="6/1").problems)
    assert header(ExposureTime="1/60", ShutterSpeedValue="6/1").problems == ()
    answer = {"kind": "jpeg", "tags": {"Make": "M"}, "differs": ["FNumber"]}
    assert understand(answer).problems == ("two readers do not agree on FNumber",)


@pytest.mark.parametrize(
    ("tags", "iso"),
    [
        ({"PhotographicSensitivity": [0, 0]}, None),
        ({"PhotographicSensitivity": [0, 400]}, 400),
        ({"PhotographicSensitivity": 0}, None),
        ({"PhotographicSensitivity": 65535, "SensitivityType": 2, "RecommendedExposureIndex": 102400}, 102400),
        ({"PhotographicSensitivity": 65535, "SensitivityType": 1, "StandardOutputSensitivity": 204800,
          "RecommendedExposureIndex": 1}, 204800),
        ({"ISOSpeed": 200}, 200),
        ({"ExposureIndex": "100/1"}, 100),
        ({"PhotographicSensitivity": -5}, None),
        ({"PhotographicSensitivity": "100"}, None),
    ],
)  # fmt: skip
def test_sensitivity(tags: dict[str, Any], iso: int | None) -> None:
    assert header(Make="M", **tags).iso == iso


def test_a_lens_without_contacts_has_no_f_number() -> None:
    found = header(Make="M", ExposureTime="1/60", FNumber="0/1")
    assert found.f_number is None
    assert found.problems == ("FNumber 0 makes no sense",)


def test_serial_numbers_of_blanks_and_zeros_say_nothing() -> None:
    for blank in ("", "   ", "0000000", "--", "\0"):
        assert header(Make="M", BodySerialNumber=blank).body_serial is None
    assert header(Make="M", BodySerialNumber="00012").body_serial == "00012"


def test_a_picture_merged_in_camera_is_marked() -> None:
    """Exif 2.32, CompositeImage 3: composed of images captured while shooting."""
    assert header(CompositeImage=3).composite
    assert not header(CompositeImage=1).composite


def test_the_size_is_the_pictures_not_the_previews() -> None:
    whole = {"PixelXDimension": 6000, "PixelYDimension": 4000}
    assert header(kind="tiff", ImageWidth=160, ImageLength=120, **whole).width == 6000
    assert header(kind="jpeg", Width=400, Height=300, **whole).width == 400
    assert header(PixelXDimension=0, PixelYDimension=0).width is None


def test_a_refusal_keeps_its_words() -> None:
    with pytest.raises(Unreadable, match="no Exif data"):
        understand({"refused": "it holds no Exif data", "next": "Look."})
    with pytest.raises(Unreadable):
        understand({})


NAMES = ["Make", "Model", "ExposureTime", "FNumber", "PhotographicSensitivity", "DateTimeOriginal",
         "SubSecTimeOriginal", "OffsetTimeOriginal", "ShutterSpeedValue", "ApertureValue", "Orientation",
         "UnixTime", "FocalLength",
         "PixelXDimension", "PixelYDimension", "ImageNumber", "Drive", "ExposureBiasValue", "Width", "Height",
         "SensitivityType", "RecommendedExposureIndex", "BodySerialNumber", "CompositeImage"]  # fmt: skip
NUMBERS = st.integers() | st.integers(-(2**40), 2**40)
RATIOS = st.builds("{}/{}".format, NUMBERS, NUMBERS)
PARTS = [st.integers(0, n) for n in (9999, 13, 32, 25, 61, 61)]
DATES = st.builds("{:04d}:{:02d}:{:02d} {:02d}:{:02d}:{:02d}".format, *PARTS)
ANY = st.recursive(
    st.none() | st.booleans() | NUMBERS | RATIOS | DATES | st.text(max_size=30) | st.floats(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=3), inner, max_size=2),
    max_leaves=5,
)


@given(st.dictionaries(st.sampled_from(NAMES) | st.text(max_size=5), ANY), ANY, ANY, ANY)
def test_any_answer_gives_a_legal_header(tags: dict[str, Any], kind: Any, differs: Any, reader: Any) -> None:
    found = understand({"kind": kind, "tags": tags, "differs": differs, "reader": reader})
    assert found.exposure_time_s is None or 0 < found.exposure_time_s <= 36_000
    assert found.f_number is None or 0.2 < found.f_number <= 256
    assert found.iso is None or 1 <= found.iso <= 10_000_000
    assert 1 <= found.orientation <= 8
    assert (found.width is None) is (found.height is None)
    assert all(isinstance(p, str) and len(p) < 200 for p in found.problems)
    for text in (found.make, found.model, found.body_serial, found.drive):
        assert text is None or (0 < len(text) <= 120 and shown(text) == text and text == text.strip())
