"""What is said about a panorama beside its pixels."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from ingest.records.findings import finding
from ingest.records.lenses import LensFile
from ingest.steps.panorama.projection import Projected
from ingest.steps.panorama.raster import Raster
from ingest.steps.panorama.seams import Agreement

SEAM_STOPS = 0.05  # a step the eye finds in a smooth sky; common practice, no source
NEAR_SHARE = 0.002  # of the sphere in doubt before it is worth a person's look


def of(
    numbers: LensFile, made: Projected, raster: Raster, agreement: Agreement | None, *, views: int,
    level: dict[str, float], findings: Sequence[dict[str, Any]], mended: int,
    checks: Sequence[dict[str, Any]] = (),
) -> dict[str, Any]:  # fmt: skip
    """The record of one panorama."""
    seen = made.coverage > 0
    solid = raster.solid_angles()
    unseen = float(solid[~seen].sum())
    coverage = {"share": 1 - unseen / (4 * np.pi), "unseen_sr": unseen, "twice_share": _twice(made, raster)}
    return {
        "width": raster.width,
        "height": raster.height,
        "layout": str(raster.layout),
        "axes": "+Y up, +Z at the centre (heading 0), +X a quarter from the left",
        "kind": numbers.kind,
        "calibration": numbers.calibration,
        "views": views,
        "level": dict(level),
        "lens": numbers.to_json(),
        "coverage": coverage,
        "seam": None if agreement is None else agreement.to_json(),
        "dropped_share": made.strong_share,
        "mended_pixels": mended,
        "findings": [*findings, *_findings(numbers, agreement)],
        "checks": list(checks),
        "notes": [*numbers.notes, *_notes(mended)],
    }


def _notes(mended: int) -> list[str]:
    return [f"{mended} pixels were no finite numbers and were mended from their neighbours."] if mended else []


def _twice(made: Projected, raster: Raster) -> float:
    return float(raster.solid_angles()[made.coverage > 1].sum() / (4 * np.pi))


def _findings(numbers: LensFile, agreement: Agreement | None) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = []
    if numbers.calibration != "exact" and numbers.kind in ("dual-fisheye", "fisheye"):
        found.append(finding(
            "uncalibrated", "note",
            "These lens numbers are nominal: directions may be degrees off, the picture is usable.",
            "Shoot one position with four headings and calibrate once with --calibrate.", confidence=1.0,
        ))  # fmt: skip
    if agreement is None:
        return found
    if agreement.level_stops is not None and agreement.level_stops > SEAM_STOPS:
        found.append(finding(
            "seam", "note", f"The lenses differ by {agreement.level_stops:.2f} stops where they meet.",
            "Calibrate falloff and gain of this body (--calibrate).", confidence=0.95,
            amount=agreement.level_stops, unit="stops",
        ))  # fmt: skip
    if agreement.doubtful_share > NEAR_SHARE:
        worst = agreement.doubtful[0] if agreement.doubtful else None
        found.append(finding(
            "near_objects", "note",
            f"{100 * agreement.doubtful_share:.1f} % of the sphere looks different from two lens centres: near things, "
            "or something that moved.",
            "Trust directions there less; keep things a few metres away from the camera.", confidence=0.8,
            direction=None if worst is None else worst[0], amount=None if worst is None else worst[1], unit="stops",
        ))  # fmt: skip
    return found
