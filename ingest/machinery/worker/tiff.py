"""A bounded reader of TIFF directories: only the tags we want, never more bytes than it has been given.

It stands beside the library reader, for containers the library does not open and headers it trips
over.  Whatever the bytes say, it reads at most :data:`_BUDGET` bytes in at most :data:`_READS` pieces,
follows no chain of directories and no loop, and walks each directory once.

Tags come back under their Exif names (CIPA DC-008) in plain values that survive JSON:

* text, cut at its NUL, without spaces at the ends;
* whole numbers; more than one as a list;
* ratios as text ``"1/60"``, in lowest terms where the denominator is not zero; several as a list.
"""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass, field
from typing import BinaryIO

Value = int | str | list[int] | list[str]
Tags = dict[str, Value]

_BUDGET = 8 << 20
_READS = 4000
_HEAD_BYTES = 64 << 10
_MOST_ENTRIES = 512  # real directories hold some sixty
_LONGEST_VALUE = 4096

# Exif 2.32 (CIPA DC-008-2019), TIFF 6.0 and, from 0xC000, DNG 1.4.
NAMES = {
    0x0100: "ImageWidth", 0x0101: "ImageLength", 0x010F: "Make", 0x0110: "Model", 0x0112: "Orientation",
    0x0132: "DateTime", 0x829A: "ExposureTime", 0x829D: "FNumber", 0x8822: "ExposureProgram",
    0x8827: "PhotographicSensitivity", 0x8830: "SensitivityType", 0x8831: "StandardOutputSensitivity",
    0x8832: "RecommendedExposureIndex", 0x8833: "ISOSpeed", 0x9003: "DateTimeOriginal",
    0x9004: "DateTimeDigitized", 0x9010: "OffsetTime", 0x9011: "OffsetTimeOriginal",
    0x9012: "OffsetTimeDigitized", 0x9201: "ShutterSpeedValue", 0x9202: "ApertureValue",
    0x9204: "ExposureBiasValue", 0x920A: "FocalLength", 0x9290: "SubSecTime", 0x9291: "SubSecTimeOriginal",
    0x9292: "SubSecTimeDigitized", 0xA001: "ColorSpace", 0xA002: "PixelXDimension", 0xA003: "PixelYDimension",
    0xA215: "ExposureIndex", 0xA402: "ExposureMode", 0xA403: "WhiteBalance", 0xA431: "BodySerialNumber",
    0xA433: "LensMake", 0xA434: "LensModel", 0xA435: "LensSerialNumber", 0xA460: "CompositeImage",
    0xC614: "UniqueCameraModel", 0xC62F: "CameraSerialNumber", 0xC630: "LensInfo",
}  # fmt: skip
_EXIF_IFD, _SUB_IFDS, _MAKER_NOTE = 0x8769, 0x014A, 0x927C
_SIZES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 13: 4, 129: 1}
_CODES = {1: "B", 3: "H", 4: "I", 6: "b", 8: "h", 9: "i", 13: "I"}


class Malformed(Exception):
    """These bytes are not what they claim to be; the words say how."""


class Source:
    """Bytes by position, with an end to what may be read."""

    def __init__(self, file: BinaryIO) -> None:
        self._file = file
        self.size = file.seek(0, 2)
        file.seek(0)
        self._head = file.read(_HEAD_BYTES)
        self._budget, self._reads = _BUDGET, _READS

    def read(self, at: int, size: int) -> bytes:
        """Exactly ``size`` bytes from ``at``, or Malformed."""
        if at < 0 or size < 0 or at + size > self.size:
            raise Malformed("it points past the end of the file")
        if at + size <= len(self._head):
            return self._head[at : at + size]
        self._budget -= size
        self._reads -= 1
        if self._budget < 0 or self._reads < 0:
            raise Malformed("its header has no end")
        self._file.seek(at)
        data = self._file.read(size)
        if len(data) != size:
            raise Malformed("it ends early")
        return data


@dataclass(kw_only=True, slots=True)
class Directory:
    """One TIFF directory: wanted tags, and pointers where it had them."""

    tags: Tags = field(default_factory=dict)
    exif_at: int | None = None
    sub_at: tuple[int, ...] = ()
    maker_note: tuple[int, int] | None = None  # where in the source, how long


@dataclass(frozen=True, kw_only=True, slots=True)
class Tiff:
    """A TIFF structure within ``source``: all its positions count from ``base``."""

    source: Source
    base: int
    order: str  # struct's "<" or ">"

    @classmethod
    def at(cls, source: Source, base: int) -> tuple[Tiff, int]:
        """The structure whose header stands at ``base``, and the position of its first directory.

        The magic number may be any: makers use their own instead of 42.
        """
        head = source.read(base, 8)
        order = {b"II": "<", b"MM": ">"}.get(head[:2])
        if order is None:
            raise Malformed("no byte order at the start of its tags")
        return cls(source=source, base=base, order=order), struct.unpack(order + "I", head[4:])[0]

    def directory(self, at: int, names: dict[int, str]) -> Directory:
        """The directory at ``at``; entries that make no sense are left out, the others stand."""
        count = self.unpack("H", at)[0]
        if count > _MOST_ENTRIES:
            raise Malformed(f"a directory with {count} entries")
        found = Directory()
        # A file cut inside its directory still gives the entries before the cut.
        count = min(count, max(0, (self.source.size - self.base - at - 2) // 12))
        table = self.source.read(self.base + at + 2, 12 * count)
        for i in range(count):
            tag, kind, items = struct.unpack_from(self.order + "HHI", table, 12 * i)
            size = _SIZES.get(kind, 0) * items
            if size <= 0:
                continue
            place = at + 2 + 12 * i + 8
            if size > 4:
                place = struct.unpack_from(self.order + "I", table, 12 * i + 8)[0]
            if tag == _MAKER_NOTE:
                found.maker_note = (self.base + place, size)
            elif tag in names or tag in (_EXIF_IFD, _SUB_IFDS):
                self._take(found, tag, names.get(tag, ""), kind, items, place)
        return found

    def _take(self, found: Directory, tag: int, name: str, kind: int, items: int, place: int) -> None:
        try:
            value = self.value(kind, items, place)
        except Malformed:
            return  # this entry points nowhere; the next may be whole
        if tag in (_EXIF_IFD, _SUB_IFDS):
            pointers = tuple(v for v in (value if isinstance(value, list) else [value]) if isinstance(v, int))
            if tag == _EXIF_IFD:
                found.exif_at = pointers[0] if pointers else None
            else:
                found.sub_at = pointers
        elif value is not None:
            found.tags.setdefault(name, value)

    def value(self, kind: int, items: int, place: int) -> Value | None:
        """The value of an entry whose data stand at ``place``; None for a kind without plain meaning."""
        items = min(items, _LONGEST_VALUE // _SIZES[kind])
        if kind in (2, 129):
            return words(self.source.read(self.base + place, items))
        if kind in (5, 10):
            parts = self.unpack(("I" if kind == 5 else "i") * (2 * items), place)
            ratios = [ratio(n, d) for n, d in zip(parts[::2], parts[1::2], strict=True)]
            return ratios[0] if items == 1 else ratios
        if kind in _CODES:
            numbers = list(self.unpack(_CODES[kind] * items, place))
            return numbers[0] if items == 1 else numbers
        return None

    def unpack(self, form: str, at: int) -> tuple[int, ...]:
        """Numbers at ``at``, counted from the base."""
        form = self.order + form
        return struct.unpack(form, self.source.read(self.base + at, struct.calcsize(form)))


def words(data: bytes) -> str:
    """Text up to its NUL; UTF-8 where it is, else byte for byte as Latin-1."""
    data = data.split(b"\0", 1)[0]
    try:
        return data.decode("utf-8").strip()
    except UnicodeDecodeError:
        return data.decode("latin-1").strip()


def ratio(numerator: int, denominator: int) -> str:
    """``"1/60"``, in lowest terms; 0/0 and 1/0 stay as they are, for the next reader to judge.

    >>> ratio(10, 600), ratio(0, 0), ratio(-4, 6), ratio(3, -6)
    ('1/60', '0/0', '-2/3', '-1/2')
    """
    if denominator == 0:
        return f"{numerator}/0"
    if denominator < 0:
        numerator, denominator = -numerator, -denominator
    part = math.gcd(numerator, denominator)
    return f"{numerator // part}/{denominator // part}"


def read_tags(source: Source, base: int) -> tuple[Tags, Tiff, tuple[int, int] | None]:
    """The wanted tags of the TIFF structure at ``base``: of the first directory, its Exif directory
    (which wins) and, for the picture's size alone, its sub-directories.  Also the place of a maker note.
    """
    tiff, first = Tiff.at(source, base)
    main = tiff.directory(first, NAMES)
    tags, note = dict(main.tags), main.maker_note
    if main.exif_at is not None:
        try:
            exif = tiff.directory(main.exif_at, NAMES)
        except Malformed:
            exif = Directory()  # the first directory may still hold the exposure
        tags |= {k: v for k, v in exif.tags.items() if k not in ("ImageWidth", "ImageLength")}
        note = exif.maker_note or note
    for at in main.sub_at[:8]:
        try:
            inner = tiff.directory(at, NAMES).tags
        except Malformed:
            continue
        if _area(inner) > _area(tags):
            tags |= {k: inner[k] for k in ("ImageWidth", "ImageLength")}
    return tags, tiff, note


def _area(tags: Tags) -> int:
    width, length = tags.get("ImageWidth"), tags.get("ImageLength")
    return width * length if isinstance(width, int) and isinstance(length, int) else 0
