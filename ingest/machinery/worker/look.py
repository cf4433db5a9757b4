"""A cheap look at a still: is the file whole, how bright is the picture, does it show two circles.

The cheap way reads the head and the end of the file only: the camera's own thumbnail gives the
brightness, the file's structure says how long it must be.  Where there is no thumbnail the picture is
decoded small.  A fault in the middle of compressed data is not seen here; merging decodes strictly and
sees it.
"""

from __future__ import annotations

import io
import math
import os
import struct
import sys
from collections.abc import Iterator
from typing import Any, BinaryIO

import numpy as np
import numpy.typing as npt

from ingest.errors import Unreadable
from ingest.machinery.worker import containers
from ingest.machinery.worker.tiff import Malformed, Source, Tiff

_AGAIN = "Copy it again from the card while it is there, or go on without it."
_DARKEST = -20.0  # what a picture of nothing but zeros gets as its log2 level
_MOST_STRIPS = 65_536
_SMALLEST_THUMBNAIL = 100  # pixels across; below that it is an icon
_LARGEST_FILE = 1 << 30
_LAYOUT = {0x0103: "Compression", 0x0106: "Photometric", 0x0111: "StripOffsets", 0x0117: "StripByteCounts",
           0x0144: "TileOffsets", 0x0145: "TileByteCounts", 0x0201: "JpegAt", 0x0202: "JpegLength",
           0x0100: "ImageWidth", 0x0101: "ImageLength", 0xC612: "DNGVersion"}  # fmt: skip
Grey = npt.NDArray[np.float32]


def take(file: BinaryIO) -> dict[str, Any]:
    """What ``records.stills.StillLook`` holds, as plain values.

    Raises Unreadable where the file is empty, cut, zeroed or does not decode, in words.
    """
    source = Source(file)
    if source.size == 0:
        raise Unreadable("the file is empty.", next=_AGAIN)
    head = source.read(0, min(64, source.size))
    if not any(head):
        raise Unreadable("the file begins with nothing but zeros.", next=_AGAIN)
    kind = containers.kind(head)
    try:
        return {"jpeg": _jpeg, "heif": _no_decoder, "jxl": _no_decoder, "": _no_decoder}.get(kind, _tiff_or_raw)(
            file, source, kind
        )
    except Malformed as error:
        raise Unreadable(f"the picture cannot be read ({error}).", next=_AGAIN) from error


def _no_decoder(_file: BinaryIO, _source: Source, kind: str) -> dict[str, Any]:
    what = f"{kind} pictures" if kind else "files of this kind"
    raise Unreadable(f"{what} are kept but cannot be decoded here.", next="Merge the raw or JPEG files of the set.")


def _answer(grey: Grey, size: tuple[int, int]) -> dict[str, Any]:
    mean = float(grey.mean(dtype=np.float64))
    return {
        "log2_brightness": math.log2(mean) if mean > 2.0**_DARKEST else _DARKEST,
        "width": size[0],
        "height": size[1],
        "two_circles": two_circles(grey),
    }


# -- JPEG ------------------------------------------------------------------------------------------


def _jpeg(file: BinaryIO, source: Source, kind: str) -> dict[str, Any]:
    found = containers.blocks(source, kind)
    if found.size is None or found.scan_at is None:
        raise Malformed("it ends before its picture begins")
    if _ends(source, found.scan_at):
        for at in found.tiff_at[:2]:
            for data in _thumbnails(source, at):
                grey = _decoded(data, found.size)
                if grey is not None:
                    return _answer(grey, found.size)
    # No thumbnail; or no end marker near the end: cut, or a maker's data follow the picture.
    grey = _decoded(_whole(file, source), found.size, strict=True)
    assert grey is not None
    return _answer(grey, found.size)


def _ends(source: Source, scan_at: int) -> bool:
    """Whether an end marker stands behind the first scan, near the end of the file."""
    start = max(scan_at, source.size - (1 << 16))
    return b"\xff\xd9" in source.read(start, source.size - start)


def _decoded(data: bytes, size: tuple[int, int], *, strict: bool = False) -> Grey | None:
    """A small linear grey picture in the proportions of ``size``; None for a thumbnail that does not decode."""
    import simplejpeg

    try:
        height, width, *_ = simplejpeg.decode_jpeg_header(data)
        if not strict and width < _SMALLEST_THUMBNAIL:
            return None
        codes = simplejpeg.decode_jpeg(data, "GRAY", fastdct=True, fastupsample=True, min_height=min(height, 90),
                                       min_width=min(width, 180))  # fmt: skip
    except (ValueError, RuntimeError) as error:
        if strict:
            raise Unreadable(f"the JPEG does not decode ({_first_line(error)}).", next=_AGAIN) from error
        return None
    return _linear(_proportioned(codes[..., 0], size))


def _proportioned(codes: npt.NDArray[Any], size: tuple[int, int]) -> npt.NDArray[Any]:
    """The middle of a picture in the proportions of ``size``: thumbnails are 4:3 whatever the picture is,
    with black bars."""
    height, width = codes.shape
    want = size[0] / size[1]
    if abs(width / height / want - 1) < 0.03:
        return codes
    if width / height < want:
        rows = max(1, round(width / want))
        top = (height - rows) // 2
        return codes[top : top + rows]
    columns = max(1, round(height * want))
    left = (width - columns) // 2
    return codes[:, left : left + columns]


def _linear(codes: npt.NDArray[Any]) -> Grey:
    """8-bit codes to linear light as if they were sRGB (IEC 61966-2-1), 1.0 = white."""
    x = np.arange(256) / 255
    table = np.where(x <= 0.04045, x / 12.92, ((x + 0.055) / 1.055) ** 2.4).astype(np.float32)
    linear: Grey = table[codes]
    return linear


# -- TIFF and raw ----------------------------------------------------------------------------------


def _tiff_or_raw(file: BinaryIO, source: Source, kind: str) -> dict[str, Any]:
    needed = length_needed(source, kind)
    if needed > source.size:
        short = f"{needed - source.size} of {needed} bytes are missing"
        raise Unreadable(f"the file is cut: {short}.", next=_AGAIN)
    directories = list(_directories(source, 0)) if kind == "tiff" else []
    if kind == "tiff" and _plain_picture(directories):
        return _picture(_whole(file, source))  # its lower part may well be black: zeros prove nothing
    return _raw(file, source, directories)


def _plain_picture(directories: list[dict[str, Any]]) -> bool:
    """Whether a TIFF structure is a picture: no DNG, no mosaic, and no further directories of one."""
    first = directories[0] if directories else {}
    return len(directories) == 1 and "DNGVersion" not in first and first.get("Photometric") in (0, 1, 2)


def _picture(data: bytes) -> dict[str, Any]:
    import cv2

    array = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_ANYDEPTH | cv2.IMREAD_GRAYSCALE)
    if array is None:
        raise Unreadable("the TIFF does not decode.", next=_AGAIN)
    height, width = array.shape[:2]
    step = max(1, width // 360)
    small = array[::step, ::step]
    if small.dtype != np.uint8:
        top = 65535.0 if small.dtype == np.uint16 else 1.0
        # a 16-bit TIFF may be linear or not; nobody says, so it is read like the 8-bit one
        small = np.clip(small.astype(np.float32) / top * 255, 0, 255).astype(np.uint8)
    return _answer(_linear(small), (width, height))


def _raw(file: BinaryIO, source: Source, directories: list[dict[str, Any]]) -> dict[str, Any]:
    """Size from the raw library; brightness from a small JPEG in the file, else from the mosaic."""
    import rawpy

    try:
        with _opened(rawpy, file, source) as raw:
            size = (int(raw.sizes.width), int(raw.sizes.height))
            if size[0] * size[1] > 32 * source.size:
                raise Unreadable("the file is far too small for the sensor it names.", next=_AGAIN)
            black = float(np.mean(raw.black_level_per_channel[:3]))
            # Codes of an uncompressed raw without a black level may all be zero in the dark; others cannot.
            plain = any(d.get("Compression") == 1 for d in directories)
            if _ends_in_zeros(source) and not (plain and black == 0):
                raise Unreadable("the file ends in zeros: it was not written whole.", next=_AGAIN)
            for data in (t for d in directories for t in _jpegs_of(source, d)):
                grey = _decoded(data, size)
                if grey is not None:
                    return _answer(grey, size)
            mosaic = raw.raw_image_visible
            step = max(2, mosaic.shape[1] // 720 * 2)
            small = _binned(mosaic, step)
            if not small.any():
                raise Unreadable("the raw decodes to nothing but zeros.", next=_AGAIN)
            white = float(raw.white_level)
            return _answer(np.clip((small - black) / max(1.0, white - black), 0, 1), size)
    except Unreadable:
        raise
    except Exception as error:  # the library's own family, and anything for hostile bytes
        raise Unreadable(
            f"the raw does not decode ({_first_line(error)}).", next="Merge the JPEGs of the set."
        ) from error


def _first_line(error: Exception) -> str:
    return next(iter(str(error).splitlines()), type(error).__name__)[:120]


def _opened(rawpy: Any, file: BinaryIO, source: Source) -> Any:
    """The raw by its descriptor where the system gives one a path (only what is needed is read), else whole."""
    for folder in ("/proc/self/fd", "/dev/fd"):
        if sys.platform != "win32" and os.path.exists(f"{folder}/{file.fileno()}"):
            return rawpy.imread(f"{folder}/{file.fileno()}")
    return rawpy.imread(io.BytesIO(_whole(file, source)))


def _binned(mosaic: npt.NDArray[Any], step: int) -> Grey:
    """Every ``step``-th 2x2 cell of the mosaic, averaged: colours of the filter count alike."""
    height, width = mosaic.shape[0] // 2 * 2, mosaic.shape[1] // 2 * 2
    cells = [mosaic[y:height:step, x:width:step].astype(np.float32) for y in (0, 1) for x in (0, 1)]
    rows, columns = min(c.shape[0] for c in cells), min(c.shape[1] for c in cells)
    mean: Grey = np.mean([c[:rows, :columns] for c in cells], axis=0, dtype=np.float32)
    return mean


# -- structure -------------------------------------------------------------------------------------


def length_needed(source: Source, kind: str) -> int:
    """How many bytes the file must have by its own structure; 0 where it does not say.  Raises Malformed."""
    if kind == "tiff":
        if source.read(0, 4) == b"IIU\0":
            return 0  # Panasonic's strips point nowhere; its raw has a tag of its own
        return max((at + length for found in _directories(source, 0) for at, length in found["spans"]), default=0)
    if kind == "cr3":
        at = 0
        for _name, start, end in _top_boxes(source):
            at = max(at, start, end)
        return at
    if kind == "raf":
        at, length = struct.unpack(">II", source.read(100, 8))
        return int(at + length)
    return 0


def _top_boxes(source: Source) -> Iterator[tuple[bytes, int, int]]:
    """Like ``containers.boxes`` for the whole file, but with the ends as they are claimed."""
    at = 0
    for _ in range(64):
        if at + 8 > source.size:
            return
        size, name = struct.unpack(">I4s", source.read(at, 8))
        if size == 1:
            size = struct.unpack(">Q", source.read(at + 8, 8))[0]
        if size < 8:
            return
        yield name, at, at + size
        at += size


def _directories(source: Source, base: int) -> Iterator[dict[str, Any]]:
    """Layout tags of the chained directories and their sub-directories, at most sixteen, each once."""
    tiff, first = Tiff.at(source, base)
    todo, seen = [first], set[int]()
    while todo and len(seen) < 16:
        at = todo.pop(0)
        if at in seen or at == 0:
            continue
        seen.add(at)
        try:
            found = tiff.directory(at, _LAYOUT)
            count = tiff.unpack("H", at)[0]
            following = tiff.unpack("I", at + 2 + 12 * count)[0]
        except Malformed:
            if at == first:
                raise
            continue
        todo += [following, *found.sub_at[:8]]
        yield {**found.tags, "base": base, "spans": _strips(tiff, at, count)}


def _strips(tiff: Tiff, at: int, count: int) -> list[tuple[int, int]]:
    """(position, length) of all strips or tiles of a directory; counts may be in the ten thousands."""
    entries: dict[int, tuple[int, ...]] = {}
    table = tiff.source.read(tiff.base + at + 2, 12 * count)
    for i in range(count):
        tag, kind, items, place = struct.unpack_from(tiff.order + "HHII", table, 12 * i)
        if tag not in (0x0111, 0x0117, 0x0144, 0x0145) or kind not in (3, 4) or not 0 < items <= _MOST_STRIPS:
            continue
        size = 2 if kind == 3 else 4
        start = at + 2 + 12 * i + 8 if items * size <= 4 else place
        entries[tag] = tiff.unpack(("H" if kind == 3 else "I") * items, start)
    return [
        (tiff.base + offset, length)
        for offsets, lengths in ((0x0111, 0x0117), (0x0144, 0x0145))
        for offset, length in zip(entries.get(offsets, ()), entries.get(lengths, ()), strict=False)
    ]


def _thumbnails(source: Source, base: int) -> Iterator[bytes]:
    try:
        for found in _directories(source, base):
            yield from _jpegs_of(source, found)
    except Malformed:
        return


def _jpegs_of(source: Source, found: dict[str, Any]) -> Iterator[bytes]:
    """Small JPEGs a directory points to: a thumbnail, or a preview that is one strip."""
    places = []
    if isinstance(at := found.get("JpegAt"), int) and isinstance(length := found.get("JpegLength"), int):
        places.append((found["base"] + at, length))
    if found.get("Compression") in (6, 7) and len(found["spans"]) == 1 and "JpegAt" not in found:
        places += found["spans"]
    for at, length in places:
        if 256 < length < 4 << 20:
            try:
                data = source.read(at, length)
            except Malformed:
                continue
            if data[:3] == b"\xff\xd8\xff":
                yield data


def _ends_in_zeros(source: Source) -> bool:
    """Whether the last sixteenth of the file is nothing but zeros, by eight probes in it."""
    span = source.size // 16
    if span < 4096:
        return False
    return not any(any(source.read(source.size - 512 - i * (span - 512) // 8, 512)) for i in range(8))


def _whole(file: BinaryIO, source: Source) -> bytes:
    if source.size > _LARGEST_FILE:
        raise Unreadable("the file is larger than any still.", next="Look at it by hand.")
    file.seek(0)
    return file.read()


# -- two circles -----------------------------------------------------------------------------------


def two_circles(grey: Grey) -> bool | None:
    """Whether a picture shows two fisheye circles side by side; None where it is too dark to say.

    ``grey`` (H, W) linear, 1.0 = white.  Dual fisheye pictures are 2:1 and black outside the two
    inscribed circles; a lat-long picture has no reason to be dark in exactly those eight corners and
    bright all along the rims.
    """
    height, width = grey.shape
    if height < 24 or not 1.9 < width / height < 2.1:
        return False
    if float(grey.mean()) < 2.0**-11:
        return None
    return all(_circle(half) for half in (grey[:, : width // 2], grey[:, -(width // 2) :]))


def _circle(half: Grey) -> bool:
    height, width = half.shape
    y, x = np.mgrid[0:height, 0:width]
    dy, dx = (y - (height - 1) / 2) / (height / 2), (x - (width - 1) / 2) / (width / 2)
    distance, angle = np.hypot(dx, dy), np.arctan2(dy, dx)
    outside = half[distance > 1.08]
    inside = half[distance < 0.9]
    level = float(np.percentile(outside, 90)) + 1e-4
    if level > 0.1 * float(inside.mean()) or level > 0.02:
        return False
    # the rim: in most directions the picture reaches well out towards the circle
    rim = (distance > 0.75) & (distance < 0.9)
    sectors = np.floor((angle[rim] + np.pi) / (2 * np.pi) * 24).astype(int) % 24
    total = np.bincount(sectors, half[rim], 24) / np.maximum(1, np.bincount(sectors, minlength=24))
    return int((total > 2 * level).sum()) >= 16
