"""The job ``panorama``: linear pictures of the views of one standpoint to one upright lat-long.

Arguments: ``lens`` (a lens file's content), ``views`` (how many pictures), ``width`` (None: as fine as the
pictures), ``level`` (``heading_deg``, ``pitch_deg``, ``roll_deg`` of a further turn), ``layouts`` (for a
lat-long: "auto", "corners" or "centres" per view), ``calibrate``, ``half`` (store half where it fits),
``picture`` (answer a picture of every finding as well: ``findings_picture``, a JPEG in base64, "" for no findings).
Files: one EXR per view, then the EXR to write (empty, readable, seekable).

The answer is the record: size, coverage, seam, findings, and the lens numbers used (refined ones with
their sigmas when asked to calibrate).  Raises :class:`Unreadable` for a picture that does not fit the
lens numbers.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from typing import Any, BinaryIO

import cv2
import numpy as np

from ingest.errors import Unreadable
from ingest.machinery.worker import exr
from ingest.machinery.worker.jobs import linear_picture, panorama_pictures
from ingest.machinery.worker.jobs.linear_picture import Source
from ingest.records import rasters
from ingest.records.checks import check
from ingest.records.lenses import LensFile, LensFileWrong
from ingest.steps.merging import colour
from ingest.steps.panorama import cameras, flare, level, record, seams
from ingest.steps.panorama.cameras import Camera, Equirect
from ingest.steps.panorama.projection import Projected, Projector
from ingest.steps.panorama.raster import Layout, Raster, layout_of
from ingest.steps.panorama.repair import repaired

Progress = Callable[[float], None]
_LAYOUTS = {"corners": Layout.CORNERS, "centres": Layout.CENTRES}
_KEPT = (
    "whiteLuminance", "expTime", "aperture", "isoSpeed", "capDate", "utcOffset", "cameraMake", "cameraModel",
    "cameraSerialNumber", "lensModel",
)  # fmt: skip
_WIDEST = 16384
_SMALLEST = 16  # pixels high and wide of a view


def run(args: dict[str, Any], files: Sequence[BinaryIO], progress: Progress) -> dict[str, Any]:
    """See the module's text."""
    cv2.setNumThreads(1)
    started = time.process_time()
    try:
        numbers = LensFile.from_json(args["lens"])
    except LensFileWrong as error:
        raise Unreadable(error.what, next=error.next) from error
    views = int(args["views"])
    if len(files) != views + 1 or views < 1:
        raise ValueError("the job panorama needs a file a view and one to write")
    sources, out = linear_picture.sources(files[:views], args.get("names")), files[views]
    findings: list[dict[str, Any]] = []
    turned = {k: float(v) for k, v in (args.get("level") or {}).items()}
    world = cameras.levelled(**turned)
    if args.get("calibrate") or _only_hinted(numbers, views):
        numbers, more = _calibrated(numbers, sources)
        findings += more
    progress(0.3 if args.get("calibrate") else 0.05)
    if numbers.kind == "lat-long":
        shown, agreement, header = _equirects(numbers, sources, args, world), None, sources[0].header()
        thin: list[Camera] = []
    else:
        header = sources[0].header()
        size = linear_picture.size(header)
        _fitting(numbers, [size, *(linear_picture.size(s.header()) for s in sources[1:])])
        try:
            numbers = numbers.scaled(*size)
        except LensFileWrong as error:
            raise Unreadable(error.what, next=error.next) from error
        shown = list(cameras.of_file(numbers, views, world=world))
        thin, agreement = _agreement(shown, sources)
    width = _width(args.get("width"), shown)
    raster = Raster(height=width // 2, width=width)
    powers = agreement.powers if agreement is not None and agreement.doubtful_share > 0 else None
    projector = Projector(raster, shown, powers=powers)
    mended = 0
    for i, source in enumerate(sources):
        picture = source.picture()
        sound, count = repaired(picture.rgb)
        mended += count
        support = picture.layers.get("support.frames")
        projector.add(i, sound, sigma=picture.layers.get("sigma.Y"), clipped=None if support is None else support == 0)
        progress(0.3 + 0.55 * (i + 1) / views)
        del picture, sound
    made = projector.finish()
    progress(0.88)
    kind = _write(out, made, header, numbers, half=bool(args.get("half", True)))
    more, checks = _looked_at(made, raster, numbers, thin, agreement)
    answer = record.of(numbers, made, raster, agreement, views=views, level=turned, findings=[*findings, *more],
                       mended=mended, checks=checks)
    answer["pixel_type"] = kind
    if args.get("picture"):
        told, sheet = panorama_pictures.pictured(answer["findings"], made, raster, agreement)
        answer |= {"findings": told, "findings_picture": sheet}
    answer["cpu_s"] = round(time.process_time() - started, 2)
    progress(1.0)
    return answer


def _fitting(numbers: LensFile, sizes: Sequence[tuple[int, int]]) -> None:
    """Raises Unreadable for pictures that one set of lens numbers cannot describe."""
    if min(min(size) for size in sizes) < _SMALLEST:
        raise Unreadable(f"a view of {min(sizes)[0]}x{min(sizes)[1]} pixels is too small.", next="Give whole pictures.")
    if numbers.kind != "mirror-ball" and len(set(sizes)) > 1:
        said = ", ".join(f"{w}x{h}" for w, h in dict.fromkeys(sizes))
        raise Unreadable(f"the views differ in size ({said}); one set of lens numbers holds for one size.",
                         next="Give views of one body, merged at one size.")  # fmt: skip


def _only_hinted(numbers: LensFile, views: int) -> bool:
    """Whether a ball's outline is a hint, which is there to be refined: each picture has the ball elsewhere."""
    return numbers.kind == "mirror-ball" and any(numbers.view(i).outline is None for i in range(views))


def _calibrated(numbers: LensFile, sources: Sequence[Source]) -> tuple[LensFile, list[dict[str, Any]]]:
    from ingest.steps.panorama.calibration import refine

    pictures = []
    for source in sources:
        picture = source.picture()
        sound, _ = repaired(picture.rgb)
        pictures.append(sound)
    return refine(numbers, pictures)


def _looked_at(
    made: Projected, raster: Raster, numbers: LensFile, thin: Sequence[Camera], agreement: seams.Agreement | None
) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """What the finished picture and its views' disagreement show, and which of these checks could be made."""
    found = level.find(cv2.transform(made.rgb, seams.LUMINANCE), raster)
    told = level.judge(found)
    checks = [check("tilt", found is not None and found.sure,
                    "it shows too few edges that stand upright to tell whether it stands level")]
    if agreement is None or agreement.directions is None or numbers.calibration != "exact":
        why = "its lens numbers are nominal, so views differ anyway" if agreement is not None else "it is one picture"
        checks.append(check("flare", False, why))
    else:
        more, share = flare.judge(thin, agreement.logs, agreement.directions)
        told += more
        seen_twice = check("flare", share > 0.02, "no place is shown by two lenses or views")
        checks.append(seen_twice | {"share": share})
    return told, checks


def _agreement(
    shown: Sequence[Camera | Equirect], sources: Sequence[Source]
) -> tuple[list[Camera], seams.Agreement]:
    """Thinned luminance of each view, once, for every camera on it; the thinned cameras."""
    thin: list[Camera] = []
    pictures = []
    for i, source in enumerate(sources):
        mine = [c for c in shown if isinstance(c, Camera) and c.view == i]
        factor = min(seams.thin_factor(c) for c in mine)
        picture = source.picture()
        sound, _ = repaired(picture.rgb)
        small = seams.thinned(sound, factor)
        for camera in mine:
            thin.append(seams.thinned_camera(camera, factor))
            pictures.append(small)
    return thin, seams.judge(thin, pictures)


def _equirects(
    numbers: LensFile, sources: Sequence[Source], args: dict[str, Any], world: Any
) -> list[Camera | Equirect]:
    layouts = list(args.get("layouts") or ())
    found: list[Camera | Equirect] = []
    for i, source in enumerate(sources):
        picture = source.picture()
        height, width = picture.rgb.shape[:2]
        if height < 4 or not 1.9 <= width / height <= 2.1:
            raise Unreadable(f"the lens numbers say lat-long, the picture is {width}x{height}.", item=source.name,
                             next="Give the lens numbers of this body.")  # fmt: skip
        word = str(layouts[i]) if i < len(layouts) else "auto"
        layout = _LAYOUTS.get(word) or layout_of(
            picture.rgb, says_latlong=picture.says_latlong, stated=picture.stated_centres
        )
        raster = Raster(height=height, width=width, layout=layout)
        stands = world @ cameras.standing(numbers.view(i))
        found.append(Equirect(view=i, raster=raster, from_world=np.asarray(stands.T)))
    return found


def _width(asked: object, shown: Sequence[Camera | Equirect]) -> int:
    """Even; without a wish as fine as the pictures in their middle."""
    if asked is not None:
        width = asked if isinstance(asked, int) else 0
        if not 8 <= width <= _WIDEST or width % 2:
            raise Unreadable(f"a width of {width} cannot be made.", next=f"Give an even one from 8 to {_WIDEST}.")
        return width
    finest = max(c.pixels_per_radian for c in shown)
    return int(min(_WIDEST, max(64, 2 * round(np.pi * finest))))


def _write(out: BinaryIO, made: Projected, header: dict[str, Any], numbers: LensFile, *, half: bool) -> str:
    facts: dict[str, Any] = {
        "chromaticities": colour.CHROMATICITIES["rec709"],
        "envmap": "latlong",
        rasters.ATTRIBUTE: rasters.ON_EDGES,
        "wrapmodes": "periodic,clamp",
        **{name: header[name] for name in _KEPT if header.get(name) not in (None, "")},
        "comments": f"lat-long from {numbers.kind}, {numbers.calibration} lens numbers; OpenEXR raster, +Y up, "
                    "centre +Z = heading 0",
    }  # fmt: skip
    top = float(made.rgb.max())
    fits = half and top < 0.9 * exr.HALF_MAX
    kind = np.float16 if fits else np.float32
    layers = {"coverage": made.coverage.astype(np.float16)}
    if made.clipped is not None:  # where every frame clips, as the merged views told
        layers["clipped"] = made.clipped.astype(np.float16)
    exr.write(out, {"RGB": made.rgb.astype(kind), **layers}, facts)
    return "half" if fits else "float"
