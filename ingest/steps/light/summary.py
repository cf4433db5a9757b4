"""The light summary of one lat-long: repaired, integrated, its sources found, its key weighed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from ingest.records.lights import LightSummary, Triple
from ingest.steps.light import harmonics, sources
from ingest.steps.light.difference import compare
from ingest.steps.light.flux import LUMINANCE, Cells, irradiance, measure
from ingest.steps.panorama.raster import Floats, Layout, Raster
from ingest.steps.panorama.repair import repaired

AXES: tuple[Triple, ...] = ((1, 0, 0), (-1, 0, 0), (0, 1, 0), (0, -1, 0), (0, 0, 1), (0, 0, -1))


def summarise(
    picture: Floats,
    layout: Layout,
    *,
    coverage: Floats | None = None,
    support: Floats | None = None,
    previous: LightSummary | None = None,
    mended: int = 0,
) -> LightSummary:
    """What the light of a lat-long (H, W, 3; scene-linear Rec.709) is.

    ``coverage`` (H, W) is 0 where no view looked, as ``panorama`` writes it; the light from there is
    missing and the summary says how much of the sphere that is.  ``support`` (H, W) is how many frames hold each
    pixel, as ``merge`` writes it: where it is 0 all of them clip.  ``mended`` counts pixels the caller
    repaired already.
    """
    sound, more = repaired(picture)
    mended += more
    raster = Raster(height=sound.shape[0], width=sound.shape[1], layout=layout)
    cells = measure(sound, raster)
    clipped = None if support is None else np.asarray(support == 0)
    return _of_cells(sound, cells, mended, coverage, clipped, previous)


def _of_cells(
    picture: Floats, cells: Cells, mended: int, coverage: Floats | None, clipped: NDArray[np.bool_] | None,
    previous: LightSummary | None,
) -> LightSummary:
    raster = cells.raster
    if clipped is not None and coverage is not None:
        clipped = clipped & (coverage > 0)
    lights = sources.find(picture, cells, clipped=clipped)
    flux, vectors = cells.coarser(256)
    planes = np.array([*AXES, *(light.direction for light in lights[:1])], dtype=np.float64)
    on_planes = irradiance(vectors, flux, planes)
    unseen, notes = _unseen(coverage, raster)
    if any(light.at_least for light in lights):
        notes.append("A source clips in every frame: its light is at least what is said here.")
    if mended:
        notes.append(f"{mended} pixels were no finite numbers and were mended from their neighbours.")
    summary = LightSummary(
        width=raster.width,
        height=raster.height,
        layout=str(raster.layout),
        lights=lights,
        total_rgb=_triple(cells.flux.sum(axis=(0, 1))),
        sh_radiance=tuple(_triple(row) for row in harmonics.project(cells)),
        irradiance=tuple((axis, _triple(e)) for axis, e in zip(AXES, on_planes, strict=False)),
        key_to_fill=_key_to_fill(summary_key=lights[0].irradiance_rgb, whole=on_planes[-1]) if lights else None,
        repaired=mended,
        unseen_share=unseen,
        notes=tuple(notes),
    )
    if previous is None:
        return summary
    return replace(summary, difference=compare(summary, previous))


def _key_to_fill(*, summary_key: Triple, whole: Floats) -> float | None:
    key, both = float(np.dot(summary_key, LUMINANCE)), float(whole @ LUMINANCE)
    fill = both - key
    return both / fill if fill > 1e-6 * both else None


def _unseen(coverage: Floats | None, raster: Raster) -> tuple[float, list[str]]:
    if coverage is None:
        return 0.0, []
    share = float((raster.solid_angles() * (coverage <= 0)).sum() / (4 * np.pi))
    if share < 1e-4:
        return share, []
    return share, [f"No view shows {100 * share:.1f} % of the sphere; light from there is missing."]


def _triple(values: Floats) -> Triple:
    return (float(values[0]), float(values[1]), float(values[2]))
