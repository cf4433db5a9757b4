"""What is left out of a bracket where something moved, window by window."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.steps.merging import movement
from ingest.steps.merging.radiance import FrameModel

WELL, READ = 20000.0, 4.0
EXPOSURES = [2.0**k for k in range(7)]
SHAPE = (24, 32, 3)


def models() -> list[FrameModel]:
    return [FrameModel(s=s, clip=0.98, floor=(READ / WELL) ** 2, gain=1 / WELL) for s in EXPOSURES]


def found(scenes: list[np.ndarray], seed: int, *, coded: bool = False) -> movement.Movement:
    """Movement in readings of ``scenes[k]`` (H, W, 3) at exposure k."""
    rng = np.random.default_rng(seed)
    seen = []
    for s, scene in zip(EXPOSURES, scenes, strict=True):
        x = np.minimum(scene * s, 1.0)
        seen.append(np.minimum(x + np.sqrt(x / WELL + (READ / WELL) ** 2) * rng.standard_normal(x.shape), 1.0))
    frames = [v.astype(np.float32) for v in seen]

    def load(k: int, first: int, last: int) -> tuple[npt.NDArray[np.float32], None]:
        return frames[k][first:last], None

    def grain(light: npt.NDArray[np.float32]) -> npt.NDArray[np.float32]:
        return np.full_like(light, 0.002 if coded else 8e-6)

    how = (movement.CODED, movement.CODED_COLOUR) if coded else (movement.LINEAR, movement.LINEAR)
    return movement.find(models(), load, SHAPE, 4, grain, 1, *how)


@given(st.floats(-9.0, 0.5), st.integers(0, 2**31), st.booleans())
@settings(max_examples=25, deadline=None)
def test_nothing_is_left_out_where_nothing_moved(level: float, seed: int, coded: bool) -> None:
    scene = np.full(SHAPE, 2.0**level) * np.linspace(0.7, 1.3, SHAPE[1])[:, None]
    assert found([scene] * len(EXPOSURES), seed, coded=coded).share == 0


@given(st.integers(0, 6), st.floats(0.003, 0.9), st.floats(0.001, 0.9), st.integers(0, 2**31))
@settings(max_examples=40, deadline=None)
def test_a_figure_in_one_frame_is_left_out_and_something_is_kept(
    k: int, behind: float, figure: float, seed: int
) -> None:
    """Before light that another frame holds as well, whatever its own: unless that frame clips either."""
    scenes = [np.full(SHAPE, behind) for _ in EXPOSURES]
    scenes[k][8:16, 8:20] = figure
    seen = found(scenes, seed)
    kept = np.stack([np.ones(seen.masks[0].shape if seen.masks[0] is not None else (6, 8), np.uint8)
                     if m is None else m for m in seen.masks])  # fmt: skip
    assert kept.max(axis=0).all()
    others = [s for j, s in enumerate(EXPOSURES) if j != k and s * behind < 0.85]
    both_clip = EXPOSURES[k] * min(behind, figure) > 0.9
    apart = max(figure / behind, behind / figure)
    if len(others) >= 2 and apart > 1.3 and not both_clip and EXPOSURES[k] * max(behind, figure) > 0.01:
        assert not kept[k, 2:4, 2:5].any()


def test_no_piece_of_a_figure_is_left_before_a_lamp_that_few_frames_hold() -> None:
    """The darkest frame alone holds the lamp, and a dark figure passes in the third: those that clip say that it is
    bright.  (The figure had as many votes as the lamp.)"""
    lamp = np.full(SHAPE, 0.7)
    scenes = [lamp.copy() for _ in EXPOSURES]
    scenes[2][8:16, 8:20] = 0.01
    masks = found(scenes, 1).masks
    assert masks[2] is not None and not masks[2][2:4, 2:5].any()
    assert masks[0] is None or masks[0].all()


def test_a_figure_as_bright_as_the_wall_is_told_by_its_colour_behind_a_codec_too() -> None:
    wall, coat = np.array([0.010, 0.010, 0.010]), np.array([0.014, 0.0085, 0.009])
    weights = movement._COMPARED[0]
    coat *= (wall @ weights) / (coat @ weights)
    scenes = [np.tile(wall, (*SHAPE[:2], 1)) for _ in EXPOSURES]
    scenes[6][8:16, 8:20] = coat
    seen = found(scenes, 2, coded=True)
    assert seen.masks[6] is not None and not seen.masks[6][2:4, 2:5].any()
