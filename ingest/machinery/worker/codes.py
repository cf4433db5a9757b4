"""Our own QR codes in a picture: a clock's or a slate's, with where they lie and which way is up.

Every still is looked at, so the look must be cheap: a quarter of the size first, where a code of usual size is
read at once.  A picture is decoded larger only where something in the small one hints at a code: a symbol the
library found but could not read, or a patch as busy in both directions and as contrasty as a code is; and then
only that patch is read, not the picture.  A picture without such a patch costs nothing more.

Foreign codes are dropped here: what a stranger's code says is none of our business.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any, BinaryIO

import numpy as np
import numpy.typing as npt

from ingest.errors import Unreadable
from ingest.machinery.worker import containers
from ingest.machinery.worker.tiff import Source

PREFIXES = ("NL1:", "NLC1:")
LONGEST = 240
LARGEST_PIXELS = 400_000_000
SMALL_WIDTH = 1200  # the small picture is at least this wide, if the file is
PATCHES = 3  # looked at closely in one picture: leaves and mullions hint too, and each look costs
_CELL = 8  # pixels of the small picture in one cell of the hint map
Grey = npt.NDArray[np.uint8]
# Gives the picture at 1/2 or whole size; may be asked once for each.
Larger = Callable[[int], Grey | None]


@dataclass(frozen=True, slots=True)
class Patch:
    """A part of the picture in shares of its width and height."""

    left: float
    top: float
    right: float
    bottom: float

    def of(self, picture: Grey) -> Grey:
        height, width = picture.shape
        x0, x1 = int(self.left * width), int(np.ceil(self.right * width))
        y0, y1 = int(self.top * height), int(np.ceil(self.bottom * height))
        return np.ascontiguousarray(picture[y0:y1, x0:x1])


WHOLE = Patch(0.0, 0.0, 1.0, 1.0)


def take(file: BinaryIO) -> dict[str, Any]:
    """``{"codes": [...], "closer": n}`` of a still: see :func:`seek`.

    Raises Unreadable where the picture does not decode, in words.
    """
    small, larger = _opened(file)
    return seek(small, larger)


def seek(small: Grey, larger: Larger) -> dict[str, Any]:
    """Codes of ours in a picture given small, (H, W) 8-bit grey, and larger on demand.

    ``codes`` holds ``{"text", "corners", "up_deg"}``: corners in shares of width and height, from the symbol's own
    upper left, clockwise as printed; ``up_deg`` how far the symbol is turned clockwise in the stored picture, -180
    to 180.  ``closer`` counts the patches that were looked at larger.
    """
    found, partial = _read(small, WHOLE)
    if found:
        return {"codes": found, "closer": 0}
    patches = _apart([*partial, *hints(small)])[:PATCHES]
    for scale in (2, 1):
        picture = larger(scale) if patches else None
        if picture is None:
            continue
        for patch in patches:
            part = patch.of(picture)
            for tried in _variants(part) if scale == 1 else (part,):
                more, _ = _read(tried, patch)
                found += [c for c in more if c["text"] not in {f["text"] for f in found}]
                if more:
                    break
        if found:
            break
    return {"codes": found, "closer": len(patches)}


# -- reading ---------------------------------------------------------------------------------------


def _read(picture: Grey, within: Patch) -> tuple[list[dict[str, Any]], list[Patch]]:
    """Our codes in a part of the picture, and patches around symbols that could not be read."""
    import zxingcpp

    if min(picture.shape) < 21:  # the smallest symbol has 21 squares a side (ISO/IEC 18004)
        return [], []
    codes: list[dict[str, Any]] = []
    partial: list[Patch] = []
    symbols = zxingcpp.read_barcodes(
        picture, formats=zxingcpp.BarcodeFormats(zxingcpp.BarcodeFormat.QRCode), try_invert=False, return_errors=True,
    )
    for symbol in symbols:
        corners = _corners(symbol.position, picture.shape, within)
        if not symbol.valid:
            partial.append(_around(corners))
        elif symbol.text.startswith(PREFIXES) and len(symbol.text) <= LONGEST and symbol.text.isascii():
            codes.append({"text": symbol.text, "corners": corners, "up_deg": _up(symbol.position)})
    return codes, partial


def _points(position: Any) -> list[tuple[float, float]]:
    corners = (position.top_left, position.top_right, position.bottom_right, position.bottom_left)
    return [(float(p.x), float(p.y)) for p in corners]


def _corners(position: Any, shape: tuple[int, ...], within: Patch) -> list[list[float]]:
    """Corners in shares of the whole picture."""
    height, width = shape[:2]
    across, down = within.right - within.left, within.bottom - within.top
    return [
        [round(within.left + x / width * across, 5), round(within.top + y / height * down, 5)]
        for x, y in _points(position)
    ]


def _up(position: Any) -> float:
    """How far clockwise the symbol's own up is turned from the picture's, in degrees."""
    top_left, top_right, bottom_right, bottom_left = (np.array(p) for p in _points(position))
    x, y = (top_left + top_right) - (bottom_left + bottom_right)
    return round(float(np.degrees(np.arctan2(x, -y))), 1)


def _around(corners: Sequence[Sequence[float]]) -> Patch:
    """The symbol with half its size around it."""
    xs, ys = [c[0] for c in corners], [c[1] for c in corners]
    across, down = (max(xs) - min(xs)) / 2 + 0.01, (max(ys) - min(ys)) / 2 + 0.01
    return _bounded(min(xs) - across, min(ys) - down, max(xs) + across, max(ys) + down)


def _bounded(left: float, top: float, right: float, bottom: float) -> Patch:
    return Patch(max(0.0, left), max(0.0, top), min(1.0, right), min(1.0, bottom))


def _variants(picture: Grey) -> Iterator[Grey]:
    """A patch as it is, then as a library may read it: smoothed against noise, drawn out, enlarged."""
    import cv2

    if picture.size == 0:
        return
    yield picture
    yield cv2.GaussianBlur(picture, (0, 0), 1.2)
    low, high = np.percentile(picture, (2, 98))
    if high - low < 128:
        yield np.clip((picture.astype(np.float32) - low) * (255 / max(1.0, high - low)), 0, 255).astype(np.uint8)
    if max(picture.shape) <= 700:
        large = cv2.resize(picture, None, fx=3, fy=3, interpolation=cv2.INTER_CUBIC)
        yield large
        yield cv2.addWeighted(large, 2.2, cv2.GaussianBlur(large, (0, 0), 5), -1.2, 0)


# -- hints -----------------------------------------------------------------------------------------


def hints(small: Grey) -> list[Patch]:
    """Patches that may hold a code, the likeliest first.

    A code, however small, changes between dark and light in both directions alike, from near black to near white
    of its surround, and stands on its own quiet ground.
    """
    import cv2

    height, width = small.shape
    rows, columns = height // _CELL, width // _CELL
    if rows < 4 or columns < 4:
        return []
    grey = small[: rows * _CELL, : columns * _CELL].astype(np.float32)

    def cells(values: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
        small_map: npt.NDArray[np.float32] = cv2.resize(values, (columns, rows), interpolation=cv2.INTER_AREA)
        return small_map

    across = np.abs(np.diff(grey, axis=1, append=grey[:, -1:]))
    down = np.abs(np.diff(grey, axis=0, append=grey[-1:]))
    busy_x, busy_y = cells(across), cells(down)
    light = cells(cv2.dilate(grey, np.ones((9, 9), np.uint8)))
    both = np.minimum(busy_x, busy_y) / (np.maximum(busy_x, busy_y) + 1.0)
    score = np.minimum(busy_x, busy_y) / (light + 16.0) * np.where(both > 0.45, 1.0, 0.0)
    return list(_peaks(cv2.blur(score, (3, 3)), width, height))


_BUSY = 0.055  # of the light around: measured, tests/bench/codes.py


def _peaks(score: npt.NDArray[np.float32], width: int, height: int) -> Iterator[Patch]:
    """Connected busy cells as patches of a code's shape, the busiest first."""
    import cv2

    count, labels, stats, _ = cv2.connectedComponentsWithStats((score > _BUSY).astype(np.uint8), connectivity=8)
    order = sorted(range(1, count), key=lambda i: -float(score[labels == i].max()))[:40]
    for i in order:
        x, y, w, h, area = (int(v) for v in stats[i])
        if area < 2 or w * h > score.size * 0.5:
            continue
        margin = max(2, max(w, h) // 2)
        yield _bounded(
            (x - margin) * _CELL / width, (y - margin) * _CELL / height, (x + w + margin) * _CELL / width,
            (y + h + margin) * _CELL / height,
        )


def _apart(patches: Sequence[Patch]) -> list[Patch]:
    """Without those that lie inside an earlier one."""
    kept: list[Patch] = []
    for p in patches:
        if not any(
            k.left <= (p.left + p.right) / 2 <= k.right and k.top <= (p.top + p.bottom) / 2 <= k.bottom for k in kept
        ):
            kept.append(p)
    return kept


# -- pictures --------------------------------------------------------------------------------------


def _opened(file: BinaryIO) -> tuple[Grey, Larger]:
    source = Source(file)
    if source.size == 0:
        raise Unreadable("the file is empty.")
    kind = containers.kind(source.read(0, min(64, source.size)))
    if kind in ("heif", "jxl", ""):
        raise Unreadable("no decoder for this kind of picture.")
    if source.size > 1 << 30:
        raise Unreadable("the file is larger than any still.")
    if kind == "jpeg":
        file.seek(0)
        return _jpeg(file.read())
    try:
        return _raw(file)
    except Exception:  # no raw: perhaps a plain TIFF, which the raw library refuses
        if kind != "tiff":
            raise
    return _plain(file)


def _jpeg(data: bytes) -> tuple[Grey, Larger]:
    """Scaled while decoding (the transform's own small sizes), so the small picture costs a small part."""
    import simplejpeg

    try:
        height, width, *_ = simplejpeg.decode_jpeg_header(data)
    except (ValueError, RuntimeError) as error:
        raise Unreadable("the JPEG does not decode.") from error
    if height * width > LARGEST_PIXELS:
        raise Unreadable("the picture is larger than any camera's.")

    def at(scale: int) -> Grey:
        try:
            codes = simplejpeg.decode_jpeg(
                data, "GRAY", fastdct=True, fastupsample=True, min_height=max(1, height // scale),
                min_width=max(1, width // scale),
            )
        except (ValueError, RuntimeError) as error:
            raise Unreadable("the JPEG does not decode.") from error
        grey: Grey = np.ascontiguousarray(codes[..., 0])
        return grey

    scale = next((s for s in (4, 2) if width // s >= SMALL_WIDTH), 1)
    return at(scale), lambda wanted: at(wanted) if wanted < scale else None


def _raw(file: BinaryIO) -> tuple[Grey, Larger]:
    """A raw's own preview where it is large enough, else its mosaic, every cell of the filter one pixel."""
    import rawpy

    file.seek(0)
    with rawpy.imread(io.BytesIO(file.read())) as raw:
        try:
            thumb = raw.extract_thumb()
            if thumb.format == rawpy.ThumbFormat.JPEG:
                small, larger = _jpeg(bytes(thumb.data))
                if small.shape[1] >= min(SMALL_WIDTH, raw.sizes.width // 4):
                    return small, larger
        except (rawpy.LibRawError, Unreadable):
            pass  # no preview, or none that decodes: the mosaic speaks
        if raw.sizes.width * raw.sizes.height > LARGEST_PIXELS:
            raise Unreadable("the picture is larger than any camera's.")
        mosaic = raw.raw_image_visible
        rows, columns = mosaic.shape[0] // 2 * 2, mosaic.shape[1] // 2 * 2
        binned = sum(mosaic[y:rows:2, x:columns:2].astype(np.float32) for y in (0, 1) for x in (0, 1))
        black = 4 * float(np.mean(raw.black_level_per_channel[:4]))
    return scaled(_levels(np.asarray(binned) - black))


def _levels(linear: npt.NDArray[Any]) -> Grey:
    """Linear light to 8 bits by its square root, the brightest hundredth at white."""
    top = float(np.percentile(linear[::8, ::8], 99)) or 1.0
    grey: Grey = np.clip(np.sqrt(np.clip(linear / max(top, 1e-9), 0, 1)) * 255, 0, 255).astype(np.uint8)
    return grey


def _plain(file: BinaryIO) -> tuple[Grey, Larger]:
    import cv2

    file.seek(0)
    picture = cv2.imdecode(np.frombuffer(file.read(), np.uint8), cv2.IMREAD_ANYDEPTH | cv2.IMREAD_GRAYSCALE)
    if picture is None:
        raise Unreadable("the TIFF does not decode.")
    if picture.dtype != np.uint8:
        top = 65535.0 if picture.dtype == np.uint16 else max(1e-9, float(np.percentile(picture, 99)))
        picture = np.clip(picture.astype(np.float32) / top * 255, 0, 255).astype(np.uint8)
    return scaled(picture)


def scaled(picture: Grey) -> tuple[Grey, Larger]:
    """A picture in memory as the small one and the larger ones."""
    import cv2

    def at(scale: int) -> Grey:
        return picture if scale == 1 else cv2.resize(picture, None, fx=1 / scale, fy=1 / scale,
                                                     interpolation=cv2.INTER_AREA)  # fmt: skip

    first = next((s for s in (4, 2) if picture.shape[1] // s >= SMALL_WIDTH), 1)
    return at(first), lambda wanted: at(wanted) if wanted < first else None
