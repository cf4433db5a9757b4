"""Telling others: the service manager (readiness, watchdog) and the person's own notification command."""

from __future__ import annotations

import json
import os
import queue
import socket
import subprocess
import threading
from collections.abc import Mapping
from datetime import datetime
from typing import Any

_LONGEST_S = 30.0


class ServiceManager:
    """sd_notify(3) over its socket; says nothing where there is no service manager."""

    def __init__(self) -> None:
        self._address = os.environ.get("NOTIFY_SOCKET", "")
        micro = os.environ.get("WATCHDOG_USEC", "")
        self.beat_s = int(micro) / 3e6 if micro.isdigit() else None

    def say(self, message: str) -> None:
        if not self._address or not hasattr(socket, "AF_UNIX"):
            return
        address = "\0" + self._address[1:] if self._address.startswith("@") else self._address
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as sender:
                sender.sendto(message.encode(), address)
        except OSError:
            return  # the manager restarts a service that says nothing; nothing else depends on it


class Notifier:
    """Runs the person's command for each notice: an argument list, never a shell; the notice as JSON on stdin.

    Notices queue behind a slow command; one that takes longer than half a minute is ended.
    """

    def __init__(self, command: tuple[str, ...], quiet_hours: tuple[str, str] | None, log: Any) -> None:
        self._command, self._quiet, self._log = command, quiet_hours, log
        self._notices: queue.SimpleQueue[dict[str, Any] | None] = queue.SimpleQueue()
        self._thread = threading.Thread(target=self._run, name="notices", daemon=True)
        if command:
            self._thread.start()

    def tell(self, event: str, fields: Mapping[str, Any]) -> None:
        """``event`` is policy met, policy short, destination in trouble or person needed."""
        if self._command:
            self._notices.put({"event": event, **fields})

    def close(self) -> None:
        if self._command:
            self._notices.put(None)
            self._thread.join(timeout=_LONGEST_S)

    def is_quiet(self, local: datetime) -> bool:
        """Whether bundled notices should wait now."""
        if self._quiet is None:
            return False
        start, end = self._quiet
        now = local.strftime("%H:%M")
        return start <= now < end if start <= end else now >= start or now < end

    def _run(self) -> None:
        while (notice := self._notices.get()) is not None:
            try:
                subprocess.run(
                    list(self._command), input=json.dumps(notice).encode(), timeout=_LONGEST_S, check=True,
                    stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
                )
            except (OSError, subprocess.SubprocessError) as error:
                self._log.warning("notice not delivered", event_told=notice["event"], error=str(error))
