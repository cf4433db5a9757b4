"""Lengths as people write them, in metres.

The handwriting is read here; units and their factors are pint's.  1 in = 25.4 mm exactly (NIST SP 811,
appendix B).  Nothing is guessed: what can mean two lengths raises the words of a question.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction
from functools import cache
from typing import Any, Literal

from ingest.steps.setups.moments import Unclear

Units = Literal["ask", "metric", "imperial"]

_FRACTIONS = {"½": "1/2", "⅓": "1/3", "⅔": "2/3", "¼": "1/4", "¾": "3/4", "⅛": "1/8", "⅜": "3/8", "⅝": "5/8",
              "⅞": "7/8", "⅙": "1/6", "⅚": "5/6", "⅕": "1/5", "⅖": "2/5", "⅗": "3/5", "⅘": "4/5"}
_PRIMES = str.maketrans({"’": "'", "‘": "'", "′": "'", "´": "'", "`": "'", "ʹ": "'", "ʼ": "'",
                         "”": '"', "“": '"', "″": '"', "ʺ": '"', "–": "-", "—": "-", "−": "-", "→": ">",
                         "\xa0": " ", "\u202f": " ", "\u2009": " ", "⁄": "/"})
_ABOUT = re.compile(r"^(?:~|≈|about|approx(?:imately)?\.?|ca\.?|c\.)\s*", re.I)
_NUMBER = r"(?:\d+(?:\.\d+)?|\.\d+)"
_MIXED = rf"(?:{_NUMBER}(?:\s+\d+/\d+)?|\d+/\d+)"
_FOOT = r"(?:'|f(?:oo|ee)?t(?![a-z])\.?)"
_INCH = r'(?:"|in(?:ch(?:es)?)?(?![a-z])\.?)'
_IMPERIAL = re.compile(
    rf"(?:(?P<ft>{_MIXED})\s*{_FOOT})?\s*-?\s*(?:(?P<in>{_MIXED})\s*(?P<mark>{_INCH})?)?", re.I)
_METRIC_NAMES = {"m": "metre", "mtr": "metre", "mtrs": "metre", "metre": "metre", "metres": "metre", "meter": "metre",
                 "meters": "metre", "cm": "centimetre", "cms": "centimetre", "centimetres": "centimetre",
                 "centimeters": "centimetre", "mm": "millimetre", "millimetres": "millimetre",
                 "millimeters": "millimetre"}
_METRIC = re.compile(rf"(?P<n>{_NUMBER})\s*(?P<unit>{'|'.join(_METRIC_NAMES)})(?![a-z])\.?", re.I)
_METRES_AND_CM = re.compile(r"(?P<m>\d+)\s*m\s*(?P<cm>\d{1,3})(?:\s*cm)?", re.I)
_BARE = re.compile(_NUMBER)
_TO = re.compile(r"\s*(?:>|->|=>|\bto\b|\.\.+)\s*", re.I)


@dataclass(frozen=True, kw_only=True, slots=True)
class Span:
    """A length, or a move from one length to another (``to_m``), exact as written, in metres.  ``about``:
    the writer said it is approximate."""

    m: Fraction
    to_m: Fraction | None = None
    about: bool = False

    @property
    def metres(self) -> float:
        return float(self.m)


@cache
def _registry() -> Any:
    import pint  # half a second: only when a length is met

    return pint.UnitRegistry(non_int_type=Fraction)


@cache
def _factor(unit: str) -> Fraction:
    """Metres in one ``unit``, exactly, after pint."""
    return Fraction(_registry().Quantity(Fraction(1), unit).to("metre").magnitude)


def tidied(written: str) -> str:
    """One sign for each meaning: primes, dashes, fractions, decimal points.

    >>> tidied("5’ 7½″"), tidied("1,73 m"), tidied("5'' ")
    ('5\\' 7 1/2"', '1.73 m', '5"')
    """
    text = written.translate(_PRIMES).replace("''", '"')
    for sign, plain in _FRACTIONS.items():
        text = re.sub(rf"(?<=\d)\s*{sign}", f" {plain}", text).replace(sign, plain)
    if re.search(r"(?<![\d.])[1-9]\d{0,2},\d{3}(?!\d)", text):
        raise Unclear("has a comma that could mark decimals or thousands; write it without")
    return re.sub(r"(?<=\d),(?=\d)", ".", text).strip()


def parse_length(written: str, *, units: Units = "ask", unit: str = "") -> Span:
    """A length, or a range, from handwriting.

    ``unit`` (m, cm, mm, ft, in) is what the column or another cell says bare numbers are.  Without it
    ``units`` decides some bare numbers: metric reads 1.73 as metres, 30 to 999 as centimetres and from
    1000 as millimetres; imperial reads whole numbers from 20 to 99 as inches.  All others are asked.

    >>> float(parse_length("5'7\\"").m), float(parse_length("1m73").m), float(parse_length("0'11").m)
    (1.7018, 1.73, 0.2794)

    Raises:
        Unclear: with what was expected, or what it could mean.
    """
    text = tidied(written)
    about = bool(_ABOUT.match(text))
    text = _ABOUT.sub("", text)
    if not text:
        raise Unclear("is empty; expected a length with its unit")
    parts = _TO.split(text)
    if len(parts) == 1 and (dashed := re.fullmatch(r"(.+?)\s*-\s*(.+)", text)) and _is_range(*dashed.groups()):
        parts = list(dashed.groups())
    if len(parts) > 2:
        raise Unclear("names more than two lengths; expected one, or a start and an end")
    if len(parts) == 2 and _BARE.fullmatch(parts[0]) and not unit:
        tail = re.fullmatch(rf"{_NUMBER}\s*([^\d\s.].*)", parts[1])
        parts[0] += tail[1] if tail else ""  # "3 > 6 m": one unit for both
    values = [_one(p, units, unit) for p in parts]
    return Span(m=values[0], to_m=values[1] if len(values) == 2 else None, about=about)


def _is_range(left: str, right: str) -> bool:
    """Whether a dash means "to": both sides carry a unit, or the right one a metric unit."""
    if _METRIC.fullmatch(right) or _METRES_AND_CM.fullmatch(right):
        return True
    marks = re.compile(rf"{_FOOT}|{_INCH}", re.I)
    feet_inches = re.fullmatch(rf"{_NUMBER}\s*{_FOOT}", left, re.I) and not re.search(_FOOT, right, re.I)
    return bool(marks.search(left) and marks.search(right) and not feet_inches)


def _one(text: str, units: Units, unit: str) -> Fraction:
    if found := _METRES_AND_CM.fullmatch(text):
        if len(found["cm"]) == 1 and not text.lower().endswith("cm"):
            raise Unclear(f"could be {found['m']}.{found['cm']} m or {found['m']}.0{found['cm']} m; write the decimals")
        if len(found["cm"]) == 3:
            raise Unclear("has three figures after the m; write it as metres with decimals")
        return int(found["m"]) + int(found["cm"]) * _factor("centimetre")
    if found := _METRIC.fullmatch(text):
        return Fraction(found["n"]) * _factor(_METRIC_NAMES[found["unit"].lower()])
    if _BARE.fullmatch(text):
        return Fraction(text) * _factor(_bare_unit(text, units, unit))
    if (found := _IMPERIAL.fullmatch(text)) and (found["ft"] or found["mark"]):
        return _feet_and_inches(found)
    if re.fullmatch(r"\d{1,2}\s*-\s*\d{1,2}", text):
        feet, inches = re.split(r"\s*-\s*", text)
        raise Unclear(f"could be {feet}'{inches}\" or from {feet} to {inches}; write the marks")
    raise Unclear("is no length; expected such as 1.73 m, 173 cm or 5'8\"")


def _mixed(text: str) -> Fraction:
    """1/2, 7 1/2 or 7.5.

    Raises:
        Unclear: a fraction over nothing, or more than one whole.
    """
    total = Fraction(0)
    for part in text.split():
        if part.endswith("/0") or re.fullmatch(r"\d+/0+", part):
            raise Unclear("divides by nothing")
        value = Fraction(part)
        if "/" in part and value >= 1:
            raise Unclear("has a fraction of one or more; write it as a whole number and a fraction")
        total += value
    return total


def _feet_and_inches(found: re.Match[str]) -> Fraction:
    feet = _mixed(found["ft"]) if found["ft"] else Fraction(0)
    inches = _mixed(found["in"]) if found["in"] else Fraction(0)
    if found["ft"] and found["in"]:
        if inches >= 12:
            raise Unclear(f"has {float(inches):g} inches beside feet; a foot has 12")
        if feet.denominator != 1:
            raise Unclear("has broken feet beside inches; write whole feet")
    return feet * _factor("foot") + inches * _factor("inch")


_UNIT_NAMES = {"ft": "foot", "'": "foot", "feet": "foot", "foot": "foot", "in": "inch", '"': "inch", "inch": "inch",
               "inches": "inch", **_METRIC_NAMES}


def _bare_unit(text: str, units: Units, unit: str) -> str:
    """What a number without a unit is measured in, where the column or the show says it."""
    if unit:
        named = _UNIT_NAMES.get(unit.strip().lower().rstrip("."))
        if not named:
            raise Unclear(f"has the unit {unit!r}; expected m, cm, mm, ft or in")
        return named
    value = float(text)
    whole = text.isdigit()
    if units == "metric" and not whole:
        return "metre"
    if units == "metric" and value >= 30:
        return "centimetre" if value < 1000 else "millimetre"
    if units == "imperial" and whole and 20 <= value <= 99:
        return "inch"
    raise Unclear(f"has no unit; {_could_be(text)}")


def _could_be(text: str) -> str:
    feet, _, inches = text.partition(".")
    if inches and len(inches) <= 2 and int(inches) < 12:
        return f"it could be {feet}'{int(inches)}\", {text} ft or {text} m"
    return f"it could be {text} m, {text} cm, {text} ft or {text} in"
