"""Where in a still file its tags are: what kind of file the first bytes announce, and the TIFF blocks in it.

Layouts, each with where it comes from:

* JPEG: ISO/IEC 10918-1 markers; Exif in an APP1 segment (CIPA DC-008), wherever it stands.
* HEIF, AVIF: ISO/IEC 14496-12 boxes and the Exif item of ISO/IEC 23008-12 annex A.
* CR3: the same boxes; ``moov``, a ``uuid`` of the maker, CMT1 to CMT4 with one TIFF block each (from
  published format notes).  RAF, MRW, X3F: from memory, proven on real files.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass, field

from ingest.machinery.worker.tiff import Malformed, Source, Tags, words

_CANON_UUID = bytes.fromhex("85c0b687820f11e08111f4ce462b6a48")
_HEIF_BRANDS = {b"heic", b"heix", b"hevc", b"hevx", b"heim", b"heis", b"mif1", b"msf1", b"avif", b"avis"}
_MOST_SEGMENTS = 600
_MOST_BOXES = 400


@dataclass(kw_only=True, slots=True)
class Blocks:
    """What a container holds: positions of TIFF blocks (the main one first), tags found without any,
    and the picture's size in pixels where the container itself says it."""

    tiff_at: list[int] = field(default_factory=list)
    exif_only_at: list[int] = field(default_factory=list)  # blocks whose first directory is the Exif one
    maker_note_at: int | None = None  # a block that is a maker note (CR3)
    tags: Tags = field(default_factory=dict)
    size: tuple[int, int] | None = None
    scan_at: int | None = None  # where the first scan of a JPEG begins


def kind(head: bytes) -> str:
    """What the first bytes (64 or more) announce; "" for nothing known.

    >>> kind(b"\\xff\\xd8\\xff\\xe1" + bytes(60)), kind(bytes(64))
    ('jpeg', '')
    """
    if head[:3] == b"\xff\xd8\xff":
        return "jpeg"
    if head[6:14] == b"HEAPCCDR":
        return "crw"
    if head[:2] in (b"II", b"MM"):
        return "tiff"
    if head[4:8] == b"ftyp":
        brands = {head[8:12], *(head[i : i + 4] for i in range(16, min(64, len(head) - 3), 4))}
        if b"crx " in brands:
            return "cr3"
        return "heif" if brands & _HEIF_BRANDS else ""
    for magic, name in (
        (b"FUJIFILMCCD-RAW", "raf"),
        (b"\0MRM", "mrw"),
        (b"FOVb", "x3f"),
        (b"\x89PNG\r\n\x1a\n", "png"),
        (b"\xff\x0a", "jxl"),
        (b"\0\0\0\x0cJXL ", "jxl"),
    ):
        if head.startswith(magic):
            return name
    return "webp" if head[:4] == b"RIFF" and head[8:12] == b"WEBP" else ""


def blocks(source: Source, of: str) -> Blocks:
    """The blocks of a file of this kind.  Raises Malformed."""
    found = Blocks()
    match of:
        case "jpeg":
            _jpeg(source, 0, found)
        case "tiff":
            found.tiff_at.append(0)
            _panasonic(source, found)
        case "cr3":
            _cr3(source, found)
        case "heif":
            _heif(source, found)
        case "raf":
            at, length = struct.unpack(">II", source.read(84, 8))
            if length < 4 or at < 92:
                raise Malformed("no picture where its header points")
            _jpeg(source, at, found)
            found.size = _raf_size(source)  # not that of the preview
        case "mrw":
            _mrw(source, found)
        case "x3f":
            _x3f(source, found)
        case _:
            raise Malformed("no tags are known in files of this kind")
    return found


def _jpeg(source: Source, start: int, found: Blocks) -> None:
    if source.read(start, 2) != b"\xff\xd8":
        raise Malformed("no JPEG where one should start")
    at = start + 2
    for _ in range(_MOST_SEGMENTS):
        if at + 4 > source.size:
            return
        mark, code, length = struct.unpack(">BBH", source.read(at, 4))
        if mark != 0xFF:
            return  # rubbish between the segments: keep what was found
        if code == 0xFF or code == 0x01 or 0xD0 <= code <= 0xD8:
            at += 1 if code == 0xFF else 2
            continue
        if code == 0xDA:
            found.scan_at = at
        if code in (0xD9, 0xDA) or length < 2:
            return
        if code == 0xE1 and length >= 16 and at + 18 <= source.size and source.read(at + 4, 5) == b"Exif\0":
            found.tiff_at.append(at + 10)
        elif 0xC0 <= code <= 0xCF and code not in (0xC4, 0xC8, 0xCC) and length >= 8 and at + 9 <= source.size:
            height, width = struct.unpack(">HH", source.read(at + 5, 4))
            if found.size is None and width and height:
                found.size = (width, height)
        at += 2 + length


def _raf_size(source: Source) -> tuple[int, int] | None:
    """Fujifilm: records of a number, a length and data, big-endian; 0x0111 is the cropped height and width."""
    try:
        at = struct.unpack(">I", source.read(92, 4))[0]
        count = struct.unpack(">I", source.read(at, 4))[0]
        at += 4
        for _ in range(min(count, 64)):
            tag, length = struct.unpack(">HH", source.read(at, 4))
            if tag == 0x0111 and length == 4:
                height, width = struct.unpack(">HH", source.read(at + 4, 4))
                return (width, height) if width and height else None
            at += 4 + length
    except Malformed:
        pass  # the tags in the preview still count
    return None


def _panasonic(source: Source, found: Blocks) -> None:
    """Panasonic's raw (magic 0x55) keeps only part of its tags itself; its embedded JPEG has the rest."""
    if source.read(0, 4) != b"IIU\0":
        return
    first = struct.unpack("<I", source.read(4, 4))[0]
    count = min(struct.unpack("<H", source.read(first, 2))[0], 512)
    borders: dict[int, int] = {}  # of the sensor: top, left, bottom, right
    for i in range(count):
        tag, _kind, _items, at = struct.unpack("<HHII", source.read(first + 2 + 12 * i, 12))
        if tag == 0x0017:
            found.tags["PhotographicSensitivity"] = at & 0xFFFF
        elif tag == 0x002E:
            try:
                _jpeg(source, at, found)
            except Malformed:
                continue
        elif 0x0004 <= tag <= 0x0007:
            borders[tag] = at & 0xFFFF
    found.size = None
    if len(borders) == 4 and borders[7] > borders[5] and borders[6] > borders[4]:
        found.size = (borders[7] - borders[5], borders[6] - borders[4])


def boxes(source: Source, at: int, end: int) -> Iterator[tuple[bytes, int, int]]:
    """(type, start and end of the content) of the boxes between two positions (ISO/IEC 14496-12, 4.2)."""
    for _ in range(_MOST_BOXES):
        if at + 8 > end:
            return
        size, name = struct.unpack(">I4s", source.read(at, 8))
        start = at + 8
        if size == 1:
            size, start = struct.unpack(">Q", source.read(at + 8, 8))[0], at + 16
        elif size == 0:
            size = end - at
        if size < start - at:
            raise Malformed("a box shorter than its own head")
        yield name, start, min(at + size, end)
        at += size


def _cr3(source: Source, found: Blocks) -> None:
    for name, start, end in boxes(source, 0, source.size):
        if name != b"moov":
            continue
        for inner, inner_start, inner_end in boxes(source, start, end):
            if inner != b"uuid" or source.read(inner_start, 16) != _CANON_UUID:
                continue
            for part, part_start, _ in boxes(source, inner_start + 16, inner_end):
                if part == b"CMT1":
                    found.tiff_at.append(part_start)
                elif part == b"CMT2":
                    found.exif_only_at.append(part_start)
                elif part == b"CMT3":
                    found.maker_note_at = part_start
        return
    raise Malformed("no tags in its boxes")


def _heif(source: Source, found: Blocks) -> None:
    """The Exif item of a HEIF file: item information says its number, item location its place."""
    for name, start, end in boxes(source, 0, source.size):
        if name != b"meta":
            continue
        inner = {n: (s, e) for n, s, e in boxes(source, start + 4, end)}
        if b"iinf" not in inner or b"iloc" not in inner:
            break
        item = _exif_item(source, *inner[b"iinf"])
        if item is None:
            break
        at = _item_place(source, *inner[b"iloc"], item)
        found.tiff_at.append(at + 4 + struct.unpack(">I", source.read(at, 4))[0])
        return
    raise Malformed("no Exif item in its boxes")


def _exif_item(source: Source, start: int, end: int) -> int | None:
    wide = source.read(start, 1)[0] != 0
    for name, at, _ in boxes(source, start + (8 if wide else 6), end):
        version = source.read(at, 1)[0]
        if name != b"infe" or version < 2:
            continue
        form = ">H2x4s" if version == 2 else ">I2x4s"
        number, what = struct.unpack(form, source.read(at + 4, struct.calcsize(form)))
        if what == b"Exif":
            return int(number)
    return None


def _item_place(source: Source, start: int, end: int, item: int) -> int:
    """Position of the first extent of ``item`` (ISO/IEC 14496-12, 8.11.3)."""
    version = source.read(start, 1)[0]
    sizes, base_size = source.read(start + 4, 2)
    offset_size, length_size = sizes >> 4, sizes & 15
    index_size, base_size = (base_size & 15 if version else 0), base_size >> 4
    wide = version == 2
    at = start + 6
    count = _number(source, at, 4 if wide else 2)
    at += 4 if wide else 2
    for _ in range(min(count, _MOST_BOXES)):
        if at >= end:
            break
        number = _number(source, at, 4 if wide else 2)
        at += (4 if wide else 2) + (2 if version else 0) + 2
        base = _number(source, at, base_size)
        extents = _number(source, at + base_size, 2)
        at += base_size + 2
        if number == item and extents:
            return base + _number(source, at + index_size, offset_size)
        at += extents * (index_size + offset_size + length_size)
    raise Malformed("its Exif item is nowhere")


def _number(source: Source, at: int, size: int) -> int:
    return int.from_bytes(source.read(at, size), "big")


def _mrw(source: Source, found: Blocks) -> None:
    """Minolta: blocks of a name, a length and data; TTW holds TIFF, PRD the size."""
    end = 8 + struct.unpack(">I", source.read(4, 4))[0]
    at = 8
    for _ in range(32):
        if at + 8 > min(end, source.size):
            break
        name, length = struct.unpack(">4sI", source.read(at, 8))
        if name == b"\0TTW":
            found.tiff_at.append(at + 8)
        elif name == b"\0PRD" and length >= 20:
            height, width = struct.unpack(">HH", source.read(at + 8 + 12, 4))
            found.size = (width, height)
        at += 8 + length
    if not found.tiff_at:
        raise Malformed("no tags in its blocks")


def _x3f(source: Source, found: Blocks) -> None:
    """Sigma: a directory at the end names sections; properties are UTF-16 pairs, pictures may hold Exif."""
    at = struct.unpack("<I", source.read(source.size - 4, 4))[0]
    mark, _version, count = struct.unpack("<4sII", source.read(at, 12))
    if mark != b"SECd":
        raise Malformed("no directory at its end")
    for i in range(min(count, 64)):
        start, length, what = struct.unpack("<II4s", source.read(at + 12 + 12 * i, 12))
        if what == b"PROP":
            found.tags |= _x3f_tags(_x3f_properties(source, start, length))
        elif what == b"IMA2" and length > 32 and source.read(start + 28, 2) == b"\xff\xd8":
            try:
                _jpeg(source, start + 28, found)
            except Malformed:
                continue
    found.size = None
    if not found.tags and not found.tiff_at:
        raise Malformed("no tags in its sections")


def _x3f_properties(source: Source, start: int, length: int) -> dict[str, str]:
    count, _form, _reserved, _total = struct.unpack("<IIII", source.read(start + 8, 16))
    count = min(count, 200)
    table = struct.unpack(f"<{2 * count}I", source.read(start + 24, 8 * count))
    text_at = start + 24 + 8 * count
    text = source.read(text_at, min(max(0, start + length - text_at), 1 << 16))

    def word(at: int) -> str:
        piece = text[2 * at : 2 * at + 256].decode("utf-16-le", "replace")
        return piece.split("\0", 1)[0].strip()

    return {word(name): word(value) for name, value in zip(table[::2], table[1::2], strict=True)}


def _x3f_tags(said: dict[str, str]) -> Tags:
    """Sigma's properties under Exif names; EXPTIME is microseconds, TIME seconds of the body's clock."""
    tags: Tags = {}
    for name, key in (("CAMMANUF", "Make"), ("CAMMODEL", "Model"), ("CAMSERIAL", "BodySerialNumber")):
        if said.get(name):
            tags[key] = said[name]
    if said.get("EXPTIME", "").isdecimal() and len(said["EXPTIME"]) < 12:
        tags["ExposureTime"] = f"{int(said['EXPTIME'])}/1000000"
    for name, key in (("APERTURE", "FNumber"), ("FLENGTH", "FocalLength"), ("EXPCOMP", "ExposureBiasValue")):
        if (number := _decimal(said.get(name, ""))) is not None:
            tags[key] = number
    for name, key in (("ISO", "PhotographicSensitivity"), ("TIME", "UnixTime")):
        if said.get(name, "").isdecimal() and len(said[name]) < 11:
            tags[key] = int(said[name])
    if said.get("DRIVE"):
        tags["Drive"] = words(said["DRIVE"].encode()) + (f" {said['BRACKET']}" if said.get("BRACKET") else "")
    return tags


def _decimal(text: str) -> str | None:
    """``"5.6"`` as ``"56/10"``; None for anything else."""
    whole, _, part = text.partition(".")
    digits = whole.lstrip("-") + part
    if not digits.isdecimal() or not digits.isascii() or len(digits) > 9:
        return None
    return f"{'-' if whole.startswith('-') else ''}{int(digits)}/{10 ** len(part)}"
