"""Stills and frames of clips in colour and small, for looking at; and a raw's light for measuring.

Nothing here judges.  Small is about :data:`WIDTH` pixels a side, in display codes as whoever looked would see them.
"""

from __future__ import annotations

import io
import time
from collections.abc import Iterator
from typing import Any, BinaryIO

import numpy as np
import numpy.typing as npt

from ingest.errors import Unreadable
from ingest.machinery.worker import containers
from ingest.machinery.worker.clips import OPTIONS
from ingest.machinery.worker.decoders import still
from ingest.machinery.worker.decoders.picture import Picture
from ingest.machinery.worker.tiff import Source

WIDTH = 1000
LARGEST_PIXELS = 400_000_000
CLIP_FRAMES = 6  # looked at in a clip, evenly over it
BUDGET_S = 12.0  # of decoding a clip, in the processor's time: a busy machine must not make it another clip
Codes = npt.NDArray[np.uint8]


def small(file: BinaryIO) -> Codes:
    """(H, W, 3) 8-bit R, G, B of a still, unrotated, at least :data:`WIDTH` wide where it has that.

    Raises Unreadable where the picture does not decode, in words.
    """
    source = Source(file)
    if source.size == 0:
        raise Unreadable("the file is empty.")
    if source.size > 1 << 30:
        raise Unreadable("the file is larger than any still.")
    kind = containers.kind(source.read(0, min(64, source.size)))
    file.seek(0)
    data = file.read()
    if kind == "jpeg":
        return jpeg(data)
    preview = _preview(data)
    return preview if preview is not None else _displayed(light(data))


def jpeg(data: bytes) -> Codes:
    import simplejpeg

    try:
        height, width, *_ = simplejpeg.decode_jpeg_header(data)
        if height * width > LARGEST_PIXELS:
            raise Unreadable("the picture is larger than any camera's.")
        wide = max(1, -(-max(height, width) // WIDTH))
        return np.asarray(simplejpeg.decode_jpeg(data, "RGB", fastdct=True, fastupsample=True,
                                                 min_height=height // wide, min_width=width // wide), np.uint8)
    except (ValueError, RuntimeError) as error:
        raise Unreadable("the JPEG does not decode.") from error


def _preview(data: bytes) -> Codes | None:
    """A raw's own picture, if it is large enough to see a ball in."""
    import rawpy

    try:
        with rawpy.imread(io.BytesIO(data)) as raw:
            thumb = raw.extract_thumb()
            if thumb.format != rawpy.ThumbFormat.JPEG:
                return None
            codes = jpeg(bytes(thumb.data))
    except Exception:  # no raw, no preview, or hostile bytes: the strict decoder speaks next, and says why
        return None
    return codes if max(codes.shape[0], codes.shape[1]) >= WIDTH * 0.6 else None


def light(data: bytes, name: str = "") -> tuple[npt.NDArray[np.float32], Picture]:
    """(H, W, 3) linear R, G, B without white balance, 1 = saturation, and the picture it came from.

    A mosaic gives one pixel a period; codes of a display encoding are decoded by IEC 61966-2-1.
    Raises Unreadable for grey pictures and what does not decode.
    """
    picture = still.decode(data, name)
    if picture.layout == "mosaic":
        return _binned(picture), picture
    if picture.layout == "ycc":
        import cv2

        codes = cv2.cvtColor(np.ascontiguousarray(picture.codes[..., [0, 2, 1]]), cv2.COLOR_YCrCb2RGB)
    elif picture.layout == "rgb":
        codes = picture.codes
    else:
        raise Unreadable("the picture has no colours.", item=name)
    v = codes.astype(np.float32) / picture.top
    linear = np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)
    return linear.astype(np.float32), picture


def _binned(picture: Picture) -> npt.NDArray[np.float32]:
    """The mean of each colour over each period of the mosaic."""
    pattern = picture.pattern
    assert pattern is not None
    period = pattern.shape[0]
    codes = picture.codes[..., 0]
    height, width = codes.shape[0] // period, codes.shape[1] // period
    out = np.zeros((height, width, 3), np.float32)
    for colour in range(3):
        sites = np.argwhere(pattern == colour)
        if not len(sites):
            raise Unreadable("its mosaic lacks a colour.")
        for y, x in sites:
            black = picture.black[y * period + x] if len(picture.black) == period * period else picture.black[0]
            plane = codes[y : height * period : period, x : width * period : period].astype(np.float32)
            out[..., colour] += (plane - black) / max(1.0, picture.top - black) / len(sites)
    return out


def _displayed(taken: tuple[npt.NDArray[np.float32], Picture]) -> Codes:
    """Balanced and encoded for looking at."""
    import cv2

    linear, picture = taken
    scale = WIDTH / max(linear.shape[:2])
    if scale < 1:
        linear = cv2.resize(linear, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    if picture.raw is not None:
        linear = linear * np.array(picture.raw.balance, np.float32)
    top = float(np.percentile(linear, 99)) or 1.0
    seen = np.clip(linear / max(top, 1e-9), 0, 1) ** (1 / 2.2)
    return np.asarray(np.round(seen * 255), np.uint8)


def frames(file: BinaryIO) -> Iterator[tuple[float, Codes]]:
    """(seconds after its first frame, (H, W, 3) codes) of a few frames spread over a clip.

    A reference pass may come at any moment of a take, so the whole of it is sampled.  A stream that cannot be
    sought gives what its beginning holds.  Raises Unreadable where the container cannot be opened or holds no picture.
    """
    import av

    av.logging.set_level(None)
    file.seek(0)
    try:
        with av.open(file, options=OPTIONS, metadata_errors="replace") as container:
            if not container.streams.video:
                raise Unreadable("it holds no picture.")
            yield from _spread(container)
    except av.FFmpegError as error:
        raise Unreadable(f"its frames cannot be read ({type(error).__name__}).") from error


def _spread(container: Any) -> Iterator[tuple[float, Codes]]:
    stream = container.streams.video[0]
    stream.thread_type = "NONE"
    if stream.width * stream.height > LARGEST_PIXELS:
        raise Unreadable("its frames are larger than any camera's.")
    start = float(stream.start_time * stream.time_base) if stream.start_time is not None else 0.0
    length = container.duration / 1_000_000 if container.duration else 0.0
    last, spent = -1.0, 0.0
    for n in range(CLIP_FRAMES):
        began = time.process_time()
        at = length * (n + 0.5) / CLIP_FRAMES
        if n and length:
            container.seek(int((start + at) / stream.time_base), stream=stream)
        frame = next(container.decode(stream), None)
        spent += time.process_time() - began
        if frame is None or spent > BUDGET_S:
            return
        at_s = max(0.0, float((frame.pts or 0) * frame.time_base) - start)
        if at_s > last:  # a seek lands on a key frame, perhaps the same again
            yield at_s, _small_frame(frame)
        last = max(last, at_s)
        if not length:
            return


def _small_frame(frame: Any) -> Codes:
    wide = max(1.0, max(frame.width, frame.height) / WIDTH)
    shape = {"width": max(2, round(frame.width / wide / 2) * 2), "height": max(2, round(frame.height / wide / 2) * 2)}
    return np.ascontiguousarray(frame.to_ndarray(format="rgb24", **shape))
