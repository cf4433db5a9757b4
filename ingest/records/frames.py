"""A frame: one exposure, as the grouping sees it (raw and JPEG of one number are one frame)."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True, slots=True)
class Frame:
    """One exposure with all evidence the grouping may weigh.

    ``id`` is stable and order-free (the digest of its first file).  ``body`` names the camera
    (make|model|serial, "" where the header is silent).  ``time_s`` is true time in seconds since the
    epoch after the body's clock offset, with ``time_sigma_s``; None where the header has no time.
    ``shown_s`` is the body's own wall clock as seconds (naive, no zone) and ``tick_s`` its resolution
    (1.0 without sub-seconds, 0.01 with two digits).  ``exposure_ev`` is log2(t x ISO/100 / N^2), so
    that a brighter setting is a larger number; None when unknown (N missing counts as fixed 1).
    ``log2_brightness`` is the picture's mean linear level.  ``card`` and ``card_index`` are the order on
    the card (index in DCF order within the card).  ``number`` is the DCF file number and ``prefix`` the
    four free characters; ``folder_number`` the DCF folder's.  ``usable`` is false where no file of the
    frame decodes.  ``bracketed`` is true where the header says auto bracket, None where it is silent.
    """

    id: str
    body: str = ""
    time_s: float | None = None
    time_sigma_s: float = 0.0
    shown_s: float | None = None
    tick_s: float = 1.0
    exposure_ev: float | None = None
    exposure_s: float | None = None
    f_number: float | None = None
    iso: float | None = None
    log2_brightness: float | None = None
    card: str = ""
    card_index: int = 0
    prefix: str = ""
    number: int | None = None
    folder_number: int | None = None
    width: int | None = None
    height: int | None = None
    focal_mm: float | None = None
    orientation: int = 1
    usable: bool = True
    bracketed: bool | None = None
    exposure_bias_ev: float | None = None
    composite: bool = False
