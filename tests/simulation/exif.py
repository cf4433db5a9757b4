"""Real headers, written field by field: a small Exif block for a JPEG, or a small raw-like TIFF.

Written here and not by a library so that a field can be missing, zero, 0/0 or given as APEX only, as in files
from real bodies.  Layout: TIFF 6.0 (little endian) and Exif (CIPA DC-008).
"""

from __future__ import annotations

import io
import struct

import numpy as np
from numpy.typing import NDArray
from PIL import Image

ASCII, SHORT, LONG, RATIONAL, UNDEFINED, SRATIONAL = 2, 3, 4, 5, 7, 10
Value = str | int | bytes | tuple[int, int] | list[int]
Field = tuple[int, int, Value]  # tag, type, value


def _packed(kind: int, value: Value) -> tuple[int, bytes]:
    """Count and bytes of one value."""
    if kind == ASCII:
        data = str(value).encode("ascii") + b"\0"
        return len(data), data
    if kind == UNDEFINED:
        assert isinstance(value, bytes)
        return len(value), value
    if kind in (RATIONAL, SRATIONAL):
        assert isinstance(value, tuple)
        return 1, struct.pack("<2i" if kind == SRATIONAL else "<2I", *value)
    values = value if isinstance(value, list) else [value]
    return len(values), struct.pack(f"<{len(values)}{'H' if kind == SHORT else 'I'}", *values)


def _directory(fields: list[Field], at: int) -> bytes:
    """One image file directory standing at offset ``at``, its long values behind it."""
    entries, tail = b"", b""
    behind = at + 2 + 12 * len(fields) + 4
    for tag, kind, value in sorted(fields, key=lambda f: f[0]):
        count, data = _packed(kind, value)
        if len(data) <= 4:
            entries += struct.pack("<HHI", tag, kind, count) + data.ljust(4, b"\0")
        else:
            entries += struct.pack("<HHII", tag, kind, count, behind + len(tail))
            tail += data + b"\0" * (len(data) % 2)
    return struct.pack("<H", len(fields)) + entries + struct.pack("<I", 0) + tail


def tiff_with(main: list[Field], exif: list[Field], pixels: bytes = b"") -> bytes:
    """A TIFF whose first directory holds ``main``, a pointer to ``exif``, and one strip of pixels if given."""
    fields = [*main, (0x8769, LONG, 0)]
    if pixels:
        fields += [(0x0111, LONG, 0), (0x0117, LONG, len(pixels))]
    size = len(_directory(fields, 8))
    exif_at = 8 + size
    exif_block = _directory(exif, exif_at)
    strip_at = exif_at + len(exif_block)
    known = {0x8769: exif_at, 0x0111: strip_at}
    fields = [(t, k, known.get(t, v)) for t, k, v in fields]
    return b"II*\0" + struct.pack("<I", 8) + _directory(fields, 8) + exif_block + pixels


def jpeg(picture: NDArray[np.uint8], main: list[Field], exif: list[Field]) -> bytes:
    """A JPEG (picture: rows x columns x 3, sRGB) with its Exif block in front."""
    buffer = io.BytesIO()
    Image.fromarray(picture).save(buffer, "JPEG", quality=88)
    plain = buffer.getvalue()
    block = b"Exif\0\0" + tiff_with(main, exif)
    return plain[:2] + b"\xff\xe1" + struct.pack(">H", len(block) + 2) + block + plain[2:]


def raw_like(main: list[Field], exif: list[Field], picture: NDArray[np.uint8]) -> bytes:
    """A small uncompressed TIFF under a raw file's name: header and grey pixels, enough for reading headers."""
    grey = np.ascontiguousarray(picture[..., 1])
    rows, columns = grey.shape
    image: list[Field] = [
        (0x0100, LONG, columns), (0x0101, LONG, rows), (0x0102, SHORT, 8), (0x0103, SHORT, 1), (0x0106, SHORT, 1),
        (0x0115, SHORT, 1), (0x0116, LONG, rows),
    ]
    return tiff_with([*main, *image], exif, grey.tobytes())
