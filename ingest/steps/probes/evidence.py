"""What lies between two neighbouring frames of a body, weighed for and against their being one bracket.

Every function here answers for all neighbours of a stream at once, as arrays of n entries; entry k belongs to
the step from frame k-1 to frame k, entry 0 is neutral.  Weights are natural-log likelihoods.  "Out" is what
a step costs between frames that have nothing to do with each other, "in" what it costs inside a bracket;
only their difference counts.

Gaps are idle times: what is left of the time between two stamps after the exposure itself, and after a
second, dark exposure of the same length where the camera subtracts its own noise.  A stamp marks the start of
the exposure on some bodies and its end on others, so either exposure may be the one that fills the gap.
Idle times are compared on a logarithmic scale, since 0.3 s against 3 s means as much as 30 s against 300 s.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from ingest.records.frames import Frame
from ingest.steps.clocks.sequence import counter_step
from ingest.steps.probes.ladders import UNIT
from ingest.steps.probes.stream import Stream

Array = NDArray[np.float64]

# Rhythms of a bracket: typical idle time in seconds, from a fast drive to stepping by hand with thought, and
# how often each is met before the body has shown its habit (common practice, no source).
RHYTHMS_S = (0.1, 0.35, 1.1, 3.5, 10.0, 32.0)
RHYTHM_SHARE = (0.28, 0.32, 0.2, 0.08, 0.07, 0.025)
SPREAD = 0.55  # of ln(idle time) around its rhythm
MACHINE_S = 2.0  # a rhythm below this is a machine's: it may stall on a full buffer, but never thinks
STALL_S = 12.0  # longer than a full buffer keeps a drive waiting (common practice, no source)
MACHINE_TAIL, HAND_TAIL = 4.0, 2.0  # degrees of freedom: a hand's pauses have the heavier tail
FLOOR_S = 0.1  # idle times below this are alike
STAMP_COSTS = (0.0, 0.8, 0.7, 1.3)  # before the body has shown where its stamps lie (see ``fillings``)
PEOPLE_S = 15.0  # typical idle time of somebody taking pictures (common practice, no source)
OUT_DENSITY = -2.56  # one over the span of ln(idle time) from 0.1 s to half a day
IMPOSSIBLE = 4.0  # price of a gap shorter than its exposure
CLOCK_SET = -4.5  # the clock was set between these two frames, of all places
LONG_S = 0.9  # exposures from which cameras offer to subtract a dark frame (common practice, no source)


@dataclass(frozen=True, kw_only=True, slots=True)
class Steps:
    """The steps of one stream.  ``gap_s`` is NaN where no clock tells; ``idle_s`` the idle time after the
    exposure before; ``grid`` exposures in 1/24 stop; ``jump`` exposure steps in stops
    from the last known exposure, NaN where unknown; ``bright_jump`` and ``seen_jump`` the steps of picture and
    exposure from the last frame in which both are known."""

    gap_s: Array
    idle_s: Array
    tick_s: Array
    before_s: Array
    after_s: Array
    number: Array
    grid: tuple[int | None, ...]
    jump: Array
    shutter_jump: Array
    bright: Array
    bright_jump: Array
    seen_jump: Array
    strange: Array
    timed: NDArray[np.bool_]


def steps_of(stream: Stream, *, by_brightness: bool = False) -> Steps:
    """Measure every step of a stream.  ``by_brightness`` puts the picture in place of exposures nobody could read."""
    frames = stream.frames
    n = len(frames)
    number = np.full(n, np.nan)
    if stream.numbers_believed:
        for k in range(1, n):
            step = counter_step(frames[k - 1], frames[k])
            number[k] = np.nan if step is None else step
    exposure = _column(frames, "exposure_ev")
    bright = _column(frames, "log2_brightness")
    if by_brightness:
        exposure = bright
    shutter = np.log2(np.maximum(_column(frames, "exposure_s"), 1e-7))
    seconds = _known(_column(frames, "exposure_s"))
    seen = ~np.isnan(bright) & ~np.isnan(exposure) if not np.isnan(exposure).all() else ~np.isnan(bright)
    gap, timed = _gaps(frames)
    before = _shifted(seconds, 0.0)
    return Steps(
        gap_s=gap,
        idle_s=np.maximum(gap - before, 0.0),
        tick_s=np.array([f.tick_s for f in frames]),
        before_s=before,
        after_s=seconds,
        number=number,
        grid=tuple(None if np.isnan(e) else round(float(e) * UNIT) for e in exposure),
        jump=_since_known(exposure, ~np.isnan(exposure)),
        shutter_jump=_jumps(shutter),
        bright=bright,
        bright_jump=_since_known(bright, seen),
        seen_jump=_since_known(exposure, seen),
        strange=np.array([0.0] + [_strangeness(a, b) for a, b in pairwise(frames)])[:n],
        timed=timed,
    )


def _column(frames: Sequence[Frame], name: str) -> Array:
    return np.array([np.nan if (v := getattr(f, name)) is None else float(v) for f in frames], dtype=np.float64)


def _shifted(values: Array, first: float) -> Array:
    return np.concatenate(([first], values[:-1])) if len(values) else values


def _jumps(values: Array) -> Array:
    """Difference from the frame before; NaN where either is unknown."""
    return values - _shifted(values, np.nan)


def _since_known(values: Array, known: NDArray[np.bool_]) -> Array:
    """Difference from the last frame that is known, over unknown ones in between; NaN where there is none."""
    places = np.where(known, np.arange(len(values)), -1)
    before = _shifted(np.maximum.accumulate(places).astype(np.float64), -1.0).astype(np.int64)
    return np.where((before >= 0) & known, values - values[np.maximum(before, 0)], np.nan)


def _gaps(frames: Sequence[Frame]) -> tuple[Array, NDArray[np.bool_]]:
    """Seconds since the last frame that has a time, on whichever clock makes them nearer; NaN where both
    clocks ran backwards or there was no frame with a time before."""
    gap = np.full(len(frames), np.nan)
    timed = np.array([f.time_s is not None or f.shown_s is not None for f in frames], dtype=np.bool_)
    last: Frame | None = None
    for k, frame in enumerate(frames):
        if last is not None and timed[k]:
            slack = max(frame.tick_s, last.tick_s)
            pairs = ((last.time_s, frame.time_s), (last.shown_s, frame.shown_s))
            steps = [b - a for a, b in pairs if a is not None and b is not None and b - a >= -slack]
            if steps:
                gap[k] = max(0.0, min(steps))
        if timed[k]:
            last = frame
    return gap, timed


def _strangeness(a: Frame, b: Frame) -> float:
    """What a change of picture size, focal length, stop or orientation costs inside a bracket."""
    cost = 0.0
    if None not in (a.width, b.width, a.height, b.height) and {a.width, a.height} != {b.width, b.height}:
        cost -= 7.0
    if a.focal_mm and b.focal_mm and abs(a.focal_mm / b.focal_mm - 1.0) > 0.02:
        cost -= 5.0
    if a.f_number and b.f_number and abs(a.f_number / b.f_number - 1.0) > 0.03:
        cost -= 1.5 if a.exposure_s == b.exposure_s else 7.0
    if a.orientation != b.orientation:
        cost -= 1.0
    if a.composite or b.composite:
        cost -= 30.0
    return cost


def idle_out(steps: Steps) -> Array:
    """Log density of the idle time between unrelated frames: half of them some seconds to a minute apart, as
    people take pictures, half anywhere; rarer under 1 s."""
    idle = _known(steps.idle_s)
    x = np.log(idle + FLOOR_S)
    people = 0.5 * np.exp(-0.5 * ((x - np.log(PEOPLE_S)) / 1.6) ** 2) / (1.6 * np.sqrt(2 * np.pi))
    quick = np.clip(np.log((idle + steps.tick_s + FLOOR_S) / 1.5), -0.9, 0.0)
    out = np.log(people + 0.5 * np.exp(OUT_DENSITY)) + quick
    return np.where(np.isnan(steps.gap_s), 0.0, out)


def idle_table(steps: Steps) -> Array:
    """Log densities of the idle time inside a bracket: rhythms x explanations x steps.

    Explanations are the four ways a stamp can lie (``fillings``), the whole gap as idle time (exposures that
    cannot be), and a clock set by whole hours right there.
    """
    whole_hours = np.round(steps.gap_s / 3600.0) * 3600.0
    moved = (whole_hours > 0) & (np.abs(steps.gap_s - whole_hours) < 60.0) & (steps.number == 1)
    jumped = np.where(moved, np.maximum(steps.gap_s - whole_hours - steps.before_s, 0.0), -np.inf)
    idle = np.stack([*(steps.gap_s - filling for filling in fillings(steps)), steps.gap_s, jumped])
    slack = steps.tick_s + 0.04 * np.maximum(steps.before_s, steps.after_s)
    low = np.log(np.maximum(idle - steps.tick_s, 0.0) + FLOOR_S)
    high = np.log(np.maximum(idle + steps.tick_s, 0.0) + FLOOR_S)
    coarse = np.clip(0.35 * np.log((high - low + 0.2) / 0.4), 0.0, 0.8)
    coarse[idle < -slack - 0.05] = np.inf  # shorter than the exposure: impossible
    return np.stack([_around(low, high, rhythm_s) - coarse for rhythm_s in RHYTHMS_S])


def idle_in(steps: Steps, table: Array, stamp_costs: Sequence[float] = STAMP_COSTS) -> Array:
    """Log density of the idle time inside a bracket, rhythms x steps, each under its best explanation.

    ``stamp_costs`` price the four ways a stamp can lie, the body's own being the cheapest.
    """
    costs = np.array([*stamp_costs, IMPOSSIBLE, -CLOCK_SET])
    best = (table - costs[:, None]).max(axis=1)
    unknown = np.where(steps.timed & (np.arange(best.shape[1]) > 0), CLOCK_SET / 1.5, 0.0)
    return np.where(np.isnan(steps.gap_s), unknown, best)


def fillings(steps: Steps) -> tuple[Array, Array, Array, Array]:
    """What of a gap the exposures themselves take, in seconds: the stamp marks the start; the start, with a
    dark frame after a long exposure; the end; the end, with a dark frame."""
    dark = np.where(steps.before_s >= LONG_S, steps.before_s, 0.0)
    return steps.before_s, steps.before_s + dark, steps.after_s, steps.after_s + dark


def _around(low: Array, high: Array, rhythm_s: float) -> Array:
    """Student t of ln(idle time), known to lie between ``low`` and ``high``, around a rhythm."""
    machine = rhythm_s < MACHINE_S
    tail, peak = (MACHINE_TAIL, 0.375) if machine else (HAND_TAIL, 0.3536)
    centre = np.log(rhythm_s + FLOOR_S)
    off = np.maximum(np.maximum(low - centre, centre - high), 0.0) / SPREAD
    density: Array = np.log(peak / SPREAD) - (tail + 1.0) / 2.0 * np.log1p(off * off / tail)
    return density - 2.0 * np.maximum(low - np.log(STALL_S), 0.0) if machine else density


def number_weight(steps: Steps) -> Array:
    """In minus out for the file counter: a bracket misses a number only where one was deleted.  A counter that
    runs backwards against the clock says nothing: those files were renamed."""
    missing = _known(steps.number) - 1
    hole = np.where(missing > 0, -1.3 - 0.35 * np.minimum(missing, 6), np.where(missing < 0, 0.0, 0.15))
    return np.where(np.isnan(steps.number), 0.0, hole)


def exposure_out(steps: Steps, still_share: float = 0.4, scale_stops: float = 1.3) -> Array:
    """Log likelihood of an exposure step between unrelated frames, per third of a stop: often none, else
    about as far as the light differs, seldom anywhere."""
    size = np.abs(_known(steps.jump))
    near = (1 - still_share) * np.exp(-size / scale_stops) / (6 * scale_stops)
    anywhere = 1 / 45.0
    moved = np.log(0.75 * near + 0.25 * anywhere)
    return np.where(np.isnan(steps.jump), 0.0, np.where(size < 0.1, np.log(still_share), moved))


def brightness_weight(steps: Steps) -> Array:
    """In minus out for the picture: inside a bracket it brightens as the exposure does, the less the more of
    it is clipped; between frames under automatic exposure it stays about the same whatever the exposure did.

    Of a scene with light over many stops a share 1 - exp(level / 2) still follows the exposure at a mean of
    ``level`` (log2, 0 is saturation): fitted by eye to clipped log-normal scenes, no source.
    """
    bright, jump = steps.bright_jump, steps.seen_jump
    seen = ~(np.isnan(bright) | np.isnan(jump))
    delta, expected = _known(bright), _known(jump)
    middle = np.minimum(_known(steps.bright) - delta / 2.0, 0.0)
    expected = expected * (1.0 - np.exp(middle / 2.0))
    inside = _normal(delta - expected, 0.25 + 0.3 * np.abs(expected))
    outside = 0.6 * _normal(delta, 0.4) + 0.4 * _normal(delta, 2.0)
    weight = np.clip(np.log((inside + 0.01) / outside), -2.5, 1.5)
    # Where no exposure could be read, a picture that steps at all is something.
    blind = np.where(np.abs(delta) > 0.25, 0.6, -0.6)
    unread = ~np.isnan(bright) & np.isnan(jump)
    return np.where(seen, weight, np.where(unread, blind, 0.0))


def _known(values: Array) -> Array:
    """The same with 0 where nothing is known."""
    return np.where(np.isnan(values), 0.0, values)


def _normal(off: Array, sigma: float | Array) -> Array:
    density: Array = np.exp(-0.5 * (off / sigma) ** 2) / (sigma * np.sqrt(2 * np.pi))
    return density


def bias_weight(frames: Sequence[Frame]) -> Array:
    """In minus out, per frame, for an exposure bias that is not the body's usual one: a drive that brackets
    writes its step there, and so does a person who turns the compensation dial."""
    written = [None if f.exposure_bias_ev is None else round(f.exposure_bias_ev, 1) for f in frames]
    told = Counter(b for b in written if b is not None)
    if len(told) < 2:
        return np.zeros(len(frames))
    usual = min(told, key=lambda b: (-told[b], abs(b)))
    return np.array([0.0 if b is None or abs(b - usual) < 0.2 else 1.3 for b in written])


def drive_weight(frames: Sequence[Frame]) -> Array:
    """In minus out, per frame, for the header's own word that the drive was bracketing."""
    if not any(f.bracketed for f in frames):
        return np.zeros(len(frames))
    return np.array([0.0 if f.bracketed is None else (1.6 if f.bracketed else -0.9) for f in frames])
