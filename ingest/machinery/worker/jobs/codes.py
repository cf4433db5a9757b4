"""Job ``codes``: clock and slate codes in many stills or one clip, in one message; one bad file costs that file.

Arguments: ``clip`` true for clips.  Answer: ``{"files": [...]}`` in the order of the files, each either what
``worker/codes.py`` (clips: ``worker/clip_codes.py``) finds or ``{"refused": words}``, with ``"again": true`` where
the disk failed and nothing was learnt.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, BinaryIO

from ingest.errors import Unreadable
from ingest.machinery.worker.messages import DISK_FAILS


def run(args: dict[str, Any], files: Sequence[BinaryIO], progress: Callable[[float], None]) -> dict[str, Any]:
    import cv2

    from ingest.machinery.worker import clip_codes, codes

    cv2.setNumThreads(1)
    take = clip_codes.take if args.get("clip") is True else codes.take
    answers: list[dict[str, Any]] = []
    for i, file in enumerate(files):
        try:
            answers.append(take(file))
        except Unreadable as error:
            answers.append({"refused": error.what})
        except MemoryError:
            raise
        except Exception as error:  # a fault of ours met by these bytes; the other files go on
            again = isinstance(error, OSError) and error.errno in DISK_FAILS
            answers.append({"refused": f"it cannot be searched for codes ({type(error).__name__}).", "again": again})
        progress((i + 1) / len(files))
    return {"files": answers}
