"""The cart's clock: true time for papers, steady time for durations.  A test turns its own."""

from __future__ import annotations

import time
from datetime import UTC, datetime


class Clock:
    """The system's clock.  ``now`` is aware UTC; ``steady_s`` never jumps."""

    def now(self) -> datetime:
        return datetime.now(UTC)

    def steady_s(self) -> float:
        return time.monotonic()

    def utc(self) -> str:
        """Now, RFC 3339 with Z and milliseconds."""
        return utc_text(self.now())


def utc_text(moment: datetime) -> str:
    """RFC 3339 with Z, milliseconds."""
    return moment.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def utc_of_seconds(seconds: float) -> str:
    """RFC 3339 with Z from seconds since the epoch."""
    return utc_text(datetime.fromtimestamp(seconds, UTC))
