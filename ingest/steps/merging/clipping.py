"""Where white begins, from the pile of readings at the top of each frame's histogram.

The format's largest code is only an upper bound: full wells end below it, and files have been seen whose
white stands at 251.  A pile is the top of what occurs, holds a good share of a frame, and stands far
higher than the codes just below it.  So does an evenly lit wall; but a wall is as even in the next darker frame,
and moves with exposure, while white stays and hides places of different light.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

_SHARE = 5e-4  # of a frame's readings, for a pile to be believed
_STEEP = 8.0  # times as dense as the codes below
_EVEN = 0.02  # of its median: the middle half of a wall's codes in another frame is no wider
_NEAR_TOP = 0.96  # of the format's top
_AT_TOP = 0.004  # of the format's top below it: it would be taken for white anyway


@dataclass(frozen=True, kw_only=True, slots=True)
class Pile:
    """A pile at the top: ``code`` from which on a reading counts as saturated, ``share`` of readings there;
    ``sharp`` where it stands on one code or near the format's top."""

    code: float
    centre: float
    share: float
    sharp: bool = True


def pile(codes: npt.NDArray[np.float32], top: float) -> Pile | None:
    """The saturated pile of one frame's readings of one kind, or None where there is none.

    ``codes`` (any shape) on the format's scale, ``top`` its largest code.
    """
    values = codes.ravel()
    if not values.size:
        return None
    step = max(1.0, top / 4096)  # bins no finer than 12 bits: read noise may spread the pile
    low = 0.5 * top
    high = values[values > low]
    if high.size < max(8.0, _SHARE * values.size):
        return None
    width = max(2.0, 0.012 * top)
    bins = np.arange(low, top * 1.2 + 2 * step, step)
    counts, _ = np.histogram(high, bins)
    peak = int(np.argmax(counts))
    # From here on with what lies below half of the top as well: the tail of a wall just under it is no pile.
    centre = float(np.median(values[np.abs(values - (bins[peak] + step / 2)) <= width / 2]))
    if centre <= low:
        return None
    inside = values[np.abs(values - centre) <= width]
    share = inside.size / values.size
    above = int(np.count_nonzero(high > centre + width))
    below = int(np.count_nonzero((values <= centre - width) & (values > centre - 5 * width)))
    if share < _SHARE or above > 0.02 * inside.size or inside.size < _STEEP * below / 4:
        return None
    core = np.abs(inside - centre)
    spread = 1.4826 * float(np.median(core))
    margin = max(3.0 * spread, 0.5 if top > 255 else 1.5)
    counted = float(np.mean(values >= centre - margin))
    sharp = spread == 0 or centre >= _NEAR_TOP * top
    return Pile(code=min(centre, top) - margin, centre=min(centre, top), share=counted, sharp=sharp)


def believed(
    piles: Sequence[Pile | None], codes: Sequence[npt.NDArray[np.float32]], top: float
) -> list[Pile | None]:
    """The piles that are saturation, None for the others.  ``codes[k]`` (any shape, the same in all) are those of
    frame k, dark to bright, at the same places.

    Believed is what stands at the format's top, what another exposure confirms (a wall would move), and a sharp
    pile whose places differ in the next darker frame.  The darkest frame has none: near the top it is believed.
    """
    out: list[Pile | None] = []
    for k, p in enumerate(piles):
        held = p is not None and (
            p.centre > (1 - _AT_TOP) * top
            or sum(q is not None and abs(q.centre / p.centre - 1) < 0.01 for q in piles) >= 2
            or (p.sharp and (_differs(p, codes[k], codes[k - 1]) if k else p.centre >= _NEAR_TOP * top))
        )
        out.append(p if held else None)
    return out


def _differs(pile: Pile, own: npt.NDArray[np.float32], darker: npt.NDArray[np.float32]) -> bool:
    """Whether the places of a pile hold different light, as another frame has it: more than a wall scatters there, and
    more than the pile itself does, which is at least its noise."""
    there = own.ravel() >= pile.code
    low, middle, high = np.quantile(darker.ravel()[there], (0.25, 0.5, 0.75))
    lowest, highest = np.quantile(own.ravel()[there], (0.25, 0.75))
    return bool(high - low > max(_EVEN * middle, 2.0 * (highest - lowest), 1e-9))


def levels(piles: list[Pile | None], top: float) -> list[float]:
    """The saturation code of each frame: its own pile, else the lowest that any frame of the set showed,
    else the format's top less one and a half codes (8 bits) or half a code.

    >>> levels([None, Pile(code=249.5, centre=251.0, share=.01)], 255.0)
    [249.5, 249.5]
    """
    own = [p.code for p in piles if p is not None]
    common = min(own) if own else top - (0.5 if top > 255 else 1.5)
    return [p.code if p is not None else common for p in piles]


def white(piles: list[Pile | None], top: float) -> float:
    """The code of saturation itself, which light of 1 stands for: the middle of the highest pile, else the
    format's top.

    It lies above the code from which on a reading is *taken* for saturated, since noise and codec spread
    a pile downwards: light scaled by that code would come out 1 % high behind a tone curve.

    >>> white([None, Pile(code=249.5, centre=251.0, share=.01)], 255.0)
    251.0
    """
    centres = [p.centre for p in piles if p is not None]
    found = max(centres, default=top)
    return top if found > top - (0.5 if top <= 255 else 1.0) else found
