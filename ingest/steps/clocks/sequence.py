"""The order of shooting of one body's frames, whatever its clock and its counter did.

The idea: the order on a card (DCF order) is the order of shooting, unless the files were renamed; the clock
says it too, unless the clock was set in between.  So a card's order is cut into *runs* in which the clock
never goes back.  Where that gives few, long runs the card's order is believed and the clock's jumps are
steps of the clock; where it gives rubble the names lie and the clock alone is believed.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence

from ingest.records.frames import Frame

COUNTER = 9999  # DCF file numbers run 0001 to 9999 and start again (CIPA DC-009, from memory)
CLOCK_SETS = 4  # more jumps back of the clock on one card are no clock being set, but renamed files
NEAR = 30  # so many missing numbers still look like one counter



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


def card_order(frame: Frame) -> tuple[int, str]:
    """The order of files on one card."""
    return (frame.card_index, frame.id)


def in_order(frames: Sequence[Frame]) -> tuple[tuple[Frame, ...], bool]:
    """One body's frames in the order of shooting, and whether card order and numbers can be believed."""
    by_card: dict[str, list[Frame]] = defaultdict(list)
    for frame in frames:
        by_card[frame.card].append(frame)
    cards = [sorted(by_card[card], key=card_order) for card in sorted(by_card)]
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
    """Keep together the runs that the counter joins: there the clock was set, and that is all."""
    chains: list[list[Frame]] = []
    for run in runs:
        step = counter_step(chains[-1][-1], run[0]) if chains else None
        if chains and min(len(chains[-1]), len(run)) >= 2 and step is not None and 1 <= step <= NEAR:
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
        files.sort(key=card_order)
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
