"""Header files in every container, built from tags: what a camera would write, with values of our own.

Layouts: TIFF 6.0; Exif in JPEG (CIPA DC-008); boxes of ISO/IEC 14496-12 for CR3 and HEIF; RAF, MRW, X3F as in
the reader's own notes, which were proven on real files.
"""

from __future__ import annotations

import struct
from collections.abc import Mapping

from ingest.machinery.worker.tiff import NAMES

NUMBERS = {name: number for number, name in NAMES.items()}
RATIONAL = {"ExposureTime", "FNumber", "ApertureValue", "FocalLength", "ExposureIndex"}
SIGNED = {"ShutterSpeedValue", "ExposureBiasValue"}
LONG = {"ImageWidth", "ImageLength", "PixelXDimension", "PixelYDimension", "StandardOutputSensitivity",
        "RecommendedExposureIndex", "ISOSpeed"}  # fmt: skip
FIRST = {"Make", "Model", "Orientation", "DateTime", "ImageWidth", "ImageLength", "UniqueCameraModel"}
CANON_UUID = bytes.fromhex("85c0b687820f11e08111f4ce462b6a48")

Said = Mapping[str, int | str]


def tiff(said: Said, *, order: str = "<", exif_in_first: bool = False, magic: int = 42, note: bytes = b"",
         sub: Said | None = None, thumbnail: bytes = b"") -> bytes:  # fmt: skip
    """A TIFF structure with a first directory, an Exif directory and what else is asked for."""
    first = {NUMBERS[k]: _entry(k, v, order) for k, v in said.items() if k in FIRST or exif_in_first}
    exif = {NUMBERS[k]: _entry(k, v, order) for k, v in said.items() if not (k in FIRST or exif_in_first)}
    if note:
        exif[0x927C] = (7, len(note), note)
    at = 8
    pointers = {}
    if exif:
        pointers[0x8769] = 0
    if sub is not None:
        pointers[0x014A] = 0
    first |= dict.fromkeys(pointers, (4, 1, b"\0" * 4))
    body = _directory(first, at, order)
    parts = []
    end = at + len(body)
    for tag, entries in ((0x8769, exif), (0x014A, {NUMBERS[k]: _entry(k, v, order) for k, v in (sub or {}).items()})):
        if tag in pointers:
            first[tag] = (4, 1, struct.pack(order + "I", end))
            parts.append(_directory(entries, end, order))
            end += len(parts[-1])
    following = end if thumbnail else 0
    body = _directory(first, at, order, following=following)
    if thumbnail:
        place, length = struct.pack(order + "I", end + 30), struct.pack(order + "I", len(thumbnail))
        entries = {0x0201: (4, 1, place), 0x0202: (4, 1, length)}
        parts.append(_directory(entries, end, order) + thumbnail)
    head = (b"II" if order == "<" else b"MM") + struct.pack(order + "HI", magic, 8)
    return head + body + b"".join(parts)


def _entry(name: str, value: int | str, order: str) -> tuple[int, int, bytes]:
    if name in RATIONAL | SIGNED:
        top, _, below = str(value).partition("/")
        code = "ii" if name in SIGNED else "II"
        return (10 if name in SIGNED else 5), 1, struct.pack(order + code, int(top), int(below or 1))
    if isinstance(value, int):
        return (4, 1, struct.pack(order + "I", value)) if name in LONG else (3, 1, struct.pack(order + "H", value))
    data = str(value).encode() + b"\0"
    return 2, len(data), data


def _directory(entries: Mapping[int, tuple[int, int, bytes]], at: int, order: str, *, following: int = 0) -> bytes:
    spill_at = at + 2 + 12 * len(entries) + 4
    table, spill = struct.pack(order + "H", len(entries)), b""
    for tag in sorted(entries):
        kind, count, data = entries[tag]
        table += struct.pack(order + "HHI", tag, kind, count)
        if len(data) <= 4:
            table += data.ljust(4, b"\0")
        else:
            table += struct.pack(order + "I", spill_at + len(spill))
            spill += data + b"\0" * (len(data) % 2)
    return table + struct.pack(order + "I", following) + spill


def jpeg(block: bytes, *, before: bytes = b"", size: tuple[int, int] = (64, 32)) -> bytes:
    """A JPEG's segments up to and with a frame header; ``before`` stands before the Exif segment."""
    app1 = b"\xff\xe1" + struct.pack(">H", len(block) + 8) + b"Exif\0\0" + block if block else b""
    frame = b"\xff\xc0\0\x0b\x08" + struct.pack(">HH", size[1], size[0]) + b"\x01\x01\x11\0"
    return b"\xff\xd8" + before + app1 + frame + b"\xff\xda\0\x08\x01\x01\0\0\x3f\0" + b"\x55" * 32 + b"\xff\xd9"


def comments(length: int) -> bytes:
    """COM segments of about ``length`` bytes in all."""
    out = b""
    while len(out) < length:
        size = min(60_000, length - len(out))
        out += b"\xff\xfe" + struct.pack(">H", size + 2) + b"c" * size
    return out


def box(name: bytes, *content: bytes) -> bytes:
    inside = b"".join(content)
    return struct.pack(">I4s", len(inside) + 8, name) + inside


def cr3(said: Said, serial: int = 0) -> bytes:
    first = {k: v for k, v in said.items() if k in FIRST}
    exif = {k: v for k, v in said.items() if k not in FIRST}
    note = tiff({}, order="<")
    if serial:
        note = b"II" + struct.pack("<HI", 42, 8) + _directory({0x000C: (4, 1, struct.pack("<I", serial))}, 8, "<")
    blocks = [box(b"CMT1", tiff(first)), box(b"CMT2", tiff(exif, exif_in_first=True)), box(b"CMT3", note)]
    moov = box(b"moov", box(b"uuid", CANON_UUID, box(b"CNCV", b"0" * 30), *blocks))
    return box(b"ftyp", b"crx \0\0\0\1crx isom") + moov + box(b"mdat", b"\x55" * 64)


def heif(said: Said, brand: bytes = b"heix") -> bytes:
    block = b"\0\0\0\0" + tiff(said)
    ftyp = box(b"ftyp", brand, b"\0\0\0\0", b"mif1", brand)
    infe = box(b"infe", b"\2\0\0\0" + struct.pack(">HH4s", 7, 0, b"Exif") + b"\0")
    iinf = box(b"iinf", b"\0\0\0\0" + struct.pack(">H", 1), infe)

    def meta(at: int) -> bytes:
        iloc = b"\0\0\0\0" + bytes([0x44, 0]) + struct.pack(">HHHHII", 1, 7, 0, 1, at, len(block))
        return box(b"meta", b"\0\0\0\0", iinf, box(b"iloc", iloc))

    at = len(ftyp) + len(meta(0)) + 8
    return ftyp + meta(at) + box(b"mdat", block)


def raf(said: Said, size: tuple[int, int] = (4256, 2848)) -> bytes:
    preview = jpeg(tiff(said))
    directory = struct.pack(">I", 1) + struct.pack(">HHHH", 0x0111, 4, size[1], size[0])
    at = 148
    head = b"FUJIFILMCCD-RAW 0201".ljust(84, b"\0")
    head += struct.pack(">IIIIII", at, len(preview), at + len(preview), len(directory), at + len(preview), 0)
    return head.ljust(at, b"\0") + preview + directory


def mrw(said: Said, size: tuple[int, int] = (3264, 2448)) -> bytes:
    prd = b"27200001" + struct.pack(">HHHH", size[1], size[0], size[1], size[0]) + b"\0" * 8
    block = tiff(said, order=">")
    blocks = b"\0PRD" + struct.pack(">I", len(prd)) + prd + b"\0TTW" + struct.pack(">I", len(block)) + block
    return b"\0MRM" + struct.pack(">I", len(blocks)) + blocks


def x3f(properties: Mapping[str, str]) -> bytes:
    table, text = b"", ""
    for name, value in properties.items():
        table += struct.pack("<II", len(text), len(text) + len(name) + 1)
        text += f"{name}\0{value}\0"
    data = text.encode("utf-16-le")
    section = b"SECp" + struct.pack("<IIIII", 0x20000, len(properties), 0, 0, len(text)) + table + data
    head = b"FOVb" + b"\0" * 100
    at = len(head) + len(section)
    directory = b"SECd" + struct.pack("<II", 0x20000, 1) + struct.pack("<II4s", len(head), len(section), b"PROP")
    return head + section + directory + struct.pack("<I", at)
