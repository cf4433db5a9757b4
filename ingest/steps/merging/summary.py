"""From the plan and what the pixel pass counted to the record."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from ingest.records.merges import FrameOutcome, MergeRecord, MergeRequest
from ingest.steps.merging import verdicts
from ingest.steps.merging.calibration import Plan

#: cd/m2 of what clips most often (from memory; TRADE section 3).
KNOWN_CD_M2 = {"the sun": 1.6e9, "a bare filament": 1e7, "a frosted bulb": 1e5}
SUN_SR, SUN_AT_MOST = 6.8e-5, 30.0  # its disc, and how far its glow may have widened what clips


class Counted(Protocol):
    """What the pixel pass counted; see the job."""

    width: int
    height: int
    pixel_type: str
    scale: float
    clipped: npt.NDArray[np.int64]
    at_rail: bool
    lit: float
    doubtful: float
    moved: float
    moved_by_frame: tuple[float, ...]
    statistics: dict[str, Any]


_ALONE = verdicts.Compared()


def record(
    request: MergeRequest, order: tuple[int, ...], plan: Plan, counted: Counted, written: dict[str, Any],
    layers: tuple[str, ...], seconds: dict[str, float], told: Sequence[Mapping[str, Any]] = (),
    checks: Sequence[Mapping[str, Any]] = (), compared: verdicts.Compared = _ALONE,
) -> MergeRecord:  # fmt: skip
    """The record of one merge; ``told`` are findings made from headers and frames, ``checks`` which of these could be
    made, ``compared`` what these could tell of movement and of a turn."""
    frames = tuple(_outcome(request, order, plan, counted, k) for k in range(len(order)))
    clipped = clipped_facts(request, counted)
    found = verdicts.findings(request, plan, clipped if counted.at_rail else None, counted.moved,
                              counted.moved_by_frame, counted.doubtful, told, width=counted.width,
                              compared=compared)
    return MergeRecord(
        width=counted.width, height=counted.height, kind=request.kind, source=plan.source,
        colour_space=request.colour_space,
        pixel_type=counted.pixel_type, scale=counted.scale, white_luminance=request.white_luminance, calibrated=False,
        frames=frames, reference_frame=order[plan.reference], response=plan.response,
        noise={"floor": plan.noise.floor, "gain": plan.noise.gain, "measured": plan.noise.measured},
        clipped=clipped, stops_covered=stops(plan), movement_share=counted.moved, statistics=counted.statistics,
        attributes={k: list(v) if isinstance(v, tuple) else v for k, v in written.items()}, layers=layers,
        findings=tuple(f.to_json() for f in found), checks=tuple(checks), done=plan.done, curve=plan.curve,
        seconds=seconds,
    )  # fmt: skip


def _outcome(request: MergeRequest, order: tuple[int, ...], plan: Plan, counted: Counted, k: int) -> FrameOutcome:
    f = request.frames[order[k]]
    return FrameOutcome(
        index=order[k], name=f.name, digest=f.digest, exposure_s=f.exposure_s, f_number=f.f_number, iso=f.iso,
        nominal=f.nominal, correction=plan.corrections[k], sigma=plan.sigmas[k],
        shift_px=None if plan.shifts is None else plan.shifts[k],
        flicker=plan.flickered[k], moved_share=counted.moved_by_frame[k] if counted.moved_by_frame else 0.0,
        clipped_share=plan.clip_shares[k], clip_code=plan.clip_codes[k],
    )  # fmt: skip


def labels(record: MergeRecord) -> list[list[str]]:
    """What the comparison picture says of each frame, from dark to bright."""
    out = []
    for n, f in enumerate(record.frames, 1):
        time = f"1/{1 / f.exposure_s:.4g} s" if f.exposure_s < 0.4 else f"{f.exposure_s:.4g} s"
        rest = [f"f/{f.f_number:.3g}" if f.f_number else "", f"ISO {f.iso:g}" if f.iso else ""]
        moved = [f"moved {np.hypot(*f.shift_px):.2f} px"] if f.shift_px else []
        left = [f"{100 * f.moved_share:.2g} % left out"] if f.moved_share else []
        out.append([
            f"{n}  {' '.join(v for v in (time, *rest) if v)}",
            f"exposure {100 * (f.correction - 1):+.2f} % +- {100 * f.sigma:.2f} %{', flickered' if f.flicker else ''}",
            ", ".join([f"{100 * f.clipped_share:.2g} % clipped", *left, *moved]),
        ])  # fmt: skip
    return out


def heading(record: MergeRecord) -> list[str]:
    """The comparison picture's first lines."""
    return [
        f"{len(record.frames)} frames to one picture, {record.width} x {record.height}, "
        f"{record.stops_covered:.1f} stops; {'; '.join(record.done)}",
        "No findings." if not record.findings else
        "Findings: " + ", ".join(f"{f['kind'].replace('_', ' ')}" for f in record.findings),
    ]  # fmt: skip


def stops(plan: Plan) -> float:
    """From the noise floor of the longest frame to the clip level of the shortest, in stops."""
    shortest, longest = plan.models[0], plan.models[-1]
    low = max(np.sqrt(longest.floor), 1e-9) / longest.s
    return round(float(np.log2(shortest.clip / shortest.s / low)), 2)


def clipped_facts(request: MergeRequest, counted: Counted) -> dict[str, Any]:
    """Share of the lens's pixels that no frame held, and for a lat-long the solid angle they fill.

    Solid angle of a pixel of row y of H (pixel edges at the poles, as cameras write): exact rows,
    2 pi / W (cos t0 - cos t1).
    """
    pixels = int(counted.clipped.sum())
    facts: dict[str, Any] = {
        "pixels": pixels, "share": pixels / max(1.0, counted.width * counted.height * counted.lit),
        "solid_angle_sr": None, "stops": None, "ceiling_cd_m2": None, "over": {},
    }  # fmt: skip
    ceilings = [f.ceiling_cd_m2 for f in request.frames]
    if all(c is not None for c in ceilings):
        top = max(c for c in ceilings if c is not None)
        facts["ceiling_cd_m2"] = top
        facts["over"] = {name: max(0.0, float(np.log2(level / top))) for name, level in KNOWN_CD_M2.items()}
    if request.kind == "lat-long":
        # a sun is small; what its glow adds around it clips too
        edges = np.cos(np.pi * np.arange(counted.height + 1) / counted.height)
        rows = 2 * np.pi / counted.width * (edges[:-1] - edges[1:])
        facts["solid_angle_sr"] = angle = float(np.sum(rows * counted.clipped))
        pixel = (2 * np.pi / counted.width) ** 2
        if facts["over"] and 0 < angle < max(SUN_AT_MOST * SUN_SR, 9 * pixel):
            facts["stops"] = facts["over"]["the sun"]
    return facts
