"""How much a row of exposures looks like a bracket: its steps, its order, its holes.

An automatic bracket is a ladder of equal steps, each rung once, in one of a few orders (0 - +, dark to
bright ...).  A bracket stepped by hand climbs one way for a while, may skip, repeat or turn once.  Every
deviation has a price, in natural-log units of likelihood; the prices are common practice weighed on
simulated days, no source.  Nominal marks are allowed for: 1/15 to 1/30 to 1/60 and thirds such as 1/13 lie
up to 0.21 stop off the even ladder (Exif marks against exact powers of two).
"""

from __future__ import annotations

import math
from bisect import bisect_right
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

UNIT = 24  # exposures are compared in 1/24 stop
UNKNOWN = 1 << 20  # stands for an exposure nobody could read

# How often brackets of a size are shot, and the steps cameras offer, in stops (common practice, no source).
SIZES = {2: 0.015, 3: 0.26, 4: 0.03, 5: 0.21, 6: 0.04, 7: 0.15, 8: 0.035, 9: 0.09, 10: 0.035, 11: 0.035, 12: 0.03,
         13: 0.04}
STEPS = {1 / 3: 0.03, 1 / 2: 0.04, 2 / 3: 0.06, 1.0: 0.22, 4 / 3: 0.04, 1.5: 0.05, 5 / 3: 0.04, 2.0: 0.24, 7 / 3: 0.02,
         2.5: 0.02, 8 / 3: 0.02, 3.0: 0.14, 10 / 3: 0.01, 11 / 3: 0.01, 4.0: 0.03, 5.0: 0.01, 6.0: 0.005}
ODD_STEP = 0.002
HOLE, DUPLICATE, TWICE, SQUEEZED, TURN = 3.2, 6.5, 1.6, 0.5, 2.2
AT_FIRST = 1.6  # before the first step a repeated exposure is rather a test, or a bracket broken off
FURTHER_UNREAD = 0.8  # each unread exposure after the first
NARROW, NARROW_STOPS = 5.0, 1.3  # a ladder that spans no more shows no light that one frame would not
UNREAD = 3.5  # a row in which no two exposures could be read and compared
UNEVEN, UNEVEN_STEP = 2.5, 2.0
NO_SET = -60.0


@dataclass(frozen=True, kw_only=True, slots=True)
class Shape:
    """What a row of exposures is as a bracket.  ``score`` is its log likelihood given that it is one.

    ``rungs`` different exposures of ``count`` frames, ``step`` in stops (None if uneven), ``order`` in
    words, ``places`` each frame's rung from the darkest (None for unknown), ``holes`` rungs missing inside,
    ``stops`` the exposures from the first known one.  ``hopeless`` says that no further frame can mend it.
    """

    count: int
    rungs: int = 0
    step: float | None = None
    order: str = ""
    places: tuple[int | None, ...] = ()
    holes: int = 0
    duplicates: int = 0
    squeezed: bool = False
    unknown: int = 0
    stops: tuple[float | None, ...] = ()
    score: float = NO_SET
    hopeless: bool = False

    @property
    def regular(self) -> bool:
        return self.step is not None and not self.holes



def orders(rungs: int) -> dict[tuple[int, ...], str]:
    """The usual orders of a ladder of ``rungs``, as places from the darkest, each with its words."""
    return dict(_orders(rungs))


@lru_cache(maxsize=64)
def _orders(rungs: int) -> tuple[tuple[tuple[int, ...], str], ...]:
    up = tuple(range(rungs))
    middle = (rungs - 1) // 2
    low = tuple(range(middle - 1, -1, -1))
    high = tuple(range(middle + 1, rungs))
    named: dict[tuple[int, ...], str] = {}

    def name(places: tuple[int, ...], words: str) -> None:
        named.setdefault(places, words)

    name(up, "dark to bright")
    name(up[::-1], "bright to dark")
    name((middle, *_woven(low, high)), "0 - +")
    name((middle, *_woven(high, low)), "0 + -")
    name((middle, *low, *high), "0, all -, all +")
    name((middle, *high, *low), "0, all +, all -")
    name((middle, *low[::-1], *high), "0, then dark to bright")
    name((middle, *high[::-1], *low), "0, then bright to dark")
    name((*_woven(low, high), middle), "- + 0")
    name((*low[::-1], *high, middle), "dark to bright, 0 last")
    name(_woven(up, up[::-1])[:rungs], "from both ends inwards, dark first")
    name(_woven(up[::-1], up)[:rungs], "from both ends inwards, bright first")
    return tuple(named.items())


def _woven(a: tuple[int, ...], b: tuple[int, ...]) -> tuple[int, ...]:
    mixed: list[int] = []
    for i in range(max(len(a), len(b))):
        mixed.extend(a[i : i + 1])
        mixed.extend(b[i : i + 1])
    return tuple(mixed)


# How likely each order is, given a bracket; anything else is priced by its turns.
ORDER_SHARE = {"dark to bright": 0.2, "bright to dark": 0.2, "0 - +": 0.2, "0 + -": 0.1, "0, all -, all +": 0.06,
               "0, all +, all -": 0.06, "0, then dark to bright": 0.05, "0, then bright to dark": 0.03}
OTHER_ORDER = 0.006


def shape_of(exposures: tuple[float | None, ...]) -> Shape:
    """Judge exposures in stops, in the order taken; None is unknown.

    >>> shape_of((0.0, -2.0, 2.0)).order
    '0 - +'
    """
    grid = [None if e is None else round(e * UNIT) for e in exposures]
    return judge(differences(grid))


def differences(grid: list[int | None]) -> tuple[int, ...]:
    """Each frame's step from the last known one, in 1/24 stop; 0 for the first known, UNKNOWN for no exposure."""
    steps: list[int] = []
    last = None
    for value in grid:
        if value is None:
            steps.append(UNKNOWN)
        else:
            steps.append(0 if last is None else value - last)
            last = value
    return tuple(steps)


@lru_cache(maxsize=200_000)
def judge(steps: tuple[int, ...]) -> Shape:
    """Judge a row given as ``differences`` (cached: a day repeats its patterns)."""
    count = len(steps)
    values, unknown = _values(steps)
    stops = tuple(None if v is None else v / UNIT for v in values)
    known = [v for v in values if v is not None]
    rungs = _rungs(known)
    if not known:
        return _unread(count, stops)
    duplicates = len(known) - len(rungs)
    if duplicates > max(1, count // 4) or rungs[-1] - rungs[0] > 26 * UNIT:
        return Shape(count=count, hopeless=True)
    if len(rungs) < 2:
        return _unread(count, stops) if unknown and not duplicates else Shape(count=count, duplicates=duplicates)
    twice = min(duplicates, sum(s == 0 for s in steps[1:]))  # pressed twice: the same exposure next to itself
    base = math.log(SIZES.get(count - duplicates, 0.01)) - DUPLICATE * (duplicates - twice) - TWICE * twice
    base -= AT_FIRST * (count > 2 and steps[1] == 0)
    base -= NARROW * (rungs[-1] - rungs[0] < NARROW_STOPS * UNIT and count > 2)
    nearest = [None if v is None else bisect_right(rungs, v) - 1 for v in values]
    even = _even(rungs)
    if even is not None and len(known) >= 2:
        step, holes, squeezed, fit, on_grid = even
        places = tuple(None if n is None else on_grid[n] for n in nearest)
        order, price = _order(places, unknown, duplicates)
        # a hole may be just where an unreadable exposure stands
        real_holes = max(0, holes - unknown)
        score = base + fit + price - HOLE * real_holes - SQUEEZED * squeezed - FURTHER_UNREAD * max(0, unknown - 1)
        even_shape = Shape(count=count, rungs=len(rungs), step=step, order=order, places=places, holes=real_holes,
                           duplicates=duplicates, squeezed=squeezed, unknown=unknown, stops=stops, score=score)
        if count <= 3:
            return even_shape
        hand = _by_hand(rungs, nearest, stops, base)
        return even_shape if even_shape.score >= hand.score - 1.0 else hand
    return _by_hand(rungs, nearest, stops, base)


def _values(steps: tuple[int, ...]) -> tuple[list[int | None], int]:
    """Exposures in 1/24 stop from the first known one, and how many are unknown."""
    values: list[int | None] = []
    at = 0
    for step in steps:
        if step == UNKNOWN:
            values.append(None)
        else:
            at += step
            values.append(at)
    return values, sum(v is None for v in values)


def _rungs(known: list[int]) -> list[int]:
    """Distinct exposures, dark first; what lies within a sixth of a stop is one."""
    rungs: list[int] = []
    for value in sorted(known):
        if not rungs or value - rungs[-1] > UNIT // 6:
            rungs.append(value)
    return rungs


def _even(rungs: list[int]) -> tuple[float, int, bool, float, list[int]] | None:
    """The even ladder through the rungs: step, holes inside, whether the last step at an end is another (the
    camera's limit cuts it short), log likelihood of step and fit, each rung's place.  None: no such ladder."""
    gaps = [(b - a) / UNIT for a, b in pairwise(rungs)]
    best = None
    for low, high in ((0, len(gaps)), (1, len(gaps)), (0, len(gaps) - 1)):
        inner = gaps[low:high]
        if not inner or (high - low < len(gaps) and len(inner) < 3):
            continue
        found = _even_gaps(inner)
        if found is None:
            continue
        step, spans, fit = found
        squeezed = len(inner) < len(gaps)
        ragged = gaps[0 if low else -1] / step
        if squeezed and ragged > 2.5:
            continue
        if squeezed and ragged > 1.0:
            fit -= 0.6
        all_spans = ([1] if low else []) + spans + ([1] if high < len(gaps) else [])
        holes = sum(all_spans) - len(all_spans)
        price = fit - HOLE * holes - SQUEEZED * squeezed
        if best is None or price > best[0]:
            places = [0]
            for span in all_spans:
                places.append(places[-1] + span)
            best = (price, (step, holes, squeezed, fit, places))
    return None if best is None else best[1]


def _even_gaps(gaps: list[float]) -> tuple[float, list[int], float] | None:
    """The step of which all gaps are whole multiples, few of them more than one."""
    ordered = sorted(gaps)
    total = sum(gaps)
    best = None
    tried = []
    for guess in (ordered[len(ordered) // 2], ordered[0], total / len(gaps)):
        spans = [max(1, round(g / guess)) for g in gaps]
        if spans in tried:
            continue
        tried.append(spans)
        holes = sum(spans) - len(spans)
        step = total / (holes + len(spans))
        slack = min(0.22, 0.42 * step)
        off = [abs(g - s * step) for g, s in zip(gaps, spans, strict=True)]
        if max(off) > slack or holes > max(1, len(spans) // 3) or max(spans) > 3:
            continue
        mark, share = _nearest_step(step)
        fit = math.log(share) if mark else math.log(ODD_STEP) - (0.7 if len(gaps) < 4 else 0.0)
        fit -= 0.5 * sum((o / 0.13) ** 2 for o in off) / max(1.0, len(gaps) ** 0.5)
        price = fit - HOLE * holes
        if best is None or price > best[0]:
            best = (price, (mark or step, spans, fit))
    return None if best is None else best[1]


@lru_cache(maxsize=4096)
def _nearest_step(step: float) -> tuple[float, float]:
    """The step a camera offers that this is, and how often it is used; (0, 0) if it is none of them."""
    mark = min(STEPS, key=lambda s: abs(s - step))
    return (mark, STEPS[mark]) if abs(mark - step) <= 0.06 + 0.03 * mark else (0.0, 0.0)


def _order(places: tuple[int | None, ...], unknown: int, duplicates: int) -> tuple[str, float]:
    """The words for an order and its log likelihood."""
    known = [p for p in places if p is not None]
    top = max(known)
    if len(known) <= 2:
        return ("dark to bright" if known[0] < known[-1] else "bright to dark"), math.log(0.3)
    first_of_each = tuple(dict.fromkeys(known))
    for extra_low, extra_high in ((0, 0), (1, 0), (0, 1)) if unknown else ((0, 0),):
        for order, words in _orders(top + 1 + extra_low + extra_high):
            wanted = tuple(p - extra_low for p in order)
            fits = _fits(places, wanted) if unknown and not duplicates else _within(first_of_each, wanted)
            if fits:
                return words, math.log(ORDER_SHARE.get(words, OTHER_ORDER))
    turns = _pieces(known) - 1
    return f"in {turns + 1} pieces", math.log(OTHER_ORDER) + (0.0 if turns <= 1 else -TURN * (turns - 1))


def _fits(places: tuple[int | None, ...], wanted: tuple[int, ...]) -> bool:
    return len(places) == len(wanted) and all(p is None or p == w for p, w in zip(places, wanted, strict=True))


def _within(some: tuple[int, ...], whole: tuple[int, ...]) -> bool:
    """Whether ``some`` comes in this order inside ``whole``."""
    rest = iter(whole)
    return all(any(s == w for w in rest) for s in some)


def _pieces(places: list[int]) -> int:
    """Into how many one-way climbs a row falls: 1 for dark to bright, 2 for one turn or one jump back."""
    pieces, way = 1, 0
    for a, b in pairwise(places):
        now = (b > a) - (b < a)
        if way and now and now != way:
            pieces, way = pieces + 1, 0
        elif now:
            way = now
    return pieces


def _unread(count: int, stops: tuple[float | None, ...]) -> Shape:
    """A row whose exposures nobody can compare: only time, pictures and the day's habit can speak for it."""
    score = math.log(SIZES.get(count, 0.01)) - UNREAD
    return Shape(count=count, order="in an order nobody could read", places=(None,) * count, stops=stops,
                 unknown=sum(s is None for s in stops), score=score, hopeless=count > 24)


def _by_hand(rungs: list[int], nearest: list[int | None], stops: tuple[float | None, ...], base: float) -> Shape:
    """An uneven climb: priced by the step, and by every turn."""
    known = [p for p in nearest if p is not None]
    turns = _pieces(known) - 1
    score = base - UNEVEN - UNEVEN_STEP * (len(rungs) - 1) - TURN * turns + math.log(0.4)
    way = "dark to bright" if known[-1] > known[0] else "bright to dark"
    return Shape(
        count=len(nearest),
        rungs=len(rungs),
        step=None,
        order=way if not turns else f"in {turns + 1} pieces",
        places=tuple(nearest),
        duplicates=len(known) - len(rungs),
        unknown=len(nearest) - len(known),
        stops=stops,
        score=score,
        hopeless=turns > 5 and turns * 3 > len(nearest),
    )
