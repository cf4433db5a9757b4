"""Whose word counts of movement and of a camera that moved: the merge's, or the comparison of its frames."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import pytest

from ingest.steps.merging import verdicts
from ingest.steps.merging.verdicts import Compared

SEEN = Compared(motion=True, turn=True)


def told(
    compared: Compared, *, shifts: tuple[tuple[float, float], ...] | None = None, moved: float = 0.0,
    by_frame: tuple[float, ...] = (), before: tuple[str, ...] = (),
) -> set[str]:  # fmt: skip
    plan: Any = SimpleNamespace(shifts=shifts, alignment=SimpleNamespace(sigma=0.01))
    request: Any = SimpleNamespace(kind="lat-long")
    said = [{"kind": k, "item": "", "severity": "note", "what": "x", "next": "", "confidence": 1.0, "frames": [],
             "direction": None, "amount": None, "unit": ""} for k in before]  # fmt: skip
    found = verdicts.findings(request, plan, None, moved, by_frame, 0.0, said, width=512, compared=compared)
    return {f.kind for f in found} - set(before)


@pytest.mark.parametrize(("compared", "far", "expected"), [
    (Compared(), 0.1, True), (SEEN, 0.1, False), (Compared(motion=True, turn=True, consents=True), 0.1, True),
    (SEEN, 0.7, True), (Compared(motion=True), 0.1, True),
])  # fmt: skip
def test_a_small_shift_needs_the_pairs_consent(compared: Compared, far: float, expected: bool) -> None:
    shifts = ((0.0, 0.0), (0.0, 0.0), (far, 0.0))
    assert ("camera_moved" in told(compared, shifts=shifts)) is expected
    assert "camera_moved" not in told(compared, shifts=shifts, before=("camera_moved",))


@pytest.mark.parametrize(("compared", "before", "expected"), [
    (Compared(), (), True),  # nobody else looked
    (SEEN, (), True),  # the frames it was left out of could have shown a turn, and did not
    (SEEN, ("camera_moved",), False),  # edges that the turn left double
    (Compared(motion=True, turn=True, no_turn_of=frozenset({0, 1})), (), False),  # it may be a turn that nobody sees
])  # fmt: skip
def test_what_the_merge_left_out_is_movement_only_where_no_turn_explains_it(
    compared: Compared, before: tuple[str, ...], expected: bool
) -> None:
    assert ("motion" in told(compared, moved=0.013, by_frame=(0.0095, 0.0105, 0.0003), before=before)) is expected


def test_where_aligned_frames_step() -> None:
    assert verdicts.steps([(0, 0), (0, 0), (0.3, 0.4), (0.3, 0.5)]) == [(1, 2)]
    assert verdicts.steps([(0, 0), (1, 0), (0, 0)]) == [(0, 1), (1, 2)]
    assert verdicts.steps([(0, 0), (0, 0)]) == [] == verdicts.steps([])
