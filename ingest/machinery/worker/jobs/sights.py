"""Job ``sights``: charts and balls in many stills or one clip; one bad file costs that file.

Arguments: ``clip`` true for clips; ``corners`` to measure a chart that was found (one still), ``crop`` to cut what
lies within such corners out as a small JPEG (one still).  Answer: ``{"files": [...]}`` in the order of the files,
each ``{"sights": [...]}`` (``steps/sights/finding.py``; in clips with ``at_s`` and ``times``, the frames it was seen
in), ``{"patches": 24 means, "source", "balance"}``, ``{"jpeg": base64, "width", "height"}`` or ``{"refused": words}``,
with ``"again": true`` where the disk failed and nothing was learnt.
"""

from __future__ import annotations

import base64
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from typing import Any, BinaryIO

import numpy as np

from ingest.errors import Unreadable
from ingest.machinery.worker.messages import DISK_FAILS

CROP_SIDE = 480  # pixels at most
MARGIN = 0.15  # of the ball's own size around it


def run(args: dict[str, Any], files: Sequence[BinaryIO], progress: Callable[[float], None]) -> dict[str, Any]:
    import cv2

    cv2.setNumThreads(1)
    cv2.setRNGSeed(1)  # the same picture gives the same answer
    answers: list[dict[str, Any]] = []
    for i, file in enumerate(files):
        try:
            answers.append(_one(args, file))
        except Unreadable as error:
            answers.append({"refused": error.what})
        except MemoryError:
            raise
        except Exception as error:  # a fault of ours met by these bytes; the other files go on
            again = isinstance(error, OSError) and error.errno in DISK_FAILS
            answers.append({"refused": f"it cannot be looked at ({type(error).__name__}).", "again": again})
        progress((i + 1) / len(files))
    return {"files": answers}


def _one(args: Mapping[str, Any], file: BinaryIO) -> dict[str, Any]:
    from ingest.machinery.worker import pictures
    from ingest.steps.sights import finding

    if args.get("corners") is not None:
        return _measured(file, _corners(args["corners"]))
    if args.get("crop") is not None:
        return _cropped(file, _corners(args["crop"]))
    if args.get("clip") is not True:
        return {"sights": [s.to_json() for s in finding.seek(pictures.small(file))]}
    best: dict[str, dict[str, Any]] = {}
    times = Counter[str]()
    for at_s, codes in pictures.frames(file):
        seen = finding.seek(codes)
        times.update({s.what for s in seen})
        for sight in seen:
            if sight.score > best.get(sight.what, {}).get("score", 0.0):
                best[sight.what] = {**sight.to_json(), "at_s": round(at_s, 3)}
    return {"sights": [{**b, "times": times[what]} for what, b in best.items()]}


def _corners(said: Any) -> Any:
    corners = np.array(said, np.float64)
    if corners.shape != (4, 2) or not np.isfinite(corners).all() or np.abs(corners).max() > 2:
        raise Unreadable("the corners make no sense.")
    return corners


def _measured(file: BinaryIO, corners: Any) -> dict[str, Any]:
    from ingest.machinery.worker import pictures
    from ingest.steps.sights import finding

    file.seek(0)
    light, picture = pictures.light(file.read())
    means = finding.patches(light, (corners * [light.shape[1], light.shape[0]]).astype(np.float32))
    if means is None:
        raise Unreadable("its patches are too small to be measured.")
    balance = None if picture.raw is None else list(picture.raw.balance)
    return {"patches": means.round(7).tolist(), "source": picture.source, "balance": balance}


def _cropped(file: BinaryIO, corners: Any) -> dict[str, Any]:
    import cv2
    import simplejpeg

    from ingest.machinery.worker import pictures

    codes = pictures.small(file)
    height, width = codes.shape[:2]
    low, high = corners.min(axis=0), corners.max(axis=0)
    margin = (high - low) * MARGIN
    x0, y0 = np.floor(np.clip(low - margin, 0, 1) * [width, height]).astype(int)
    x1, y1 = np.ceil(np.clip(high + margin, 0, 1) * [width, height]).astype(int)
    cut = codes[y0:y1, x0:x1]
    if min(cut.shape[:2]) < 8:
        raise Unreadable("nothing of it lies in the picture.")
    scale = CROP_SIDE / max(cut.shape[:2])
    if scale < 1:
        cut = cv2.resize(cut, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    data = simplejpeg.encode_jpeg(np.ascontiguousarray(cut), quality=90, colorspace="RGB", fastdct=False)
    return {"jpeg": base64.b64encode(data).decode("ascii"), "width": int(cut.shape[1]), "height": int(cut.shape[0])}
