"""The job ``looks``: a merged picture as a person looks at it before opening it.

Arguments: ``width`` (pixels of each picture), ``stops`` (exposures relative to the picture's middle grey), ``kind``
(lat-long, fisheye, ...: which part of it a lens lit).  File: the EXR.

Answer: ``exposures`` and, of a lat-long, ``balls``, each a list of ``{name, jpeg (base 64), width, height}``;
``histogram``, the shares of the lit picture by whole stops of radiance from dark to bright, and ``from_stop``, the log2
of pixel value where it begins.
"""

from __future__ import annotations

import base64
from collections.abc import Callable, Sequence
from typing import Any, BinaryIO

import cv2
import numpy as np
import numpy.typing as npt

from ingest.machinery.worker import preview
from ingest.machinery.worker.jobs import linear_picture
from ingest.steps.light import balls, flux
from ingest.steps.merging import image_circle
from ingest.steps.panorama.raster import Layout, Raster, sample

BALL = 160  # pixels across
MAP = 512  # pixels around of the map that the balls are lit by: half a pixel of the mirror ball in its middle
DIFFUSE = 64  # normals around for which the light on a matte surface is added up
_JUDGED = 1_000_000  # pixels say how bright a picture is as well as eight times as many
MOST_STOPS = 48  # bars of the histogram; radiance beyond is counted in the last one


def run(args: dict[str, Any], files: Sequence[BinaryIO], progress: Callable[[float], None]) -> dict[str, Any]:
    """See the module's text.  Raises Unreadable for what is no picture."""
    cv2.setNumThreads(1)
    width = min(4096, max(16, int(args.get("width", 480))))
    stops = [float(s) for s in args.get("stops", (-4, 0, 4))][:9]
    picture = linear_picture.read(files[0])
    progress(0.5)
    rgb = clean(picture.rgb)
    luminance = cv2.transform(rgb, preview.LUMINANCE[None])
    inside = image_circle.inside(luminance, kind=str(args.get("kind", "flat")))
    lit = luminance[luminance > 0] if inside is None or not inside.any() else luminance[inside & (luminance > 0)]
    shares, first = histogram(lit)
    small = preview.shrunk(rgb, width)
    gain = preview.KEY / preview.log_average(lit[:: 1 + lit.size // _JUDGED]) if lit.size else 1.0
    progress(0.7)
    answer: dict[str, Any] = {
        "exposures": [_picture(f"{stop:+g}", small * np.float32(gain * 2.0**stop)) for stop in stops],
        "balls": [], "histogram": shares, "from_stop": first,
    }
    height, full = rgb.shape[:2]
    if picture.says_latlong and lit.size and 1.9 <= full / height <= 2.1:
        lights = preview.shrunk(rgb, MAP)
        raster = Raster(height=lights.shape[0], width=lights.shape[1], layout=Layout.CENTRES)
        answer["balls"] = [_picture("grey", grey_ball(lights, raster) * gain),
                           _picture("mirror", balls.mirror_ball(lights, raster, size=BALL, parts=2) * gain)]
    progress(1.0)
    return answer


def clean(rgb: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
    """Without negative light and without what is no number; infinity is very bright."""
    light = np.maximum(rgb, 0.0)
    if not np.isfinite(light.max()) or not np.isfinite(light.min()):  # looking costs a tenth of mending
        light = np.nan_to_num(light, copy=False, nan=0.0, posinf=1e30)
    return light


def grey_ball(lights: npt.NDArray[Any], raster: Raster) -> npt.NDArray[Any]:
    """(BALL, BALL, 3) radiance of a matte ball as :func:`ingest.steps.light.balls.grey_ball` makes it, from fewer
    normals and cells: within 2 % of its brightest, in a fiftieth of the time."""
    cells, vectors = flux.measure(lights, raster, columns=32).coarser(32)
    around = Raster(height=DIFFUSE // 2, width=DIFFUSE)
    normals, inside = balls.ball_normals(BALL)
    turned = around.directions().reshape(-1, 3)
    faces = turned[:, 2] < 0.3  # the ball's other side is not seen; a little of it is, between two normals
    light = np.zeros((len(turned), 3))
    light[faces] = flux.irradiance(vectors, cells, turned[faces]) / np.pi
    look = sample(light.reshape(around.height, around.width, 3), around, normals)
    return np.asarray(look * balls.GREY * inside[..., None])


def histogram(lit: npt.NDArray[Any]) -> tuple[list[float], int | None]:
    """Shares of luminances (all above zero) by whole stops, and the stop at which they begin."""
    if not lit.size:
        return [], None
    stops = np.frexp(lit)[1] - 1  # floor(log2), a tenth of the time
    first = max(int(stops.min()), int(stops.max()) - MOST_STOPS + 1)
    counts = np.bincount(np.maximum(stops - first, 0))
    return [round(float(n) / lit.size, 6) for n in counts], first


def _picture(name: str, light: npt.NDArray[Any]) -> dict[str, Any]:
    return {
        "name": name, "jpeg": base64.b64encode(preview.jpeg(light)).decode("ascii"), "width": int(light.shape[1]),
        "height": int(light.shape[0]),
    }
