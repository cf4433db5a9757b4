"""Clock and slate codes in a clip: its first and last seconds, a few frames a second, by PyAV.

A slate is held up where a clip begins or, upside down, where it ends.  Decoding is bounded in frames and in time:
a clip of any length and size costs seconds, and what could not be looked at is simply not known.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from typing import Any, BinaryIO

import numpy as np

from ingest.errors import Unreadable
from ingest.machinery.worker import codes
from ingest.machinery.worker.clips import OPTIONS

HEAD_S, TAIL_S = 6.0, 6.0  # common practice: a slate is shown within the first seconds
EACH_S = 0.4  # between frames looked at; a clock's code stands for a second
BUDGET_S = 8.0  # of decoding at either end, in the processor's time
_MOST_FRAMES = 400


def take(file: BinaryIO) -> dict[str, Any]:
    """``{"codes": [...], "closer": n}`` as for stills, each code with ``at_s``: seconds after the clip's first
    frame.  Raises Unreadable where the container cannot be opened or holds no picture."""
    import av

    av.logging.set_level(None)
    file.seek(0)
    try:
        with av.open(file, options=OPTIONS, metadata_errors="replace") as container:
            if not container.streams.video:
                raise Unreadable("it holds no picture.")
            found: dict[str, dict[str, Any]] = {}
            closer = 0
            for at_s, frame in _frames(container):
                seen = codes.seek(*_grey(frame))
                closer += seen["closer"]
                for code in seen["codes"]:
                    found.setdefault(code["text"], {**code, "at_s": round(at_s, 3)})
            return {"codes": list(found.values())[:64], "closer": closer}
    except av.FFmpegError as error:
        raise Unreadable(f"its frames cannot be read ({type(error).__name__}).") from error


def _frames(container: Any) -> Iterator[tuple[float, Any]]:
    """(seconds after the first frame, frame) at either end of the clip."""
    import av

    stream = container.streams.video[0]
    stream.thread_type = "NONE"
    start = float(stream.start_time * stream.time_base) if stream.start_time is not None else 0.0
    length = container.duration / 1_000_000 if container.duration else None
    yield from _some(container, stream, start, 0.0, HEAD_S)
    if length is None or length <= HEAD_S:
        return
    since = max(HEAD_S, length - TAIL_S)
    try:
        container.seek(int((start + since) / stream.time_base), stream=stream)
    except av.FFmpegError:
        return  # a stream without an index: its end is not looked at
    yield from _some(container, stream, start, since, length + 1.0)


def _some(container: Any, stream: Any, start: float, since: float, until: float) -> Iterator[tuple[float, Any]]:
    due, spent = since, 0.0
    decoded = container.decode(stream)
    for _ in range(_MOST_FRAMES):
        began = time.process_time()
        frame = next(decoded, None)
        spent += time.process_time() - began
        if frame is None or spent > BUDGET_S:
            return
        at_s = (float(frame.pts * frame.time_base) if frame.pts is not None else 0.0) - start
        if at_s > until:
            return
        if at_s >= due:
            due = at_s + EACH_S
            yield max(0.0, at_s), frame


def _grey(frame: Any) -> tuple[codes.Grey, codes.Larger]:
    if frame.width * frame.height > codes.LARGEST_PIXELS:
        raise Unreadable("its frames are larger than any camera's.")
    whole = np.ascontiguousarray(frame.to_ndarray(format="gray"))
    return codes.scaled(whole)
