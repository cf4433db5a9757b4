"""How fast frames are grouped: ``python -m tests.bench.grouping [frames]``.

Full simulated days are strung together on their bodies until there are enough frames (100,000 by default).
Prints seconds of processor time for all at once and for the last card alone, frames per second, the same as a
ratio to sorting the frames by time twenty times over (a yardstick of this machine at this moment), and the peak
memory.
"""

from __future__ import annotations

import resource
import sys
import time
from dataclasses import replace

from ingest.records.frames import Frame
from ingest.steps.probes.grouping import Remembered, group
from tests.simulation.frames import frames_of
from tests.simulation.phenomena import a_day


def many(count: int) -> list[Frame]:
    """Frames of ever new full days, each on its own date, on four bodies in all."""
    days = [frames_of(a_day("mixed", seed))[0] for seed in range(24)]
    found: list[Frame] = []
    turn = 0
    while len(found) < count:
        day = days[turn % len(days)]
        names = {f.body: k for k, f in enumerate(sorted(day, key=lambda f: f.body))}
        for f in day:
            body = f"Hollin|H7|{names[f.body] % 2 + 2 * (turn % 2)}" if f.body else ""
            shift = turn * 100_000.0
            found.append(replace(f, id=f"{turn}/{f.id}", card=f"{turn}/{f.card}", body=body,
                                 time_s=None if f.time_s is None else f.time_s + shift,
                                 shown_s=None if f.shown_s is None else f.shown_s + shift))
        turn += 1
    return found[:count]


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 100_000
    frames = many(count)
    begun = time.process_time()
    for _ in range(20):
        sorted(frames, key=lambda f: (f.time_s or 0.0, f.id))
    yardstick = time.process_time() - begun
    begun = time.process_time()
    grouping = group(frames)
    spent = time.process_time() - begun
    known = Remembered()
    group(frames[:-100], remembered=known)
    begun = time.process_time()
    assert len(group(frames, remembered=known).sets) == len(grouping.sets)
    again = time.process_time() - begun
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"{count} frames, {len(grouping.sets)} sets: {spent:.2f} s ({count / spent:,.0f} frames/s), "
          f"{spent / yardstick:.1f} times the yardstick, peak {peak:.0f} MB; "
          f"the last 100 frames added to the others, which are remembered: {again:.2f} s")


if __name__ == "__main__":
    main()
