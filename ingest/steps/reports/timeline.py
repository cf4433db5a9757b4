"""The day as one strip: setups as bars, what was taken in them as marks under the bar.

Places only; ``page.py`` draws them.  Times stay true to scale, so a gap in the day is a gap on the strip.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from ingest.records.audit_paper import SetupLine

WIDTH = 1000.0
_ROW = 44.0
_TOP = 26.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Dot:
    """A mark: where it stands, its kind (which decides its shape) and words."""

    x: float
    y: float
    kind: str
    words: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Bar:
    """A setup: left edge and length, its row, its words; ``open_ended`` where nobody wrote an end."""

    x: float
    y: float
    width: float
    label: str
    words: str
    open_ended: bool
    dots: tuple[Dot, ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Strip:
    """The whole drawing: ``hours`` are (x, word) of the full hours."""

    width: float
    height: float
    bars: tuple[Bar, ...]
    hours: tuple[tuple[float, str], ...]


def lay_out(setups: Iterable[SetupLine], time_zone: str) -> Strip | None:
    """The strip of the setups whose start is known; None if there is none."""
    timed = sorted(
        ((start, _end(s, start), s) for s in setups if (start := _moment(s.start_utc)) is not None),
        key=lambda x: (x[0], x[2].unit, x[2].setup),
    )
    if not timed:
        return None
    marks = [m for _, _, s in timed for mark in s.marks if (m := _moment(mark.utc)) is not None]
    first = min([start for start, _, _ in timed] + marks)
    last = max([end for _, end, _ in timed] + marks)
    span = max((last - first).total_seconds(), 3600.0)

    def x(moment: datetime) -> float:
        return round((moment - first).total_seconds() / span * WIDTH, 1)

    rows: list[datetime] = []  # when each row is free again
    bars = []
    for start, end, setup in timed:
        row = next((n for n, free in enumerate(rows) if free <= start), len(rows))
        rows[row : row + 1] = [end]
        y = _TOP + row * _ROW
        dots = tuple(
            Dot(x=x(when), y=y + 28, kind=mark.what, words=f"{_clock(when, time_zone)} {mark.what} {mark.item}")
            for mark in setup.marks
            if (when := _moment(mark.utc)) is not None
        )
        until = _clock(end, time_zone) if setup.end_utc else "open"
        words = f"setup {setup.setup}, {_clock(start, time_zone)} to {until}"
        bars.append(
            Bar(x=x(start), y=y, width=max(x(end) - x(start), 4.0), label=setup.setup, words=words,
                open_ended=setup.end_utc is None, dots=dots)
        )  # fmt: skip
    hours: list[tuple[float, str]] = []
    hour = first.replace(minute=0, second=0, microsecond=0) + timedelta(hours=1)
    step = timedelta(hours=max(1, round(span / 3600 / 12)))
    while hour <= last and len(hours) < 50:
        hours.append((x(hour), _clock(hour, time_zone)))
        hour += step
    return Strip(width=WIDTH, height=_TOP + len(rows) * _ROW, bars=tuple(bars), hours=tuple(hours))


def _moment(utc: str | None) -> datetime | None:
    if not utc:
        return None
    try:
        moment = datetime.fromisoformat(utc)
    except ValueError:
        return None
    if not 1900 < moment.year < 2200:  # a clock that absurd has no place on a strip
        return None
    return moment if moment.tzinfo else moment.replace(tzinfo=UTC)


def _end(setup: SetupLine, start: datetime) -> datetime:
    end = _moment(setup.end_utc)
    if end is None:
        later = [m for mark in setup.marks if (m := _moment(mark.utc)) is not None]
        end = max([start + timedelta(minutes=30), *later])
    return max(end, start)


def _clock(moment: datetime, time_zone: str) -> str:
    try:
        return moment.astimezone(ZoneInfo(time_zone)).strftime("%H:%M")
    except (ZoneInfoNotFoundError, ValueError, OSError, OverflowError):
        return moment.strftime("%H:%M UTC")
