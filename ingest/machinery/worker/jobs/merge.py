"""The job ``merge``: decode, judge, merge in tiles, write the picture, answer with the record.

Arguments are a :class:`MergeRequest` as JSON; files are one a frame, in the request's order, then the
EXR to write (empty, readable, seekable) and, if given, the preview, then the comparison picture.  The answer is a
:class:`MergeRecord` as JSON.  Raises :class:`Unreadable` for a frame that does not decode and for sets
whose frames do not belong together, naming the file.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from functools import partial
from typing import Any, BinaryIO

import cv2
import numpy as np

from ingest.errors import Unreadable
from ingest.machinery.worker import exr, preview
from ingest.machinery.worker.decoders import still
from ingest.machinery.worker.decoders.picture import Picture
from ingest.machinery.worker.frame_store import FrameStore
from ingest.machinery.worker.jobs import merge_comparison, merge_pixels, merge_quality
from ingest.records.merges import MergeRequest
from ingest.steps.merging import attributes, calibration, colour, evidence, image_circle, summary
from ingest.steps.merging.stack import Encoding, Stack

_PROOF_WIDTH = 600  # columns of the grid that the comparison picture shows
Progress = Callable[[float], None]
#: What the process itself and the codecs take beside the frames and the result.
_OVERHEAD_BYTES = 260_000_000


def run(args: dict[str, Any], files: Sequence[BinaryIO], progress: Progress) -> dict[str, Any]:
    """See the module's text.  ``progress`` is called with 0 to 1; what it raises stops the job."""
    request = MergeRequest.from_json(args)
    count = len(request.frames)
    if len(files) < count + 1:
        raise ValueError("the job merge needs a file a frame and one to write")
    _settings_agree(request)
    cv2.setNumThreads(1)  # the tiles are the unit of parallel work
    clock = _Clock()
    order = tuple(sorted(range(count), key=lambda i: request.frames[i].units))
    with FrameStore(1) as store:
        pictures, first = _decode(request, files, order, store, progress)
        clock.mark("decode")
        stack = _stack(request, pictures, store.forget)
        plan = calibration.plan(
            request, order, stack, first.source, None if first.profile is None else first.profile.decode
        )
        progress(0.4)
        clock.mark("calibrate")
        result = merge_pixels.merge(request, plan, first, lambda part: progress(0.4 + 0.45 * part))
        clock.mark("merge")
        proof = evidence.gather(plan, result.still, _PROOF_WIDTH) if request.compare else None
        told, shown_by, checks, compared = merge_quality.judge(
            request, order, plan, first, at_rail=result.measures.at_rail)
        clock.mark("judge")
    # the file that is written is read back whole: the frames must not stand beside it
    plan = replace(plan, stack=replace(plan.stack, frames=()))
    del pictures, stack
    result = replace(result, masks=None)
    upright = _orientation(request, order, first)
    channels = _turned(result.channels, upright)
    written = exr.write(files[count], channels, attributes.standard(request, order),
                        compression=request.compression, threads=request.threads)
    clock.mark("write")
    progress(0.95)
    circles = partial(image_circle.inside, kind=request.kind)
    if len(files) > count + 1:
        shown = channels["RGB"]
        files[count + 1].write(preview.make(shown, request.preview_width,
                                            to_rec709=colour.between(request.colour_space, "rec709"),
                                            circles=circles))
        files[count + 1].flush()
        clock.mark("preview")
    record = summary.record(request, order, plan, result.measures, written, tuple(channels), clock.seconds,
                            told, checks, compared)
    high, wide = channels["RGB"].shape[:2]
    record = replace(record, width=wide, height=high)  # of the picture as it was written, upright
    if proof is not None:
        shown = channels["RGB"]
        labels, heading = summary.labels(record), summary.heading(record)
        files[count + 2].write(merge_comparison.sheet(
            proof, labels, shown, heading, lambda a: _turned({"": a}, upright)[""], request.compare, circles))
        files[count + 2].flush()
    progress(1.0)
    if not request.picture:
        return record.to_json()
    findings, picture = merge_quality.pictured(record.findings, shown_by)
    return {**record.to_json(), "findings": findings, "findings_picture": picture}


class _Clock:
    def __init__(self) -> None:
        self._last = time.process_time()
        self.seconds: dict[str, float] = {}

    def mark(self, name: str) -> None:
        now = time.process_time()
        self.seconds[name] = round(now - self._last, 3)
        self._last = now


def _decode(
    request: MergeRequest, files: Sequence[BinaryIO], order: tuple[int, ...], store: FrameStore, progress: Progress
) -> tuple[list[Picture], Picture]:
    """Pictures dark to bright with their codes in the store, and the first's facts without codes."""

    def one(place: int) -> Picture:
        index = order[place]
        files[index].seek(0)
        return still.decode(files[index].read(), request.frames[index].name)

    picture = one(0)
    outputs = picture.codes.shape[0] * picture.codes.shape[1] * 16  # RGB (half, or float), sigma, support
    store.limit(max(0, request.memory_bytes - _OVERHEAD_BYTES - outputs))
    first = _stored(picture, store)
    pictures = [first]
    with ThreadPoolExecutor(max(1, min(request.threads, 4))) as pool:
        ahead = [pool.submit(one, i) for i in range(1, min(len(order), 1 + request.threads))]
        for place in range(1, len(order)):
            picture = ahead.pop(0).result()
            following = place + max(1, request.threads)
            if following < len(order):
                ahead.append(pool.submit(one, following))
            _agree(request, order, first, picture, place)
            pictures.append(_stored(picture, store))
            progress(0.35 * (place + 1) / len(order))
    return pictures, first.with_codes(first.codes[:0])


def _stored(picture: Picture, store: FrameStore) -> Picture:
    codes = picture.codes
    if picture.pattern is not None:
        p = picture.pattern.shape[0]
        codes = np.ascontiguousarray(codes[: codes.shape[0] // p * p, : codes.shape[1] // p * p])
    return picture.with_codes(store.keep(codes))


def _agree(request: MergeRequest, order: tuple[int, ...], first: Picture, other: Picture, place: int) -> None:
    """Refuse a frame whose size, colour space or channels are not the set's: no guess is made."""
    mine, theirs = dict(first.signature), dict(other.signature)
    for key in mine.keys() | theirs.keys():
        if key not in ("chroma",) and mine.get(key) != theirs.get(key):
            here, there = request.frames[order[place]].name, request.frames[order[0]].name
            raise Unreadable(
                f"mixed settings: {key} is {theirs.get(key)} here and {mine.get(key)} in {there}",
                item=here, next="Merge only frames shot with the same settings.",
            )  # fmt: skip


def _settings_agree(request: MergeRequest) -> None:
    """Refuse sets whose headers say that colour was set differently: merging would invent a colour."""
    for name, word in (("white_balance", "white balance"), ("colour_space", "colour space")):
        stated = {getattr(f, name) for f in request.frames} - {None}
        if len(stated) > 1:
            usual = max(stated, key=lambda v: sum(getattr(f, name) == v for f in request.frames))
            odd = next(f for f in request.frames if getattr(f, name) not in (None, usual))
            raise Unreadable(
                f"mixed settings: the {word} is not that of the other frames", item=odd.name,
                next="Merge only frames shot with the same settings.",
            )  # fmt: skip


def _stack(request: MergeRequest, pictures: list[Picture], forget: Callable[[], None]) -> Stack:
    first = pictures[0]
    period = 1 if first.pattern is None else first.pattern.shape[0]
    channels = first.codes.shape[2] if first.pattern is None else period * period
    black = first.black if first.pattern is not None else (0.0,) * channels
    encoding = Encoding(layout=first.layout, channels=channels, top=first.top, period=period, black=black,
                        unit=tuple(1.0 / (first.top - b) for b in black))  # fmt: skip
    del request
    return Stack(frames=tuple(p.codes for p in pictures), encoding=encoding, forget=forget)


def _orientation(request: MergeRequest, order: tuple[int, ...], first: Picture) -> int:
    """The Exif orientation of the set: what the headers say, else what the picture's own file says."""
    stated = [request.frames[i].orientation for i in order]
    value = max(set(stated), key=stated.count)
    return value if value != 1 else (first.orientation or 1)


def _turned(channels: dict[str, Any], orientation: int) -> dict[str, Any]:
    """Every channel upright (Exif orientation 1 to 8), contiguous."""
    turns: dict[int, Callable[[Any], Any]] = {
        2: np.fliplr,
        3: lambda a: np.rot90(a, 2),
        4: np.flipud,
        5: lambda a: np.swapaxes(a, 0, 1),
        6: lambda a: np.rot90(a, -1),
        7: lambda a: np.rot90(np.swapaxes(a, 0, 1), 2),
        8: np.rot90,
    }
    turn = turns.get(orientation)
    if turn is None:
        return channels
    return {name: np.ascontiguousarray(turn(channels.pop(name))) for name in list(channels)}
