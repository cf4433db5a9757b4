"""Job ``look``: a cheap look at many stills in one message; one bad file costs that file.

Answer: ``{"files": [...]}`` in the order of the files, each either what ``worker/look.py`` sees or
``{"refused": words, "next": words}``, with ``"again": true`` where the disk failed and nothing was learnt.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, BinaryIO

from ingest.errors import Unreadable
from ingest.machinery.worker.messages import DISK_FAILS


def run(args: dict[str, Any], files: Sequence[BinaryIO], progress: Callable[[float], None]) -> dict[str, Any]:  # noqa: ARG001
    import cv2

    from ingest.machinery.worker import look

    cv2.setNumThreads(1)
    answers: list[dict[str, Any]] = []
    for i, file in enumerate(files):
        try:
            answers.append(look.take(file))
        except Unreadable as error:
            answers.append({"refused": error.what, "next": error.next})
        except MemoryError:
            raise
        except Exception as error:  # a fault of ours met by these bytes; the other files go on
            again = isinstance(error, OSError) and error.errno in DISK_FAILS
            what = f"the picture cannot be read ({type(error).__name__})."
            answers.append({"refused": what, "next": "", "again": again})
        progress((i + 1) / len(files))
    return {"files": answers}
