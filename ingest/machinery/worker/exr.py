"""The one door to OpenEXR: writes, reads back, compares.

The library's traps, each met here and nowhere else:
1. arrays that are not contiguous are written as wrong pixels: every array is copied contiguous first,
   and the file is read back and compared;
2. opening a damaged file does not raise but gives no parts: asked for and refused;
3. a flipped byte may pass as a picture: only a checksum of the file proves it (the caller's);
4. the header passed in is modified, and so is the dict of channels: fresh ones are made for each write;
5. the attribute's type follows the Python type, not the standard: :data:`FLOATS` and friends say it;
6. numpy scalars, None and the like raise, long integers wrap: everything is coerced, or refused;
7. chromaticities must be a tuple of eight;
8. paths must be str: only open file objects are taken;
9. only half, float and uint arrays, and half overflows to infinity: refused before writing;
10. a full disk leaves a partial file: the caller writes under a temporary name and renames.
"""

from __future__ import annotations

import io
from collections.abc import Mapping
from typing import Any, BinaryIO

import numpy as np
import numpy.typing as npt
import OpenEXR

from ingest.errors import NightloaderError, Unreadable

MAGIC = b"\x76\x2f\x31\x01"  # OpenEXR file layout: 20000630
_AGAIN = "Copy it again or make it again."
#: Attributes the standard types as float (OpenEXR "Standard Optional Attributes").
FLOATS = frozenset({
    "whiteLuminance", "expTime", "aperture", "tStop", "isoSpeed", "shutterAngle", "focus", "xDensity",
    "longitude", "latitude", "altitude", "utcOffset", "nominalFocalLength", "pinholeFocalLength",
    "effectiveFocalLength", "entrancePupilOffset", "cameraCCTSetting", "cameraTintSetting",
    "sensorPhotositePitch", "pixelAspectRatio", "screenWindowWidth",
})  # fmt: skip
TEXTS = frozenset({
    "owner", "comments", "capDate", "cameraMake", "cameraModel", "cameraSerialNumber", "cameraFirmwareVersion",
    "cameraUuid", "cameraLabel", "lensMake", "lensModel", "lensSerialNumber", "lensFirmwareVersion", "reelName",
    "wrapmodes", "colorInteropID",
})  # fmt: skip
COMPRESSIONS = {
    "none": OpenEXR.NO_COMPRESSION,
    "zips": OpenEXR.ZIPS_COMPRESSION,
    "zip": OpenEXR.ZIP_COMPRESSION,
    "piz": OpenEXR.PIZ_COMPRESSION,
}
_ENVMAPS = {"latlong": OpenEXR.ENVMAP_LATLONG, "cube": OpenEXR.ENVMAP_CUBE}
_LONGEST_NAME = 31  # longer ones set a flag old readers refuse
HALF_MAX = 65504.0

Pixels = npt.NDArray[Any]


def write(
    out: BinaryIO,
    channels: Mapping[str, Pixels],
    attributes: Mapping[str, Any],
    *,
    compression: str = "zip",
    threads: int = 1,
) -> dict[str, Any]:
    """Write one scanline picture to an open, empty, readable file object, read it back and compare.

    ``channels``: "RGB" (H, W, 3) or a single channel's name (H, W), layers as ``layer.X``; float16,
    float32 or uint32.  Returns the attributes as written.  Raises :class:`NightloaderError` where a
    value has no place in the file or the read-back differs.
    """
    arrays = {name: _checked(name, a) for name, a in channels.items()}
    written = typed(attributes)
    header = {**written, "type": OpenEXR.scanlineimage, "compression": COMPRESSIONS[compression]}
    OpenEXR.set_global_thread_count(max(0, threads - 1))
    with OpenEXR.File(header, dict(arrays)) as file:
        file.write(out)
    out.flush()
    _compare(out, arrays, written)
    return {k: v for k, v in attributes.items() if k in written}


def typed(attributes: Mapping[str, Any]) -> dict[str, Any]:
    """Attributes with the types the standard asks for; empty texts and None are left out."""
    made: dict[str, Any] = {}
    for name, value in attributes.items():
        if len(name) > _LONGEST_NAME:
            raise NightloaderError(f"the attribute name {name!r} is longer than {_LONGEST_NAME} characters")
        if value is None or value == "":
            continue
        made[name] = _typed(name, value)
    return made


def _typed(name: str, value: Any) -> Any:
    if name in FLOATS:
        return float(value)
    if name in TEXTS:
        return str(value)
    if name == "chromaticities":
        numbers = tuple(float(v) for v in value)
        if len(numbers) != 8:
            raise NightloaderError("chromaticities are eight numbers")
        return numbers
    if name == "adoptedNeutral":
        x, y = (float(v) for v in value)
        return (x, y)
    if name == "envmap":
        return _ENVMAPS[value] if isinstance(value, str) else value
    if isinstance(value, bool):
        return int(value)
    if isinstance(value, int):
        if abs(value) >= 2**31:
            raise NightloaderError(f"{name}: {value} does not fit 32 bits")
        return value
    if isinstance(value, float | np.floating):
        return float(value)
    if isinstance(value, str):
        return value
    raise NightloaderError(f"{name}: a {type(value).__name__} has no attribute type")


def _checked(name: str, array: Pixels) -> Pixels:
    if array.dtype not in (np.float16, np.float32, np.uint32):
        raise NightloaderError(f"channel {name}: {array.dtype} cannot be stored")
    if array.dtype.kind == "f" and not all(np.isfinite(rows).all() for rows in _strips(array)):
        raise NightloaderError(f"channel {name}: holds infinity or no number")
    return np.ascontiguousarray(array)


def _strips(array: Pixels, rows: int = 64) -> list[Pixels]:
    return [array[i : i + rows] for i in range(0, array.shape[0], rows)]


def _compare(out: BinaryIO, arrays: Mapping[str, Pixels], written: Mapping[str, Any]) -> None:
    header, back = read(out)
    for name, array in arrays.items():
        if name not in back or not np.array_equal(back[name], array):
            raise NightloaderError(f"channel {name} came back from the written picture changed")
    for name, value in written.items():
        if name not in header or not _same(header[name], value):
            raise NightloaderError(f"attribute {name} came back from the written picture changed")


def _same(a: Any, b: Any) -> bool:
    if isinstance(b, float):
        return bool(np.float32(a) == np.float32(b))
    if isinstance(b, tuple):
        return bool(np.allclose(np.array(a, float), np.array(b, float), rtol=1e-6, atol=1e-7))
    return bool(a == b)


def read(source: BinaryIO | bytes, *, header_only: bool = False) -> tuple[dict[str, Any], dict[str, Pixels]]:
    """Header and channels of the first part, colour channels interleaved as "RGB" where they are alike.

    Raises :class:`Unreadable` for an empty or damaged file, one that is no OpenEXR, or one without parts.
    """
    stream = io.BytesIO(source) if isinstance(source, bytes) else source
    stream.seek(0)
    magic = stream.read(len(MAGIC))
    if not magic:
        raise Unreadable("the file is empty.", next=_AGAIN)
    if magic != MAGIC:
        raise Unreadable("it is no OpenEXR, whatever its name says.", next="Give the EXR that was merged or stitched.")
    stream.seek(0)
    try:
        with OpenEXR.File(stream, separate_channels=False, header_only=header_only) as file:
            if not file.parts:
                raise Unreadable("the EXR is cut short or damaged: it holds no readable part.", next=_AGAIN)
            header = dict(file.header())
            pixels = {} if header_only else {name: c.pixels for name, c in file.channels().items()}
    except Unreadable:
        raise
    except Exception as error:
        raise Unreadable("the EXR is cut short or damaged.", next=_AGAIN) from error  # the library names its own buffer
    return header, pixels
