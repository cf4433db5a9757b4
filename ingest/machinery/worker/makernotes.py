"""The few things only makers' private blocks say: a body's serial number, bracketing, a missing ISO.

Only fixed tags of small directories are looked up; nothing is walked.  Tag numbers as in the published
tables of the exifread and exiv2 libraries; proven on real files of the first three makers.
"""

from __future__ import annotations

import struct
from dataclasses import replace

from ingest.machinery.worker.tiff import Malformed, Tags, Tiff, Value

_CANON = {0x0001: "CameraSettings", 0x000C: "Serial", 0x0093: "FileInfo"}
_NIKON = {0x0002: "ISO", 0x001D: "Serial", 0x0089: "Shooting", 0x00A7: "Releases"}
_FUJI = {0x0010: "InternalSerial", 0x1100: "Bracketing"}
_PANASONIC = {0x002A: "Burst", 0x0045: "Bracket"}


def read(make: str, tiff: Tiff, note: tuple[int, int]) -> Tags:
    """Tags under Exif names (and ``Drive``, ``ImageNumber``) from the maker note at (position, length)."""
    at, length = note
    maker = make.upper()
    try:
        if maker.startswith("CANON"):
            return _canon(tiff.directory(at - tiff.base, _CANON).tags)
        start = tiff.source.read(at, min(length, 18))
        if maker.startswith("NIKON") and start[:6] == b"Nikon\0" and start[6:7] == b"\x02":
            inner, first = Tiff.at(tiff.source, at + 10)
            return _nikon(inner.directory(first, _NIKON).tags)
        if start[:8] == b"FUJIFILM":
            inner = Tiff(source=tiff.source, base=at, order="<")
            return _fuji(inner.directory(struct.unpack("<I", start[8:12])[0], _FUJI).tags)
        if start[:12] == b"Panasonic\0\0\0":
            return _panasonic(tiff.directory(at + 12 - tiff.base, _PANASONIC).tags)
    except (Malformed, struct.error):
        pass  # the standard tags stand; a private block may be anything
    return {}


def read_canon_block(tiff: Tiff, first: int) -> Tags:
    """The same from a block of its own (CR3's CMT3)."""
    return _canon(replace(tiff).directory(first, _CANON).tags)


def _canon(found: Tags) -> Tags:
    tags: Tags = {}
    if isinstance(serial := found.get("Serial"), int) and serial:
        tags["BodySerialNumber"] = str(serial)
    drive = {0: "single", 1: "continuous", 3: "continuous", 4: "continuous", 5: "continuous"}
    if isinstance(mode := _item(found.get("CameraSettings"), 5), int) and mode in drive:
        tags["Drive"] = drive[mode]
    if _item(found.get("FileInfo"), 3) in (1, 3):
        tags["Drive"] = "auto bracket"
    return tags


def _nikon(found: Tags) -> Tags:
    tags: Tags = {}
    if isinstance(serial := found.get("Serial"), str) and serial.strip("0 "):
        tags["BodySerialNumber"] = serial
    if isinstance(iso := _item(found.get("ISO"), 1), int) and iso:
        tags["PhotographicSensitivity"] = iso
    if isinstance(how := found.get("Shooting"), int):
        tags["Drive"] = "auto bracket" if how & 0x10 else "continuous" if how & 1 else "single"
    if isinstance(releases := found.get("Releases"), int) and 0 < releases < 0x7FFFFFFF:
        tags["ImageNumber"] = releases
    return tags


def _fuji(found: Tags) -> Tags:
    tags: Tags = {}
    if isinstance(serial := found.get("InternalSerial"), str) and serial:
        tags["BodySerialNumber"] = serial
    if found.get("Bracketing") == 0:
        tags["Drive"] = "single"
    elif found.get("Bracketing") == 1:
        tags["Drive"] = "continuous or bracket"  # the tag's own meaning covers both
    return tags


def _panasonic(found: Tags) -> Tags:
    if isinstance(bracket := found.get("Bracket"), int) and bracket:
        return {"Drive": "auto bracket"}
    if found.get("Burst") == 2:
        return {"Drive": "auto bracket"}
    return {"Drive": "continuous"} if found.get("Burst") == 1 else {}


def _item(value: Value | None, index: int) -> int | str | None:
    return value[index] if isinstance(value, list) and len(value) > index else None
