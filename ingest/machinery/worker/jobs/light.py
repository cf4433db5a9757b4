"""The job ``light``: what the light of a lat-long EXR is.

Arguments: ``previous`` (whether a second probe follows), ``ball`` (None, or ``{"outline": [cx, cy, radius] or None,
"heading_deg": number or None, "reflectance": number or three,
"notes": doubts to repeat}``: a linear EXR of a photographed grey ball follows),
``sun`` (whether a clipped source may be estimated as the sun in a clear sky), ``outputs`` (names in the order of the
files to write: "convolved", "grey_ball", "mirror_ball", "estimated"), ``layout`` ("auto", "corners", "centres"),
``names`` ("probe", "previous" and "ball": the files' names, for refusals).
Files: the probe, the previous one and the ball if any, then the outputs (empty, readable, seekable).

The answer is a light summary as JSON.  Where an estimate was asked for it holds beside the measured lights, and never
among them, ``estimates`` (``steps/light/rescue.py``) and ``not_estimated`` (method and why).  "estimated" is the probe
with that light put back, said in its header; it stays empty where nothing was estimated.  Raises :class:`Unreadable`
for a file that is no lat-long, or no picture of a ball.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, BinaryIO

import cv2
import numpy as np

from ingest.errors import Unreadable
from ingest.machinery.worker import exr
from ingest.machinery.worker.jobs.linear_picture import Source
from ingest.records import rasters
from ingest.records.lights import Light, LightSummary
from ingest.steps.light import balls, rescue, summary
from ingest.steps.light.flux import LUMINANCE, Cells, irradiance, measure
from ingest.steps.light.rescue import Estimate
from ingest.steps.merging import colour
from ingest.steps.panorama.raster import Layout, Raster, layout_of
from ingest.steps.panorama.repair import repaired
from ingest.steps.sights import finding

OUTPUTS = ("convolved", "grey_ball", "mirror_ball", "estimated")
ALIKE = 1e-3  # half floats step by half of it
_LAYOUTS = {"corners": Layout.CORNERS, "centres": Layout.CENTRES}


def run(args: dict[str, Any], files: Sequence[BinaryIO], progress: Callable[[float], None]) -> dict[str, Any]:
    """See the module's text."""
    cv2.setNumThreads(1)
    outputs = [str(name) for name in args.get("outputs", ())]
    before: LightSummary | None = None
    rest = list(files[1:])
    if args.get("previous"):
        before = _summary(_source(rest.pop(0), args, "previous"), args, None).summary
        progress(0.3)
    ball = rest.pop(0) if args.get("ball") is not None else None
    if len(rest) != len(outputs) or any(name not in OUTPUTS for name in outputs):
        raise ValueError("the job light needs one file for each output it knows")
    probe = _summary(_source(files[0], args, "probe"), args, before)
    progress(0.6)
    answer = probe.summary.to_json()
    made: list[Estimate] = []
    if ball is not None or args.get("sun"):
        made, told = _estimates(probe, args, ball)
        answer |= told
    progress(0.8)
    for name, out in zip(outputs, rest, strict=True):
        if name != "estimated":
            _write(name, out, probe.pixels, probe.layout)
        elif made:
            _write_estimated(out, probe, made)
    progress(1.0)
    return answer


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class _Probe:
    summary: LightSummary
    pixels: Any
    layout: Layout
    white: float | None  # cd/m2 of pixel 1.0
    knows_clipping: bool

    @property
    def raster(self) -> Raster:
        return Raster(height=self.pixels.shape[0], width=self.pixels.shape[1], layout=self.layout)


def _source(file: BinaryIO, args: dict[str, Any], which: str) -> Source:
    return Source(file=file, name=str((args.get("names") or {}).get(which, "")))


def _summary(source: Source, args: dict[str, Any], before: LightSummary | None) -> _Probe:
    picture = source.picture()
    height, width = picture.rgb.shape[:2]
    if height < 4 or not 1.9 <= width / height <= 2.1:
        raise Unreadable(
            f"the picture is {width}x{height}; a lat-long of the whole sphere is twice as wide as high.",
            item=source.name, next="Project it first (`nightloader panorama`).",
        )
    layout = _LAYOUTS.get(str(args.get("layout", "auto"))) or layout_of(
        picture.rgb, says_latlong=picture.says_latlong, stated=picture.stated_centres
    )
    sound, mended = repaired(picture.rgb)
    support = picture.layers.get("support.frames")
    if support is None and "clipped" in picture.layers:  # a stitched picture tells it in a layer of its own
        support = 1 - picture.layers["clipped"]
    found = summary.summarise(
        sound, layout, coverage=picture.layers.get("coverage"), support=support, previous=before, mended=mended,
    )
    return _Probe(summary=found, pixels=sound, layout=layout, white=picture.white_luminance,
                  knows_clipping=support is not None)


def _estimates(
    probe: _Probe, args: dict[str, Any], ball: BinaryIO | None
) -> tuple[list[Estimate], dict[str, Any]]:
    """Estimates of what clipped sources lack, and what the answer says of them."""
    found, why_not, made = probe.summary, list[dict[str, str]](), list[Estimate]()
    sources = [light for light in found.lights if light.at_least][:3]
    notes = []
    if not sources and found.lights and not probe.knows_clipping:
        sources, words = _taken_for_clipped(probe)
        notes.append(f"The probe does not say what clips in every frame: {words} for it.")
    if not sources:
        return [], {"estimates": [], "not_estimated": [
            {"method": "any", "why": "no source clips in every frame; what was measured is all of it"}]}
    cells = measure(probe.pixels, probe.raster)
    if ball is not None:
        try:
            made = rescue.from_grey_ball(
                cells, [np.array(light.direction) for light in sources],
                _ball(_source(ball, args, "ball"), probe, dict(args["ball"]), notes),
            )
        except ValueError as error:
            why_not.append({"method": "grey ball", "why": str(error)})
    if args.get("sun") and not made:
        key = max(sources, key=lambda light: light.direction[1])
        if probe.white is None:
            why_not.append({"method": "sun's disc", "why": "the probe's header has no cd/m2 of pixel 1.0"})
        else:
            try:
                made = [rescue.from_sun(np.array(key.direction), key.irradiance_rgb, probe.white)]
            except ValueError as error:
                why_not.append({"method": "sun's disc", "why": str(error)})
    measured = {light.direction: light for light in sources}
    told = [{**one.to_json(), "with_it": _with_it(probe, cells, one, _nearest(measured, one)),
             "notes": [*notes, *one.notes]} for one in made]
    return made, {"estimates": told, "not_estimated": why_not}


def _taken_for_clipped(probe: _Probe) -> tuple[list[Light], str]:
    """What clips has the picture's largest values, all alike."""
    tops = probe.pixels.max(axis=(0, 1))
    alike = (probe.pixels >= tops * (1 - ALIKE)).any(axis=2)
    found = summary.summarise(probe.pixels, probe.layout, support=1.0 - alike)
    sources = [light for light in found.lights if light.at_least][:3]
    if sources:
        return sources, f"its brightest pixels ({alike.sum():,}, alike) were taken"
    return list(probe.summary.lights[:1]), "its strongest light was taken"


def _nearest(measured: dict[tuple[float, float, float], Light], one: Estimate) -> Light:
    return measured[max(measured, key=lambda d: float(np.dot(d, one.direction)))]


def _with_it(probe: _Probe, cells: Cells, one: Estimate, light: Light) -> dict[str, Any]:
    """The source with what was estimated: strength, by how many stops more than measured, and key to fill."""
    held, added = (np.array(v) for v in (light.irradiance_rgb, one.missing_rgb))
    flux, vectors = cells.coarser(256)
    whole = irradiance(vectors, flux, np.array([one.direction]))[0] + added
    before, after = float(held @ LUMINANCE), float((held + added) @ LUMINANCE)
    fill = float(whole @ LUMINANCE) - after
    return {
        "irradiance_rgb": [float(v) for v in held + added],
        "stops_over_measured": float(np.log2(after / before)) if before > 0 else None,
        "key_to_fill": float(whole @ LUMINANCE) / fill if fill > 0 else None,
        "share": after / (float(np.dot(probe.summary.total_rgb, LUMINANCE)) + float(added @ LUMINANCE)),
    }


def _ball(source: Source, probe: _Probe, said: dict[str, Any], notes: list[str]) -> rescue.BallPicture:
    """The photographed ball on the probe's scale."""
    picture = source.picture()
    sound, _ = repaired(picture.rgb)
    factor = 1.0
    notes += [str(note) for note in said.get("notes") or ()]
    if picture.white_luminance is not None and probe.white is not None:
        factor = picture.white_luminance / probe.white
    else:
        notes.append("A header does not say what pixel 1.0 is in cd/m2: ball and probe were taken to be on one scale.")
    outline = said.get("outline") or _seen(sound)
    cx, cy, radius = (float(v) for v in outline)
    height, width = sound.shape[:2]
    if not (radius >= 8 and cx - radius >= -0.5 and cx + radius <= width + 0.5 and cy - radius >= -0.5
            and cy + radius <= height + 0.5):
        raise Unreadable("the ball's outline does not lie in its picture, or is smaller than 16 pixels across.",
                         item="the grey ball", next="Give its centre and radius in pixels (--ball-outline CX,CY,R).")
    heading = said.get("heading_deg")
    reflectance = said.get("reflectance") or balls.GREY
    return rescue.on_scale(rescue.BallPicture(
        pixels=sound, outline=(cx, cy, radius), heading_deg=None if heading is None else float(heading),
        reflectance=reflectance,
    ), factor)


def _seen(light: Any) -> tuple[float, float, float]:
    """Where the grey ball lies in its picture."""
    codes = np.round(255 * np.clip(light / max(float(np.percentile(light, 99)), 1e-9), 0, 1) ** (1 / 2.2))
    seen = [s for s in finding.seek(codes.astype(np.uint8)) if s.what == "grey_ball"]
    if not seen:
        raise Unreadable("no grey ball is seen in it.", item="the grey ball",
                         next="Give its centre and radius in pixels (--ball-outline CX,CY,R).")
    corners = np.array(max(seen, key=lambda s: s.score).corners) * [light.shape[1], light.shape[0]]
    low, high = corners.min(axis=0), corners.max(axis=0)
    centre = (low + high) / 2 - 0.5
    return float(centre[0]), float(centre[1]), float((high - low).mean() / 2)


def _write_estimated(out: BinaryIO, probe: _Probe, made: Sequence[Estimate]) -> None:
    picture = rescue.with_sources(probe.pixels, measure(probe.pixels, probe.raster), made)
    words = "; ".join(dict.fromkeys(one.label for one in made))
    exr.write(out, {"RGB": np.ascontiguousarray(picture, dtype=np.float32)}, {
        "chromaticities": colour.CHROMATICITIES["rec709"], "envmap": "latlong", "wrapmodes": "periodic,clamp",
        rasters.ATTRIBUTE: str(probe.layout), "comments": f"with light put back that the frames do not hold: {words}",
        **({"whiteLuminance": probe.white} if probe.white is not None else {}),
    })


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
