"""Which sets were taken from one standpoint: the headings of a turned head, and repeats of one view.

Views of one position follow each other within the time it takes to turn the head, with the same exposures
(a panorama needs them equal: TRADE practice).  A repeat shows the same picture: its brightness at every
exposure is the same.  A body that sees all round has one view only, so there the next set is a repeat or a
new position.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from ingest.records.frames import Frame

SAME_STOPS = 0.25
SAME_PICTURE = 0.02  # stops of mean brightness; noise of a still scene stays below
ALL_ROUND = ("lat-long", "dual-fisheye", "mirror-ball")


@dataclass(frozen=True, kw_only=True, slots=True)
class Placed:
    """A set of one body with its place in the day: ``pause_s`` since the set before, None for unknown."""

    frames: tuple[Frame, ...]
    pause_s: float | None
    sound: bool
    kind: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Place:
    """``position`` counts from 0 over the sets given, ``view`` from 1, ``repeat_of`` an index into them."""

    position: int
    view: int
    repeat_of: int | None
    proposed: bool = True


def places(sets: Sequence[Placed], pause_s: float) -> list[Place]:
    """Tie one body's sets, in the order taken, into positions."""
    found: list[Place] = []
    begins = 0
    for k, this in enumerate(sets):
        if k == 0 or not _near(sets[k - 1], this, pause_s):
            begins = k
            found.append(Place(position=(found[-1].position + 1 if found else 0), view=1, repeat_of=None))
            continue
        same = next((i for i in range(begins, k) if _same_view(sets[i], this)), None)
        if same is not None:
            first = found[same].repeat_of if found[same].repeat_of is not None else same
            found.append(Place(position=found[-1].position, view=found[same].view, repeat_of=first))
        elif _kind(this) in ALL_ROUND:
            begins = k
            found.append(Place(position=found[-1].position + 1, view=1, repeat_of=None))
        else:
            view = max(p.view for p in found[begins:]) + 1
            found.append(Place(position=found[-1].position, view=view, repeat_of=None))
    return _proposed(found, sets)


def _kind(placed: Placed) -> str:
    """What the body's frames are: as said, else all round where the picture is twice as wide as high."""
    first = placed.frames[0]
    if placed.kind:
        return placed.kind
    return "lat-long" if first.width and first.height and first.width == 2 * first.height else ""


def _near(before: Placed, this: Placed, pause_s: float) -> bool:
    if this.pause_s is None:
        return False
    return this.pause_s <= (pause_s if exposures_agree(before, this) else pause_s / 3.0)


def exposures_agree(a: Placed, b: Placed) -> bool:
    """Whether two sets carry the same exposures (unknown ones agree with anything)."""
    ours = sorted(f.exposure_ev for f in a.frames if f.exposure_ev is not None)
    theirs = sorted(f.exposure_ev for f in b.frames if f.exposure_ev is not None)
    if len(a.frames) != len(b.frames):
        return False
    return all(abs(x - y) < SAME_STOPS for x, y in zip(ours, theirs, strict=False))


def _same_view(a: Placed, b: Placed) -> bool:
    """Whether the later set shows what the earlier did.  Without brightness only a body that sees all round
    says so; a turned head is taken to have turned."""
    differences = []
    for frame in b.frames:
        if frame.exposure_ev is None or frame.log2_brightness is None:
            continue
        like = [f for f in a.frames if f.exposure_ev is not None and f.log2_brightness is not None
                and abs(f.exposure_ev - frame.exposure_ev) < SAME_STOPS]
        differences += [abs((f.log2_brightness or 0.0) - frame.log2_brightness) for f in like[:1]]
    if len(differences) >= 2:
        return sum(differences) / len(differences) < SAME_PICTURE
    return _kind(b) in ALL_ROUND


def _proposed(found: list[Place], sets: Sequence[Placed]) -> list[Place]:
    """Of the repeats of one view the sound one is proposed, of several sound ones the last: it was shot again
    for a reason."""
    views: dict[int, list[int]] = {}
    for k, place in enumerate(found):
        views.setdefault(k if place.repeat_of is None else place.repeat_of, []).append(k)
    best = {max(group, key=lambda k: (sets[k].sound, len(sets[k].frames), k)) for group in views.values()}
    return [
        Place(position=p.position, view=p.view, repeat_of=p.repeat_of, proposed=k in best) for k, p in enumerate(found)
    ]
