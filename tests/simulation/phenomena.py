"""One generator for each thing that happens on a set; each takes a dice and gives a day with its truth.

``PHENOMENA`` lists them; ``mixed`` strings many of them into one full day.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from fractions import Fraction

from tests.simulation.shoot import ISOS, MARKS, ORDERS, START, Body, Day, Truth, a_body, count_on, ladder, places

Scene = Callable[[Day, Body], None]


def usual_ladder(day: Day, body: Body, *, slowest: int = 42, size: int | None = None) -> list[tuple[Fraction, int]]:
    """A bracket as somebody would set it: a size, a step that spans something, one of the usual orders."""
    size = size or day.dice.choice((3, 3, 5, 5, 7, 7, 9, 13))
    steps = {3: (3, 4, 6, 6, 8, 9), 5: (2, 3, 4, 6, 6, 9), 7: (2, 3, 4, 6, 6), 9: (2, 3, 3, 4), 13: (2, 3)}[size]
    rungs = ladder(day.dice, size, day.dice.choice(steps), day.dice.choice(ORDERS), slowest=slowest)
    return [(e, body.iso) for e, _ in rungs]


def habit(day: Day, body: Body, **how: int) -> list[tuple[Fraction, int]]:
    """The ladder this body uses today, moved with the light now and then."""
    return usual_ladder(day, body, **how)


def sets(day: Day, body: Body, count: int, **how: int) -> None:
    """Brackets with minutes between, of one ladder."""
    steps = habit(day, body, **how)
    for _ in range(count):
        day.new_scene()
        day.bracket(body, steps)
        day.pause(20, 900)


def references(day: Day, body: Body, count: int | None = None) -> None:
    """Single stills: automatic exposure, some seconds to minutes apart, mostly another thing each time."""
    at = day.dice.randrange(12, 40)
    for _ in range(count or day.dice.randrange(1, 7)):
        if day.dice.random() < 0.6:
            day.new_scene()
            at = min(45, max(3, at + round(day.dice.gauss(0, 4))))
        auto(day, body, at)
        day.pause(2.5, 200)


def auto(day: Day, body: Body, at: int) -> None:
    """One still under automatic exposure: its level stays near a fifth whatever the light."""
    made = day.shoot(body, MARKS[at])
    made.level = -2.3 + day.dice.gauss(0, 0.25)


def burst(day: Day, body: Body) -> None:
    """A held shutter button: one exposure, many times."""
    at = MARKS[day.dice.randrange(5, 30)]
    for _ in range(day.dice.randrange(4, 25)):
        day.shoot(body, at)
        day.now_s += body.drive_idle_s


def time_lapse(day: Day, body: Body) -> None:
    """An interval timer with automatic exposure that drifts by thirds."""
    at = day.dice.randrange(10, 36)
    interval = day.dice.choice((1, 2, 3, 5, 10, 20, 30))
    way = day.dice.choice((-1, 1))
    for _ in range(day.dice.randrange(20, 90)):
        begun = day.now_s
        auto(day, body, at)
        if day.dice.random() < 0.22:
            at += way if day.dice.random() < 0.75 else -way
            at = min(44, max(2, at))
        day.now_s = begun + max(interval, float(MARKS[at]) + 0.3)


def start(dice: random.Random, phenomenon: str) -> Day:
    day = Day(dice=dice, phenomenon=phenomenon, now_s=START + dice.uniform(0, 20_000))
    day.new_scene()
    return day


def orders(dice: random.Random) -> Day:
    """3, 5, 7, 9, 13 frames in any common order and step."""
    day = start(dice, "orders")
    body = a_body(dice)
    for _ in range(dice.randrange(2, 4)):
        sets(day, body, dice.randrange(1, 4))
        references(day, body)
        day.pause(30, 600)
    return day


def long_exposures(dice: random.Random) -> Day:
    """Up to 30 s, with and without a dark frame after each."""
    day = start(dice, "long exposures")
    body = a_body(dice, dark_frames=dice.random() < 0.5, digits=dice.choice((0, 2)))
    size = dice.choice((3, 5, 7))
    steps = [(e, body.iso) for e, _ in ladder(dice, size, dice.choice((3, 6)), dice.choice(ORDERS), slowest=54)]
    lift = 54 - max(MARKS.index(e) for e, _ in steps) - dice.randrange(0, 4)
    steps = [(MARKS[MARKS.index(e) + max(0, lift)], i) for e, i in steps]
    for _ in range(dice.randrange(3, 6)):
        day.new_scene()
        day.bracket(body, steps)
        day.pause(40, 600)
        if dice.random() < 0.4:
            references(day, body, 2)
            day.pause(30, 200)
    return day


def whole_seconds(dice: random.Random) -> Day:
    """No sub-seconds: many frames of one bracket share a stamp."""
    day = start(dice, "no sub-seconds")
    body = a_body(dice, digits=0, drive_idle_s=dice.uniform(0.08, 0.4))
    for _ in range(3):
        sets(day, body, dice.randrange(1, 4))
        references(day, body)
        day.pause(20, 300)
    return day


def back_to_back(dice: random.Random) -> Day:
    """Brackets at one position without a pause worth the name (repeats)."""
    day = start(dice, "back to back")
    body = a_body(dice)
    for _ in range(dice.randrange(2, 5)):
        day.new_scene()
        steps = habit(day, body)
        day.positions += 1
        for k in range(dice.randrange(2, 4)):
            truth = day.bracket(body, steps, position=day.positions)
            truth.repeat = k > 0
            day.now_s += dice.choice((body.drive_idle_s * 2, 1.0, 2.5, 6.0))
        day.pause(150, 1500)
    return day


def headings(dice: random.Random) -> Day:
    """A fisheye turned through four headings, the same exposures at each."""
    day = start(dice, "headings")
    body = a_body(dice)
    steps = habit(day, body)
    for _ in range(dice.randrange(2, 4)):
        day.new_scene()
        day.positions += 1
        for view in range(4):
            day.bracket(body, steps, view=view, position=day.positions)
            day.pause(4, 25)
        day.pause(200, 1500)
    return day


def aborted(dice: random.Random) -> Day:
    """A bracket broken off and shot again."""
    day = start(dice, "aborted")
    body = a_body(dice)
    steps = habit(day, body)
    for _ in range(dice.randrange(3, 6)):
        day.new_scene()
        if dice.random() < 0.6:
            break_off(day, body, steps)
        day.bracket(body, steps)
        day.pause(40, 900)
    return day


def break_off(day: Day, body: Body, steps: list[tuple[Fraction, int]]) -> None:
    day.aborted += 1
    for k, (exposure, iso) in enumerate(steps[: day.dice.randrange(1, max(2, len(steps) - 1))]):
        if k:
            day.now_s += body.drive_idle_s
        day.shoot(body, exposure, iso=iso).aborted = day.aborted
    day.pause(3, 30)


def test_frames(dice: random.Random) -> Day:
    """A metering or test frame in front."""
    day = start(dice, "test frame")
    body = a_body(dice)
    steps = habit(day, body)
    for _ in range(dice.randrange(3, 6)):
        day.new_scene()
        for _ in range(dice.choice((0, 1, 1, 2))):
            meter(day, body, steps)
        day.bracket(body, steps)
        day.pause(40, 900)
    return day


def meter(day: Day, body: Body, steps: list[tuple[Fraction, int]]) -> None:
    """One test exposure, mostly the bracket's middle or near it, then a look at the screen."""
    middle = sorted(MARKS.index(e) for e, _ in steps)[len(steps) // 2]
    at = min(54, max(0, middle + day.dice.choice((0, 0, 0, -3, 3, 1, -2))))
    day.shoot(body, MARKS[at])
    day.pause(4, 40)


def pairs(dice: random.Random) -> Day:
    """Raw and JPEG of every exposure, on one card or on two."""
    day = start(dice, "pairs")
    body = a_body(dice, pairs=dice.choice(("same card", "two cards")))
    sets(day, body, 3)
    references(day, body)
    return day


def two_bodies(dice: random.Random) -> Day:
    """Two bodies of one model at work at once; with serial numbers or without."""
    day = start(dice, "two bodies")
    first = a_body(dice)
    serial = dice.choice(("both", "one", "none"))
    second = a_body(dice, make=first.make, model=first.model, prefix=first.prefix, digits=first.digits,
                    number=(first.number + 3000) % 9000 + 1)
    if second.card == first.card:
        second.card = "Z" + first.card[1:]
    if serial == "none":
        first.serial = ""
    if serial != "both":
        second.serial = ""
    steps = {id(b): habit(day, b) for b in (first, second)}
    for _ in range(dice.randrange(3, 6)):
        begun = day.now_s
        day.new_scene()
        day.bracket(first, steps[id(first)])
        end = day.now_s
        day.now_s = begun + dice.uniform(0.1, 3.0)
        day.bracket(second, steps[id(second)], view=9)
        day.now_s = max(end, day.now_s)
        day.pause(40, 600)
    return day


def all_round(dice: random.Random) -> Day:
    """A one-shot 360 body that varies shutter and sensitivity together."""
    day = start(dice, "shutter and sensitivity")
    body = a_body(dice, model="Tam 360", size=(128, 64), f_number=Fraction(2), focal_mm=1.3)
    size = dice.choice((3, 5, 7, 9))
    thirds = dice.choice((3, 4, 6)) if size < 9 else 3
    low = dice.randrange(0, 20)
    share = dice.randrange(1, thirds)
    rungs = []
    for k in range(size):
        total = low + k * thirds
        by_iso = min(k * share, len(ISOS) - 1)
        rungs.append((MARKS[min(54, total - by_iso)], ISOS[by_iso]))
    order = dice.choice(ORDERS)
    steps = [rungs[k] for k in places(size, order)]
    for _ in range(dice.randrange(3, 7)):
        day.new_scene()
        day.bracket(body, steps)
        day.pause(20, 700)
    return day


def by_sensitivity(dice: random.Random) -> Day:
    """Constant shutter, sensitivity alone is stepped."""
    day = start(dice, "by sensitivity")
    body = a_body(dice)
    size = dice.choice((3, 5, 7))
    thirds = dice.choice((2, 3)) if size > 5 else dice.choice((3, 4))
    low = dice.randrange(0, len(ISOS) - (size - 1) * thirds)
    shutter = MARKS[dice.randrange(10, 35)]
    steps = [(shutter, ISOS[low + k * thirds]) for k in places(size, dice.choice(ORDERS))]
    for _ in range(dice.randrange(3, 6)):
        day.new_scene()
        day.bracket(body, steps)
        day.pause(30, 700)
        if dice.random() < 0.4:
            references(day, body, 2)
    return day


def clocks(dice: random.Random) -> Day:
    """Clocks wrong by hours, in another zone, reset, running over midnight, or set by an hour inside a set."""
    day = start(dice, "clocks")
    body = a_body(dice)
    what = dice.choice(("hours", "zone", "reset", "midnight", "hour on", "hour back"))
    if what in ("hours", "zone"):
        body.offset_s = dice.choice((61200.0, -25200.0, 3600.0 * dice.randrange(-11, 12), dice.uniform(-40000, 40000)))
    if what == "midnight":
        midnight = (day.now_s + 7200) // 86400 * 86400 + 86400 - 7200
        day.now_s = midnight - 1.2
    steps = habit(day, body, slowest=30)
    for k in range(4):
        day.new_scene()
        truth = day.bracket(body, steps)
        if k == 1 and what == "reset":
            body.offset_s = day.now_s - 1_420_070_400.0 + 7200.0
        if k == 1 and what in ("hour on", "hour back"):
            shift = 3600.0 if what == "hour on" else -3600.0
            body.offset_s -= shift
            if dice.random() < 0.5:  # inside the set
                for made in truth.members[len(truth.members) // 2 :]:
                    made.shown_s += shift
        day.pause(40, 700)
    return day


def roll_over(dice: random.Random) -> Day:
    """9999 to 0001 with a new folder, inside a set."""
    day = start(dice, "roll-over")
    body = a_body(dice)
    steps = habit(day, body)
    body.number = 9999 - len(steps) - dice.randrange(0, len(steps))
    for _ in range(4):
        day.new_scene()
        day.bracket(body, steps)
        day.pause(20, 600)
    return day


def duplicates(dice: random.Random) -> Day:
    """An exposure that comes twice inside a bracket: pressed twice, or the shutter at its limit."""
    day = start(dice, "duplicates")
    body = a_body(dice)
    by_hand = dice.random() < 0.5
    steps = habit(day, body, size=dice.choice((5, 7, 9)))
    for _ in range(dice.randrange(3, 5)):
        day.new_scene()
        row = list(steps)
        if dice.random() < 0.6:
            at = dice.randrange(0, len(row))
            row.insert(at, row[at])
        day.bracket(body, row, by_hand=by_hand, complete=True if len(row) == len(steps) else None)
        day.pause(60, 900)
    return day


def no_brackets(dice: random.Random) -> Day:
    """Bursts, time-lapses and references: not one probe."""
    day = start(dice, "no brackets")
    body = a_body(dice, writes_mode=False)
    for _ in range(dice.randrange(3, 7)):
        day.new_scene()
        dice.choice((references, burst, time_lapse, references))(day, body)
        day.pause(5, 600)
    return day


def deleted(dice: random.Random) -> Day:
    """Frames deleted in camera, from sets and beside them."""
    day = start(dice, "deleted")
    body = a_body(dice)
    steps = habit(day, body, size=dice.choice((5, 7, 9)))
    for _ in range(5):
        day.new_scene()
        truth = day.bracket(body, steps)
        if dice.random() < 0.4:
            gone = dice.choice(truth.members)
            gone.deleted = True
            truth.members.remove(gone)
            truth.complete = False
        day.pause(40, 600)
        if dice.random() < 0.4:
            references(day, body, 3)
            day.exposures[-1].deleted = True
    return day


def unread(dice: random.Random) -> Day:
    """Exposure fields missing, zero, 0/0, or only as APEX values."""
    day = start(dice, "exposure unread")
    body = a_body(dice)
    how = dice.choice(("no exposure", "zero", "0/0", "apex"))
    steps = habit(day, body, size=dice.choice((5, 7)))
    whole_set = dice.random() < 0.3
    for k in range(4):
        day.new_scene()
        truth = day.bracket(body, steps)
        if how == "apex":
            for made in truth.members:
                made.header = "apex"
        elif whole_set and k == 2:
            for made in truth.members:
                made.header = how
            truth.complete, truth.open = None, True
        elif dice.random() < 0.5:
            dice.choice(truth.members).header = how
            truth.complete = None
        day.pause(40, 600)
    return day


def two_cards(dice: random.Random) -> Day:
    """The card was full inside a set; the rest is on the next one."""
    day = start(dice, "two cards")
    body = a_body(dice)
    steps = habit(day, body)
    for k in range(4):
        day.new_scene()
        truth = day.bracket(body, steps)
        if k == 1:
            body.card = "X" + body.card[1:]
            for made in truth.members[dice.randrange(1, len(truth.members)) :]:
                made.card = body.card
        day.pause(40, 600)
    return day


def broken_files(dice: random.Random) -> Day:
    """A zero-byte file or a truncated picture inside a set."""
    day = start(dice, "broken files")
    body = a_body(dice)
    steps = habit(day, body)
    for _ in range(4):
        day.new_scene()
        truth = day.bracket(body, steps)
        if dice.random() < 0.5:
            made = dice.choice(truth.members)
            made.usable = False
            made.header = dice.choice(("none", "whole"))
            truth.complete = False
        day.pause(40, 600)
    return day


def by_hand(dice: random.Random) -> Day:
    """Even steps by hand, some seconds apart, dark or bright first."""
    day = start(dice, "by hand")
    body = a_body(dice)
    size = dice.choice((5, 6, 7, 8, 9, 11))
    order = dice.choice(("up", "down"))
    steps = [(e, 100) for e, _ in ladder(dice, size, dice.choice((3, 6)) if size < 9 else 3, order, slowest=45)]
    for _ in range(dice.randrange(2, 5)):
        day.new_scene()
        day.bracket(body, steps, by_hand=True)
        day.pause(101, 1200)
        if dice.random() < 0.4:
            references(day, body, 2)
            day.pause(60, 300)
    return day


def mixed(dice: random.Random) -> Day:
    """A full day on one or two bodies: everything that can follow one another."""
    day = start(dice, "mixed")
    bodies = [a_body(dice), a_body(dice)]
    if bodies[1].card == bodies[0].card:
        bodies[1].card = "Z" + bodies[0].card[1:]
    steps = {id(b): habit(day, b) for b in bodies}
    for _ in range(dice.randrange(14, 26)):
        body = dice.choice(bodies)
        day.new_scene()
        one_thing(day, body, steps[id(body)])
        day.pause(20, 1500)
    return day


def one_thing(day: Day, body: Body, steps: list[tuple[Fraction, int]]) -> None:
    """The next thing on a full day."""
    dice = day.dice
    what = dice.choices(("set", "headings", "test", "aborted", "references", "burst", "lapse", "other", "hand",
                         "deleted", "broken"), (30, 12, 12, 8, 14, 4, 3, 8, 3, 3, 3))[0]
    if what == "headings":
        day.positions += 1
        for view in range(4):
            day.bracket(body, steps, view=view, position=day.positions)
            day.pause(4, 20)
    elif what == "references":
        references(day, body)
    elif what in ("burst", "lapse"):
        (burst if what == "burst" else time_lapse)(day, body)
    elif what == "hand":
        size = dice.choice((5, 7, 9))
        hand = [(e, body.iso) for e, _ in ladder(dice, size, 3, dice.choice(("up", "down")), slowest=42)]
        day.bracket(body, hand, by_hand=True)
        day.pause(60, 90)
    else:
        if what == "test":
            meter(day, body, steps)
        if what == "aborted":
            break_off(day, body, steps)
        row = usual_ladder(day, body) if what == "other" else steps
        mishap(day, body, day.bracket(body, row), what)


def mishap(day: Day, body: Body, truth: Truth, what: str) -> None:
    if what == "deleted" and len(truth.members) > 3:
        gone = day.dice.choice(truth.members)
        gone.deleted = True
        truth.members.remove(gone)
        truth.complete = False
    if what == "broken":
        made = day.dice.choice(truth.members)
        made.usable = False
        made.header = day.dice.choice(("none", "whole"))
        truth.complete = False
    if day.dice.random() < 0.02:
        count_on(body)


PHENOMENA: dict[str, Callable[[random.Random], Day]] = {
    "orders": orders,
    "long exposures": long_exposures,
    "no sub-seconds": whole_seconds,
    "back to back": back_to_back,
    "headings": headings,
    "aborted": aborted,
    "test frame": test_frames,
    "pairs": pairs,
    "two bodies": two_bodies,
    "shutter and sensitivity": all_round,
    "by sensitivity": by_sensitivity,
    "clocks": clocks,
    "roll-over": roll_over,
    "duplicates": duplicates,
    "no brackets": no_brackets,
    "deleted": deleted,
    "exposure unread": unread,
    "two cards": two_cards,
    "broken files": broken_files,
    "by hand": by_hand,
    "mixed": mixed,
}


def a_day(phenomenon: str, seed: int) -> Day:
    """One day of a phenomenon, the same for the same seed."""
    return PHENOMENA[phenomenon](random.Random(f"{phenomenon}/{seed}"))
