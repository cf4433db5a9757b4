"""Raw codes: the linear mosaic as the sensor gave it, never the library's developed picture.

Developing is what must not happen here: the library rescales white for each file from its own data
unless told otherwise, and clips after white balance.  Only the unpacked mosaic and the colour facts are
taken; black, white balance, demosaic and matrix follow on the merged result.
"""

from __future__ import annotations

import io

import numpy as np
import numpy.typing as npt
import rawpy

from ingest.errors import Unreadable
from ingest.machinery.worker.decoders import tiff
from ingest.machinery.worker.decoders.picture import LARGEST_PIXELS, Picture, RawColour

_FLIPS = {0: 1, 3: 3, 5: 8, 6: 6}  # the library's turn -> Exif orientation
_XYZ_FROM_709 = np.array([[0.412391, 0.357584, 0.180481], [0.212639, 0.715169, 0.072192],
                          [0.019331, 0.119195, 0.950532]])


def decode(data: bytes, name: str) -> Picture:
    """The visible mosaic, its pattern, levels and colour facts.

    Raises :class:`Unreadable` naming the file: not raw, truncated, decoded to nothing, or a sensor
    without a mosaic.
    """
    try:
        with rawpy.imread(io.BytesIO(data)) as raw:
            return _picture(raw, data, name)
    except Unreadable:
        raise
    except Exception as error:  # the library raises its own family and, for hostile files, anything
        words = str(error).splitlines()[0][:120] if str(error) else type(error).__name__
        raise Unreadable(f"the raw does not decode: {words}", item=name,
                         next="Merge the JPEGs of the set, or copy the file again.") from error


def _picture(raw: rawpy.RawPy, data: bytes, name: str) -> Picture:
    if raw.raw_type != rawpy.RawType.Flat or raw.raw_pattern is None:
        raise Unreadable("this raw holds no mosaic", item=name, next="Merge the JPEGs of the set.")
    height, width = raw.raw_image_visible.shape
    if height * width > LARGEST_PIXELS:
        raise Unreadable(f"claims {width} x {height} pixels", item=name, next="Look at the file by hand.")
    codes = raw.raw_image_visible.copy()
    if int(codes.max()) == 0:
        raise Unreadable("the raw decodes to nothing but zeros", item=name,
                         next="Merge the JPEGs of the set, or copy the file again.")
    pattern = _pattern(raw)
    black = _black(raw, data, pattern)
    white = float(raw.white_level)
    balance, known = _balance(raw, pattern)
    return Picture(
        source="raw",
        layout="mosaic",
        codes=codes[..., None],
        top=white,
        black=black,
        pattern=pattern,
        orientation=_FLIPS.get(int(raw.sizes.flip), 1),
        raw=RawColour(to_rec709=_to_709(raw), balance=balance, balance_known=known),
        signature=(
            ("size", f"{width} x {height}"),
            ("channels", f"mosaic {pattern.tolist()}"),
            ("levels", f"black {black} white {white:g}"),
        ),
    )


def _pattern(raw: rawpy.RawPy) -> npt.NDArray[np.int64]:
    """Colour index over one period of the visible area, second green as green."""
    assert raw.raw_pattern is not None
    period = raw.raw_pattern.shape[0]
    colours = raw.raw_colors_visible[:period, :period].astype(np.int64)
    names = raw.color_desc.decode("latin-1")
    lookup = {"R": 0, "G": 1, "B": 2}
    table = np.array([lookup.get(n, 1) for n in names], np.int64)
    out: npt.NDArray[np.int64] = table[colours]
    return out


def _black(raw: rawpy.RawPy, data: bytes, pattern: npt.NDArray[np.int64]) -> tuple[float, ...]:
    """Black level of each site of the period, row by row.

    The library answers whole numbers a colour; a DNG may state them a site of its own period and as
    fractions (BlackLevel, BlackLevelRepeatDim), which are kept where they fit the mosaic's period.
    """
    period = pattern.shape[0]
    index = raw.raw_colors_visible[:period, :period]
    levels = raw.black_level_per_channel
    mean = np.array([[float(levels[int(i)]) for i in row] for row in index])
    stated = tiff.tags(data)
    values, dim = stated.get(50714), stated.get(50713, (1, 1))
    if isinstance(values, tuple) and tuple(dim) in ((1, 1), (period, period)) and len(values) in (1, period * period):
        exact = np.broadcast_to(np.array(values, float).reshape(dim), (period, period))
        top, left = raw.sizes.top_margin % period, raw.sizes.left_margin % period
        exact = np.roll(exact, (-top, -left), (0, 1)) if len(values) > 1 else exact
        if np.max(np.abs(exact - mean)) <= 1.0:  # only the fraction is taken from our own reading
            mean = exact
    return tuple(float(v) for v in mean.ravel())


def _balance(raw: rawpy.RawPy, pattern: npt.NDArray[np.int64]) -> tuple[tuple[float, float, float], bool]:
    """Multipliers for the shot's white; daylight's where the file has none, and said so."""
    del pattern
    for values, known in ((raw.camera_whitebalance, True), (raw.daylight_whitebalance, False)):
        r, g, b = (float(v) for v in values[:3])
        if r > 0 and g > 0 and b > 0 and np.isfinite([r, g, b]).all():
            return (r / g, 1.0, b / g), known
    return (1.0, 1.0, 1.0), False


def _to_709(raw: rawpy.RawPy) -> npt.NDArray[np.float64]:
    """White-balanced camera RGB to linear Rec.709, rows summing to 1 so that grey stays grey.

    From the library's own matrix; where that is empty, the inverse of XYZ-to-camera with each camera
    channel scaled so that white gives 1 (DNG 1.4, chapter 6, without the illuminants' interpolation).
    """
    ready = np.array(raw.color_matrix, float)[:3, :3]
    if np.isfinite(ready).all() and abs(np.linalg.det(ready)) > 1e-6:
        scaled: npt.NDArray[np.float64] = ready / ready.sum(axis=1, keepdims=True)
        return scaled
    from_xyz = np.array(raw.rgb_xyz_matrix, float)[:3, :3]
    if np.isfinite(from_xyz).all() and abs(np.linalg.det(from_xyz)) > 1e-6:
        camera = from_xyz @ _XYZ_FROM_709
        camera /= camera.sum(axis=1, keepdims=True)
        return np.linalg.inv(camera)
    return np.eye(3)
