"""What the person at the terminal sees while cards are read: a live line on a terminal, plain lines when piped."""

from __future__ import annotations

import sys
import threading
import time
from typing import Any

from ingest.records.names import shown
from ingest.steps.audit.words import number_word


class Screen:
    """Gets the events of the work, from any thread, and shows them sparingly."""

    def __init__(self) -> None:
        self._live: Any = None
        self._tasks: dict[str, Any] = {}
        self._guard = threading.Lock()
        self._said: dict[str, tuple[float, str]] = {}

    def __enter__(self) -> Screen:
        if sys.stderr.isatty():
            from rich.console import Console
            from rich.progress import (
                BarColumn,
                DownloadColumn,
                Progress,
                TextColumn,
                TimeRemainingColumn,
                TransferSpeedColumn,
            )

            self._live = Progress(
                TextColumn("{task.description}"), BarColumn(bar_width=24), DownloadColumn(), TransferSpeedColumn(),
                TimeRemainingColumn(), console=Console(stderr=True), transient=True,
            )
            self._live.start()
        return self

    def __exit__(self, *_: object) -> None:
        if self._live is not None:
            self._live.stop()

    def event(self, name: str, fields: dict[str, Any]) -> None:
        with self._guard:
            if name == "copying":
                self._copying(fields)

    def _copying(self, fields: dict[str, Any]) -> None:
        card = str(fields["card"])[:8]
        words = f"{card} {fields['state']}" + (f", {fields['doing']}" if fields["doing"] else "")
        if self._live is not None:
            if card not in self._tasks:
                self._tasks[card] = self._live.add_task(shown(words), total=None)
            self._live.update(
                self._tasks[card], description=shown(words), completed=fields["bytes_done"],
                total=fields["bytes_total"] or None, visible=fields["state"] != "not being read",
            )
            return
        now = time.monotonic()
        at, said = self._said.get(card, (0.0, ""))
        if words != said or now - at > 10:
            self._said[card] = (now, words)
            print(
                f"{shown(words)}: {fields['files_done']} of {number_word(fields['files_total'], 'file')},"
                f" {fields['bytes_done']:,} of {fields['bytes_total']:,} bytes", file=sys.stderr,
            )
