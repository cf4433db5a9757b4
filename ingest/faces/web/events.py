"""Who is told what changed: parts of the page as finished text, each with a number that grows.

A listener remembers the numbers it has sent and sends what is newer, so one that is slow skips states
instead of queueing them.  A part is rendered once for all listeners.
"""

from __future__ import annotations

import asyncio
import json
import threading
import time
from collections.abc import AsyncIterator, Callable, Mapping, Sequence
from typing import Any

from ingest.faces.web.board import Board, Looker

BEAT_S = 4.0
_APART_S = 0.4  # least time between two looks
_LOOK_S = 0.4  # and most to wait after it where nobody says that something happened: other processes commit unheard
_UNWATCHED_S = 30.0  # with no page open: whoever opens one asks for a look first
_OLD_S, _PATIENCE_S = 2.0, 1.0  # a look older than this is made anew for a page, which waits so long for it


class Hub:
    """Looks at the ledger in a thread of its own and keeps the parts of the page.

    ``render`` turns a board into part name -> text; ``log`` is told of what stops it.
    """

    def __init__(self, looker: Looker, render: Callable[[Board], Mapping[str, str]], log: Any) -> None:
        self._looker, self._render, self._log = looker, render, log
        self.board = Board(show="")
        self.parts: dict[str, tuple[int, str]] = {}
        self.trouble = ""
        self._wake = threading.Event()
        self._closed = threading.Event()
        self._listeners: set[tuple[asyncio.AbstractEventLoop, asyncio.Event]] = set()
        self._guard = threading.Lock()
        self._looked = threading.Condition()
        self._looked_s = -1e9
        self._thread = threading.Thread(target=self._run, name="page board", daemon=True)

    def start(self) -> None:
        """Does not wait for the first look: cards come before the page."""
        self._thread.start()

    def part(self, name: str) -> str:
        """The part as it is now; words in its place before the first look."""
        return self.parts.get(name, (0, "<p>Looking.</p>"))[1]

    def close(self) -> None:
        self._closed.set()
        self._wake.set()
        self._tell()
        if self._thread.is_alive():
            self._thread.join(timeout=5)

    def look_first(self) -> None:
        """Before a page is given out: have what it shows looked at, if that can be had soon."""
        with self._looked:
            if self._thread.is_alive() and time.monotonic() - self._looked_s > _OLD_S:
                self._wake.set()
                self._looked.wait(_PATIENCE_S)

    @property
    def closed(self) -> bool:
        return self._closed.is_set()

    def wake(self) -> None:
        """Somebody wants to see now; may be called from any thread, as often as one likes."""
        self._wake.set()

    def happened(self) -> None:
        """Something happened, which is nobody's business while no page is open."""
        if self._listeners:
            self._wake.set()

    def refresh(self) -> None:
        """Look once and take over what changed."""
        try:
            self.board = self._looker.look()
            self.trouble = ""
            made = dict(self._render(self.board))
        except Exception as error:  # whatever it was is shown on every page: a board that stands still would lie
            if str(error) != self.trouble:
                self._log.error("page cannot look", error=str(error))
            self.trouble = str(error)
            return
        changed = False
        for name, text in made.items():
            number, before = self.parts.get(name, (0, ""))
            if text != before:
                self.parts[name] = (number + 1, text)
                changed = True
        if changed:
            self._tell()
        if self._looker.behind:
            self._wake.set()

    def _run(self) -> None:
        while not self._closed.is_set():
            self.refresh()
            with self._looked:
                self._looked_s = time.monotonic()
                self._looked.notify_all()
            self._closed.wait(_APART_S)
            self._wake.wait(_LOOK_S if self._listeners else _UNWATCHED_S)
            self._wake.clear()

    def _tell(self) -> None:
        with self._guard:
            listeners = list(self._listeners)
        for loop, flag in listeners:
            try:
                loop.call_soon_threadsafe(flag.set)
            except RuntimeError:
                continue  # its loop ended: it forgets itself

    async def listen(self, names: Sequence[str]) -> AsyncIterator[str]:
        """Server-sent events (HTML standard, section 9.2): ``parts`` with what is new, ``beat`` when nothing is."""
        loop, flag = asyncio.get_running_loop(), asyncio.Event()
        entry = (loop, flag)
        with self._guard:
            self._listeners.add(entry)
        self.wake()
        sent: dict[str, int] = {}
        try:
            yield "retry: 1500\n\n"
            while not self.closed:
                new = {n: p for n in names if (p := self.parts.get(n)) is not None and sent.get(n) != p[0]}
                if self.trouble:
                    yield _event("trouble", {"words": self.trouble})
                elif new:
                    sent.update({n: p[0] for n, p in new.items()})
                    yield _event("parts", {n: p[1] for n, p in new.items()})
                else:
                    yield _event("beat", {})
                flag.clear()
                try:
                    await asyncio.wait_for(flag.wait(), BEAT_S)
                except TimeoutError:
                    continue
        finally:
            with self._guard:
                self._listeners.discard(entry)

    @property
    def listeners(self) -> int:
        with self._guard:
            return len(self._listeners)


def _event(name: str, data: Mapping[str, Any]) -> str:
    return f"event: {name}\ndata: {json.dumps(data)}\n\n"
