"""The standard attributes of a merged picture (OpenEXR "Standard Optional Attributes").

``expTime``, ``aperture`` and ``isoSpeed`` are those of the darkest frame (the record lists all).
``capDate`` is local time and ``utcOffset`` is what to *add* to it for UTC, so its sign is opposite to
Exif's OffsetTime.  ``whiteLuminance`` is that of the reference exposure at which pixel 1.0 saturates.
"""

from __future__ import annotations

from typing import Any

from ingest.records import rasters
from ingest.records.merges import MergeFrame, MergeRequest
from ingest.steps.merging import colour


def standard(request: MergeRequest, order: tuple[int, ...]) -> dict[str, Any]:
    """Attributes by name; absent facts are left out.  ``order`` are the frames from dark to bright.

    The capture date is that of the earliest frame, as the probe begins there.
    """
    frames = [request.frames[i] for i in order]
    darkest = frames[0]
    dated = sorted((f for f in frames if f.captured), key=lambda f: f.captured)
    first = dated[0] if dated else darkest
    made: dict[str, Any] = {
        "chromaticities": colour.CHROMATICITIES[request.colour_space],
        "whiteLuminance": request.white_luminance,
        "expTime": darkest.exposure_s,
        "aperture": darkest.f_number,
        "isoSpeed": darkest.iso,
        "capDate": first.captured,
        "utcOffset": None if first.utc_offset_s is None or not first.captured else -float(first.utc_offset_s),
        "cameraMake": _common(frames, "make"),
        "cameraModel": _common(frames, "model"),
        "cameraSerialNumber": _common(frames, "serial"),
        "lensModel": _common(frames, "lens"),
        "comments": f"{len(frames)} exposures merged; pixel 1.0 saturates at "
        f"{_fraction(request.reference_exposure_s)}, f/{request.reference_f_number:.4g}, "
        f"ISO {request.reference_iso:g}; luminance not calibrated"
        + ("; a colour matrix from the body's chart is applied, its record has the figures" if request.matrix else ""),
    }
    if request.kind == "lat-long":
        made["envmap"] = "latlong"
        made["wrapmodes"] = "periodic,clamp"
        made[rasters.ATTRIBUTE] = rasters.INSIDE  # a camera's own pixels, not OpenEXR's raster
    return {k: v for k, v in made.items() if v is not None and v != ""}


def _common(frames: list[MergeFrame], name: str) -> str:
    """The fact where all frames that state it agree, else nothing."""
    found = {str(getattr(f, name)).strip() for f in frames} - {""}
    return found.pop() if len(found) == 1 else ""


def _fraction(seconds: float) -> str:
    return f"1/{1 / seconds:g} s" if seconds < 1 else f"{seconds:g} s"
