"""Timecode labels and frame counts (SMPTE ST 12-1).

A label counts frames of a whole nominal rate.  At 30000/1001 frames a second that loses 3.6 s an hour
against the clock, so drop-frame labels leave out ;00 and ;01 at the start of each minute but every tenth
(no frame is dropped, only names).  Then 17,982 frames make ten minutes and 2,589,408 a day, which is
86.4 ms a day off.  Rates of 60000/1001 leave out four labels, and so on.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction

_LABEL = re.compile(r"(\d{1,2}):(\d{2}):(\d{2})([:;.,])(\d{2,3})\Z")


class NoTimecode(ValueError):
    """The text is no label of this rate; the words say why."""


def nominal(rate: Fraction) -> int:
    """The whole rate a label counts in: 30000/1001 is 30.  Raises NoTimecode for less than one or absurd."""
    whole = round(rate)
    if not 1 <= whole <= 999:
        raise NoTimecode(f"no timecode counts {rate} frames a second")
    return whole


def can_drop(rate: Fraction) -> bool:
    """Whether drop-frame counting exists at this rate: multiples of 30000/1001."""
    whole = round(rate)
    return whole > 0 and whole % 30 == 0 and rate != whole


@dataclass(frozen=True, kw_only=True, slots=True)
class Timecode:
    """A legal label.  ``fps`` is the whole rate it counts in.

    Raises NoTimecode when built from numbers that name no frame, such as a dropped one.

    >>> str(Timecode(hours=0, minutes=1, seconds=0, frames=2, fps=30, drop=True))
    '00:01:00;02'
    """

    hours: int
    minutes: int
    seconds: int
    frames: int
    fps: int
    drop: bool = False

    def __post_init__(self) -> None:
        if self.fps < 1 or (self.drop and self.fps % 30):
            raise NoTimecode(f"drop-frame does not exist at {self.fps} frames a second")
        if not (0 <= self.hours < 24 and 0 <= self.minutes < 60 and 0 <= self.seconds < 60):
            raise NoTimecode(f"{self} is no time of a day")
        if not 0 <= self.frames < self.fps:
            raise NoTimecode(f"{self} counts past {self.fps} frames a second")
        if self.drop and self.seconds == 0 and self.minutes % 10 and self.frames < self.skipped:
            raise NoTimecode(f"{self} is a label that drop-frame counting leaves out")

    @property
    def skipped(self) -> int:
        """Labels left out at a minute's start."""
        return self.fps // 15 if self.drop else 0

    def __str__(self) -> str:
        mark = ";" if self.drop else ":"
        digits = 3 if self.fps > 100 else 2
        return f"{self.hours:02d}:{self.minutes:02d}:{self.seconds:02d}{mark}{self.frames:0{digits}d}"

    def number(self) -> int:
        """Frames since 00:00:00:00: n = (3600h + 60m + s) fps + f - skipped (M - floor(M/10)), M = 60h + m."""
        minutes = 60 * self.hours + self.minutes
        return (60 * minutes + self.seconds) * self.fps + self.frames - self.skipped * (minutes - minutes // 10)

    def seconds_of_day(self, rate: Fraction) -> Fraction:
        """Real seconds from label zero to this frame at the true ``rate``."""
        return self.number() / rate


def of_number(number: int, fps: int, *, drop: bool = False) -> Timecode:
    """The label of frame ``number`` since label zero; a day's end wraps.

    >>> [str(of_number(n, 30, drop=True)) for n in (1799, 1800, 17981, 17982)]
    ['00:00:59;29', '00:01:00;02', '00:09:59;29', '00:10:00;00']
    """
    if drop:
        if fps % 30:
            raise NoTimecode(f"drop-frame does not exist at {fps} frames a second")
        skipped, ten = fps // 15, 600 * fps - 9 * (fps // 15)
        tens, rest = divmod(number % (144 * ten), ten)
        # The first minute of ten keeps all its labels, the other nine lack the skipped ones.
        minutes = max(0, rest - skipped) // (60 * fps - skipped)
        number = tens * 600 * fps + rest + skipped * minutes
    else:
        number %= 86_400 * fps
    seconds, frames = divmod(number, fps)
    minutes, seconds = divmod(seconds, 60)
    hours, minutes = divmod(minutes, 60)
    return Timecode(hours=hours, minutes=minutes, seconds=seconds, frames=frames, fps=fps, drop=drop)


def parse(text: str, rate: Fraction) -> Timecode:
    """A label as files write it: drop-frame is marked by ``;`` (also ``,`` or ``.``) before the frames.

    Raises NoTimecode with the reason in words.
    """
    match = _LABEL.match(text.strip())
    if match is None:
        raise NoTimecode(f"'{text[:30]}' is no timecode")
    hours, minutes, seconds, mark, frames = match.groups()
    drop = mark != ":"
    if drop and not can_drop(rate):
        raise NoTimecode(f"'{text[:30]}' is marked as drop-frame, which does not exist at {rate} frames a second")
    return Timecode(
        hours=int(hours), minutes=int(minutes), seconds=int(seconds), frames=int(frames), fps=nominal(rate), drop=drop
    )
