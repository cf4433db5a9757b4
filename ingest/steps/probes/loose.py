"""What is no set: test exposures, bursts, time-lapses, singles, aborted starts, and why each is left out."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from ingest.records.frames import Frame
from ingest.steps.probes.evidence import Steps
from ingest.steps.probes.habits import Habits
from ingest.steps.probes.plausibility import Candidate
from ingest.steps.probes.runs import Run
from ingest.steps.probes.stream import Stream

TEST_WITHIN_S = 90.0
AGAIN_WITHIN_S = 180.0
BURST_IDLE_S = 2.5
SAME_STOPS = 0.3

Named = dict[str, tuple[str, str]]


def sort_out(
    stream: Stream, steps: Steps, taken: Sequence[Candidate | Run], habits: Habits
) -> tuple[set[tuple[int, int]], Named]:
    """Which taken rows are aborted starts (start, end), and every loose frame with what it is and why."""
    sets = [c for c in taken if isinstance(c, Candidate)]
    aborted = {
        (a.start, a.end)
        for a, b in pairwise(sets)
        if _shot_again(stream.frames, steps, a, b, habits)
    }
    named: Named = {}
    inside: set[int] = set()
    for row in taken:
        here = range(row.start, row.end)
        if isinstance(row, Run):
            inside.update(here)
            words = f"one of {row.end - row.start} frames every {row.interval_s:.1f} s with no bracket in them"
            named.update({stream.frames[k].id: ("time-lapse", words) for k in here})
        elif (row.start, row.end) in aborted:
            inside.update(here)
            words = "a bracket that was broken off and shot again at once"
            named.update({stream.frames[k].id: ("left over", words) for k in here})
        else:
            inside.update(here)
    begins = {c.start for c in sets if (c.start, c.end) not in aborted}
    alone = [k for k in range(len(stream.frames)) if k not in inside]
    for k in alone:
        named[stream.frames[k].id] = _name(stream.frames, steps, k, set(alone), begins)
    return aborted, named


def _shot_again(frames: Sequence[Frame], steps: Steps, a: Candidate, b: Candidate, habits: Habits) -> bool:
    """Whether the earlier row is the beginning of the later one, broken off, with nothing deleted."""
    if a.end - a.start >= b.end - b.start or habits.met(a.shape) > habits.met(b.shape):
        return False
    gap = steps.gap_s[b.start]
    if a.end != b.start or not gap <= AGAIN_WITHIN_S or steps.number[b.start] != 1:
        return False
    if any(steps.number[k] > 1 for k in range(a.start + 1, a.end)):
        return False
    pairs = zip(frames[a.start : a.end], frames[b.start : b.end], strict=False)
    return all(
        x.exposure_ev is None or y.exposure_ev is None or abs(x.exposure_ev - y.exposure_ev) < SAME_STOPS
        for x, y in pairs
    )


def _name(frames: Sequence[Frame], steps: Steps, k: int, alone: set[int], begins: set[int]) -> tuple[str, str]:
    frame = frames[k]
    if not frame.usable and frame.exposure_ev is None:
        return "unreadable", "neither its header nor its picture could be read"
    burst = _burst(steps, k, alone)
    if burst >= 3:
        return "burst", f"one of {burst} frames in a row with one exposure"
    ahead = next((j for j in range(k + 1, min(k + 4, len(frames))) if j not in alone), None)
    if ahead in begins and ahead is not None:
        wait = steps.gap_s[k + 1 : ahead + 1]
        if all(g == g for g in wait) and wait.sum() <= TEST_WITHIN_S:
            return "test exposure", f"a lone exposure {wait.sum():.0f} s before a bracket that is whole without it"
    return "single", "nothing ties it to its neighbours as a bracket"


def _burst(steps: Steps, k: int, alone: set[int]) -> int:
    """How many loose neighbours around k share its exposure in quick succession."""

    def tied(j: int) -> bool:
        return j in alone and j - 1 in alone and abs(steps.jump[j]) < 0.1 and steps.idle_s[j] <= BURST_IDLE_S

    low, high = k, k
    while tied(low) and k - low < 1000:
        low -= 1
    while tied(high + 1) and high - k < 1000:
        high += 1
    return high - low + 1
