"""The job ``light``: what the light of a lat-long EXR is.

Arguments: ``previous`` (whether a second probe follows), ``outputs`` (names in the order of the files to
write: "convolved", "grey_ball", "mirror_ball", "rescued"), ``layout`` ("auto", "corners", "centres"),
``ball`` (see ``rescued``).  Files: the probe, the previous one if any, then the outputs (empty,
readable, seekable).  The answer is a light summary as JSON.  Raises :class:`Unreadable` for a file that
is no lat-long.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any, BinaryIO

import cv2
import numpy as np

from ingest.errors import Unreadable
from ingest.machinery.worker import exr
from ingest.machinery.worker.jobs import linear_picture
from ingest.records import rasters
from ingest.records.lights import LightSummary
from ingest.steps.light import balls, summary
from ingest.steps.merging import colour
from ingest.steps.panorama.raster import Layout, Raster, layout_of
from ingest.steps.panorama.repair import repaired

OUTPUTS = ("convolved", "grey_ball", "mirror_ball")
_LAYOUTS = {"corners": Layout.CORNERS, "centres": Layout.CENTRES}


def run(args: dict[str, Any], files: Sequence[BinaryIO], progress: Callable[[float], None]) -> dict[str, Any]:
    """See the module's text."""
    cv2.setNumThreads(1)
    outputs = [str(name) for name in args.get("outputs", ())]
    before: LightSummary | None = None
    rest = list(files[1:])
    if args.get("previous"):
        before, _, _ = _summary(rest.pop(0), args, None)
        progress(0.3)
    if len(rest) != len(outputs) or any(name not in OUTPUTS for name in outputs):
        raise ValueError("the job light needs one file for each output it knows")
    found, picture, layout = _summary(files[0], args, before)
    progress(0.8)
    for name, out in zip(outputs, rest, strict=True):
        _write(name, out, picture, layout)
    progress(1.0)
    return found.to_json()


def _summary(
    source: BinaryIO, args: dict[str, Any], before: LightSummary | None
) -> tuple[LightSummary, Any, Layout]:
    picture = linear_picture.read(source)
    height, width = picture.rgb.shape[:2]
    if height < 4 or not 1.9 <= width / height <= 2.1:
        raise Unreadable(
            f"the picture is {width}x{height}; a lat-long of the whole sphere is twice as wide as high.",
            next="Project it first (`nightloader panorama`).",
        )
    layout = _LAYOUTS.get(str(args.get("layout", "auto"))) or layout_of(
        picture.rgb, says_latlong=picture.says_latlong, stated=picture.stated_centres
    )
    sound, mended = repaired(picture.rgb)
    found = summary.summarise(
        sound, layout, coverage=picture.layers.get("coverage"), support=picture.layers.get("support.frames"),
        previous=before, mended=mended,
    )
    return found, sound, layout


def _write(name: str, out: BinaryIO, picture: Any, layout: Layout) -> None:
    raster = Raster(height=picture.shape[0], width=picture.shape[1], layout=layout)
    facts: dict[str, Any] = {"chromaticities": colour.CHROMATICITIES["rec709"]}
    if name == "convolved":
        made = balls.convolved(picture, raster)
        facts |= {"envmap": "latlong", "wrapmodes": "periodic,clamp", rasters.ATTRIBUTE: rasters.ON_EDGES,
                  "comments": "irradiance by normal, divided by pi: the look of a white matte ball"}  # fmt: skip
    elif name == "grey_ball":
        made = balls.grey_ball(picture, raster)
        facts |= {"comments": "virtual matte grey ball, reflectance 0.18, seen from far along -Z"}
    else:
        made = balls.mirror_ball(picture, raster)
        facts |= {"comments": "virtual perfect mirror ball, seen from far along -Z"}
    exr.write(out, {"RGB": np.ascontiguousarray(made, dtype=np.float32)}, facts)
