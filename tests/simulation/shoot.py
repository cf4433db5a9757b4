"""A make-believe shooting day: bodies, what is taken with them, and the truth about it.

Everything is drawn from one seeded dice, so a day can be played again.  Camera makers are invented.  A day
is a list of exposures with the facts a header would hold; ``frames.py`` turns it into frames for the
grouping, ``files.py`` into cards with real files.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, field
from fractions import Fraction

# Nominal shutter marks in thirds of a stop, dark to bright (as printed on cameras; exact is 2 ** (k / 3)).
MARKS = [Fraction(1, n) for n in (8000, 6400, 5000, 4000, 3200, 2500, 2000, 1600, 1250, 1000, 800, 640, 500, 400, 320,
                                  250, 200, 160, 125, 100, 80, 60, 50, 40, 30, 25, 20, 15, 13, 10, 8, 6, 5, 4)]
MARKS += [Fraction(n, 10) for n in (3, 4, 5, 6, 8, 10, 13, 16, 20, 25, 32, 40, 50, 60, 80, 100, 130, 150, 200, 250,
                                    300)]
ISOS = [100, 125, 160, 200, 250, 320, 400, 500, 640, 800, 1000, 1250, 1600, 2000, 2500, 3200, 4000, 5000, 6400]
ORDERS = ("up", "down", "0-+", "0+-", "0-all+all", "0+all-all", "0up")
START = 1_790_000_000.0  # a Monday morning in September 2026, UTC

MAKERS = ("Hollin", "Ostrava Optik", "Tamarisk")
MODELS = ("H7", "OO-5 Mk II", "Tam 360", "H70 R")


@dataclass(kw_only=True)
class Body:
    """One camera and its habits.  ``offset_s`` is true local time minus what it shows; the local zone is
    two hours ahead of UTC throughout unless a day says otherwise."""

    make: str
    model: str
    serial: str
    prefix: str
    digits: int = 2  # of sub-seconds; 0 is whole seconds
    stamps_end: bool = False
    dark_frames: bool = False
    drive_idle_s: float = 0.25
    writes_mode: bool = False
    writes_bias: bool = False
    zone_tag: bool = False
    iso: int = 100
    f_number: Fraction | None = Fraction(8)
    focal_mm: float | None = 8.0
    size: tuple[int, int] = (96, 64)
    number: int = 1
    folder: int = 100
    offset_s: float = 0.0
    pairs: str = ""  # "", "same card" or "two cards"
    card: str = "A001"

    @property
    def name(self) -> str:
        return f"{self.make}|{self.model}|{self.serial}"


@dataclass(kw_only=True)
class Exposure:
    """One press of the shutter as it came out.  ``set_id`` is the truth: None for no probe."""

    body: Body
    start_s: float  # true UTC
    shown_s: float  # the body's wall clock, as seconds, with sub-seconds as it writes them
    exposure: Fraction
    iso: int
    f_number: Fraction | None
    number: int
    folder: int
    card: str
    level: float  # log2 of the mean linear level of the picture
    view: int
    scene: int
    set_id: int | None = None
    bracketed: bool | None = None
    bias: float | None = None
    header: str = "whole"  # whole, none (0 bytes), no exposure, zero, 0/0, apex
    usable: bool = True
    deleted: bool = False
    aborted: int | None = None  # which aborted start this belongs to

    @property
    def key(self) -> str:
        """The file name without extension: unique on its card."""
        return f"{self.card}/{self.folder}/{self.body.prefix}{self.number:04d}"


@dataclass(kw_only=True)
class Truth:
    """What must come out: ``complete`` is True only where nobody could doubt it, False where something is
    missing, None where either answer will do.  ``open`` sets may be cut otherwise if they go to review."""

    members: list[Exposure] = field(default_factory=list)
    complete: bool | None = True
    open: bool = False
    position: int | None = None
    repeat: bool = False


@dataclass(kw_only=True)
class Day:
    """A day in the making; ``now_s`` is true time."""

    dice: random.Random
    phenomenon: str = ""
    now_s: float = START
    exposures: list[Exposure] = field(default_factory=list)
    sets: list[Truth] = field(default_factory=list)
    scenes: int = 0
    positions: int = 0
    aborted: int = 0
    light: float = 0.0

    def pause(self, low_s: float, high_s: float) -> None:
        """Let time pass, log-uniform between two limits."""
        self.now_s += math.exp(self.dice.uniform(math.log(low_s), math.log(high_s)))

    def new_scene(self) -> None:
        self.scenes += 1
        self.light = self.dice.uniform(-3.0, 3.0)

    def shoot(self, body: Body, exposure: Fraction, *, iso: int | None = None, view: int = 0) -> Exposure:
        """One exposure now; time moves to when the body is free again."""
        iso = iso or body.iso
        end = self.now_s + float(exposure)
        stamp = (end if body.stamps_end else self.now_s) + 7200.0 - body.offset_s
        grid = 10.0**body.digits
        made = Exposure(
            body=body,
            start_s=self.now_s,
            shown_s=math.floor(stamp * grid) / grid,
            exposure=exposure,
            iso=iso,
            f_number=body.f_number,
            number=body.number,
            folder=body.folder,
            card=body.card,
            level=level(self.light, self.scenes, view, exposure, iso, body.f_number),
            view=view,
            scene=self.scenes,
        )
        self.exposures.append(made)
        count_on(body)
        self.now_s = end + (float(exposure) if body.dark_frames and exposure >= 1 else 0.0)
        return made

    def bracket(
        self,
        body: Body,
        ladder: list[tuple[Fraction, int]],
        *,
        by_hand: bool = False,
        view: int = 0,
        position: int | None = None,
        complete: bool | None = True,
    ) -> Truth:
        """Shoot a ladder of (exposure, iso) as one set."""
        truth = Truth(complete=complete, position=position)
        middle = sorted(ladder, key=lambda e: float(e[0]) * e[1])[len(ladder) // 2]
        rhythm = math.exp(self.dice.gauss(math.log(6.0), 0.4))
        for k, (exposure, iso) in enumerate(ladder):
            if k:
                wait = body.drive_idle_s * math.exp(self.dice.gauss(0.0, 0.12))
                self.now_s += rhythm * math.exp(self.dice.gauss(0.0, 0.45)) if by_hand else wait
            made = self.shoot(body, exposure, iso=iso, view=view)
            made.set_id = len(self.sets)
            if not by_hand and body.writes_mode:
                made.bracketed = True
            if not by_hand and body.writes_bias:
                made.bias = round(math.log2(float(exposure) * iso / (float(middle[0]) * middle[1])) * 3) / 3
            truth.members.append(made)
        self.sets.append(truth)
        return truth


def count_on(body: Body) -> None:
    """The file counter: 9999 is followed by 0001 in the next folder (DCF)."""
    body.number += 1
    if body.number > 9999:
        body.number, body.folder = 1, body.folder + 1


def level(light: float, scene: int, view: int, exposure: Fraction, iso: int, f_number: Fraction | None) -> float:
    """log2 of the mean linear level of a scene with 16 stops of light in it, clipped at 1.

    The scene is a fixed set of patches; a view sees its own share of them.
    """
    stop = float(f_number) if f_number else 8.0
    gain = float(exposure) * iso / 100.0 / stop**2 * 2.0 ** (light + 6.0)
    patches = random.Random(f"{scene}/{view}")
    total = sum(min(1.0, gain * 2.0 ** patches.gauss(0.0, 3.0)) for _ in range(60)) / 60
    return math.log2(max(total, 1e-5)) + patches.gauss(0.0, 0.0)


def a_body(dice: random.Random, **fixed: object) -> Body:
    """A body with habits of its own."""
    body = Body(
        make=dice.choice(MAKERS),
        model=dice.choice(MODELS),
        serial=f"{dice.randrange(10**6, 10**7)}",
        prefix="".join(dice.choice("ABCDEFGHKLMNP") for _ in range(3)) + dice.choice("_0X"),
        digits=dice.choice((0, 0, 2, 2, 3)),
        stamps_end=dice.random() < 0.25,
        drive_idle_s=math.exp(dice.uniform(math.log(0.08), math.log(0.7))),
        writes_mode=dice.random() < 0.3,
        writes_bias=dice.random() < 0.4,
        zone_tag=dice.random() < 0.2,
        number=dice.randrange(1, 9000),
        f_number=dice.choice((Fraction(8), Fraction(11), Fraction(28, 10), Fraction(56, 10), Fraction(4))),
        card=f"{dice.choice('ABCDE')}{dice.randrange(1, 900):03d}",
    )
    for name, value in fixed.items():
        setattr(body, name, value)
    return body


def ladder(dice: random.Random, size: int, thirds: int, order: str, *, slowest: int = 54) -> list[tuple[Fraction, int]]:
    """A bracket of ``size`` exposures ``thirds`` of a stop apart, by shutter at ISO 100."""
    span = (size - 1) * thirds
    while span > slowest:
        thirds -= 1
        span = (size - 1) * thirds
    low = dice.randrange(0, slowest - span + 1)
    rungs = [MARKS[low + k * thirds] for k in range(size)]
    return [(rungs[k], 100) for k in places(size, order)]


def places(size: int, order: str) -> list[int]:
    """Places from the darkest in the order taken."""
    middle = (size - 1) // 2
    low, high = list(range(middle - 1, -1, -1)), list(range(middle + 1, size))
    if order == "up":
        return list(range(size))
    if order == "down":
        return list(range(size))[::-1]
    if order in ("0-+", "0+-"):
        first, second = (low, high) if order == "0-+" else (high, low)
        mixed = [middle]
        for k in range(max(len(low), len(high))):
            mixed += first[k : k + 1] + second[k : k + 1]
        return mixed
    return {"0-all+all": [middle, *low, *high], "0+all-all": [middle, *high, *low], "0up": [middle, *low[::-1], *high]}[
        order
    ]
