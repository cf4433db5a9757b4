"""Merging given frames without a show: headers, exact exposures, one job, three files beside each other."""

from __future__ import annotations

import contextlib
import json
import os
import threading
from collections.abc import Callable, Sequence
from dataclasses import replace as replaced
from pathlib import Path
from typing import Any

from ingest import __version__
from ingest.errors import Unreadable, WorkerFailed
from ingest.faces.given import MEMORY_BYTES, Outputs, opened
from ingest.machinery.worker.elsewhere import run
from ingest.machinery.worker.host import WorkerPool, tried_twice
from ingest.records.merges import MergeFrame, MergeRequest
from ingest.records.stills import StillHeader
from ingest.steps.stills.exposure import snap_series
from ingest.steps.stills.header import understand

_HEADERS_S = 60.0
_MERGE_S = 3600.0


def merge_files(
    frames: Sequence[Path], out: Path, *, kind: str | None = None, space: str = "rec709",
    exposures: Sequence[float] | None = None, align: bool = True, movement: bool = True, encoding: str = "auto",
    quick: bool = False, compare: Path | None = None, replace: bool = False,
    progress: Callable[[float], None] | None = None,
) -> dict[str, Any]:
    """Merge ``frames`` to ``out`` (.exr) with record (.json) and preview (.jpg) beside it; answers the record.
    ``compare`` names the comparison picture, ``quick`` asks for a first look.

    Raises SourceUnreadable for a frame that cannot be opened, NameTaken for a file in the way, Unreadable
    for frames that do not decode, tell no exposure or do not belong together, WorkerFailed where the worker was
    lost over them twice.  Nothing is left behind when it fails.
    """
    beside = [out, out.with_suffix(".jpg"), out.with_suffix(".json"), *([compare] if compare else [])]
    with contextlib.ExitStack() as stack:
        fds = stack.enter_context(opened(frames))
        made = stack.enter_context(Outputs(beside, replace=replace))
        exr, preview, paper, *sheet = made.descriptors
        pool = stack.enter_context(WorkerPool(workers=1, memory_bytes=MEMORY_BYTES, nice=0))
        request = replaced(
            _request(pool, fds, frames, kind, space, exposures, align, movement, encoding), quick=quick,
            compare="" if compare is None else "png" if compare.suffix.lower() == ".png" else "jpg",
        )
        record = _merged(pool, request, fds, [exr, preview, *sheet], progress)
        os.write(paper, (json.dumps(record, indent=1) + "\n").encode())
        made.keep()
    return record


def _merged(
    pool: WorkerPool, request: MergeRequest, fds: Sequence[int], outputs: Sequence[int],
    progress: Callable[[float], None] | None,
) -> dict[str, Any]:  # fmt: skip
    """The record; a worker that dies over it or stalls is replaced, and the set tried once more."""
    try:
        return tried_twice(lambda: run(pool, None, "merge", request.to_json(), fds, outputs, timeout_s=_MERGE_S,
                                       cancel=threading.Event(), on_progress=progress))
    except WorkerFailed as error:
        raise WorkerFailed(
            f"tried twice: {error.what}", item=", ".join(f.name for f in request.frames),
            next="One of these frames may be damaged: look at them in another program, and merge without it.",
        ) from error


def _request(
    pool: WorkerPool, fds: Sequence[int], frames: Sequence[Path], kind: str | None, space: str,
    exposures: Sequence[float] | None, align: bool, movement: bool, encoding: str,
) -> MergeRequest:
    headers = _headers(pool, fds, frames)
    exact = snap_series(headers)
    if kind is None:
        size = next(((h.width, h.height) for h in headers if h.width and h.height), None)
        kind = "lat-long" if size and size[0] == 2 * size[1] else "flat"
    asked = []
    for i, (path, header, exposure) in enumerate(zip(frames, headers, exact, strict=True)):
        seconds = exposures[i] if exposures else exposure.time_s
        if not seconds:
            raise Unreadable("its header tells no exposure time.", item=str(path),
                             next="Give the exposure of every frame with --exposure.")
        written = float(header.exposure_time_s) if header.exposure_time_s else seconds
        asked.append(MergeFrame(
            name=path.name, exposure_s=seconds, f_number=exposure.f_number, iso=exposure.iso,
            nominal=not exposures and abs(written / seconds - 1) > 1e-9, make=header.make or "",
            model=header.model or "", serial=header.body_serial or "", lens=header.lens_model or "",
            captured=header.taken.strftime("%Y:%m:%d %H:%M:%S") if header.taken else "",
            utc_offset_s=header.utc_offset_s, white_balance=header.white_balance, colour_space=header.colour_space,
            orientation=header.orientation,
        ))
    return MergeRequest(
        frames=tuple(asked), kind=kind, colour_space=space, align=align, movement=movement, encoding=encoding,
        threads=os.cpu_count() or 1, software=f"nightloader {__version__}",
    )


def _headers(pool: WorkerPool, fds: Sequence[int], frames: Sequence[Path]) -> list[StillHeader]:
    answers = pool.run("headers", {"names": [p.name for p in frames]}, list(fds), timeout_s=_HEADERS_S)["files"]
    headers = []
    for answer in answers:
        try:
            headers.append(understand(answer))
        except Unreadable as error:
            headers.append(StillHeader(problems=(error.what,)))
    for fd in fds:
        os.lseek(fd, 0, os.SEEK_SET)
    return headers
