"""From what the worker read of a clip to its facts; everything in it is untrusted."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime
from fractions import Fraction
from typing import Any

from ingest.records.clips import ClipFacts
from ingest.records.names import shown
from ingest.steps.clips.timecode import NoTimecode, parse

# Rates of the standards (SMPTE ST 12-1, ST 2036 and common practice): a container may round its ticks.
RATES = tuple(
    rate for n in (24, 25, 30, 48, 50, 60, 72, 96, 100, 120, 240) for rate in (Fraction(n * 1000, 1001), Fraction(n))
    if n not in (25, 50, 100) or rate.denominator == 1
)  # fmt: skip
_ROUNDING = 5e-5  # a microsecond in a frame of a fiftieth of a second
_LONGEST_S = 7 * 86_400.0
# Where files keep what we ask for, most telling first; keys as containers write them, lower case.
_MAKE = ("com.apple.quicktime.make", "make", "company_name", "manufacturer")
_MODEL = ("com.apple.quicktime.model", "model", "product_name")
_SERIAL = ("serial_number", "com.apple.proapps.cameraid", "camera_serial")
_LENS = ("com.apple.quicktime.lens", "com.apple.quicktime.camera.lens_model", "lens_model", "lens", "lens_type")
# No standard names these in a container, so every maker's key that ends so is believed (common practice, no source).
_LENS_SERIAL = ("lensserialnumber", "lensserialno", "lensserial")
_FOCAL = ("focallength", "focallengthmm")
_MILLIMETRES = re.compile(r"(\d{1,6}(?:\.\d{1,6})?)(?:/(\d{1,6}))?\s*(?:mm)?", re.I)
_PRIME = re.compile(r"(?<![-–\d.])(\d{1,4}(?:\.\d)?)\s*mm\b", re.I)
_REEL = ("reel_name", "com.apple.proapps.reel", "reel")


def understand(answer: Mapping[str, Any]) -> ClipFacts:
    """The facts in one file's answer of the worker's ``clips`` job.  Never raises: what makes no sense is
    None, with a word in ``problems``."""
    kind = _text(answer.get("kind")) or "unknown"
    if "refused" in answer or not answer.get("container"):
        why = _text(answer.get("refused")) or "its container cannot be read"
        return ClipFacts(kind=kind, readable=False, problems=(why,))
    problems: list[str] = []
    said = _metadata(answer.get("metadata"))
    rate = frame_rate(answer.get("rates", ()))
    label, drop = _timecode(_text(answer.get("timecode")), rate, problems)
    utc, local = _created(_creation_words(said), problems)
    frames = _whole(answer.get("frames"), 1 << 40)
    duration = _number(answer.get("duration_s"))
    if duration is None and frames and rate:
        duration = float(frames / rate)
    return ClipFacts(
        kind=kind,
        readable=True,
        duration_s=duration,
        frames=frames or None,
        width=_whole(answer.get("width"), 1 << 20) or None,
        height=_whole(answer.get("height"), 1 << 20) or None,
        frame_rate=rate,
        timecode=label,
        drop_frame=drop,
        created_utc=utc,
        created_shown=local,
        container=_text(answer.get("container")),
        codec=_text(answer.get("codec")),
        sound_channels=_whole(answer.get("sound_channels"), 1024) or 0,
        make=_first(said, _MAKE),
        model=_first(said, _MODEL),
        body_serial=_first(said, _SERIAL),
        lens=_first(said, _LENS),
        lens_serial=_ending(said, _LENS_SERIAL),
        focal_mm=_focal(_ending(said, _FOCAL), _first(said, _LENS)),
        reel=_first(said, _REEL),
        problems=tuple(problems),
    )


def frame_rate(given: Iterable[Any]) -> Fraction | None:
    """The first rate that makes sense (1/10 to 1000), drawn to a standard one within its rounding.

    >>> frame_rate(["60000/1", "500000/20833"])
    Fraction(24, 1)
    """
    for text in given if isinstance(given, (list, tuple)) else ():
        try:
            rate = Fraction(str(text)[:40])
        except (ValueError, ZeroDivisionError):
            continue
        if Fraction(1, 10) <= rate <= 1000:
            near = min(RATES, key=lambda r: abs(r - rate))
            return near if abs(near / rate - 1) < _ROUNDING else rate
    return None


def _timecode(label: str | None, rate: Fraction | None, problems: list[str]) -> tuple[str | None, bool | None]:
    if label is None:
        return None, None
    if rate is None:
        return label, None
    try:
        return label, parse(label, rate).drop
    except NoTimecode as error:
        problems.append(str(error))
        return None, None


def _creation_words(said: Mapping[str, str]) -> str | None:
    """Sound files state day and time of day apart (EBU Tech 3285, OriginationDate and OriginationTime)."""
    day, moment = said.get("date"), said.get("creation_time")
    if day and moment and len(moment) == 8 and len(day) == 10:
        return f"{day} {moment}"
    return moment or day


def _created(text: str | None, problems: list[str]) -> tuple[datetime | None, datetime | None]:
    if text is None:
        return None, None
    try:
        moment = datetime.fromisoformat(text.strip().replace("/", "-"))
    except ValueError:
        problems.append(f"creation time '{text[:40]}' is no date")
        return None, None
    # 1904 and 1970 are the zeros of the containers' clocks: nobody set them.
    if moment.year <= 1970:
        problems.append(f"creation time '{text[:40]}' was never set")
        return None, None
    if moment.tzinfo is None:
        return None, moment
    try:
        return moment.astimezone(UTC), None
    except OverflowError:
        problems.append(f"creation time '{text[:40]}' is no date")
        return None, None


def _metadata(value: Any) -> dict[str, str]:
    if not isinstance(value, Mapping):
        return {}
    texts = ((str(k).lower(), _text(v)) for k, v in value.items())
    return {k: v for k, v in texts if v}


def _first(said: Mapping[str, str], keys: Iterable[str]) -> str | None:
    return next((said[k] for k in keys if k in said), None)


def _ending(said: Mapping[str, str], endings: tuple[str, ...]) -> str | None:
    """What stands under a key that ends so, whatever signs part its words."""
    return next((v for k, v in said.items() if re.sub(r"[^a-z0-9]", "", k).endswith(endings)), None)


def _focal(stated: str | None, lens: str | None) -> float | None:
    """Millimetres as stated, else as the name of a prime has them.

    >>> _focal("32/1", None), _focal("50 mm", "32 mm"), _focal(None, "Orrel 32 mm T2"), _focal(None, "24-70 mm")
    (32.0, 50.0, 32.0, None)
    """
    match = _MILLIMETRES.fullmatch(stated.strip()) if stated else None
    primes = _PRIME.findall(lens) if lens else []
    millimetres = float(match[1]) / float(match[2] or 1) if match and float(match[2] or 1) else None
    if millimetres is None and len(primes) == 1:
        millimetres = float(primes[0])
    return millimetres if millimetres is not None and 1 <= millimetres <= 5000 else None


def _text(value: Any) -> str | None:
    if not isinstance(value, str):
        return None
    return shown(" ".join(value.split("\0")[0].split()))[:120] or None


def _whole(value: Any, most: int) -> int | None:
    return value if isinstance(value, int) and not isinstance(value, bool) and 0 <= value < most else None


def _number(value: Any) -> float | None:
    if not isinstance(value, (int, float)) or isinstance(value, bool):
        return None
    try:
        number = float(value)
    except OverflowError:
        return None
    return number if math.isfinite(number) and 0 < number <= _LONGEST_S else None
