"""Job ``clips``: what the containers of many clips say, in one message; one bad file costs that file.

Answer: ``{"files": [...]}`` in the order of the files, each what ``worker/clips.py`` reads, with
``refused`` (words) where the container cannot be opened.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, BinaryIO

from ingest.errors import Unreadable


def run(args: dict[str, Any], files: Sequence[BinaryIO], progress: Callable[[float], None]) -> dict[str, Any]:  # noqa: ARG001
    from ingest.machinery.worker import clips

    answers: list[dict[str, Any]] = []
    for i, file in enumerate(files):
        try:
            answers.append(clips.read(file))
        except Unreadable as error:
            answers.append({"refused": error.what, "next": error.next})
        progress((i + 1) / len(files))
    return {"files": answers}
