"""What is said about a set once it is found: complete or not, sure or not, and why, in words."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from ingest.records.frames import Frame
from ingest.steps.probes.evidence import RHYTHMS_S, Steps
from ingest.steps.probes.habits import SAME_STOPS, Habits, missing_from
from ingest.steps.probes.plausibility import Candidate

SURE_AFTER = 3  # times a pattern was met, and a file missing beside it is no longer a reason to doubt
SAME_BURST = 3.0  # idle times longer than the set's own rhythm
LONG_PAUSE_S = 90.0  # inside a set of no usual order: two of them may have been taken for one
BY_HAND_S = 3.0  # rhythms slower than this are a person's


def completeness(
    row: Candidate, frames: Sequence[Frame], steps: Steps, habits: Habits
) -> tuple[bool | None, list[str]]:
    """Whether nothing is missing from a set, None where nobody could say, and what speaks against it."""
    against = [f"{label(f)} cannot be decoded" for f in frames if not f.usable]
    shape = row.shape
    if shape.holes:
        against.append("an exposure is missing inside the ladder")
    short, cut_off = _short_of_habit(row, steps, habits)
    if short and not cut_off:
        against.append(short)
    if against:
        return False, against
    doubts = [short] if short else []
    if shape.unknown:
        doubts.append(f"{shape.unknown} of {shape.count} exposures could not be read")
    gone = _numbers_gone(row, steps)
    if gone:
        doubts.append(gone)
    elif _gone_beside(row, steps) and habits.met(shape) < SURE_AFTER:
        doubts.append("the file right before or after it is missing")
    if not shape.regular:
        doubts.append("the exposures follow no even ladder")
    met = habits.met(shape)
    if shape.count == 2 and met < 3:
        doubts.append("two frames alone")
    elif shape.count % 2 == 0 and met < 2 and RHYTHMS_S[row.rhythm] < BY_HAND_S:
        doubts.append(f"{shape.count} frames are no usual bracket and the day does not repeat them")
    return (None if doubts else True), doubts


def _short_of_habit(row: Candidate, steps: Steps, habits: Habits) -> tuple[str, bool]:
    """Words for a set that is part of a pattern the body repeats today, "" if it is none; and whether it may
    all the same be meant, being an even ladder by itself from which no file is missing."""
    shape = row.shape
    gone = _gone_beside(row, steps) or any(steps.number[row.start + 1 : row.end] > 1)
    whole = habits.whole_of(shape, gone)
    if whole is None:
        return "", False
    words = f"{shape.count} frames where this body's bracket has {whole.shape.count} ({whole.met} times today)"
    if gone or not shape.regular or shape.count % 2 == 0:
        return words, False
    begins_it = missing_from(shape.stops, whole.shape.stops[: shape.count]) == 0
    return (words, True) if begins_it else ("", False)


def _gone_beside(row: Candidate, steps: Steps) -> bool:
    """Whether the file right before the first frame or right after the last is missing."""
    ends = steps.number[[row.start, *([row.end] if row.end < len(steps.number) else [])]]
    return bool((ends > 1).any())


def _numbers_gone(row: Candidate, steps: Steps) -> str:
    gone = [int(steps.number[k]) - 1 for k in range(row.start + 1, row.end) if steps.number[k] > 1]
    return f"{sum(gone)} file number(s) are missing inside it" if gone else ""


def doubts(
    row: Candidate, share: float, rival: Candidate | None, *, shape_met: int, pause_s: float, below: float
) -> list[str]:
    """Why a person should look at how this set was cut; empty where the evidence leaves no doubt.  ``pause_s``
    is the longest idle time inside it."""
    found = []
    if share < below:
        if rival is None:
            found.append(f"these frames may be loose stills (sure to {share:.0%})")
        elif rival.start <= row.start and rival.end >= row.end:
            found.append(f"a longer set of {rival.end - rival.start} frames is possible (sure to {share:.0%})")
        elif rival.start >= row.start and rival.end <= row.end:
            found.append(f"a shorter set of {rival.end - rival.start} frames is possible (sure to {share:.0%})")
        else:
            found.append(f"the neighbouring frames could be cut otherwise (sure to {share:.0%})")
    if row.shape.step is None and shape_met < 2:
        found.append("the exposures are stepped unevenly")
    if pause_s > LONG_PAUSE_S and shape_met < 2 and row.shape.order.startswith("in "):
        found.append(f"there is a pause of {pause_s:.0f} s inside it")
    if row.shape.unknown * 2 > row.shape.count:
        found.append("most exposures could not be read")
    return found


def left_out(
    row: Candidate, frames: Sequence[Frame], steps: Steps, loose: Callable[[int], bool]
) -> list[str]:
    """Loose neighbours that were taken in the same burst as a set shot by a machine, or that repeat the exposure
    beside them at the pace of a set stepped by hand: a person must look."""
    by_hand = RHYTHMS_S[row.rhythm] >= BY_HAND_S
    near = SAME_BURST * RHYTHMS_S[row.rhythm]
    found = []
    for place, step in ((row.start - 1, row.start), (row.end, row.end)):
        if not 0 <= place < len(frames) or not loose(place) or (by_hand and abs(steps.jump[step]) > SAME_STOPS):
            continue
        if steps.idle_s[step] + steps.tick_s[step] < max(near, 0.3):
            found.append(f"{label(frames[place])} was taken in the same burst and does not fit in")
    return found


def why(row: Candidate, frames: Sequence[Frame], steps: Steps, habits: Habits, share: float) -> tuple[str, ...]:
    """The evidence for a set in words, weights in nats (positive speaks for one bracket)."""
    begin, pattern, exposure, idle, number, picture, words = row.parts
    shape = row.shape
    ladder = f"even steps of {shape.step:.3g} stops" if shape.step is not None else "uneven steps"
    met = habits.met(shape)
    gaps = [float(steps.idle_s[k]) for k in range(row.start + 1, row.end) if steps.gap_s[k] == steps.gap_s[k]]
    pauses = f"{min(gaps):.1f} to {max(gaps):.1f} s between exposures" if gaps else "no usable times"
    return (
        f"{shape.count} frames from {label(frames[0])} to {label(frames[-1])}",
        f"exposures: {ladder}, {shape.order}; as a bracket {pattern:+.1f}, against chance {exposure:+.1f}",
        f"this pattern was met {met} time(s) today on this body; a set beginning here {begin:+.1f}",
        f"time: {pauses}, rhythm about {RHYTHMS_S[row.rhythm]:g} s: {idle:+.1f}",
        f"file numbers {number:+.1f}; pictures {picture:+.1f}; header and optics {words:+.1f}",
        f"together {row.gain:+.1f}; share of all readings {share:.3f}",
    )


def label(frame: Frame) -> str:
    """A frame as a person knows it: by file number where it has one."""
    return f"{frame.prefix}{frame.number:04d}" if frame.number is not None else frame.id[:16]
