"""Hints that something may have changed: events in drop folders, the mount table, a set flag.

Events are hints, a look at the disk is the truth: a lost event costs at most one rescan interval.  The
kernel's file events do not report a mount, so the mount table is waited on as well.
"""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Sequence
from typing import Any

from ingest.machinery.disk.volumes import MountWatch

GLANCE_S = 0.5  # how long a polite stop may go unseen


class Wakeups:
    """``wait`` returns when something may have happened, or after its time."""

    def __init__(self, places: Sequence[str], log: Any) -> None:
        self._flag = threading.Event()
        self._closed = threading.Event()
        self._observer: Any = None
        self._listen(places, log)
        self._mounts = threading.Thread(target=self._watch_mounts, name="mounts", daemon=True)
        self._mounts.start()

    def wake(self) -> None:
        self._flag.set()

    def wait(self, timeout_s: float, stop: threading.Event) -> bool:
        """True if woken, False after the time, or once everything should end."""
        until = time.monotonic() + timeout_s
        while not stop.is_set() and (left := until - time.monotonic()) > 0:
            if self._flag.wait(min(left, GLANCE_S)):
                self._flag.clear()
                return True
        return False

    def woken(self) -> bool:
        """Whether something called since the last answer; does not wait."""
        called = self._flag.is_set()
        self._flag.clear()
        return called

    def close(self) -> None:
        self._closed.set()
        if self._observer is not None:
            self._observer.stop()
            self._observer.join(timeout=5)
        self._mounts.join(timeout=3)

    def _listen(self, places: Sequence[str], log: Any) -> None:
        from watchdog.events import FileSystemEvent, FileSystemEventHandler
        from watchdog.observers import Observer

        flag = self._flag

        class Handler(FileSystemEventHandler):
            def on_any_event(self, event: FileSystemEvent) -> None:
                # Our own reading opens and closes files; only what changes the folder is a hint.
                if event.event_type in ("created", "deleted", "moved", "modified"):
                    flag.set()

        observer = Observer()
        heard = 0
        for place in places:
            # Not recursive: one watch a place, however many files a drop has.
            with contextlib.suppress(OSError):  # not there now, or no watches left: the rescan finds it
                observer.schedule(Handler(), place, recursive=False)
                heard += 1
        if heard < len(places):
            log.info("watched without events", places=len(places) - heard)
        try:
            observer.start()
            self._observer = observer
        except OSError as error:
            log.warning("no file events here", error=str(error))

    def _watch_mounts(self) -> None:
        watch = MountWatch()
        try:
            while not self._closed.is_set():
                if watch.wait(1.0):
                    self._flag.set()
        finally:
            watch.close()
