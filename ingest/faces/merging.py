"""Merging given frames without a show: headers, exact exposures, one job, three files beside each other."""

from __future__ import annotations

import contextlib
import json
import os
import secrets
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

from ingest import __version__
from ingest.errors import Unreadable, UsageError
from ingest.machinery.worker.host import WorkerPool
from ingest.records.merges import MergeFrame, MergeRequest
from ingest.records.stills import StillHeader
from ingest.steps.stills.exposure import snap_series
from ingest.steps.stills.header import understand

_HEADERS_S = 60.0
_MERGE_S = 3600.0


def merge_files(
    frames: Sequence[Path], out: Path, *, kind: str | None = None, space: str = "rec709",
    exposures: Sequence[float] | None = None, align: bool = True, movement: bool = True, encoding: str = "auto",
    replace: bool = False, progress: Callable[[float], None] | None = None,
) -> dict[str, Any]:
    """Merge ``frames`` to ``out`` (.exr) with record (.json) and preview (.jpg) beside it; answers the record.

    UsageError for files that cannot be opened or stand in the way; Unreadable for frames that do not
    decode, tell no exposure or do not belong together.  Nothing is left behind when it fails.
    """
    beside = {"exr": out, "jpg": out.with_suffix(".jpg"), "json": out.with_suffix(".json")}
    for path in beside.values():
        if path.exists() and not replace:
            raise UsageError("it is there already; merged pictures are never overwritten.", item=str(path),
                             next="Give another name, or --replace.")
    if not out.parent.is_dir():
        raise UsageError("there is no such folder.", item=str(out.parent), next="Make it, or give another name.")
    with contextlib.ExitStack() as stack:
        pool = stack.enter_context(WorkerPool(workers=1, memory_bytes=8 << 30, nice=0))
        fds = [stack.enter_context(_opened(path)) for path in frames]
        request = _request(pool, fds, frames, kind, space, exposures, align, movement, encoding)
        made = {k: stack.enter_context(_fresh(p, replace)) for k, p in beside.items() if k != "json"}
        record = pool.run(
            "merge", request.to_json(), [*fds, made["exr"].fd, made["jpg"].fd], timeout_s=_MERGE_S, on_progress=progress
        )
        paper = stack.enter_context(_fresh(beside["json"], replace))
        os.write(paper.fd, (json.dumps(record, indent=1) + "\n").encode())
        for file in (*made.values(), paper):
            file.name()
    return record


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


@contextlib.contextmanager
def _opened(path: Path) -> Iterator[int]:
    try:
        fd = os.open(path, os.O_RDONLY | getattr(os, "O_BINARY", 0))
    except OSError as error:
        raise UsageError(f"cannot be opened ({error.strerror}).", item=str(path), next="Check the name.") from error
    try:
        yield fd
    finally:
        os.close(fd)


class _Fresh:
    """A file that gets its name only when all of it is there."""

    def __init__(self, path: Path, replace: bool) -> None:
        self._path, self._replace, self._named = path, replace, False
        self._temp = path.with_name(f".nl-{secrets.token_hex(8)}.tmp")
        self.fd = os.open(self._temp, os.O_RDWR | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0), 0o666)

    def name(self) -> None:
        os.fsync(self.fd)
        os.close(self.fd)
        self.fd = -1
        if not self._replace and self._path.exists():
            raise UsageError("it has come to be there meanwhile.", item=str(self._path), next="Give another name.")
        self._temp.replace(self._path)
        self._named = True

    def close(self) -> None:
        if self.fd >= 0:
            os.close(self.fd)
        if not self._named:
            self._temp.unlink(missing_ok=True)


@contextlib.contextmanager
def _fresh(path: Path, replace: bool) -> Iterator[_Fresh]:
    file = _Fresh(path, replace)
    try:
        yield file
    finally:
        file.close()
