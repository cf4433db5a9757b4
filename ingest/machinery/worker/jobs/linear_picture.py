"""A linear picture from an EXR as the panorama and light steps want it: Rec.709, with what is known beside it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any, BinaryIO

import numpy as np
import numpy.typing as npt

from ingest.errors import Unreadable
from ingest.machinery.worker import exr
from ingest.records import rasters
from ingest.steps.merging import colour

LARGEST_PIXELS = 600_000_000
_NEXT = "Copy it again or make it again."


@dataclass(kw_only=True, slots=True)
class LinearPicture:
    """``rgb`` (H, W, 3) float32 scene-linear Rec.709, as stored (may hold NaN or infinity).

    ``layers`` are further channels (H, W) by name; ``header`` the file's attributes.
    """

    rgb: npt.NDArray[np.float32]
    header: dict[str, Any]
    layers: dict[str, npt.NDArray[Any]] = field(default_factory=dict)

    @property
    def says_latlong(self) -> bool:
        """Whether the header carries OpenEXR's lat-long ``envmap`` attribute."""
        value = self.header.get("envmap")
        return value is not None and "CUBE" not in str(value).upper()

    @property
    def stated_centres(self) -> str:
        """Our own word for where pixel centres lie (``records.rasters``), empty where the file has none."""
        value = self.header.get(rasters.ATTRIBUTE)
        return value if isinstance(value, str) else ""

    @property
    def white_luminance(self) -> float | None:
        """cd/m2 of pixel 1.0 as the header says, None where it is silent or absurd."""
        value = self.header.get("whiteLuminance")
        return float(value) if isinstance(value, float | int) and 0 < value < 1e12 else None


@dataclass(frozen=True, kw_only=True, slots=True)
class Source:
    """An EXR to read, and the name to blame it by (may be empty)."""

    file: BinaryIO
    name: str = ""

    def header(self) -> dict[str, Any]:
        with named(self.name):
            return exr.read(self.file, header_only=True)[0]

    def picture(self) -> LinearPicture:
        with named(self.name):
            return read(self.file)


def sources(files: Sequence[BinaryIO], names: Sequence[object] | None) -> list[Source]:
    """The files with their names, as far as there are any."""
    said = [str(n) for n in names or ()]
    return [Source(file=f, name=said[i] if i < len(said) else "") for i, f in enumerate(files)]


@contextmanager
def named(name: str) -> Iterator[None]:
    """A refusal that blames no file yet blames this one."""
    try:
        yield
    except Unreadable as error:
        raise Unreadable(error.what, item=error.item or name, next=error.next, retry=error.retry) from error


def read(source: BinaryIO) -> LinearPicture:
    """Read one picture; raises :class:`Unreadable` for what is no colour picture, also where a channel holds no number.

    A data window smaller than the display window is put in its place, black around it, and the layer
    ``coverage`` then says where the picture was.
    """
    header, _ = exr.read(source, header_only=True)
    width, height = _size(header, "dataWindow")
    if width * height > LARGEST_PIXELS:
        most = LARGEST_PIXELS // 1_000_000
        raise Unreadable(f"the EXR is {width}x{height}, more than {most} megapixels.", next=_NEXT)
    header, channels = exr.read(source)
    rgb = _colours(channels)
    dead = [name for i, name in enumerate("RGB") if not np.isfinite(rgb[..., i]).any()]
    if dead:
        raise Unreadable(f"no pixel of {' and '.join(dead)} is a number.", next=_NEXT)
    layers = {n: np.asarray(a) for n, a in channels.items() if a.ndim == 2 and n not in ("R", "G", "B", "Y")}
    chromaticities = header.get("chromaticities")
    if chromaticities is not None:
        matrix = _to_rec709(tuple(float(v) for v in chromaticities))
        if matrix is not None:
            for top in range(0, rgb.shape[0], 256):
                rgb[top : top + 256] = rgb[top : top + 256] @ matrix.T.astype(np.float32)
    return _windowed(LinearPicture(rgb=rgb, header=header, layers=layers))


def size(header: dict[str, Any]) -> tuple[int, int]:
    """(width, height) of the picture :func:`read` gives."""
    return _size(header, "displayWindow")


def _size(header: dict[str, Any], window: str) -> tuple[int, int]:
    low, high = header[window]
    return int(high[0]) - int(low[0]) + 1, int(high[1]) - int(low[1]) + 1


def _colours(channels: dict[str, npt.NDArray[Any]]) -> npt.NDArray[np.float32]:
    for name in ("RGB", "RGBA"):
        if name in channels:
            pixels = channels[name]
            channels.pop(name)
            return np.ascontiguousarray(pixels[..., :3], dtype=np.float32)
    if all(n in channels for n in "RGB"):
        return np.stack([channels[n].astype(np.float32) for n in "RGB"], axis=2)
    if "Y" in channels:
        return np.repeat(channels["Y"].astype(np.float32)[..., None], 3, axis=2)
    raise Unreadable("the EXR holds no R, G, B and no Y.", next="Give the picture itself, not a matte or depth file.")


def _to_rec709(chromaticities: tuple[float, ...]) -> npt.NDArray[np.float64] | None:
    """Matrix to linear Rec.709, None where the primaries are those already or make no sense."""
    if len(chromaticities) != 8 or np.allclose(chromaticities, colour.CHROMATICITIES["rec709"], atol=2e-4):
        return None
    c = chromaticities
    try:
        primaries = np.stack([[c[i], c[i + 1], 1 - c[i] - c[i + 1]] for i in (0, 2, 4)], axis=1)
        white = colour.xyz_of(c[6], c[7])
        to_xyz = primaries * np.linalg.solve(primaries, white)
        d65 = colour.xyz_of(0.3127, 0.3290)
        matrix = np.linalg.solve(colour.to_xyz("rec709"), colour.adapt(white, d65) @ to_xyz)
    except (np.linalg.LinAlgError, ZeroDivisionError):
        return None
    return matrix if np.isfinite(matrix).all() else None


def _windowed(picture: LinearPicture) -> LinearPicture:
    low, _ = picture.header["dataWindow"]
    whole_low, _ = picture.header["displayWindow"]
    width, height = _size(picture.header, "displayWindow")
    rows, cols = picture.rgb.shape[:2]
    left, top = int(low[0]) - int(whole_low[0]), int(low[1]) - int(whole_low[1])
    if (left, top, cols, rows) == (0, 0, width, height) or not 0 < width * height <= LARGEST_PIXELS:
        return picture
    y0, x0, y1, x1 = max(0, top), max(0, left), min(height, top + rows), min(width, left + cols)
    if y1 <= y0 or x1 <= x0:
        return picture

    def placed(a: npt.NDArray[Any]) -> npt.NDArray[Any]:
        out = np.zeros((height, width, *a.shape[2:]), dtype=a.dtype)
        out[y0:y1, x0:x1] = a[y0 - top : y1 - top, x0 - left : x1 - left]
        return out

    ones = np.ones((rows, cols), dtype=np.float32)
    layers = {n: placed(a) for n, a in picture.layers.items()}
    layers["coverage"] = layers.get("coverage", placed(ones))
    return LinearPicture(rgb=placed(picture.rgb), header=picture.header, layers=layers)
