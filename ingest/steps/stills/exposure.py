"""Exposures as they were, from the marks that cameras write.

Shutter, aperture and sensitivity scales are geometric: whole stops of factor 2, divided in thirds or
halves.  Their marks are rounded: "1/60" is the sixth whole stop below 1 s and means 1/64 s, "f/5.6"
means 2^2.5, "ISO 125" means 100 * 2^(1/3).  Taken at face value, 1/15 to 1/1000 spans 66.67 instead of 64,
a seam of 4 % in a merge.

The rule: with k whole numbers and d = 3 or 2, t = 2^(k/d) s, N = 2^(k/2d), S = 100 * 2^(k/d).
Sources: Exif 2.32 (CIPA DC-008-2019) annex C, APEX: Av = 2 log2 N, Tv = -log2 t, Sv = log2(S / 3.125);
ISO 12232 for the sensitivity series (formally 10^(k/10), within 0.001 stop a step).  Which rounded marks
cameras engrave and write is common practice, no single source.

A body that writes true times is believed.  Whether it does is seen on its whole set: one time off
the marks is enough.  The pixels confirm either, later.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction

from ingest.records.stills import StillHeader

# Marks from k = 0 upwards (index = k) and downwards; several spellings of one mark are in use.
_THIRDS_UP_S = "1 1.3 1.6 2 2.5 3.2 4 5 6 8 10 13 15 20 25 30 40 50 60"
_THIRDS_DOWN = (
    "1 0.8|10/13 0.6|10/16 0.5 0.4|10/25 0.3|1/3 1/4 1/5 1/6 1/8 1/10 1/13 1/15 1/20 1/25 1/30 1/40 1/50 1/60 1/80 "
    "1/100 1/125 1/160 1/200 1/250 1/320 1/400 1/500 1/640 1/800 1/1000 1/1250 1/1600 1/2000 1/2500 1/3200 1/4000 "
    "1/5000 1/6400 1/8000 1/10000 1/12800|1/12500 1/16000 1/20000 1/25600|1/25000 1/32000"
)
_HALVES_UP_S = "1 1.5 2 3 4 6 8 10|11 15 20 30 45 60"
_HALVES_DOWN = (
    "1 0.7|10/14 0.5 0.3|1/3 1/4 1/6 1/8 1/10|1/11 1/15 1/20 1/30 1/45 1/60 1/90 1/125 1/180 1/250 1/350 1/500 1/750 "
    "1/1000 1/1500 1/2000 1/3000 1/4000 1/6000 1/8000 1/12000 1/16000"
)
_THIRDS_N = (
    "1|1.0 1.1 1.2|1.3 1.4 1.6 1.8 2 2.2 2.5 2.8 3.2 3.5|3.6 4 4.5 5|5.1 5.6 6.3|6.4 7.1|7.2 8 9 10 11 13 14 16 18 20 "
    "22 25 29|28 32 36 40 45"
)
_HALVES_N = "1 1.2 1.4 1.7 2 2.4 2.8 3.3|3.4 4 4.8 5.6 6.7 8 9.5 11 13|13.5 16 19 22 27 32 38 45"
_THIRDS_ISO_UP = (
    "100 125 160 200 250 320 400 500 640 800 1000 1250 1600 2000 2500 3200 4000 5000 6400 8000 10000 12800|12500 16000 "
    "20000 25600|25000 32000 40000 51200|50000 64000 80000 102400|102000 128000 160000 204800|204000 256000 320000 "
    "409600"
)
_THIRDS_ISO_DOWN = "100 80 64 50 40 32 25 20 16 12 10 8 6"
_HALVES_ISO_UP = "100 140 200 280 400 560 800 1100 1600 2200 3200 4500 6400 9000 12800 18000 25600"
_HALVES_ISO_DOWN = "100 70 50 35 25"
Ladder = Mapping[Fraction, float]


def _ladder(up: str, down: str, exact: Callable[[int], float]) -> dict[Fraction, float]:
    found: dict[Fraction, float] = {}
    for sign, marks in ((1, up), (-1, down)):
        for k, spellings in enumerate(marks.split()):
            for mark in spellings.split("|"):
                found[Fraction(mark)] = exact(sign * k)
    return found


TIMES: Mapping[str, Ladder] = {
    "thirds": _ladder(_THIRDS_UP_S, _THIRDS_DOWN, lambda k: 2.0 ** (k / 3)),
    "halves": _ladder(_HALVES_UP_S, _HALVES_DOWN, lambda k: 2.0 ** (k / 2)),
}
APERTURES: Mapping[str, Ladder] = {
    "thirds": _ladder(_THIRDS_N, "", lambda k: 2.0 ** (k / 6)),
    "halves": _ladder(_HALVES_N, "", lambda k: 2.0 ** (k / 4)),
}
SENSITIVITIES: Mapping[str, Ladder] = {
    "thirds": _ladder(_THIRDS_ISO_UP, _THIRDS_ISO_DOWN, lambda k: 100 * 2.0 ** (k / 3)),
    "halves": _ladder(_HALVES_ISO_UP, _HALVES_ISO_DOWN, lambda k: 100 * 2.0 ** (k / 2)),
}


@dataclass(frozen=True, kw_only=True, slots=True)
class Exposure:
    """One frame's exposure in exact values: seconds, f-number, ISO; None where the header is silent.

    ``ladder`` is the scale its time was snapped to ("thirds", "halves"), "" where the header is believed.
    """

    time_s: float | None
    f_number: float | None
    iso: float | None
    ladder: str = ""

    @property
    def ev(self) -> float | None:
        return exposure_ev(self.time_s, self.f_number, self.iso)


def exposure_ev(time_s: float | None, f_number: float | None, iso: float | None) -> float | None:
    """log2(t * (S / 100) / N^2): how much one frame was given, in stops; a brighter setting is larger.

    It is Sv - 5 - Ev of the APEX system (Exif annex C).  A silent f-number counts as a fixed 1 and a
    silent ISO as a fixed 100: then the numbers compare within one body's set and not beyond it.  None
    without a time, and for values that are not above zero.

    >>> exposure_ev(1 / 64, 2 ** 2.5, 100)
    -11.0
    """
    stop = 1.0 if f_number is None else f_number
    speed = 100.0 if iso is None else iso
    if time_s is None or time_s <= 0 or stop <= 0 or speed <= 0:
        return None
    return math.log2(time_s) + math.log2(speed / 100) - 2 * math.log2(stop)


def snap_series(headers: Sequence[StillHeader]) -> tuple[Exposure, ...]:
    """The exact exposures of one body's set, in the order given.

    Times are snapped only if all of the set that are known lie on one ladder of marks; where both
    ladders would do (1/20 is a third and, engraved on half-stop scales, a half), the one on which the
    set's steps are more even, thirds if that does not decide.  Then apertures and sensitivities that
    are marks are snapped too.  A set without a time is believed as it stands.
    """
    times = {h.exposure_time_s for h in headers if h.exposure_time_s is not None and not h.exposure_from_apex}
    apex = any(h.exposure_from_apex for h in headers)
    ladder = "" if apex or not times else choose(times)
    return tuple(
        Exposure(
            time_s=_value(h.exposure_time_s, TIMES.get(ladder, {})),
            f_number=_value(h.f_number, _best(h.f_number, APERTURES, ladder)),
            iso=_value(None if h.iso is None else Fraction(h.iso), _best(h.iso, SENSITIVITIES, ladder)),
            ladder=ladder if h.exposure_time_s is not None else "",
        )
        for h in headers
    )


def choose(times: Iterable[Fraction]) -> str:
    """The ladder on which all these times lie: "thirds", "halves" or "" for neither.

    >>> choose([Fraction(1, 60), Fraction(1, 20), Fraction(1, 8)])
    'halves'
    >>> choose([Fraction(1, 60), Fraction(1, 77)])
    ''
    """
    given = set(times)
    fit = [name for name, marks in TIMES.items() if all(t in marks for t in given)]
    return min(fit, key=lambda name: _unevenness([TIMES[name][t] for t in given]), default="")


def _unevenness(exact: Iterable[float]) -> float:
    """Spread of the steps between neighbouring exposures, in stops (rounded: ties go to the first)."""
    stops = sorted(math.log2(t) for t in exact)
    steps = [b - a for a, b in itertools.pairwise(stops)]
    return round(max(steps) - min(steps), 6) if steps else 0.0


def _best(mark: Fraction | int | None, scales: Mapping[str, Ladder], ladder: str) -> Ladder:
    """The scale to read a mark on: the times' own ladder, else the other one that has it."""
    if not ladder or mark is None:
        return {}
    both = [scales[ladder], *(s for name, s in scales.items() if name != ladder)]
    return next((s for s in both if Fraction(mark) in s), {})


def _value(mark: Fraction | None, ladder: Ladder) -> float | None:
    return None if mark is None else ladder.get(mark, float(mark))
