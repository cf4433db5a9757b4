"""From frames to probe sets, tests, bursts and loose stills: all the evidence at once, each body by itself.

The way: ``stream`` puts a body's frames in order; ``evidence`` weighs every step between neighbours;
``ladders`` judges rows of exposures; ``plausibility`` adds both up into a gain for every row that could be a
bracket; ``partition`` takes the heaviest choice of rows; ``habits`` learns from it and the choice is made
again with the body's own odds; ``verdicts`` and ``positions`` say what the sets are.  Pure: the same frames
give the same sets in whatever order they came.
"""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np

from ingest.records.frames import Frame
from ingest.records.probes import Grouping, GroupingSettings, ProbeSet
from ingest.steps.probes.evidence import Steps, idle_table, steps_of
from ingest.steps.probes.habits import SURE, Habits, learn
from ingest.steps.probes.loose import sort_out
from ingest.steps.probes.partition import heaviest, shares
from ingest.steps.probes.plausibility import Candidate, Weighed, candidates, reweighed, weighed, weights_of
from ingest.steps.probes.positions import Placed, places
from ingest.steps.probes.runs import Run, runs
from ingest.steps.probes.stream import Stream, streams
from ingest.steps.probes.verdicts import completeness, doubts, left_out, why

PASSES = 2  # of learning the body's habits
# Rows of the very same exposures met this often on a day are worth that much more while learning, up to sure.
AGAIN, REPEATED = 3, 4.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Cut:
    """One stream cut: what was taken, how sure each of it is (0 to 1), all that could have been, and the odds
    it was done with."""

    taken: list[Candidate | Run]
    sure: list[float]
    rows: Weighed
    habits: Habits
    steps: Steps


@dataclass(kw_only=True, slots=True)
class Remembered:
    """What the last grouping made of each body's day, so that a new card costs only the days it touches.  A day is
    known by a digest of its frames: a season of them does not belong into memory."""

    settings: GroupingSettings | None = None
    days: dict[bytes, tuple[list[ProbeSet], dict[str, tuple[str, str]]]] = field(default_factory=dict)


def group(
    frames: Iterable[Frame], settings: GroupingSettings | None = None, remembered: Remembered | None = None
) -> Grouping:
    """The most plausible partition of frames into probe sets and loose frames.

    Frames without an exposure, a time or a readable picture still count by what they do have.  The same
    frames in another order give the same answer; an id given twice counts once.  ``remembered`` is the
    caller's from one grouping to the next: it changes nothing but the time.
    """
    settings = settings or GroupingSettings()
    known = remembered.days if remembered is not None and remembered.settings == settings else {}
    days: dict[bytes, tuple[list[ProbeSet], dict[str, tuple[str, str]]]] = {}
    found: list[tuple[tuple[float, str], list[ProbeSet]]] = []
    loose: dict[str, str] = {}
    why_loose: dict[str, str] = {}
    partners: dict[str, str] = {}
    for stream in streams(frames):
        partners.update(stream.partners)
        key = _known_by(stream)
        sets, rest = days[key] = known.get(key) or group_stream(stream, settings)
        found.append(((_first_time(stream), stream.body), sets))
        for frame_id, (what, reason) in rest.items():
            loose[frame_id], why_loose[frame_id] = what, reason
    if remembered is not None:
        remembered.settings, remembered.days = settings, days
    return Grouping(
        sets=_numbered([sets for _, sets in sorted(found, key=lambda item: item[0])]),
        loose=dict(sorted(loose.items())),
        why_loose=dict(sorted(why_loose.items())),
        partner_of=dict(sorted(partners.items())),
    )


def _known_by(stream: Stream) -> bytes:
    """A digest of everything that the grouping of a stream goes by."""
    said = (stream.body, stream.frames, stream.numbers_believed, sorted(stream.partners.items()))
    return hashlib.blake2b(repr(said).encode("utf-8", "surrogatepass"), digest_size=20).digest()


def _first_time(stream: Stream) -> float:
    times = [f.time_s for f in stream.frames if f.time_s is not None]
    return min(times, default=0.0)


def _numbered(bodies: Sequence[Sequence[ProbeSet]]) -> tuple[ProbeSet, ...]:
    """Sets of all bodies in one list: positions and repeats counted through."""
    every: list[ProbeSet] = []
    positions = 0
    for sets in bodies:
        shift = len(every)
        for one in sets:
            repeat = None if one.repeat_of is None else one.repeat_of + shift
            every.append(_with(one, position=one.position + positions, repeat_of=repeat))
        positions += max((s.position for s in sets), default=-1) + 1
    return tuple(every)


def _with(one: ProbeSet, **changes: object) -> ProbeSet:
    values = {name: getattr(one, name) for name in ProbeSet.__slots__}
    return ProbeSet(**{**values, **changes})


def cut(stream: Stream, settings: GroupingSettings) -> Cut:
    """Choose rows of a stream, learn from the choice, choose again."""
    steps = steps_of(stream, by_brightness=_exposures_unread(stream))
    table = idle_table(steps)
    habits = Habits()
    weights = weights_of(stream, steps, table, habits, settings)
    rows = candidates(stream, steps, table, weights, settings)
    n = len(stream.frames)
    for turn in range(PASSES + 1):
        rivals = weighed(rows, steps, weights, habits)
        lapses = runs(steps, habits.still_share)
        learning = turn < PASSES
        spans = [
            *(_repeats_count(rivals, steps) if learning else rivals.spans()),
            *((r.start, r.end, r.gain) for r in lapses),
        ]
        chosen = heaviest(n, spans)
        sets = len(rivals.kept)
        taken = [rivals.candidate(k) if k < sets else lapses[k - sets] for k in chosen]
        if learning:
            found = [c for c in taken if isinstance(c, Candidate)]
            habits = learn(steps, table, [(c.start, c.end, c.shape, c.rhythm, c.gain) for c in found])
            weights = reweighed(weights, steps, table, habits)
    return Cut(taken=taken, sure=shares(n, spans, chosen), rows=rivals, habits=habits, steps=steps)


def _repeats_count(rivals: Weighed, steps: Steps) -> list[tuple[int, int, float]]:
    """Start, end and gain of every row; more for one whose very exposures the day repeats, which chance does
    not: slow hand-stepped rows that none would be believed alone may teach together."""
    start, end = rivals.rows.start[rivals.kept], rivals.rows.end[rivals.kept]
    lowest = min((g for g in steps.grid if g is not None), default=0)
    firsts = np.array([-1 if g is None else g - min(0, lowest) for g in steps.grid])[start]
    keys = rivals.rows.kind[rivals.kept] * (1 << 20) + firsts
    _, which, met = np.unique(keys, return_inverse=True, return_counts=True)
    lifted = np.minimum(rivals.gain + REPEATED, SURE)  # what is sure already needs no help against its rivals
    gains = np.where(met[which] >= AGAIN, np.maximum(rivals.gain, lifted), rivals.gain)
    return list(zip(start.tolist(), end.tolist(), gains.tolist(), strict=True))


def _exposures_unread(stream: Stream) -> bool:
    """Whether the pictures must stand in for exposures, because nearly none could be read."""
    known = sum(f.exposure_ev is not None for f in stream.frames)
    seen = sum(f.log2_brightness is not None for f in stream.frames)
    return known * 5 < len(stream.frames) and seen * 2 > len(stream.frames)


def group_stream(stream: Stream, settings: GroupingSettings) -> tuple[list[ProbeSet], dict[str, tuple[str, str]]]:
    """One body's sets in the order taken, and its loose frames with what they are and why."""
    made = cut(stream, settings)
    aborted, rest = sort_out(stream, made.steps, made.taken, made.habits)
    kept = [
        (row, share)
        for row, share in zip(made.taken, made.sure, strict=True)
        if isinstance(row, Candidate) and (row.start, row.end) not in aborted
    ]
    taken = {k for row in made.taken for k in range(row.start, row.end)}
    sets = [_judged(stream, made, row, share, taken, settings) for row, share in kept]
    return _placed(stream, made, [row for row, _ in kept], sets, settings), rest


def _judged(
    stream: Stream, made: Cut, row: Candidate, share: float, taken: Collection[int], settings: GroupingSettings
) -> ProbeSet:
    frames = stream.frames[row.start : row.end]
    complete, against = completeness(row, frames, made.steps, made.habits)
    rival = made.rows.rival_of(row) if share < settings.review_below else None
    idle = made.steps.idle_s[row.start + 1 : row.end]
    reasons = doubts(
        row, share, rival, shape_met=made.habits.met(row.shape), pause_s=float(np.nan_to_num(idle).max(initial=0.0)),
        below=settings.review_below,
    )
    reasons += left_out(row, stream.frames, made.steps, lambda k: k not in taken)
    return ProbeSet(
        frames=_dark_to_bright(frames),
        complete=complete,
        review=bool(reasons),
        reasons=(*reasons, *against),
        why=why(row, frames, made.steps, made.habits, share),
        share=round(share, 4),
    )


def _dark_to_bright(frames: Sequence[Frame]) -> tuple[str, ...]:
    """Ids from dark to bright; frames without exposure keep their place in time behind the one before."""
    keys: list[tuple[float, int]] = []
    last = -1e9
    for k, frame in enumerate(frames):
        last = frame.exposure_ev if frame.exposure_ev is not None else last
        keys.append((last, k))
    return tuple(frames[k].id for _, k in sorted(keys))


def _placed(
    stream: Stream, made: Cut, rows: Sequence[Candidate], sets: Sequence[ProbeSet], settings: GroupingSettings
) -> list[ProbeSet]:
    placed = []
    for k, (row, one) in enumerate(zip(rows, sets, strict=True)):
        pause = None
        if k:
            gaps = made.steps.idle_s[rows[k - 1].end : row.start + 1]
            pause = None if any(g != g for g in gaps) else float(sum(gaps))
        frames = stream.frames[row.start : row.end]
        sound = one.complete is not False and not one.review
        placed.append(Placed(frames=frames, pause_s=pause, sound=sound, kind=settings.kinds.get(stream.body, "")))
    return [
        _with(one, position=p.position, view=p.view, repeat_of=p.repeat_of, proposed=p.proposed)
        for one, p in zip(sets, places(placed, settings.position_pause_s), strict=True)
    ]
