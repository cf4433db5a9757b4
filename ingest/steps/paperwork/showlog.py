"""The show's running log: one JSON line for each thing filed, moved, superseded or decided.

It is only ever appended to, at every destination.  A power cut may tear the last line: the reader skips it
and says so, and the next writer first ends it (:func:`ending`), so that one torn line costs that line.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from ingest.errors import Unreadable
from ingest.records import papers
from ingest.records.papers import Output, ShowLogLine


@dataclass(frozen=True, kw_only=True, slots=True)
class ReadShowLog:
    """``problems`` are (line number, words); ``torn`` says that the last line has no end yet."""

    lines: tuple[ShowLogLine, ...]
    torn: bool
    problems: tuple[tuple[int, str], ...] = ()


def line(
    *,
    utc: str,
    event: str,
    item: str,
    version: int = 1,
    folder: str | None = None,
    shot: str | None = None,
    setup: str | None = None,
    day: str | None = None,
    unit: str = "",
    why: str = "",
    files: Sequence[Output] = (),
    decision: str = "",
    said: Mapping[str, Any] | None = None,
) -> bytes:
    """One line with its end; ``event`` is filed, moved, superseded, card or decided (ValueError else)."""
    made = ShowLogLine(
        utc=utc, event=event, item=item, item_version=version, folder=folder, shot=shot,
        setup=setup, day=day, unit=unit, why=why, files=sorted(files, key=lambda f: f.path),
        decision=decision, said=dict(said or {}),
    )  # fmt: skip
    return papers.render_line(made)


def ending(tail: bytes) -> bytes:
    """What must be written first after a log that ends with ``tail``: an end for a torn line."""
    return b"\n" if tail and not tail.endswith(b"\n") else b""


def parse(data: bytes) -> ReadShowLog:
    """Every line that can be read; takes any bytes."""
    lines: list[ShowLogLine] = []
    problems: list[tuple[int, str]] = []
    parts = data.split(b"\n")
    torn = parts.pop() != b""
    for number, raw in enumerate(parts, 1):
        if not raw:
            continue
        try:
            lines.append(papers.parse(ShowLogLine, raw, item=f"line {number}"))
        except Unreadable as error:
            problems.append((number, error.what))
    return ReadShowLog(lines=tuple(lines), torn=torn, problems=tuple(problems))


def latest(lines: Iterable[ShowLogLine]) -> dict[str, ShowLogLine]:
    """Where each item was filed last, by the order of the log (its times may jump with the clock)."""
    standing: dict[str, ShowLogLine] = {}
    for one in lines:
        if one.event in ("filed", "moved"):
            standing[one.item] = one
    return standing
