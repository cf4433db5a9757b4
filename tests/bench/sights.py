"""How often charts and balls are seen, and how often something is that is not there: `python -m tests.bench.sights`.

    python -m tests.bench.sights             # rates on frames that no bound was set on, and in photographs
    python -m tests.bench.sights tune        # frames of the seeds that the bounds of balls.py were set on
    python -m tests.bench.sights photographs

Rendered frames: one thing each (`tests/sight_frames.py`), forty of each kind: what is looked for, nothing, and round or
squared things that are none of it.  Photographs: `tests/data/photographs`, whole and in four parts, no ball in any.
"""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path

import cv2
import numpy as np

from ingest.steps.sights import finding
from tests.sight_frames import DECOYS, Codes, Thing, frame

PHOTOGRAPHS = Path(__file__).parents[1] / "data" / "photographs"
SOUGHT = ("chart", "grey_ball", "mirror_ball")
HELD_OUT, TUNED_ON = (900, 9000), (101, 5101)  # first seed of the frames, and of where the things stand


def near(sight: finding.Sight, thing: Thing, rgb: Codes) -> bool:
    height, width = rgb.shape[:2]
    centre = np.mean(sight.corners, axis=0) * [1.0, height / width]
    return bool(np.hypot(*(centre - [thing.x, thing.y])) < 0.3 * thing.size)


def rendered(first: tuple[int, int], count: int) -> Iterator[tuple[str, Thing, Codes]]:
    """(what is there, where, picture): chart, grey ball, mirror ball, nothing and each decoy, for each seed."""
    for n in range(count):
        rng = np.random.default_rng(first[1] + n)
        for what in (*SOUGHT, "", *DECOYS):
            size = rng.uniform(0.12, 0.4) if what == "chart" else rng.uniform(0.05, 0.25)
            thing = Thing(what=what, x=rng.uniform(0.2, 0.8), y=rng.uniform(0.18, 0.46), size=size,
                          turn=rng.normal(0, 0.15), lean=rng.normal(0, 0.3))  # fmt: skip
            yield what, thing, frame(first[0] + n, (thing,) if what else ()).rgb


def photographs(names: Sequence[str] = ()) -> Iterator[tuple[str, Codes]]:
    """(name and part, picture) of the photographs named, else of all."""
    for path in sorted(PHOTOGRAPHS.glob("*.jpg")):
        if names and path.stem not in names:
            continue
        whole = cv2.imread(str(path))[..., ::-1]
        height, width = whole.shape[:2]
        parts = [whole]
        for top in (0, height // 3):
            parts += [whole[top : top + 2 * height // 3, left : left + 2 * width // 3] for left in (0, width // 3)]
        for n, part in enumerate(parts):
            scale = 1000 / max(part.shape[:2])
            big = cv2.resize(np.ascontiguousarray(part), None, fx=scale, fy=scale,
                             interpolation=cv2.INTER_CUBIC if scale > 1 else cv2.INTER_AREA)  # fmt: skip
            yield f"{path.stem} {n or 'whole'}", np.ascontiguousarray(big)


def rates(first: tuple[int, int], count: int = 40) -> tuple[Counter[str], Counter[str], int]:
    """Hits by what was there, false sights by what was there, and frames."""
    hits, false, frames = Counter[str](), Counter[str](), 0
    for what, thing, rgb in rendered(first, count):
        found = finding.seek(rgb)
        right = [s for s in found if s.what == what and near(s, thing, rgb)]
        hits[what or "nothing"] += bool(right)
        false[what or "nothing"] += len(found) - len(right)
        frames += 1
    return hits, false, frames


def in_photographs() -> tuple[list[str], int]:
    told, views = [], 0
    for name, rgb in photographs():
        views += 1
        told += [f"{name}: {s.what} {s.score:.2f}" for s in finding.seek(rgb)]
    return told, views


def main(what: str = "held out", count: int = 40) -> None:
    cv2.setNumThreads(1)
    if what != "photographs":
        hits, false, frames = rates(TUNED_ON if what == "tune" else HELD_OUT, count)
        for sought in SOUGHT:
            print(f"{sought:<12} {hits[sought]} of {count}")
        print(f"seen where it is not: {false.total()} in {frames} frames",
              {what: n for what, n in sorted(false.items()) if n})
    told, views = in_photographs()
    print(f"photographs: {len(told)} in {views} views", *told, sep="\n  ")


if __name__ == "__main__":
    main(*sys.argv[1:2], *(int(a) for a in sys.argv[2:3]))
