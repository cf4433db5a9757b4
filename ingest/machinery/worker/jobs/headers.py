"""Job ``headers``: the tags of many stills in one message; one bad file costs that file.

Answer: ``{"files": [...]}`` in the order of the files, each either what ``worker/headers.py`` reads or
``{"refused": words, "next": words}``, with ``"again": true`` where the disk failed and nothing was learnt.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, BinaryIO

from ingest.errors import Unreadable
from ingest.machinery.worker import headers
from ingest.machinery.worker.messages import DISK_FAILS


def run(args: dict[str, Any], files: Sequence[BinaryIO], progress: Callable[[float], None]) -> dict[str, Any]:  # noqa: ARG001
    answers = []
    for i, file in enumerate(files):
        answers.append(one(file))
        progress((i + 1) / len(files))
    return {"files": answers}


def one(file: BinaryIO) -> dict[str, Any]:
    """The header of one file, or its refusal."""
    try:
        return headers.read(file)
    except Unreadable as error:
        return {"refused": error.what, "next": error.next}
    except MemoryError:
        raise
    except Exception as error:  # a fault of ours met by these bytes; the other files go on
        answer = {"refused": f"the metadata cannot be read ({type(error).__name__}).", "next": headers.LOOK_ELSEWHERE}
        return answer | {"again": isinstance(error, OSError) and error.errno in DISK_FAILS}
