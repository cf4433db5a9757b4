"""How good and how dear the merge is: efficiency against the bound, linearity, and cost beside OpenCV.

    python -m tests.bench.merge [--seeds N] [--cost]

Quality: simulated brackets with known truth (`tests/brackets.py`), scored per pixel after one global scale;
efficiency = 1 / mean(error^2 / smallest possible variance).  For JPEG the yardstick is an oracle merge that is
told curve and exposures.  Cost: CPU seconds and peak memory at 6720x3360 with nine JPEG frames, each in a
process of its own, ours split into its parts.
"""

from __future__ import annotations

import argparse
import resource
import subprocess
import sys
import time
from collections.abc import Callable
from typing import Any

import numpy as np

from tests import brackets
from tests.brackets import Body, Bracket, camera_curve, jpeg_bound, make, run, scene, score, srgb, times

LINEAR = Body()
SRGB = Body(curve=srgb)
CURVE = Body(curve=camera_curve)
FLOORS = {
    "16-bit TIFF": 0.97, "TIFF, shutters off by 1 %": 0.97, "TIFF, one frame 10 % off": 0.97, "raw": 0.97,
    "JPEG, sRGB": 0.95, "JPEG, unknown curve": 0.90, "3 frames, unknown curve": 0.88, "a figure walks (JPEG)": 0.90,
}


def cases(seed: int) -> dict[str, Callable[[], Bracket]]:
    truth = scene(512, 256, seed=seed + 1)
    nine = times(9, 2.0)
    return {
        "16-bit TIFF": lambda: make(truth, LINEAR, nine, seed=seed),
        "TIFF, shutters off by 1 %": lambda: make(truth, LINEAR, nine, seed=seed, jitter=0.01),
        "TIFF, one frame 10 % off": lambda: make(truth, LINEAR, nine, seed=seed, flicker=(4, 1.1)),
        "raw": lambda: make(truth, Body(top=16383.0, black=512.0), nine, kind="dng", seed=seed),
        "JPEG, sRGB": lambda: make(truth, SRGB, nine, kind="jpeg", seed=seed),
        "JPEG, unknown curve": lambda: make(truth, CURVE, nine, kind="jpeg", seed=seed),
        "3 frames, unknown curve": lambda: make(truth, CURVE, times(3, 3.0), kind="jpeg", seed=seed),
        "a figure walks (JPEG)": lambda: make(truth, CURVE, nine, kind="jpeg", seed=seed, figure=True),
    }


def quality(seeds: int) -> None:
    print(f"{'case':28s} {'floor':>6s} {'efficiency':>10s} {'worst decade':>12s} {'slope':>7s} {'lin rms':>8s}  seed")
    for seed in range(seeds):
        for name, build in cases(seed).items():
            bracket = build()
            result, _ = run(bracket)
            bound = jpeg_bound(bracket) if "TIFF" not in name and name != "raw" else None
            made = score(result, bracket, bound=bound)
            print(f"{name:28s} {FLOORS[name]:6.2f} {made.efficiency:10.3f} {made.worst_decade:12.3f} {made.slope:7.4f}"
                  f" {made.linearity_rms:8.4f}  {seed}", flush=True)


def cost() -> None:
    for who in ("ours", "opencv"):
        done = subprocess.run([sys.executable, "-m", "tests.bench.merge", "--one", who], capture_output=True, text=True,
                              check=False)
        print(done.stdout.strip() or done.stderr[-500:])


def _one(who: str) -> None:
    import cv2

    truth = np.tile(scene(1680, 840, seed=3), (4, 4, 1))
    bracket = make(truth.astype(np.float32), SRGB, times(9, 2.0), kind="jpeg")
    shots = bracket.shots
    del bracket, truth
    base = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    started = time.process_time()
    if who == "ours":
        _, record = run_shots(shots)
        parts = ", ".join(f"{k} {v:.1f} s" for k, v in record["seconds"].items())
    else:
        frames = [cv2.imdecode(np.frombuffer(s.data, np.uint8), cv2.IMREAD_COLOR) for s in shots]
        decoded = time.process_time()
        response = cv2.createCalibrateDebevec().process(frames, np.array([s.exposure_s for s in shots], np.float32))
        cv2.createMergeDebevec().process(frames, np.array([s.exposure_s for s in shots], np.float32), response)
        parts = f"decode {decoded - started:.1f} s"
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6
    print(f"{who}: {time.process_time() - started:.1f} s CPU ({parts}); peak {peak:.2f} GB (before: {base:.2f})")


def run_shots(shots: list[brackets.Shot]) -> tuple[Any, dict[str, Any]]:
    return run(Bracket(truth=np.zeros(1), shots=shots, body=SRGB, bound=np.zeros(1)))


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=1)
    parser.add_argument("--cost", action="store_true")
    parser.add_argument("--one")
    given = parser.parse_args()
    if given.one:
        _one(given.one)
    elif given.cost:
        cost()
    else:
        quality(given.seeds)
