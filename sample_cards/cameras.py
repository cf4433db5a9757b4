"""The invented cameras: from radiance to the bytes a body would have put on its card.

Two sensors, both with photon noise (Poisson), read noise (Gauss), a full well and rounding; exposures are
exact (1/60 marked, 1/64 s exposed) while the header carries the nominal mark, as bodies do.

* the 360 camera: three colours at every pixel, 16,000 electrons at saturation, read noise 3; the sRGB curve
  (IEC 61966-2-1), JPEG 4:2:0;
* the stills body: one Bayer mosaic RGGB, black 512, white 15871, read noise 3.2 electrons, 30,000 electrons
  at saturation; a DNG with uncompressed 16-bit values, and a JPEG with a curve of its own.

The headers are written here by a small TIFF writer (TIFF 6.0 for the container, Exif 2.32 for the tags,
DNG 1.4 for the raw), so that the cards need no library that the product does not have.
"""

from __future__ import annotations

import io
import struct
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction
from typing import Any

import numpy as np
import simplejpeg
from numpy.typing import NDArray

Array = NDArray[np.float64]
Bytes = NDArray[np.uint8]

# Pixel 1.0 of a merged picture saturates at 1/64 s, f/5.657, ISO 100.
REFERENCE_EXPOSURE = (1 / 64) / 32.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Mark:
    """An exposure as the body shows it and as it is: exact time 2^k s."""

    nominal: Fraction
    exact_s: float


# Full-stop marks as bodies show them and the exact powers of two behind them (APEX: t = 2^-Tv).
MARKS = {k: Mark(nominal=Fraction(n), exact_s=2.0**k) for k, n in {
    -13: "1/8000", -12: "1/4000", -11: "1/2000", -10: "1/1000", -9: "1/500", -8: "1/250", -7: "1/125", -6: "1/60",
    -5: "1/30", -4: "1/15", -3: "1/8", -2: "1/4", -1: "1/2", 0: "1", 1: "2", 2: "4", 3: "8"}.items()}


@dataclass(frozen=True, kw_only=True, slots=True)
class Body:
    """What a body says of itself in every header."""

    make: str
    model: str
    serial: str
    firmware: str
    f_mark: Fraction
    f_exact: float
    iso: int
    focal_mm: Fraction
    lens_make: str
    lens_model: str
    lens_serial: str


# ---- light to numbers -----------------------------------------------------------------------------

def exposure(time_s: float, f_number: float, iso: float) -> float:
    """Sensor values per unit of radiance, 1.0 = saturation: (t S/100 / N^2) over that of the reference."""
    return time_s * iso / 100.0 / f_number**2 / REFERENCE_EXPOSURE


def electrons(light: Array, full_well: float, read_noise: float, rng: np.random.Generator) -> Array:
    """A noisy reading in electrons of ``light`` (1.0 fills the well).  The mean is put on a grid of 1/64 so
    that the last bits of another machine's arithmetic do not turn the noise over."""
    mean = np.round(np.clip(light, 0, 4.0) * full_well * 64) / 64
    return np.asarray(np.minimum(rng.poisson(mean), full_well) + rng.normal(0.0, read_noise, light.shape))


def srgb(linear: Array) -> Array:
    """IEC 61966-2-1, linear 0..1 to encoded 0..1."""
    x = np.clip(linear, 0.0, 1.0)
    return np.where(x <= 0.0031308, 12.92 * x, 1.055 * np.maximum(x, 1e-12) ** (1 / 2.4) - 0.055)


def shoot_rgb(radiance: Array, factor: float, rng: np.random.Generator) -> Bytes:
    """The 360 camera's picture, (h, w, 3) codes 0..255."""
    full, read = 16_000.0, 3.0
    reading = electrons(radiance * factor, full, read, rng) / full
    return np.asarray(np.round(srgb(reading) * 255), dtype=np.uint8)


# The stills sensor's colours: rows give camera R, G, B from linear Rec.709.  Green of a neutral is 1.
CAMERA_FROM_709 = np.array([[0.46, 0.09, 0.02], [0.14, 0.74, 0.12], [0.03, 0.14, 0.52]])
# Rec.709 from CIE XYZ, D65 (inverse of the matrix in IEC 61966-2-1).
XYZ_FROM_709 = np.array([[0.412391, 0.357584, 0.180481], [0.212639, 0.715169, 0.072192],
                         [0.019331, 0.119195, 0.950532]])
BLACK, WHITE = 512, 15871


def shoot_raw(radiance: Array, factor: float, rng: np.random.Generator) -> NDArray[np.uint16]:
    """The stills body's mosaic, RGGB, (h, w) values BLACK..WHITE."""
    full, read = 30_000.0, 3.2
    camera = radiance @ CAMERA_FROM_709.T * factor
    mosaic = camera[..., 1].copy()
    mosaic[0::2, 0::2] = camera[0::2, 0::2, 0]
    mosaic[1::2, 1::2] = camera[1::2, 1::2, 2]
    reading = electrons(mosaic, full, read, rng) / full
    return np.asarray(np.clip(np.round(BLACK + reading * (WHITE - BLACK)), 0, WHITE), dtype=np.uint16)


def develop(raw: NDArray[np.uint16]) -> Bytes:
    """The body's own JPEG of a mosaic: 2 x 2 demosaic, neutral white, Rec.709, a curve with a shoulder."""
    x = (raw.astype(np.float64) - BLACK) / (WHITE - BLACK)
    cell = np.stack([x[0::2, 0::2], (x[0::2, 1::2] + x[1::2, 0::2]) / 2, x[1::2, 1::2]], axis=-1)
    cell = np.minimum(cell / CAMERA_FROM_709.sum(axis=1), 1.0)
    white = CAMERA_FROM_709 / CAMERA_FROM_709.sum(axis=1, keepdims=True)
    linear = np.clip(cell @ np.linalg.inv(white).T, 0.0, 1.0).repeat(2, axis=0).repeat(2, axis=1)
    shoulder = 1.35 * linear / (1 + 0.35 * linear)
    code = srgb(shoulder)
    code = code - 0.06 * np.sin(2 * np.pi * code) / (2 * np.pi)
    return np.asarray(np.round(np.clip(code, 0, 1) * 255), dtype=np.uint8)


# ---- headers --------------------------------------------------------------------------------------

_SIZES = {1: 1, 2: 1, 3: 2, 4: 4, 5: 8, 7: 1, 10: 8}
ASCII, SHORT, LONG, RATIONAL, UNDEFINED, SRATIONAL = 2, 3, 4, 5, 7, 10
Entries = Mapping[int, tuple[int, Any]]


def _packed(kind: int, value: Any) -> tuple[int, bytes]:
    """Count and bytes of one entry, little-endian."""
    if kind == ASCII:
        data = str(value).encode("ascii") + b"\0"
        return len(data), data
    if kind in (1, UNDEFINED):
        return len(value), bytes(value)
    values = value if isinstance(value, (list, tuple)) else [value]
    if kind in (RATIONAL, SRATIONAL):
        code = "<II" if kind == RATIONAL else "<ii"
        pairs = [Fraction(v).limit_denominator(1_000_000) for v in values]
        return len(pairs), b"".join(struct.pack(code, p.numerator, p.denominator) for p in pairs)
    return len(values), struct.pack(f"<{len(values)}{'H' if kind == SHORT else 'I'}", *values)


def ifd(entries: Entries, at: int, following: int = 0) -> bytes:
    """One image file directory that will stand at offset ``at``, its long values right behind it."""
    body, tail = b"", b""
    behind = at + 2 + 12 * len(entries) + 4
    for tag, (kind, value) in sorted(entries.items()):
        count, data = _packed(kind, value)
        if len(data) > 4:
            place = behind + len(tail)
            tail += data + b"\0" * (len(data) % 2)
            data = struct.pack("<I", place)
        body += struct.pack("<HHI", tag, kind, count) + data.ljust(4, b"\0")
    return struct.pack("<H", len(entries)) + body + struct.pack("<I", following) + tail


def _identity(body: Body, taken: datetime, orientation: int = 1) -> dict[int, tuple[int, Any]]:
    stamp = taken.strftime("%Y:%m:%d %H:%M:%S")
    return {0x010F: (ASCII, body.make), 0x0110: (ASCII, body.model), 0x0112: (SHORT, orientation),
            0x0131: (ASCII, body.firmware), 0x0132: (ASCII, stamp)}


def _exif(body: Body, mark: Mark, taken: datetime, size: tuple[int, int], *, mode: int
          ) -> dict[int, tuple[int, Any]]:
    stamp, parts = taken.strftime("%Y:%m:%d %H:%M:%S"), f"{taken.microsecond // 10_000:02d}"
    return {
        0x829A: (RATIONAL, mark.nominal), 0x829D: (RATIONAL, body.f_mark), 0x8822: (SHORT, 3 if mode == 0 else 1),
        0x8827: (SHORT, body.iso), 0x8830: (SHORT, 1), 0x9000: (UNDEFINED, b"0232"), 0x9003: (ASCII, stamp),
        0x9004: (ASCII, stamp), 0x9204: (SRATIONAL, 0), 0x9207: (SHORT, 5), 0x9209: (SHORT, 16),
        0x920A: (RATIONAL, body.focal_mm), 0x9290: (ASCII, parts), 0x9291: (ASCII, parts), 0x9292: (ASCII, parts),
        0xA000: (UNDEFINED, b"0100"), 0xA001: (SHORT, 1), 0xA002: (LONG, size[0]), 0xA003: (LONG, size[1]),
        0xA402: (SHORT, mode), 0xA403: (SHORT, 1), 0xA431: (ASCII, body.serial),
        0xA433: (ASCII, body.lens_make), 0xA434: (ASCII, body.lens_model), 0xA435: (ASCII, body.lens_serial),
    }


def _thumbnail(picture: Bytes) -> bytes:
    """DCF's 160 x 120 thumbnail, the picture fitted with black bars."""
    step = max(picture.shape[1] / 160, picture.shape[0] / 120)
    rows = (np.arange(int(picture.shape[0] / step)) * step).astype(int)
    columns = (np.arange(int(picture.shape[1] / step)) * step).astype(int)
    small = picture[np.ix_(rows, columns)]
    out = np.zeros((120, 160, 3), dtype=np.uint8)
    top, left = (120 - len(rows)) // 2, (160 - len(columns)) // 2
    out[top:top + len(rows), left:left + len(columns)] = small
    return bytes(simplejpeg.encode_jpeg(out, quality=60, colorsubsampling="420"))


def jpeg(picture: Bytes, body: Body, mark: Mark, taken: datetime, *, quality: int = 90, mode: int = 1) -> bytes:
    """A camera's JPEG: Exif first (DCF), no other leading segment.  ``mode`` is Exif ExposureMode: 0 auto,
    1 manual, 2 auto bracket."""
    stream = bytes(simplejpeg.encode_jpeg(np.ascontiguousarray(picture), quality=quality, colorsubsampling="420"))
    if stream[2:4] == b"\xff\xe0":  # leave out the encoder's JFIF segment
        stream = stream[:2] + stream[4 + int.from_bytes(stream[4:6], "big"):]
    size = (picture.shape[1], picture.shape[0])
    main = {**_identity(body, taken), 0x8769: (LONG, 0)}
    exif_at = 8 + len(ifd(main, 8))
    main[0x8769] = (LONG, exif_at)
    exif = ifd(_exif(body, mark, taken, size, mode=mode), exif_at)
    thumb, thumb_at = _thumbnail(picture), exif_at + len(exif)
    second: dict[int, tuple[int, Any]] = {0x0103: (SHORT, 6), 0x0201: (LONG, 0), 0x0202: (LONG, len(thumb))}
    second[0x0201] = (LONG, thumb_at + len(ifd(second, thumb_at)))
    tiff = b"II*\0" + struct.pack("<I", 8) + ifd(main, 8, thumb_at) + exif + ifd(second, thumb_at) + thumb
    segment = b"Exif\0\0" + tiff
    return stream[:2] + b"\xff\xe1" + struct.pack(">H", len(segment) + 2) + segment + stream[2:]


def dng(raw: NDArray[np.uint16], body: Body, mark: Mark, taken: datetime, *, mode: int = 1) -> bytes:
    """A minimal raw: one IFD, one strip of uncompressed 16-bit RGGB values, its Exif behind it."""
    height, width = raw.shape
    neutral = CAMERA_FROM_709.sum(axis=1)
    camera_from_xyz = CAMERA_FROM_709 @ np.linalg.inv(XYZ_FROM_709)
    matrix = [Fraction(float(v)).limit_denominator(10_000) for v in camera_from_xyz.ravel()]
    main: dict[int, tuple[int, Any]] = {
        **_identity(body, taken), 0x00FE: (LONG, 0), 0x0100: (LONG, width), 0x0101: (LONG, height),
        0x0102: (SHORT, 16), 0x0103: (SHORT, 1), 0x0106: (SHORT, 32803), 0x0111: (LONG, 0), 0x0115: (SHORT, 1),
        0x0116: (LONG, height), 0x0117: (LONG, raw.nbytes), 0x011C: (SHORT, 1), 0x8769: (LONG, 0),
        0x828D: (SHORT, [2, 2]), 0x828E: (1, bytes([0, 1, 1, 2])), 0xC612: (1, bytes([1, 4, 0, 0])),
        0xC613: (1, bytes([1, 1, 0, 0])), 0xC614: (ASCII, f"{body.make} {body.model}"), 0xC617: (SHORT, 1),
        0xC61A: (LONG, BLACK), 0xC61D: (LONG, WHITE), 0xC621: (SRATIONAL, matrix),
        0xC628: (RATIONAL, [Fraction(float(v)).limit_denominator(10_000) for v in neutral]),
        0xC62F: (ASCII, body.serial), 0xC65A: (SHORT, 21),
    }
    exif_at = 8 + len(ifd(main, 8))
    exif = ifd(_exif(body, mark, taken, (width, height), mode=mode), exif_at)
    strip = exif_at + len(exif)
    main[0x8769], main[0x0111] = (LONG, exif_at), (LONG, strip)
    out = io.BytesIO()
    out.write(b"II*\0" + struct.pack("<I", 8) + ifd(main, 8) + exif)
    out.write(raw.astype("<u2").tobytes())
    return out.getvalue()
