"""TIFF codes, 8 or 16 bits, grey or RGB; and a bounded reader of the first directory's tags."""

from __future__ import annotations

import struct
from typing import Any

import cv2
import numpy as np

from ingest.errors import Unreadable
from ingest.machinery.worker.decoders import icc
from ingest.machinery.worker.decoders.picture import LARGEST_PIXELS, Picture

_SIZES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 6: 1, 7: 1, 8: 2, 9: 4, 10: 8, 11: 4, 12: 8, 13: 4}
_CODES = {1: "B", 3: "H", 4: "I", 6: "b", 8: "h", 9: "i", 11: "f", 12: "d", 13: "I"}
_MOST_ENTRIES = 500
_MOST_VALUES = 1 << 20


def tags(data: bytes) -> dict[int, Any]:
    """Tags of the first directory: numbers as tuples, ASCII and undefined as bytes; {} for no TIFF.

    Bounded: at most 500 entries, a megabyte each, nothing followed outside the data.
    """
    if data[:4] not in (b"II*\x00", b"MM\x00*"):
        return {}
    e = "<" if data[:2] == b"II" else ">"
    found: dict[int, Any] = {}
    try:
        (at,) = struct.unpack_from(e + "I", data, 4)
        (count,) = struct.unpack_from(e + "H", data, at)
        for i in range(min(count, _MOST_ENTRIES)):
            tag, kind, n = struct.unpack_from(e + "HHI", data, at + 2 + 12 * i)
            size = _SIZES.get(kind, 0) * n
            if not 0 < size <= _MOST_VALUES:
                continue
            where = at + 10 + 12 * i
            if size > 4:
                (where,) = struct.unpack_from(e + "I", data, where)
            if where + size > len(data):
                continue
            found[tag] = _value(data, where, kind, n, e)
    except struct.error:
        return found
    return found


def _value(data: bytes, where: int, kind: int, n: int, e: str) -> Any:
    if kind in (2, 7):
        return data[where : where + n]
    if kind in (5, 10):
        pairs = struct.unpack_from(e + ("I" if kind == 5 else "i") * (2 * n), data, where)
        return tuple(a / b if b else 0.0 for a, b in zip(pairs[::2], pairs[1::2], strict=True))
    return struct.unpack_from(f"{e}{n}{_CODES[kind]}", data, where)


def decode(data: bytes, name: str) -> Picture:
    """Decode the first page.  Raises :class:`Unreadable` naming the file for anything but 8 or 16 bits."""
    found = tags(data)
    width, height = _number(found, 256), _number(found, 257)
    if not found or width * height == 0:
        raise Unreadable("the TIFF has no readable directory", item=name, next="Merge without it or copy it again.")
    if width * height > LARGEST_PIXELS:
        raise Unreadable(f"claims {width} x {height} pixels", item=name, next="Look at the file by hand.")
    try:
        flags = cv2.IMREAD_UNCHANGED | cv2.IMREAD_IGNORE_ORIENTATION
        codes = cv2.imdecode(np.frombuffer(data, np.uint8), flags)
    except cv2.error:
        codes = None
    if codes is None or codes.shape[:2] != (height, width):
        raise Unreadable("the TIFF does not decode", item=name, next="Merge without it or copy it again.")
    if codes.dtype not in (np.uint8, np.uint16):
        raise Unreadable(f"a TIFF of {codes.dtype} is not a camera's picture", item=name,
                         next="Only 8 and 16 bits are merged.")
    codes = codes.reshape(height, width, -1)
    if codes.shape[2] >= 3:
        codes = np.ascontiguousarray(codes[..., 2::-1])  # the library hands over BGR(A)
    else:
        codes = np.ascontiguousarray(codes[..., :1])
    grey = codes.shape[2] == 1
    profile = icc.parse(found.get(34675, b"")) if isinstance(found.get(34675, b""), bytes) else None
    return Picture(
        source="tiff",
        layout="grey" if grey else "rgb",
        codes=codes,
        top=255.0 if codes.dtype == np.uint8 else 65535.0,
        black=(0.0,) * (1 if grey else 3),
        orientation=_number(found, 274) or None,
        profile=profile,
        signature=(
            ("size", f"{width} x {height}"),
            ("colour space", profile.description if profile else "none embedded"),
            ("channels", f"{'grey' if grey else 'rgb'} {codes.dtype}"),
        ),
    )


def _number(found: dict[int, Any], tag: int) -> int:
    value = found.get(tag)
    return int(value[0]) if isinstance(value, tuple) and value else 0
