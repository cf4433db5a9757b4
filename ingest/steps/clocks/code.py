"""What the clock page's code says: text for a QR code that lives one second, and back.

Twenty-nine signs of the alphanumeric mode (ISO/IEC 18004): version 2 at level Q, so that its squares are as large
as they can be on a phone held before a lens.  Text:

    NLC1:YYYYMMDDTHHMMSSmmmK:CHECK

The moment is UTC of the cart's clock when the code was made; K says whether that clock is kept by a time service
(S), is not (N), or the system does not say (U).  CHECK is the CRC-16 of all before it.
"""

from __future__ import annotations

import binascii
import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

SHOWN_S = 1.0  # how long one code stands on the page
# A photograph falls anywhere into that second (a square distribution), and a page, a phone's screen and a
# shutter add a few tenths (measured on a loopback page; common practice for the rest, no source).
SIGMA_S = 0.4
UNKEPT_SIGMA_S = 2.0  # a clock that no service keeps was set by hand, by the minute's pips or a phone
_MARKS = {True: "S", False: "N", None: "U"}
_TEXT = re.compile(r"NLC1:(\d{8}T\d{9})([SNU]):([0-9A-F]{4})", re.ASCII)


@dataclass(frozen=True, kw_only=True, slots=True)
class ClockCode:
    """The cart's time in a code.  ``utc`` is aware; ``synchronised`` None where the system does not say."""

    utc: datetime
    synchronised: bool | None

    @property
    def middle_s(self) -> float:
        """The best guess of when a picture of it was taken: seconds since the epoch."""
        return (self.utc + timedelta(seconds=SHOWN_S / 2)).timestamp()

    @property
    def sigma_s(self) -> float:
        """Standard uncertainty of that guess as true time, in seconds."""
        return UNKEPT_SIGMA_S if self.synchronised is False else SIGMA_S


def clock_text(utc: datetime, synchronised: bool | None) -> str:
    """The text to put into the code for an aware moment.

    >>> clock_text(datetime(2031, 5, 17, 6, 30, 1, 250000, tzinfo=UTC), True)
    'NLC1:20310517T063001250S:7E7D'
    """
    moment = utc.astimezone(UTC)
    text = f"NLC1:{moment:%Y%m%dT%H%M%S}{moment.microsecond // 1000:03d}{_MARKS[synchronised]}"
    return f"{text}:{_check(text)}"


def read_clock(text: str) -> ClockCode | None:
    """The moment a decoded code names; None for any other code, whatever it holds.

    >>> read_clock("NLC1:20310517T063001250S:7E7D").utc.second, read_clock("WIFI:S:guest;;") is None
    (1, True)
    """
    found = _TEXT.fullmatch(text)
    if not found or _check(text[:-5]) != found[3]:
        return None
    try:
        moment = datetime.strptime(f"{found[1]}000", "%Y%m%dT%H%M%S%f").replace(tzinfo=UTC)
    except ValueError:  # a month of 13: no page of ours
        return None
    if not 1990 <= moment.year < 2200:
        return None
    return ClockCode(utc=moment, synchronised={"S": True, "N": False, "U": None}[found[2]])


def _check(text: str) -> str:
    return f"{binascii.crc_hqx(text.encode('ascii', 'replace'), 0xFFFF):04X}"
