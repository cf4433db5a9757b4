"""A decoded still before any judgement: codes as the file holds them, and what the file says of them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

#: Larger pictures are refused before their pixels are touched (a hostile header may claim anything).
LARGEST_PIXELS = 250_000_000


@dataclass(frozen=True, kw_only=True, slots=True)
class Profile:
    """What an embedded ICC matrix profile says (ICC.1:2010).

    ``to_xyz`` is RGB to XYZ D50, 3x3; ``curve`` is "linear", "srgb", "gamma 2.2" and the like or "table";
    ``decode`` the red channel's decoding sampled at 1024 equal steps from 0 to 1.
    """

    description: str
    to_xyz: npt.NDArray[np.float64]
    curve: str
    decode: npt.NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, slots=True)
class RawColour:
    """Colour facts of a raw file.  ``to_rec709`` takes white-balanced camera RGB to linear Rec.709
    (rows sum to 1); ``balance`` are the multipliers of R, G, B for the shot's white, green = 1."""

    to_rec709: npt.NDArray[np.float64]
    balance: tuple[float, float, float]
    balance_known: bool


@dataclass(frozen=True, kw_only=True, slots=True)
class Picture:
    """Codes of one still.

    ``codes`` is (H, W, C) uint8 or uint16, unrotated: C = 1 grey or mosaic, 3 otherwise; for ``layout``
    "ycc" the channels are Y, Cb, Cr of JFIF (full range, chroma centre 128), still with the rounding of
    the file's own components.  ``top`` is the largest code the format holds (255, 65535, the raw's
    white level).  ``black`` is the black level a channel (raw: a colour plane, else zeros).
    ``pattern`` is the mosaic's colour index (0 R, 1 G, 2 B) over its period, None otherwise.
    ``signature`` are facts that must agree within a set, by name.
    """

    source: str  # "jpeg", "tiff", "raw"
    layout: str  # "grey", "rgb", "ycc", "mosaic"
    codes: npt.NDArray[Any]
    top: float
    black: tuple[float, ...] = (0.0,)
    pattern: npt.NDArray[np.int64] | None = None
    orientation: int | None = None
    profile: Profile | None = None
    raw: RawColour | None = None
    signature: tuple[tuple[str, str], ...] = ()

    def with_codes(self, codes: npt.NDArray[Any]) -> Picture:
        return replace(self, codes=codes)
