"""Stop, frame rate, shutter, filter, tilt and focal length as people write them.

As with lengths, nothing is guessed: what could mean two things raises the words of a question.
Ways of writing: common practice, no source, unless named.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from typing import TypeVar

from ingest.steps.setups.lengths import tidied
from ingest.steps.setups.moments import Unclear

# Whole stops as engraved; the exact ratio of stop n is 2^(n/2) (ISO 517 rounds these for engraving, from memory).
_ENGRAVED = {0.7: -1, 1.0: 0, 1.4: 1, 2.0: 2, 2.8: 3, 4.0: 4, 5.6: 5, 8.0: 6, 11.0: 7, 16.0: 8, 22.0: 9, 32.0: 10,
             45.0: 11, 64.0: 12}
_STOP = re.compile(r"(?P<kind>[tf])?\s*/?\s*(?P<n>\d+(?:\.\d+)?)(?:\s+(?P<part>[123]/[234]))?", re.I)
_SPLIT = re.compile(
    r"(?P<kind>[tf])?\s*/?\s*(?P<a>\d+(?:\.\d+)?)\s*(?:/|-)\s*[tf]?(?P<b>\d+(?:\.\d+)?)(?:\s*split)?", re.I)


@dataclass(frozen=True, kw_only=True, slots=True)
class Stop:
    """A lens opening.  ``kind`` is T (transmission, as cine lenses are marked), f (stills) or "" where
    the writer did not say; a T number is not an f-number."""

    number: float
    kind: str = ""


def parse_stop(written: str) -> Stop:
    """T2.8, 2.8, "2.8 1/2" (half a stop further closed), 2.8/4 (between the two).

    Exact numbers follow N = 2^(n/2) from the engraved whole stop; a plain number stays as written.

    >>> round(parse_stop("T2.8 1/2").number, 4), round(parse_stop("2.8⅓").number, 2), parse_stop("f/5.6").kind
    (3.3636, 3.17, 'f')
    """
    text = tidied(written)
    if found := _STOP.fullmatch(text):
        number, kind = float(found["n"]), _kind(found["kind"])
        if found["part"]:
            if number not in _ENGRAVED:
                raise Unclear("adds part of a stop to a number that is no whole stop")
            return Stop(number=2 ** ((_ENGRAVED[number] + float(Fraction(found["part"]))) / 2), kind=kind)
    elif found := _SPLIT.fullmatch(text):
        a, b = sorted((float(found["a"]), float(found["b"])))
        if _ENGRAVED.get(b, 99) - _ENGRAVED.get(a, 0) != 1:
            raise Unclear("is a split of two numbers that are not neighbouring whole stops")
        return Stop(number=2 ** ((_ENGRAVED[a] + 0.5) / 2), kind=_kind(found["kind"]))
    else:
        raise Unclear("is no stop; expected such as T2.8, f/5.6 or 2.8 1/2")
    if not 0.5 <= number <= 128:
        raise Unclear("is no stop of a lens; expected 0.5 to 128")
    return Stop(number=number, kind=kind)


def _kind(letter: str | None) -> str:
    return {"t": "T", "f": "f"}.get((letter or "").lower(), "")


@dataclass(frozen=True, kw_only=True, slots=True)
class Rate:
    """Frames a second: of the recording, and of the playback where the writer names both."""

    recorded: Fraction
    played: Fraction


_NEAR_NTSC = {Fraction(n * 1000, 1001): n for n in (24, 30, 48, 60, 72, 96, 120)}


def parse_frame_rate(written: str) -> Rate:
    """24, 24p, 23.98, 24000/1001, "24 (23.98)", 48>24.

    23.98, 29.97, 59.94 and their kin mean n x 1000/1001 (SMPTE ST 12-1).  In "24 (23.98)" the bracket says
    what ran.  A written 24 stays 24: only a clip's header can tell that 24000/1001 was meant.

    >>> parse_frame_rate("23.98").recorded, parse_frame_rate("48>24").played
    (Fraction(24000, 1001), Fraction(24, 1))
    """
    text = re.sub(r"\s*(?:fps|f/s|p)\b", "", tidied(written), flags=re.I)
    if found := re.fullmatch(r"(\d+(?:\.\d+)?)\s*\(\s*(\d+(?:\.\d+)?)\s*\)", text):
        outer, inner = _rate(found[1]), _rate(found[2])
        if abs(outer / inner - 1) > Fraction(2, 1000):
            raise Unclear("names two frame rates; write recorded>played")
        return Rate(recorded=inner, played=inner)
    parts = re.split(r"\s*(?:>|@)\s*", text)
    if len(parts) > 2 or not all(parts):
        raise Unclear("is no frame rate; expected such as 24, 23.976 or 48>24")
    rates = [_rate(p) for p in parts]
    return Rate(recorded=rates[0], played=rates[-1])


def _rate(text: str) -> Fraction:
    if found := re.fullmatch(r"(\d{1,7})\s*/\s*(\d{1,5})", text):
        if int(found[2]) == 0:
            raise Unclear("divides by nothing")
        value = Fraction(int(found[1]), int(found[2]))
    elif re.fullmatch(r"\d{1,4}(?:\.\d{1,6})?", text):
        value = Fraction(text)
        near = [r for r in _NEAR_NTSC if abs(r - value) < Fraction(6, 1000)]
        value = near[0] if near and value.denominator != 1 else value
    else:
        raise Unclear("is no frame rate; expected such as 24, 23.976 or 48>24")
    if not Fraction(1, 60) <= value <= 2000:
        raise Unclear("is no frame rate of a camera; expected up to 1000")
    return value


def parse_shutter(written: str, rate: Fraction | None = None) -> float:
    """Shutter angle in degrees: 180, 172.8°, 1/48 (seconds; needs the frame rate: angle = 360 x rate x t).

    >>> round(parse_shutter("1/48", Fraction(24000, 1001)), 2), parse_shutter("180°")
    (179.82, 180.0)
    """
    text = tidied(written).rstrip("°").removesuffix("deg").strip()
    if found := re.fullmatch(r"1\s*/\s*(\d+(?:\.\d+)?)\s*s?", text):
        if rate is None:
            raise Unclear("is a time; its angle needs the frame rate")
        angle = 360 * float(rate) / float(found[1]) if float(found[1]) else math.inf
    elif re.fullmatch(r"\d+(?:\.\d+)?", text):
        angle = float(text)
    else:
        raise Unclear("is no shutter; expected such as 180 or 1/48")
    if not 0.5 <= angle <= 360:
        raise Unclear("is no shutter angle; expected up to 360 degrees")
    return angle


def parse_nd(written: str) -> float:
    """Stops that a neutral filter takes, in the trade's three tongues; 0 where none is written.

    Density D: D / log10(2) stops (.6, N6, ND 0.9).  Factor F: log2(F) stops (ND4, ND1000).  Or in stops.

    >>> round(parse_nd("ND.9"), 2), round(parse_nd("ND1000"), 2), parse_nd("2 stops"), round(parse_nd("85N6"), 2)
    (2.99, 9.97, 2.0, 1.99)
    """
    text = tidied(written).lower()
    if text in ("", "-", "no", "none", "clear", "0"):
        return 0.0
    if found := re.fullmatch(r"(?:nd\s*)?(\d+(?:\.\d+)?)\s*stops?(?:\s*nd)?", text):
        return float(found[1])
    density = re.search(r"(?:\bnd?|\d\s*n)\s*(\d?\.\d+)", text) or re.fullmatch(r"()?(\d?\.\d)", text)
    if density:
        return float(density[density.lastindex or 1]) / math.log10(2)
    if found := re.search(r"(?:^|[\s\d])n\s*(\d{1,2})\b", text):
        return int(found[1]) / 10 / math.log10(2)
    if found := re.search(r"\bnd\s*(\d+)\b", text):
        factor = int(found[1])
        if factor >= 2 and (factor & (factor - 1) == 0 or factor in (100, 200, 400, 500, 1000, 10000, 100000)):
            return math.log2(factor)
        raise Unclear(f"could be density {factor / 10:g} or factor {factor}; write ND {factor / 10:g} or the stops")
    if re.search(r"\bnd?\b|\bnd|stop", text) or re.fullmatch(r"\d+", text):
        raise Unclear("names a neutral filter without its strength; write density (0.6), factor (ND4) or stops")
    return 0.0


_DOWN = re.compile(r"↓|\b(?:dn|down|d)\b|^d(?=\d)|(?<=\d)d$", re.I)
_UP = re.compile(r"↑|\b(?:up|u)\b|^u(?=\d)|(?<=\d)u$", re.I)


_SENSOR = re.compile(r"(\d+(?:[.,]\d+)?)\s*(?:mm)?\s*[x×*]\s*(\d+(?:[.,]\d+)?)\s*(mm)?")
_SENSOR_MM = (3.0, 80.0)  # from small phones to large film formats; outside them it is pixels or something else


def parse_sensor(written: str) -> tuple[float, float]:
    """Active area of the sensor in millimetres, width and height, as stated; pixels are asked about.

    >>> parse_sensor("24.89 x 18.66 mm"), parse_sensor("36×24")
    ((24.89, 18.66), (36.0, 24.0))

    Raises Unclear for anything else.
    """
    found = _SENSOR.search(written.strip().lower())
    if not found:
        raise Unclear("width and height of the active area in millimetres, such as 24.9 x 18.7 mm")
    width, height = (float(g.replace(",", ".")) for g in found.groups()[:2])
    if not all(_SENSOR_MM[0] <= v <= _SENSOR_MM[1] for v in (width, height)):
        raise Unclear(f"{width:g} x {height:g} is no sensor in millimetres: are these pixels?")
    return width, height


def parse_tilt(written: str) -> float:
    """Tilt in degrees, up positive: -5, 5 dn, D5, ↓5, 12 up, level.  A bare 5 is asked: up or down?

    >>> parse_tilt("5 dn"), parse_tilt("D5"), parse_tilt("12 up"), parse_tilt("level")
    (-5.0, -5.0, 12.0, 0.0)
    """
    text = tidied(written).lower().replace("°", " ").replace("deg", " ").strip()
    if text in ("level", "flat", "0", "0.0"):
        return 0.0
    found = re.search(r"[-+]?\d+(?:\.\d+)?", text)
    rest = re.sub(r"[-+]?\d+(?:\.\d+)?", "", text, count=1).strip() if found else text
    down, up = bool(_DOWN.search(text)), bool(_UP.search(text))
    if not found or (down and up) or (rest and not re.fullmatch(r"(?:↓|↑|dn|down|d|up|u)", rest)):
        raise Unclear("is no tilt; expected such as -5, 5 down, 12 up or level")
    value = float(found[0])
    signed = found[0][0] in "+-"
    if signed and (down or up):
        raise Unclear("has a sign and a word; write one of them")
    if not signed and not (down or up):
        raise Unclear("has no sign; up or down?")
    value = -abs(value) if down else value
    if abs(value) > 90:
        raise Unclear("is more than straight up or down")
    return value


@dataclass(frozen=True, kw_only=True, slots=True)
class Focal:
    """Focal length in mm; ``to_mm`` for a zoom through; ``of`` the zoom's range; ``about`` if approximate;
    ``anamorphic`` where the writer marks it."""

    mm: float
    to_mm: float | None = None
    of: tuple[float, float] | None = None
    about: bool = False
    anamorphic: bool = False


def parse_focal(written: str) -> Focal:
    """35, 35mm, "24-70 @ 35", 40A, "approx 35".  A bare 24-70 is asked: the lens, or a zoom through it?

    >>> parse_focal("24-70 @ 35").mm, parse_focal("40A").anamorphic, parse_focal("28>50").to_mm
    (35.0, True, 50.0)
    """
    text = re.sub(r"\s*mm\b", "", tidied(written).lower()).strip()
    about = re.match(r"(?:~|≈|about|approx\.?|ca\.?)\s*", text)
    text = text[about.end():] if about else text
    number = r"(\d{1,4}(?:\.\d+)?)"
    if found := re.fullmatch(rf"{number}\s*(a|ana|anamorphic)?", text):
        focal = Focal(mm=float(found[1]), about=bool(about), anamorphic=bool(found[2]))
    elif found := re.fullmatch(rf"{number}\s*-\s*{number}\s*(?:@|at)\s*{number}", text):
        focal = Focal(mm=float(found[3]), of=(float(found[1]), float(found[2])), about=bool(about))
    elif found := re.fullmatch(rf"{number}\s*(?:>|to)\s*{number}", text):
        focal = Focal(mm=float(found[1]), to_mm=float(found[2]), about=bool(about))
    elif re.fullmatch(rf"{number}\s*-\s*{number}", text):
        raise Unclear("could be the zoom, or a move through it; write 24-70 @ 35, or 24>70")
    else:
        raise Unclear("is no focal length; expected such as 35, or 24-70 @ 35")
    if not 1 <= focal.mm <= 2000 or (focal.of and not min(focal.of) <= focal.mm <= max(focal.of)):
        raise Unclear("is no focal length of that lens; expected mm")
    return focal


@dataclass(frozen=True, kw_only=True, slots=True)
class LensCell:
    """What a ``lens`` cell says beside the lens's name; None where it says nothing clear."""

    focal: Focal | None = None
    stop: Stop | None = None


_STOP_IN_TEXT = re.compile(
    r"(?:(?P<at>@|\bat)\s*)?(?<![\w.])[tf]\s*/?\s*\d+(?:\.\d+)?"
    r"(?:(?:\s*[/-]\s*[tf]?\d+(?:\.\d+)?)?\s*split\b|\s*/\s*[tf]?\d+(?:\.\d+)?|\s+[123]/[234])?(?![\w.]*\d)", re.I)
_MM_IN_TEXT = re.compile(
    r"(?:(?:~|≈|\babout|\bapprox\.?|\bca\.?)\s*)?(?<![\w./x×-])\d{1,4}(?:\.\d+)?\s*(?:mm)?"
    r"(?:\s*-\s*\d{1,4}(?:\.\d+)?\s*(?:mm)?)?(?:\s*(?:@|\bat\b|>|\bto\b)\s*\d{1,4}(?:\.\d+)?\s*(?:mm)?)?"
    r"(?:\s*(?:ana|anamorphic|a)\b)?", re.I)
_LENGTHENED = re.compile(r"\b(?:extender|doubler|converter|teleconverter)\b", re.I)


def parse_lens(written: str) -> LensCell:
    """Focal length and stop from the one cell in which many write both: "32 mm T2.8", "50mm f/2", "24-70 @ 35 T4".

    Nothing is asked, for a lens is named in many ways.  The focal length is the one number with mm behind it, or what
    is left beside the stop if that is a focal length; two of them, a zoom without its mark or an extender leave it
    unknown.  Of two stops the one behind @ counts (a lens may be named by its widest).

    >>> parse_lens("32 mm T2.8").focal.mm, parse_lens("32 mm T2.8").stop.number, parse_lens("T1.3 35mm @ T2.8").stop
    (32.0, 2.8, Stop(number=2.8, kind='T'))
    >>> parse_lens("24-70mm"), parse_lens("wide")
    (LensCell(focal=None, stop=None), LensCell(focal=None, stop=None))
    """
    try:
        text = tidied(written)
    except Unclear:
        return LensCell()
    stops = list(_STOP_IN_TEXT.finditer(text))
    marked = [m for m in stops if m["at"]]
    chosen = stops if len(stops) == 1 else marked if len(marked) == 1 else []
    stop = _tried(parse_stop, re.sub(r"^(?:@|at)\s*", "", chosen[0][0], flags=re.I)) if chosen else None
    rest = _STOP_IN_TEXT.sub(" ", text).strip(" ,;/")
    if _LENGTHENED.search(rest):
        return LensCell(stop=stop)
    named = [m[0] for m in _MM_IN_TEXT.finditer(rest) if re.search(r"\d\s*mm\b", m[0], re.I)]
    focals = {f for f in (_tried(parse_focal, n) for n in named) if f is not None} if named else \
        {_tried(parse_focal, rest)}
    focal = focals.pop() if len(focals) == 1 and len(named) < 2 else None
    return LensCell(focal=focal, stop=stop)


def without_stop(lens: str) -> str:
    """The lens alone, for telling whether it was changed: "32 mm T2.8" and "32 mm T4" are one.

    >>> without_stop("32 mm T2.8"), without_stop("Heron 50")
    ('32 mm', 'Heron 50')
    """
    try:
        bare = _STOP_IN_TEXT.sub(" ", tidied(lens))
    except Unclear:
        return lens
    return re.sub(r"\s+", " ", bare).strip(" ,;/") or lens


T = TypeVar("T")


def _tried(parse: Callable[[str], T], written: str) -> T | None:
    try:
        return parse(written.strip(" ,;/"))
    except Unclear:
        return None
