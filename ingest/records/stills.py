"""What the header of a still says, as the camera wrote it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction


@dataclass(frozen=True, kw_only=True, slots=True)
class StillHeader:
    """Header facts of one still file, nothing snapped or corrected.  None means "not said".

    Ratios stay ratios.  ``exposure_time_s`` is seconds, from ExposureTime or else ShutterSpeedValue
    (then ``exposure_from_apex``); zero, 0/0 and absurd values are None with a word in ``problems``.
    ``taken`` is the body's own wall clock (naive) including sub-seconds; ``subsec_digits`` how many
    digits it gave (0: whole seconds).  ``utc_offset_s`` is local minus UTC (Exif OffsetTimeOriginal).
    ``drive`` and ``bracket`` are free words from the header where it has them ("auto bracket").
    """

    make: str | None = None
    model: str | None = None
    body_serial: str | None = None
    lens_make: str | None = None
    lens_model: str | None = None
    lens_serial: str | None = None
    exposure_time_s: Fraction | None = None
    exposure_from_apex: bool = False
    f_number: Fraction | None = None
    iso: int | None = None
    exposure_bias_ev: Fraction | None = None
    exposure_mode: int | None = None  # Exif A402: 0 auto, 1 manual, 2 auto bracket
    exposure_program: int | None = None  # Exif 8822
    taken: datetime | None = None
    subsec_digits: int = 0
    utc_offset_s: int | None = None
    focal_length_mm: float | None = None
    width: int | None = None
    height: int | None = None
    orientation: int = 1
    white_balance: int | None = None  # Exif A403
    colour_space: int | None = None  # Exif A001: 1 sRGB, 65535 uncalibrated
    composite: bool = False  # Exif A460 = 3: merged in camera, never a bracket member
    drive: str | None = None
    image_number: int | None = None
    reader: str = ""  # which reader gave this
    problems: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True, slots=True)
class StillLook:
    """What a small decode of the picture says: evidence beside the header.

    ``log2_brightness`` is the log2 of the mean linear level (1.0 = saturation) of a small decode;
    ``two_circles`` whether it looks like two fisheye circles; None where nobody could say.
    ``decodes`` is false for a truncated, zero-byte or all-zero picture, ``trouble`` says why.
    """

    decodes: bool
    trouble: str = ""
    log2_brightness: float | None = None
    width: int | None = None
    height: int | None = None
    two_circles: bool | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class StillFile:
    """One still file on a card: what content (``digest`` as ``xxh3_128:<hex>``), where (``card`` id, ``path``
    relative to the card's root), and what its header and its picture said (None: unreadable)."""

    digest: str
    card: str
    path: str
    header: StillHeader | None = None
    look: StillLook | None = None
