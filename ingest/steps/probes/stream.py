"""Each body's frames in the order they were taken, whatever the clock and the counter did.

The idea: the order on a card (DCF order) is the order of shooting, unless the files were renamed; the clock
says it too, unless the clock was set in between.  So a card's order is cut into *runs* in which the clock
never goes back.  Where that gives few, long runs the card's order is believed and the clock's jumps are
steps of the clock; where it gives rubble the names lie and the clock alone is believed.

Frames without a readable header belong to the body whose files stand around them on the card.  A body
without a serial number may be two bodies of one model: its cards, and then its counters, tell them apart.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from ingest.records.frames import Frame

COUNTER = 9999  # DCF file numbers run 0001 to 9999 and start again (CIPA DC-009, from memory)
CLOCK_SETS = 4  # more jumps back of the clock on one card are no clock being set, but renamed files
NEAR = 30  # so many missing numbers still look like one counter


@dataclass(frozen=True, kw_only=True, slots=True)
class Stream:
    """Frames of one body in the order of shooting.  ``partners`` maps the second file of an exposure that
    was written to two cards to its first (both ids); partners do not stand in ``frames``."""

    body: str
    frames: tuple[Frame, ...]
    partners: dict[str, str] = field(default_factory=dict)
    numbers_believed: bool = True


def clock(frame: Frame) -> float | None:
    """The time to sort by: true time where known, else what the body showed."""
    return frame.time_s if frame.time_s is not None else frame.shown_s


def counter_step(earlier: Frame, later: Frame) -> int | None:
    """How far the file counter went, over the roll-over too: 1 is the next file; None where nobody can say.

    A new folder may restart the counter, so a step to a small number in another folder is unknown, not far.
    """
    if earlier.number is None or later.number is None:
        return None
    plain = later.number - earlier.number
    if earlier.number > COUNTER or later.number > COUNTER:
        return plain
    if plain <= 0 and later.number <= NEAR and earlier.number > COUNTER - NEAR:
        return plain + COUNTER
    other_folder = (earlier.folder_number, earlier.card) != (later.folder_number, later.card)
    if other_folder and plain != 1 and later.number <= NEAR:
        return None
    return plain


def streams(frames: Iterable[Frame]) -> tuple[Stream, ...]:
    """Every body's frames in order of shooting; the order of input changes nothing."""
    unique = {f.id: f for f in sorted(frames, key=lambda f: (f.id, f.card, f.card_index))}
    bodies: dict[str, list[Frame]] = defaultdict(list)
    for body, frame in _with_neighbours_body(unique.values()):
        bodies[body].append(frame)
    found = []
    for body in sorted(bodies):
        for part in _one_body_each(body, bodies[body]):
            kept, partners = _without_partners(part)
            ordered, believed = in_order(kept)
            found.append(Stream(body=body, frames=ordered, partners=partners, numbers_believed=believed))
    return tuple(found)


def _with_neighbours_body(frames: Iterable[Frame]) -> list[tuple[str, Frame]]:
    """Give a frame whose header names no body the body of its nearest neighbour on the card."""
    by_card: dict[str, list[Frame]] = defaultdict(list)
    for frame in frames:
        by_card[frame.card].append(frame)
    found = []
    for card in sorted(by_card):
        files = sorted(by_card[card], key=_card_order)
        named = [i for i, f in enumerate(files) if f.body]
        for i, frame in enumerate(files):
            if frame.body or not named:
                found.append((frame.body, frame))
                continue
            nearest = min(named, key=lambda k: (files[k].prefix != frame.prefix, abs(k - i), k))
            found.append((files[nearest].body, frame))
    return found


def _card_order(frame: Frame) -> tuple[int, str]:
    return (frame.card_index, frame.id)


def _one_body_each(body: str, frames: Sequence[Frame]) -> list[list[Frame]]:
    """One list per real body.  Only a body without serial number can be several."""
    if body and not body.endswith("|"):
        return [list(frames)]
    by_card: dict[str, list[Frame]] = defaultdict(list)
    for frame in frames:
        by_card[frame.card].append(frame)
    pieces = [part for card in sorted(by_card) for part in _counters(by_card[card])]
    pieces.sort(key=lambda p: (min((clock(f) for f in p if clock(f) is not None), default=0.0), p[0].id))
    parts: list[list[Frame]] = []
    for piece in pieces:
        home = next((p for p in parts if _same_body(p, piece)), None)
        if home is None:
            parts.append(piece)
        else:
            home.extend(piece)
    return parts


def _same_body(part: Sequence[Frame], piece: Sequence[Frame]) -> bool:
    """Whether two cards' frames can come from one body: apart in time, or the same exposures twice."""
    earlier = [c for f in part if (c := clock(f)) is not None]
    later = [c for f in piece if (c := clock(f)) is not None]
    if not earlier or not later or max(earlier) <= min(later) + 1.0 or max(later) <= min(earlier) + 1.0:
        return True
    taken = {_exposure_key(f) for f in part}
    return sum(_exposure_key(f) in taken for f in piece) * 2 > len(piece)


def _counters(frames: Sequence[Frame]) -> list[list[Frame]]:
    """Part one card's frames by file counter where two counters run side by side in time."""
    timed = sorted((f for f in frames if clock(f) is not None), key=lambda f: (clock(f) or 0.0, f.number or 0, f.id))
    tracks: list[list[Frame]] = []
    for frame in timed:
        if frame.number is None:
            return [list(frames)]
        steps = [(counter_step(t[-1], frame), i) for i, t in enumerate(tracks) if t[-1].prefix == frame.prefix]
        near = [(s, i) for s, i in steps if s is not None and 0 < s <= NEAR]
        if near:
            tracks[min(near)[1]].append(frame)
        else:
            tracks.append([frame])
        if len(tracks) > 8:
            return [list(frames)]
    home = {f.id: i for i, t in enumerate(tracks) for f in t}
    turns = sum(home[a.id] != home[b.id] for a, b in zip(timed, timed[1:], strict=False))
    if turns <= 2 * (len(tracks) - 1) or min(map(len, tracks), default=0) < 3:
        return [list(frames)]
    for frame in frames:
        if clock(frame) is None:
            nearest = min(timed, key=lambda f: (abs(f.card_index - frame.card_index), f.id))
            tracks[home[nearest.id]].append(frame)
    return tracks


def _exposure_key(frame: Frame) -> tuple[object, ...]:
    """What two files of one exposure share."""
    return (frame.number, frame.shown_s, frame.exposure_s, frame.iso, frame.f_number)


def _without_partners(frames: Sequence[Frame]) -> tuple[list[Frame], dict[str, str]]:
    """Tie the two files of one exposure that went to two cards; the smaller id stands for both."""
    groups: dict[tuple[object, ...], list[Frame]] = defaultdict(list)
    for frame in frames:
        if frame.shown_s is not None and (frame.number is not None or frame.tick_s < 1.0):
            groups[_exposure_key(frame)].append(frame)
    partners: dict[str, str] = {}
    for twins in groups.values():
        if len(twins) > 1 and len({f.card for f in twins}) == len(twins):
            first = min(f.id for f in twins)
            partners.update({f.id: first for f in twins if f.id != first})
    return [f for f in frames if f.id not in partners], partners


def in_order(frames: Sequence[Frame]) -> tuple[tuple[Frame, ...], bool]:
    """One body's frames in the order of shooting, and whether card order and numbers can be believed."""
    by_card: dict[str, list[Frame]] = defaultdict(list)
    for frame in frames:
        by_card[frame.card].append(frame)
    cards = [sorted(by_card[card], key=_card_order) for card in sorted(by_card)]
    believed = all(len(_runs(card)) - 1 <= max(1, min(CLOCK_SETS, len(card) // 25)) for card in cards)
    if not believed:
        return tuple(_by_clock(frames)), False
    return tuple(_joined([chain for card in cards for chain in _chains(_runs(card))])), True


def _goes_back(earlier: Frame, later: Frame) -> bool:
    """Whether the clock went back by more than its tick, in true time and as shown."""
    tick = max(earlier.tick_s, later.tick_s)
    pairs = [(earlier.time_s, later.time_s), (earlier.shown_s, later.shown_s)]
    steps = [b - a for a, b in pairs if a is not None and b is not None]
    return bool(steps) and all(step < -tick for step in steps)


def _runs(files: Sequence[Frame]) -> list[list[Frame]]:
    """Cut a card's order where the clock goes back; frames without time stay with those before them."""
    runs: list[list[Frame]] = []
    last: Frame | None = None
    for frame in files:
        if not runs or (last is not None and clock(frame) is not None and _goes_back(last, frame)):
            runs.append([])
        runs[-1].append(frame)
        if clock(frame) is not None:
            last = frame
    return runs


def _chains(runs: list[list[Frame]]) -> list[list[Frame]]:
    """Keep together the runs that the counter joins without a hole: there the clock was set, nothing else."""
    chains: list[list[Frame]] = []
    for run in runs:
        if chains and min(len(chains[-1]), len(run)) >= 3 and counter_step(chains[-1][-1], run[0]) == 1:
            chains[-1].extend(run)
        else:
            chains.append(run)
    return chains


def _by_clock(frames: Sequence[Frame]) -> list[Frame]:
    """Sorted by the clock; what has none follows its neighbour on the card."""
    placed: list[tuple[float, int, int, str, Frame]] = []
    by_card: dict[str, list[Frame]] = defaultdict(list)
    for frame in frames:
        by_card[frame.card].append(frame)
    for files in by_card.values():
        files.sort(key=_card_order)
        last = next((c for f in files if (c := clock(f)) is not None), 0.0)
        for frame in files:
            last = c if (c := clock(frame)) is not None else last
            placed.append((last, frame.number or 0, frame.card_index, frame.id, frame))
    return [p[-1] for p in sorted(placed, key=lambda p: p[:4])]


def _joined(runs: list[list[Frame]]) -> list[Frame]:
    """Lay runs one behind the other by their start; weave them only where two cards were written at once."""

    def start(run: list[Frame]) -> tuple[float, int, str]:
        first = next((c for f in run if (c := clock(f)) is not None), 0.0)
        return (first, run[0].card_index, run[0].id)

    joined: list[Frame] = []
    end = None
    for run in sorted(runs, key=start):
        times = [c for f in run if (c := clock(f)) is not None]
        overlap = end is not None and times and times[0] <= end
        apart = overlap and any(f.card != run[0].card for f in joined[-len(run) - 50 :])
        if overlap and (apart or len(run) <= 2):
            joined = _woven(joined, run)
        else:
            joined.extend(run)
        if times:
            end = max(times) if end is None else max(end, *times)
    return joined


def _woven(ours: list[Frame], theirs: list[Frame]) -> list[Frame]:
    """Merge two runs by the clock; at one tick the file counter decides."""
    woven: list[Frame] = []
    a, b = 0, 0
    while a < len(ours) and b < len(theirs):
        if _before(theirs[b], ours[a]):
            woven.append(theirs[b])
            b += 1
        else:
            woven.append(ours[a])
            a += 1
    return woven + ours[a:] + theirs[b:]


def _before(frame: Frame, other: Frame) -> bool:
    mine, its = clock(frame), clock(other)
    if mine is None or its is None or mine == its:
        step = counter_step(frame, other)
        return step is not None and step > 0 and (mine is None) <= (its is None)
    return mine < its
