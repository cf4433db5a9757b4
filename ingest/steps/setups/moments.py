"""Days and times of day as people write them.

What can mean two things is not chosen: the answer is then the words of a question.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, timedelta
from enum import StrEnum

_MONTHS = {name: n for n, name in enumerate(
    ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"), 1)}
_YEARS = (1990, 2100)
_ISO = re.compile(r"(?<!\d)(\d{4})([-/.])(\d{1,2})\2(\d{1,2})(?!\d)")
_PACKED = re.compile(r"(?<!\d)(\d{4})(\d{2})(\d{2})(?!\d)")
_FIGURES = re.compile(r"(\d{1,2})\s*([-/.])\s*(\d{1,2})\s*\2\s*(\d{4}|\d{2})\.?")
_WORDS_DAY_FIRST = re.compile(r"(\d{1,2})(?:st|nd|rd|th)?[\s.\-/]*([a-z]{3,9})\.?[\s,.\-/]*(\d{4}|\d{2})", re.I)
_WORDS_MONTH_FIRST = re.compile(r"([a-z]{3,9})\.?[\s\-/]*(\d{1,2})(?:st|nd|rd|th)?[\s,.\-/]+(\d{4})", re.I)
_WEEKDAY = re.compile(r"^(?:mon|tue|wed|thu|fri|sat|sun)[a-z]*[\s,.]+", re.I)


class DateOrder(StrEnum):
    """How dates in figures are written in this show; ``ASK`` where nobody has said."""

    ASK = "ask"
    DAY_FIRST = "day-first"
    MONTH_FIRST = "month-first"
    YEAR_FIRST = "year-first"


class Unclear(ValueError):
    """A cell that cannot be understood, or could mean two things; the words say what was expected."""


@dataclass(frozen=True, kw_only=True, slots=True)
class TimeOfDay:
    """Seconds after midnight (86400 for 24:00), how coarsely it was written (60 s for HH:MM, 300 s for
    "about"), and the calendar day where the cell names one itself."""

    seconds: int
    coarse_s: int
    on: date | None = None


def _real(year: int, month: int, day: int) -> date | None:
    try:
        found = date(year, month, day)
    except ValueError:
        return None
    return found if _YEARS[0] <= year <= _YEARS[1] else None


def _month(word: str) -> int | None:
    full = ("january", "february", "march", "april", "may", "june", "july", "august", "september", "october",
            "november", "december")
    low = word.lower()
    if low == "sept":
        return 9
    return next((n for short, n in _MONTHS.items() if low == short or low == full[n - 1]), None)


def parse_day(written: str, order: DateOrder = DateOrder.ASK) -> date:
    """The calendar day a cell names.

    Certain are ISO forms, months in words, and figures that allow one reading only.  01/04/24 is
    certain only when the show has said its order.

    >>> parse_day("2026-04-01"), parse_day("1 Apr 2026"), parse_day("31/12/2026")
    (datetime.date(2026, 4, 1), datetime.date(2026, 4, 1), datetime.date(2026, 12, 31))
    >>> parse_day("01/04/24")
    Traceback (most recent call last):
    ...
    ingest.steps.setups.moments.Unclear: could be 2024-04-01, 2024-01-04 or 2001-04-24; write it as YYYY-MM-DD

    Raises:
        Unclear: with the readings that are possible, or that none is.
    """
    text = _WEEKDAY.sub("", written.strip())
    for form in (_ISO, _PACKED):
        for found in form.finditer(text):
            parts = [int(g) for g in found.groups() if g.isdigit()]
            day = _real(*parts)
            if day:
                return day
    named = _in_words(text)
    if named:
        return named
    readings = _readings(text)
    if order is not DateOrder.ASK:
        chosen = readings.get(order)
        if chosen:
            return chosen
        if readings:
            raise Unclear(f"is no date written {order.value}, which the settings say; write it as YYYY-MM-DD")
    days = list(dict.fromkeys(readings.values()))
    if len(days) == 1:
        return days[0]
    if days:
        names = [d.isoformat() for d in days]
        raise Unclear(f"could be {', '.join(names[:-1])} or {names[-1]}; write it as YYYY-MM-DD")
    raise Unclear("is no day; expected YYYY-MM-DD")


def _in_words(text: str) -> date | None:
    if found := _WORDS_DAY_FIRST.fullmatch(text):
        day, month, year = int(found[1]), _month(found[2]), int(found[3])
    elif found := _WORDS_MONTH_FIRST.fullmatch(text):
        day, month, year = int(found[2]), _month(found[1]), int(found[3])
    else:
        return None
    return _real(year + 2000 if year < 100 else year, month, day) if month else None


def _readings(text: str) -> dict[DateOrder, date]:
    """Every legal reading of a date in figures (none if it is no such thing)."""
    found = _FIGURES.fullmatch(text)
    if not found:
        return {}
    a, b, c = int(found[1]), int(found[3]), int(found[4])
    year = c + 2000 if c < 100 else c
    tries = {DateOrder.DAY_FIRST: (year, b, a), DateOrder.MONTH_FIRST: (year, a, b)}
    if c < 100:
        tries[DateOrder.YEAR_FIRST] = (2000 + a, b, c)
    return {order: day for order, parts in tries.items() if (day := _real(*parts))}


def order_shown(written: Iterable[str]) -> DateOrder:
    """The order that all dates in figures of one column allow together, if it is only one.

    A spreadsheet writes all dates of a file one way, so 13/04/2026 on one row tells what 01/04/2026 on
    another is: evidence, not a guess.

    >>> order_shown(["01/04/2026", "13/04/2026"]), order_shown(["01/04/2026"])
    (<DateOrder.DAY_FIRST: 'day-first'>, <DateOrder.ASK: 'ask'>)
    """
    common: set[DateOrder] | None = None
    for text in written:
        readings = _readings(_WEEKDAY.sub("", text.strip()))
        if readings:
            common = set(readings) if common is None else common & set(readings)
    return common.pop() if common is not None and len(common) == 1 else DateOrder.ASK


_ABOUT = re.compile(r"^(?:~|≈|about|approx\.?|ca\.?|c\.)\s*", re.I)
_CLOCK = re.compile(
    r"(?P<h>\d{1,2})(?:\s*(?P<sep>[:.h])\s*(?P<m>\d{2})(?:\s*(?:[:.m'])\s*(?P<s>\d{2})(?:[.,]\d+)?)?)?"
    r"\s*(?P<half>a\.?m\.?|p\.?m\.?|h|hrs?|uhr|o'clock)?\.?", re.I)
_FOUR = re.compile(r"(?P<h>\d{1,2})(?P<m>\d{2})\s*(?P<half>a\.?m\.?|p\.?m\.?|h|hrs?)?\.?", re.I)
_STAMP = re.compile(r"(\d{4}[-/.]\d{1,2}[-/.]\d{1,2})[T\s]+(.+)", re.I)


def parse_time(written: str) -> TimeOfDay:
    """A time of day as people write it: 15:03, 3.03pm, 15h03, 1503, 15:03:20, 24:00, "2026-04-01 15:03".

    >>> [parse_time(t).seconds for t in ("15:03", "3.03pm", "15h03", "1503", "15:03:20", "12:10 am")]
    [54180, 54180, 54180, 54180, 54200, 600]

    Raises:
        Unclear: for anything else, and for what leaves the hour open (a bare 3, 15:3, 25:10).
    """
    text = written.strip()
    if stamp := _STAMP.fullmatch(text):
        inner = parse_time(stamp[2])
        return TimeOfDay(seconds=inner.seconds, coarse_s=inner.coarse_s, on=parse_day(stamp[1]))
    about = _ABOUT.match(text)
    if about:
        text = text[about.end():]
    if text.lower() in ("noon", "midday"):
        return TimeOfDay(seconds=43200, coarse_s=60)
    found = _CLOCK.fullmatch(text) or _FOUR.fullmatch(text)
    if not found:
        raise Unclear("is no time of day; expected HH:MM")
    parts = found.groupdict()
    half = (parts["half"] or "").lower().replace(".", "")
    minute, second = int(parts["m"] or 0), int(parts.get("s") or 0)
    hour = int(parts["h"])
    if parts["m"] is None and not half:
        raise Unclear("leaves the minutes open; expected HH:MM")
    hour = _hour(hour, half)
    seconds = hour * 3600 + minute * 60 + second
    if minute > 59 or second > 59 or seconds > 86400:
        raise Unclear("is past the end of a day or hour; expected HH:MM between 00:00 and 24:00")
    # ":00" is what spreadsheets add to minutes
    coarse = 300 if about else 1 if second else 60
    return TimeOfDay(seconds=seconds, coarse_s=coarse)


def _hour(hour: int, half: str) -> int:
    if half not in ("am", "pm"):
        return hour
    if not 1 <= hour <= 12:
        if half == "pm" and 12 < hour < 24:
            return hour  # "15:03 pm": said twice, but one thing
        raise Unclear("has no such hour in the morning or afternoon; expected HH:MM")
    return hour % 12 + (12 if half == "pm" else 0)


def next_day(day: date, by: int = 1) -> date:
    """The calendar day ``by`` days later."""
    return day + timedelta(days=by)
