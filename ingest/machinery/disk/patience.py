"""Calls that may never return: a card or disk that hangs blocks the thread that asked it.

Time is counted in the watcher's own ticks, never by the clock: a machine that slept, was stopped or
whose clock jumped has not waited.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterable
from typing import Generic, TypeVar

from ingest.machinery.disk.fanout import Beat

T = TypeVar("T")
TICK_S = 0.5
STOP_S = 5.0  # how long a call may stand still once everything should end


class Hung(Exception):
    """No answer within the set time.  The thread that asked is left to itself."""


class Watcher:
    """Tells which beats have been inside one call for too long.  Call ``tick`` every ``TICK_S`` seconds."""

    def __init__(self, hang_s: float, tick_s: float = TICK_S) -> None:
        self._tick_s = tick_s
        self._limit = max(1, round(hang_s / tick_s))
        self._seen: dict[Beat, tuple[int, int]] = {}

    def hurry(self) -> None:
        """From now on nobody is waited for longer than ``STOP_S``."""
        self._limit = min(self._limit, max(1, round(STOP_S / self._tick_s)))

    def tick(self, beats: Iterable[Beat]) -> list[Beat]:
        stuck = []
        seen = {}
        for beat in beats:
            count, ticks = self._seen.get(beat, (-1, 0))
            ticks = ticks + 1 if beat.busy and beat.count == count else 0
            seen[beat] = (beat.count, ticks)
            if ticks >= self._limit:
                stuck.append(beat)
        self._seen = seen
        return stuck


class Ask(Generic[T]):
    """One call in a thread of its own, waited for as long as it gets on."""

    def __init__(self, call: Callable[[Beat], T]) -> None:
        self.beat = Beat()
        self._call = call
        self._done = threading.Event()
        self._result: list[T] = []
        self._error: list[BaseException] = []
        self.thread = threading.Thread(target=self._run, daemon=True, name="ask")
        self.thread.start()

    def _run(self) -> None:
        try:
            with self.beat:
                self._result.append(self._call(self.beat))
        except BaseException as error:
            self._error.append(error)
        finally:
            self._done.set()

    def answer(self, hang_s: float, stop: threading.Event | None = None) -> T:
        """The call's result or its exception; Hung if it stands still for ``hang_s``, sooner once ``stop`` is set."""
        watcher = Watcher(hang_s)
        while not self._done.wait(TICK_S):
            if stop is not None and stop.is_set():
                watcher.hurry()
            if watcher.tick([self.beat]):
                raise Hung
        if self._error:
            raise self._error[0]
        return self._result[0]
