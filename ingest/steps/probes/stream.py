"""Each body's frames as one stream, in the order of shooting (``clocks/sequence.py``).

Frames without a readable header belong to the body whose files stand around them on the card.  A body
without a serial number may be two bodies of one model: its cards, and then its counters, tell them apart.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from ingest.records.frames import Frame
from ingest.steps.clocks.sequence import NEAR, card_order, clock, counter_step, in_order

REST_S = 6 * 3600.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Stream:
    """Frames of one body in the order of shooting.  ``partners`` maps the second file of an exposure that
    was written to two cards to its first (both ids); partners do not stand in ``frames``."""

    body: str
    frames: tuple[Frame, ...]
    partners: dict[str, str] = field(default_factory=dict)
    numbers_believed: bool = True


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
            for k, day in enumerate(_days(ordered)):
                own = {} if k else partners
                found.append(Stream(body=body, frames=day, partners=own, numbers_believed=believed))
    return tuple(found)


def _days(frames: Sequence[Frame]) -> list[tuple[Frame, ...]]:
    """Cut where a body rested for hours: habits are the day's, and no set runs over a night's sleep."""
    days: list[list[Frame]] = []
    last: float | None = None
    for frame in frames:
        now = clock(frame)
        if not days or (now is not None and last is not None and now - last > REST_S):
            days.append([])
        days[-1].append(frame)
        last = now if now is not None else last
    return [tuple(d) for d in days]


def _with_neighbours_body(frames: Iterable[Frame]) -> list[tuple[str, Frame]]:
    """Give a frame whose header names no body the body of its nearest neighbour on the card."""
    by_card: dict[str, list[Frame]] = defaultdict(list)
    for frame in frames:
        by_card[frame.card].append(frame)
    found = []
    for card in sorted(by_card):
        files = sorted(by_card[card], key=card_order)
        named = [i for i, f in enumerate(files) if f.body]
        for i, frame in enumerate(files):
            if frame.body or not named:
                found.append((frame.body, frame))
                continue
            nearest = min(named, key=lambda k: (files[k].prefix != frame.prefix, abs(k - i), k))
            found.append((files[nearest].body, frame))
    return found


def _one_body_each(body: str, frames: Sequence[Frame]) -> list[list[Frame]]:
    """One list per real body.  Only a body without serial number can be several."""
    if body and not body.endswith("|"):
        return [list(frames)]
    by_card: dict[str, list[Frame]] = defaultdict(list)
    for frame in frames:
        by_card[frame.card].append(frame)
    pieces = [part for card in sorted(by_card) for part in _counters(by_card[card])]
    pieces.sort(key=lambda p: (min((c for f in p if (c := clock(f)) is not None), default=0.0), p[0].id))
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
    turns = sum(home[a.id] != home[b.id] for a, b in pairwise(timed))
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


