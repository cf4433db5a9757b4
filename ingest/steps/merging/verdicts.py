"""What a person should know of a merged set: findings from the plan and from what the pixels showed.

Each has the fields of every finding and of a probe's: kind, item, severity, what, next, confidence,
frames (indices dark to bright), direction, amount, unit.  Thresholds are stated beside their reason.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from ingest.records.findings import Finding, Severity
from ingest.records.merges import MergeRequest
from ingest.steps.merging.calibration import Plan

#: Share of the picture in which some frame was left out.
MOTION = 0.001
#: The same where comparing the frames found no movement: edges that a small turn leaves double are left out too.
MOTION_UNSEEN = 0.01
#: Pixels by which frames may be aligned although comparing them does not show that the camera turned.
STANDING_PX = 0.5


@dataclass(frozen=True, kw_only=True, slots=True)
class Compared:
    """What comparing the frames could tell: whether of movement and of a turn at all, the frames (dark to bright) of
    which it tells no turn, and whether it shows one where the aligned frames step (``consents``)."""

    motion: bool = False
    turn: bool = False
    no_turn_of: frozenset[int] = frozenset()
    consents: bool = False


def findings(
    request: MergeRequest, plan: Plan, clipped: dict[str, Any] | None, moved: float, moved_by_frame: tuple[float, ...],
    doubtful: float, told: Sequence[Mapping[str, Any]], *, width: int, compared: Compared, item: str = "",
) -> tuple[Finding, ...]:  # fmt: skip
    """All findings of one merge, worst first.  ``clipped`` is None where the shortest frame is nowhere saturated,
    ``width`` the columns of the frames as stored, ``doubtful`` the share of pixels known to no better than a quarter of
    their value; ``told`` is what the headers and the frames said before, whose word on movement and on a turn of the
    camera counts first."""
    before = {str(f["kind"]) for f in told}
    found = [
        *(Finding.from_json({**f, "item": item}) for f in told),
        *_clipped(clipped, item),
        *(() if "motion" in before else
          _motion(moved, moved_by_frame, item, compared, turned="camera_moved" in before)),
        *(_camera(request, plan, width, item, compared) if "camera_moved" not in before else ()),
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


def _clipped(clipped: dict[str, Any] | None, item: str) -> list[Finding]:
    if clipped is None or not clipped["pixels"]:
        return []
    angle, over, sun = clipped["solid_angle_sr"], clipped.get("over") or {}, clipped["stops"]
    how = ""
    if over:
        named = ", ".join(f"{name} {stops:.1f}" for name, stops in over.items() if stops > 0)
        how = f". By its headers the bracket ends at {clipped['ceiling_cd_m2']:.2g} cd/m2"
        how += f" (stops over it: {named})" if named else ""
    stops = sun if sun is not None else max((s for name, s in over.items() if name != "the sun"), default=0.0)
    what = "the sun" if sun is not None else "a lamp"
    advice = (
        f"If it is {what}, shoot again with {stops:.0f} stops less light: a shorter exposure, a smaller stop, or for"
        f" all of it an ND filter of density {0.301 * stops:.1f}"
        if stops else "Shoot shorter exposures or through an ND filter"
    )
    where = f", {angle:.2e} sr" if angle is not None else ""
    return [_finding(
        "clipped", item, Severity.PERSON,
        f"{clipped['pixels']} pixels ({100 * clipped['share']:.3g} %{where}) are clipped even in the shortest "
        f"exposure; the picture holds their lower bound{how}",
        f"{advice}. Where that cannot be, photograph the grey ball: the source's energy is estimated from it.",
        confidence=1.0, frames=[0], amount=clipped["stops"], unit="stops",
    )]  # fmt: skip


def _motion(
    moved: float, by_frame: tuple[float, ...], item: str, compared: Compared, *, turned: bool
) -> list[Finding]:  # fmt: skip
    """Frames were left out.  Where they could be compared for movement, and none was found, it is edges that a turn
    left double, if there was one or nobody can tell: on 300 simulated bursts so said 1 true and 2 false."""
    surely = sum(share for k, share in enumerate(by_frame) if k not in compared.no_turn_of)
    if (moved < MOTION) if not compared.motion else (turned or min(moved, surely) < MOTION_UNSEEN):
        return []
    frames = [k for k, share in enumerate(by_frame) if share > MOTION / 4]
    return [_finding(
        "motion", item, Severity.NOTE,
        f"something moved in {100 * moved:.3g} % of the picture; there fewer frames count",
        "Look at the preview there; shoot again if the place matters.",
        confidence=moved / (moved + MOTION), frames=frames, amount=round(100 * moved, 4), unit="percent",
    )]  # fmt: skip


def _camera(request: MergeRequest, plan: Plan, width: int, item: str, compared: Compared) -> list[Finding]:
    if plan.shifts is None or plan.alignment is None:
        return []
    sizes = [float(np.hypot(*s)) for s in plan.shifts]
    far = max(sizes)
    if compared.turn and not compared.consents and far < STANDING_PX:
        return []  # aligning is allowed to fit the noise; comparing the frames shows no turn there
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


def steps(shifts: Sequence[tuple[float, float]]) -> list[tuple[int, int]]:
    """The places between frames at which aligned frames step, at least half as far as where they step most."""
    sizes = [float(np.hypot(x1 - x0, y1 - y0)) for (x0, y0), (x1, y1) in pairwise(shifts)]
    most = max(sizes, default=0.0)
    return [(k, k + 1) for k, size in enumerate(sizes) if most > 0 and size >= most / 2]


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
