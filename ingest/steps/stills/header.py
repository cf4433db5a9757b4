"""From tags to a header: what the camera meant, and which of its words make no sense.

Tags are untrusted.  A value that is zero, 0/0, blank or absurd is "not said", with a word in
``problems``; it never becomes a number somewhere else.  Tag meanings: Exif 2.32 (CIPA DC-008-2019).
"""

from __future__ import annotations

import math
import re
from collections.abc import Container, Mapping
from datetime import datetime, timedelta
from fractions import Fraction
from typing import Any

from ingest.errors import Unreadable
from ingest.records.names import shown
from ingest.records.stills import StillHeader

# Outside these a number in a header is an error or a lie; the longest single exposure is ten hours.
_SHORTEST_S, _LONGEST_S = Fraction(1, 10_000_000), Fraction(36_000)
_WIDEST, _NARROWEST = Fraction(1, 2), Fraction(256)
_HIGHEST_ISO = 10_000_000
_CAPPED_ISO = 65_535  # PhotographicSensitivity is 16 bits wide; beyond, the tags of Exif 2.3 hold it
_DATE = re.compile(r"(\d{4})[:\-/](\d{1,2})[:\-/](\d{1,2})[ T](\d{1,2}):(\d{2}):(\d{2})\Z")
_OFFSET = re.compile(r"([+-])(\d{2}):?(\d{2})\Z")
# (time, its sub-seconds, its offset), the moment of exposure first.
_TIMES = (
    ("DateTimeOriginal", "SubSecTimeOriginal", "OffsetTimeOriginal"),
    ("DateTimeDigitized", "SubSecTimeDigitized", "OffsetTimeDigitized"),
    ("DateTime", "SubSecTime", "OffsetTime"),
)
_EPOCH = datetime(1970, 1, 1)  # noqa: DTZ001 - a body's own wall clock has no zone


def understand(answer: Mapping[str, Any]) -> StillHeader:
    """The header in one file's answer of the worker's ``headers`` job.

    Raises Unreadable where the worker refused the file, in its words, or gave nothing of the kind asked.
    """
    if "refused" in answer:
        raise Unreadable(str(answer["refused"]), next=str(answer.get("next", "")))
    tags = answer.get("tags")
    if not isinstance(tags, Mapping):
        raise Unreadable("the metadata cannot be read (the worker's answer holds none).")
    header = _Reader({str(k): v for k, v in tags.items()}, str(answer.get("kind", "")))
    differs = answer.get("differs", ())
    for name in differs if isinstance(differs, list) else ():
        header.problems.append(f"two readers do not agree on {shown(str(name))[:40]}")
    return header.header(reader=shown(str(answer.get("reader", "")))[:40])


class _Reader:
    """The tags of one file and the problems met while reading them."""

    def __init__(self, tags: Mapping[str, Any], kind: str) -> None:
        self.tags = tags
        self.kind = kind
        self.problems: list[str] = []

    def header(self, *, reader: str) -> StillHeader:
        time_s, from_apex = self.exposure_time()
        taken, digits, offset = self.taken()
        width, height = self.size()
        return StillHeader(
            make=self.text("Make"),
            model=self.text("Model") or self.text("UniqueCameraModel"),
            body_serial=self.serial("BodySerialNumber") or self.serial("CameraSerialNumber"),
            lens_make=self.text("LensMake"),
            lens_model=self.text("LensModel"),
            lens_serial=self.serial("LensSerialNumber"),
            exposure_time_s=time_s,
            exposure_from_apex=from_apex,
            f_number=self.f_number(),
            iso=self.iso(),
            exposure_bias_ev=self.within("ExposureBiasValue", Fraction(-20), Fraction(20)),
            exposure_mode=self.one_of("ExposureMode", range(3)),
            exposure_program=self.one_of("ExposureProgram", range(10)),
            taken=taken,
            subsec_digits=digits,
            utc_offset_s=offset,
            focal_length_mm=self.focal_length(),
            width=width,
            height=height,
            orientation=self.one_of("Orientation", range(1, 9)) or 1,
            white_balance=self.one_of("WhiteBalance", range(2)),
            colour_space=self.one_of("ColorSpace", (1, 2, 65535)),
            composite=self.whole("CompositeImage") == 3,
            drive=self.text("Drive"),
            image_number=self.whole("ImageNumber"),
            reader=reader,
            problems=tuple(self.problems),
        )

    # -- single values ---------------------------------------------------------------------------

    def text(self, name: str) -> str | None:
        value = self.tags.get(name)
        if not isinstance(value, str):
            return None
        return shown(" ".join(value.split("\0")[0].split()))[:120] or None

    def serial(self, name: str) -> str | None:
        """A serial number; blanks, zeros and dashes in its place say nothing."""
        value = self.text(name)
        return value if value and value.strip("0 -.*?") else None

    def whole(self, name: str) -> int | None:
        """A whole number; of a list the first that is not zero."""
        value = self.tags.get(name)
        for item in value if isinstance(value, list) else [value]:
            if isinstance(item, int) and not isinstance(item, bool) and (item or item is value):
                return item
        return None

    def ratio(self, name: str) -> Fraction | None:
        """A ratio; None for what is absent or 0/0, 1/0 (which is a problem)."""
        value = self.tags.get(name)
        if isinstance(value, list) and value:
            value = value[0]
        if isinstance(value, int) and not isinstance(value, bool):
            return Fraction(value)
        if not isinstance(value, str):
            return None
        number, _, below = value.partition("/")
        try:
            return Fraction(int(number[:24]), int((below or "1")[:24]))
        except (ValueError, ZeroDivisionError):
            self.problems.append(f"{name} {shown(value)[:30]} is no number")
            return None

    def within(self, name: str, low: Fraction, high: Fraction, *, note: bool = False) -> Fraction | None:
        value = self.ratio(name)
        if value is None or low <= value <= high:
            return value
        if note:
            self.problems.append(f"{name} {_short(value)} makes no sense")
        return None

    def one_of(self, name: str, known: Container[int]) -> int | None:
        value = self.whole(name)
        return value if value is not None and value in known else None

    # -- exposure --------------------------------------------------------------------------------

    def exposure_time(self) -> tuple[Fraction | None, bool]:
        """Seconds, and whether they come from ShutterSpeedValue (APEX: t = 2^-Tv) alone."""
        time = self.within("ExposureTime", _SHORTEST_S, _LONGEST_S, note=True)
        tv = self.within("ShutterSpeedValue", Fraction(-16), Fraction(24))
        if time is None:
            # 0/1 stands where a body did not fill the tag in: one second would be a guess.
            return (None, False) if not tv else (_power(-tv), True)
        if tv and abs(math.log2(time) + float(tv)) > 1:
            self.problems.append(f"ExposureTime {_short(time)} s and ShutterSpeedValue {float(tv):.2f} do not agree")
        return time, False

    def f_number(self) -> Fraction | None:
        number = self.within("FNumber", _WIDEST, _NARROWEST, note=True)
        av = self.within("ApertureValue", Fraction(-2), Fraction(16))
        return number if number is not None or not av else _power(av / 2)

    def iso(self) -> int | None:
        """PhotographicSensitivity, or where it is absent or at its cap the longer tags.

        SensitivityType says which of them it repeats; where it says nothing: recommended exposure
        index, standard output sensitivity, ISO speed.
        """
        value = self.whole("PhotographicSensitivity")
        if value is None or value <= 0 or value >= _CAPPED_ISO:
            said = value
            names = ["RecommendedExposureIndex", "StandardOutputSensitivity", "ISOSpeed"]
            first = {1: 1, 3: 2, 5: 1}.get(self.whole("SensitivityType") or 0, 0)
            longer = [self.whole(n) for n in [names[first], *names]]
            value = next((v for v in longer if v and v > 0), None)
            if value is None:
                index = self.within("ExposureIndex", Fraction(1), Fraction(_HIGHEST_ISO))
                value = int(index) if index else said
        if value is None:
            return None
        if not 1 <= value <= _HIGHEST_ISO:
            self.problems.append(f"ISO {value} makes no sense")
            return None
        return value

    def focal_length(self) -> float | None:
        value = self.within("FocalLength", Fraction(1, 10), Fraction(5000))
        return None if value is None else float(value)

    # -- time and size ---------------------------------------------------------------------------

    def taken(self) -> tuple[datetime | None, int, int | None]:
        """The body's wall clock at the exposure, digits of its sub-seconds, local minus UTC in seconds."""
        for name, subsec, offset in _TIMES:
            moment = self.moment(name)
            if moment is None:
                continue
            if name == "DateTime":
                self.problems.append("only the file's own date is there, which a program may have changed")
            part_us, digits = self.part_of_second(subsec)
            offset_s = self.offset_s(offset)
            if offset_s is None and offset != "OffsetTime":
                offset_s = self.offset_s("OffsetTime")  # some bodies write only this one; it is the same clock
            return moment + timedelta(microseconds=part_us), digits, offset_s
        seconds = self.whole("UnixTime")
        if seconds is not None and 0 < seconds < 1 << 33:
            return _EPOCH + timedelta(seconds=seconds), 0, None
        return None, 0, None

    def moment(self, name: str) -> datetime | None:
        text = self.text(name)
        if text is None:
            return None
        try:
            match = _DATE.match(text)
            if match is None:
                raise ValueError(text)
            year, month, day, hour, minute, second = map(int, match.groups())
            if year < 1970 or second > 60:  # no still camera's clock starts earlier; :60 is a leap second
                raise ValueError(text)
            moment = datetime(year, month, day, hour, minute)  # noqa: DTZ001 - as the body showed it
            return moment + timedelta(seconds=second)
        except (ValueError, OverflowError):
            self.problems.append(f"{name} '{text[:30]}' is no date")
            return None

    def part_of_second(self, name: str) -> tuple[int, int]:
        """Microseconds and number of digits: SubSecTime holds the digits after the point."""
        text = self.text(name)
        if text is None:
            value = self.tags.get(name)
            text = str(value) if isinstance(value, int) and not isinstance(value, bool) and value >= 0 else ""
        if not (text.isascii() and text.isdecimal()):
            if text:
                self.problems.append(f"{name} '{text[:20]}' is no part of a second")
            return 0, 0
        digits = text[:9]
        return int(digits.ljust(6, "0")[:6]), len(digits)

    def offset_s(self, name: str) -> int | None:
        text = self.text(name)
        if text is None:
            return None
        if text == "Z":
            return 0
        match = _OFFSET.match(text)
        if match:
            seconds = (int(match[2]) * 60 + int(match[3])) * 60
            if int(match[3]) < 60 and seconds <= 14 * 3600:  # UTC+14 is the furthest in use
                return -seconds if match[1] == "-" else seconds
        self.problems.append(f"{name} '{text[:20]}' is no offset from UTC")
        return None

    def size(self) -> tuple[int | None, int | None]:
        """Width and height of the picture: what the container says, else the largest the tags name."""
        pairs = []
        for across, down in (("Width", "Height"), ("PixelXDimension", "PixelYDimension"),
                             ("ImageWidth", "ImageLength")):  # fmt: skip
            width, height = self.whole(across), self.whole(down)
            if width and height and 0 < width < 1 << 20 and 0 < height < 1 << 20:
                if across == "Width":
                    return width, height
                pairs.append((width, height))
        return max(pairs, key=lambda p: p[0] * p[1], default=(None, None))


def _power(exponent: Fraction) -> Fraction:
    """2^exponent, exact for whole exponents, else within two parts in a million."""
    if exponent.denominator == 1:
        return Fraction(2) ** exponent.numerator
    return Fraction(2.0 ** float(exponent)).limit_denominator(1 << 24)


def _short(value: Fraction) -> str:
    text = str(value)
    return text if len(text) <= 24 else f"{float(value):.6g}"
