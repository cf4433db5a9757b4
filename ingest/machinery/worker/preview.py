"""The preview beside a merged picture: tone-mapped, for looking only.

Global operator of Reinhard, Stark, Shirley and Ferwerda, "Photographic Tone Reproduction for Digital
Images" (2002), equations 1, 2 and 4: L_avg = exp(mean ln(d + L)), L_s = key L / L_avg,
L_d = L_s (1 + L_s / L_white^2) / (1 + L_s), colour kept by scaling RGB with L_d / L.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import cv2
import numpy as np
import numpy.typing as npt
import simplejpeg

KEY = 0.18
LUMINANCE = np.array([0.212639, 0.715169, 0.072192], np.float32)  # Rec.709, IEC 61966-2-1


def operator(luminance: npt.NDArray[Any], white: float) -> npt.NDArray[Any]:
    """Equation 4 on scaled luminance.

    >>> [round(float(v), 4) for v in operator(np.array([0.18, 1.0, 4.0]), np.inf)]
    [0.1525, 0.5, 0.8]
    """
    compressed: npt.NDArray[Any] = luminance * (1.0 + luminance / (white * white)) / (1.0 + luminance)
    return compressed


def tone_map(rgb: npt.NDArray[Any], inside: npt.NDArray[np.bool_] | None = None) -> npt.NDArray[np.uint8]:
    """(H, W, 3) linear Rec.709 to (H, W, 3) sRGB codes.  Negatives (out of gamut) show as black.

    Brightness is judged where ``inside`` (H, W) says, else where the picture is not black: the black
    around a fisheye's circle, or what no view showed, would make the rest too bright.
    """
    light = np.maximum(rgb.astype(np.float32), 0.0)
    luminance = light @ LUMINANCE
    judged = luminance if inside is None or not inside.any() else luminance[inside]
    seen = judged[judged > 0]
    if not seen.size:
        return np.zeros(light.shape, np.uint8)
    average = log_average(seen)
    scaled = luminance * (KEY / average)
    white = max(1.0, float(np.percentile(seen, 99.8)) * KEY / average)
    shown = operator(scaled, white)
    gain = shown / np.maximum(luminance, 1e-20)
    return codes(light * gain[..., None])


def log_average(seen: npt.NDArray[Any]) -> float:
    """Equation 1 over luminances above zero."""
    floor = float(np.percentile(seen, 50)) * 1e-3
    return float(np.exp(np.mean(np.log(floor + seen))))


def codes(light: npt.NDArray[Any]) -> npt.NDArray[np.uint8]:
    """Linear light, 1 = white, to sRGB codes (IEC 61966-2-1); what is over white is white."""
    mapped = np.nan_to_num(np.clip(light, 0.0, 1.0))
    encoded = np.where(mapped <= 0.0031308, 12.92 * mapped, 1.055 * mapped ** (1 / 2.4) - 0.055)
    return np.asarray((encoded * 255.0 + 0.5).astype(np.uint8))


def shrunk(rgb: npt.NDArray[Any], width: int) -> npt.NDArray[np.float32]:
    """A linear picture (H, W, 3) at most ``width`` wide, averaged over areas, so that a small lamp keeps its energy."""
    height, full = rgb.shape[:2]
    if full <= width:
        return np.asarray(rgb, np.float32)
    size = (width, max(1, round(height * width / full)))
    return np.asarray(cv2.resize(np.ascontiguousarray(rgb, np.float32), size, interpolation=cv2.INTER_AREA))


def jpeg(light: npt.NDArray[Any], quality: int = 85) -> bytes:
    """Linear light as a JPEG, clipped at white."""
    return bytes(simplejpeg.encode_jpeg(np.ascontiguousarray(codes(light)), quality, "RGB", "420"))


def make(
    rgb: npt.NDArray[Any], width: int, *, quality: int = 88, to_rec709: npt.NDArray[np.float64] | None = None,
    circles: Callable[[npt.NDArray[Any]], npt.NDArray[np.bool_] | None] | None = None,
) -> bytes:  # fmt: skip
    """A JPEG at most ``width`` wide of a linear picture (H, W, 3), float16 or float32.

    ``to_rec709`` takes its colours to Rec.709 where they are others; ``circles`` says from the luminance
    where a lens lit the picture, see :func:`tone_map`.
    """
    height, full = rgb.shape[:2]
    if full > width:
        size = (width, max(1, round(height * width / full)))
        step = max(1, full // (2 * width))  # area averaging on a thinned copy keeps the memory small
        small = cv2.resize(np.ascontiguousarray(rgb[::step, ::step]).astype(np.float32), size,
                           interpolation=cv2.INTER_AREA)
    else:
        small = rgb.astype(np.float32)
    if to_rec709 is not None:
        small = small @ to_rec709.T.astype(np.float32)
    inside = None if circles is None else circles(small @ LUMINANCE)
    return bytes(simplejpeg.encode_jpeg(np.ascontiguousarray(tone_map(small, inside)), quality, "RGB", "420"))
