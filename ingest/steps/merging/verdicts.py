"""What a person should know of a merged set: findings from the plan and from what the pixels showed.

Each has the fields of every finding and of a probe's: kind, item, severity, what, next, confidence,
frames (indices dark to bright), direction, amount, unit.  Thresholds are stated beside their reason.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from ingest.records.findings import Finding, Severity
from ingest.records.merges import MergeRequest
from ingest.steps.merging.calibration import Plan

#: Stops by which a frame must leave its exposure for the light (or the aperture) to have changed: above
#: what shutters do (LIGHT: 0.05 stops).
LIGHT_STOPS = 0.05
#: Red or blue against green, of a frame against its set.
WHITE = 0.028
#: Share of the picture in which some frame was left out.
MOTION = 0.001


def findings(
    request: MergeRequest, order: tuple[int, ...], plan: Plan, clipped: dict[str, Any], moved: float,
    moved_by_frame: tuple[float, ...], doubtful: float, *, item: str = "",
) -> tuple[Finding, ...]:  # fmt: skip
    """All findings of one merge, worst first.  ``doubtful`` is the share of pixels known to no better
    than a quarter of their value."""
    found = [
        *_clipped(clipped, item),
        *_missing_step(plan, item),
        *_motion(moved, moved_by_frame, item),
        *_camera(request, plan, item),
        *_light(plan, item),
        *_white(plan, item),
        *_mixed(request, order, item),
        *_noise(doubtful, item),
    ]
    rank = {Severity.LOSS: 0, Severity.PERSON: 1, Severity.NOTE: 2}
    return tuple(sorted(found, key=lambda f: rank[f.severity]))


def _finding(
    kind: str, item: str, severity: Severity, what: str, do: str, *, confidence: float, frames: list[int],
    amount: float | None, unit: str,
) -> Finding:  # fmt: skip
    more = {"confidence": round(min(1.0, max(0.0, confidence)), 3), "frames": frames, "direction": None,
            "amount": amount, "unit": unit}  # fmt: skip
    return Finding(kind=kind, item=item, severity=severity, what=f"{what[0].upper()}{what[1:]}.", next=do, more=more)


def _clipped(clipped: dict[str, Any], item: str) -> list[Finding]:
    if not clipped["pixels"]:
        return []
    angle = clipped["solid_angle_sr"]
    where = f", {angle:.2e} sr" if angle is not None else ""
    return [_finding(
        "clipped", item, Severity.PERSON,
        f"{clipped['pixels']} pixels ({100 * clipped['share']:.3g} %{where}) are clipped even in the shortest "
        "exposure; the picture holds their lower bound",
        "Shoot shorter exposures, or take the source's energy from the grey ball.",
        confidence=1.0, frames=[0], amount=clipped["stops"], unit="stops",
    )]  # fmt: skip


def _missing_step(plan: Plan, item: str) -> list[Finding]:
    steps = np.diff(np.log2(plan.units))
    usual = float(np.median(steps)) if len(steps) else 0.0
    out = []
    for k, step in enumerate(steps):
        if len(steps) >= 2 and step > max(1.6 * usual, usual + 0.5):
            out.append(_finding(
                "missing_step", item, Severity.PERSON,
                f"{step:.2f} stops lie between two neighbouring exposures, {usual:.2f} between the others",
                "Look for the missing frame on the card; the merge is noisier between the two.",
                confidence=0.9, frames=[k, k + 1], amount=round(float(step - usual), 3), unit="stops",
            ))  # fmt: skip
    return out


def _motion(moved: float, by_frame: tuple[float, ...], item: str) -> list[Finding]:
    if moved < MOTION:
        return []
    frames = [k for k, share in enumerate(by_frame) if share > MOTION / 4]
    return [_finding(
        "motion", item, Severity.NOTE,
        f"something moved in {100 * moved:.3g} % of the picture; there fewer frames count",
        "Look at the preview there; shoot again if the place matters.",
        confidence=moved / (moved + MOTION), frames=frames, amount=round(100 * moved, 4), unit="percent",
    )]  # fmt: skip


def _camera(request: MergeRequest, plan: Plan, item: str) -> list[Finding]:
    if plan.shifts is None or plan.alignment is None:
        return []
    sizes = [float(np.hypot(*s)) for s in plan.shifts]
    far = max(sizes)
    width = plan.stack.shape[1] * plan.stack.encoding.period
    degrees = request.kind == "lat-long"
    amount = far * 360.0 / width if degrees else far
    frames = [k for k, s in enumerate(sizes) if s > max(0.04, 4 * plan.alignment.sigma)]
    return [_finding(
        "camera_moved", item, Severity.NOTE,
        f"the camera moved by up to {far:.2f} pixels between frames; they were aligned",
        "Steady the camera for the next probe; a lat-long cannot be aligned by a shift alone."
        if degrees else "Steady the camera for the next probe.",
        confidence=1 - np.exp(-far / max(plan.alignment.sigma, 1e-3) / 4), frames=frames, amount=round(amount, 4),
        unit="degrees" if degrees else "pixels",
    )]  # fmt: skip


def _light(plan: Plan, item: str) -> list[Finding]:
    if not plan.refined:
        return []
    off = np.log2(plan.corrections)
    off = off - np.median(off)
    bad = [k for k in range(len(off)) if abs(off[k]) > LIGHT_STOPS + 3 * plan.sigmas[k]]
    if not bad:
        return []
    worst = max(bad, key=lambda k: abs(off[k]))
    side = "brighter" if off[worst] > 0 else "darker"
    return [_finding(
        "light_changed", item, Severity.PERSON,
        f"frame {worst + 1} of {len(off)} is {abs(off[worst]):.2f} stops {side} than its exposure says; the merge "
        "allowed for it",
        "Ask whether a lamp flickered or a cloud passed; shoot the probe again if the light is still up.",
        confidence=1 - LIGHT_STOPS / (2 * abs(off[worst])), frames=bad, amount=round(float(off[worst]), 4),
        unit="stops",
    )]  # fmt: skip


def _white(plan: Plan, item: str) -> list[Finding]:
    """Red and blue against green, frame by frame; a changed lamp or an automatic white balance."""
    w = plan.white
    if w.size == 0 or w.shape[1] != 3 or plan.stack.encoding.layout == "mosaic":
        return []
    against = w[:, [0, 2]] - w[:, [1]]
    against = against - np.nanmedian(against, axis=0)
    worst = np.nanmax(np.abs(np.where(np.isfinite(against), against, 0)), axis=1)
    bad = [k for k in range(len(worst)) if worst[k] > WHITE]
    if not bad:
        return []
    amount = float(worst.max())
    return [_finding(
        "white_shift", item, Severity.PERSON,
        f"red or blue shifts by {100 * amount:.1f} % against green between frames",
        "Check that white balance was fixed and no lamp changed colour; shoot again with it fixed.",
        confidence=1 - WHITE / (2 * amount), frames=bad, amount=round(amount, 4), unit="ratio",
    )]  # fmt: skip


def _mixed(request: MergeRequest, order: tuple[int, ...], item: str) -> list[Finding]:
    """Settings that may differ and still be merged, but should not."""
    frames = [request.frames[i] for i in order]
    words = {"f_number": "apertures", "lens": "lenses", "serial": "bodies", "orientation": "orientations"}
    mixed = [word for name, word in words.items() if len({getattr(f, name) for f in frames} - {None, ""}) > 1]
    if not mixed:
        return []
    return [_finding(
        "mixed_settings", item, Severity.PERSON, f"the frames differ in their {' and '.join(mixed)}",
        "Bracket by shutter only: depth of field, flare and falloff change with the rest.",
        confidence=1.0, frames=list(range(len(frames))), amount=None, unit="",
    )]  # fmt: skip


def _noise(doubtful: float, item: str) -> list[Finding]:
    """A share of the picture drowned in noise: how many stops more exposure it would take is twice the
    log2 of its relative deviation over a tenth (photon noise falls with the root)."""
    if doubtful < 0.02:
        return []
    return [_finding(
        "noise", item, Severity.NOTE,
        f"{100 * doubtful:.1f} % of the picture is known to no better than a quarter of its value",
        "Add longer exposures for the shadows.",
        confidence=doubtful / (doubtful + 0.02), frames=[],
        amount=round(2 * float(np.log2(0.25 / 0.1)), 3), unit="stops",
    )]  # fmt: skip
