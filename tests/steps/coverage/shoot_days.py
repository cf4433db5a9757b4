"""Seeded shoot days with their truth: setups, probes, clips, a body's clock, and the log a tired person kept.

All invented.  A day has 8 to 25 setups, some with a lens change inside, some nights; probes are usually
there, sometimes forgotten; clocks are corrected but for a known uncertainty, or hardly known; the log rounds
to minutes, leaves ends out and holds slips of the pen.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from zoneinfo import ZoneInfo

from ingest.records.filing import Item, SlateReading

ZONES = ("Europe/Lisbon", "America/Denver", "Pacific/Auckland", "Asia/Kolkata")


@dataclass
class Part:
    """A stretch of a setup under one lens, in true time."""

    setup: str
    lens: str
    start: datetime
    end: datetime
    probe: str = ""  # id of its probe, "" if forgotten
    logged: bool = True
    slip: str = ""  # what is wrong with its row, "" if nothing


@dataclass
class Day:
    seed: int
    zone: str
    date: str
    parts: list[Part] = field(default_factory=list)
    items: list[Item] = field(default_factory=list)
    slates: list[SlateReading] = field(default_factory=list)
    truth: dict[str, str] = field(default_factory=dict)  # item id -> setup
    log: str = ""


def shoot_day(seed: int, *, slips: float = 0.04, vague_clocks: float = 0.15, slated: float = 0.2) -> Day:
    """One day.  ``slips``: share of rows with a slip; ``vague_clocks`` and ``slated``: share of days whose body
    has a vague clock, or photographs a slate at each setup."""
    rng = random.Random(seed)
    zone = rng.choice(ZONES)
    date = datetime.fromisoformat("2026-03-20") + timedelta(days=rng.randrange(240))
    day = Day(seed=seed, zone=zone, date=date.strftime("%Y-%m-%d"))
    _setups(day, date, rng)
    _captures(day, rng, vague_clocks, slated)
    _write_log(day, rng, slips)
    return day


def _setups(day: Day, date: datetime, rng: random.Random) -> None:
    wall = date + timedelta(hours=rng.choice([7, 8, 9, 17]), minutes=rng.randrange(60))
    now = wall.replace(tzinfo=ZoneInfo(day.zone)).astimezone(ZoneInfo("UTC"))
    scene, letter = rng.randrange(3, 200), 0
    for _ in range(rng.randrange(8, 26)):
        setup = f"{scene}{'ABCDEFGHJK'[letter - 1] if letter else ''}"
        letter += 1
        if letter > 6 or rng.random() < 0.2:
            scene, letter = scene + rng.randrange(1, 9), 0
        lens = rng.choice(["24", "35", "50", "85"])
        for _ in range(2 if rng.random() < 0.15 else 1):
            end = now + timedelta(seconds=rng.randrange(12 * 60, 45 * 60))
            day.parts.append(Part(setup=setup, lens=lens, start=now, end=end))
            now, lens = end, rng.choice([x for x in ("24", "35", "50", "85") if x != lens])
        now += timedelta(seconds=rng.choice([0, 0, rng.randrange(60, 1500)]))
        if now - day.parts[0].start > timedelta(hours=12):
            return


def _captures(day: Day, rng: random.Random, vague: float, slated: float) -> None:
    known = rng.random() >= vague
    sigma = rng.choice([1.0, 5.0, 20.0]) if known else rng.choice([120.0, 600.0])
    error = rng.gauss(0.0, sigma)
    with_slates = rng.random() < slated
    for n, part in enumerate(day.parts):
        span = (part.end - part.start).total_seconds()
        if with_slates:
            day.slates.append(
                SlateReading(setup=part.setup, body="still", source=f"s{n}", at_s=part.start.timestamp() + 60 + error)
            )
        if rng.random() < 0.9:  # one probe, usually late in the setup, before the lamps move
            at = part.start.timestamp() + span * rng.choice([rng.uniform(0.2, 0.97), rng.uniform(0.75, 0.98)]) + error
            part.probe = f"p{n}"
            day.items.append(
                Item(
                    id=part.probe,
                    body="still",
                    sigma_s=sigma,
                    moments=tuple(at + 1.5 * i for i in range(rng.choice([5, 7, 9]))),
                )
            )
            day.truth[part.probe] = part.setup
        for take in range(rng.randrange(1, 5)):
            at = part.start.timestamp() + rng.uniform(0.05, 0.9) * span
            day.items.append(
                Item(
                    id=f"c{n}.{take}",
                    kind="clip",
                    body="A",
                    camera="A",
                    sigma_s=0.5,
                    moments=(at, min(at + rng.uniform(10, 120), part.end.timestamp() - 1)),
                )
            )
            day.truth[f"c{n}.{take}"] = part.setup


def _write_log(day: Day, rng: random.Random, slips: float) -> None:
    lines = ["day,shot,setup,start,end,camera,lens,notes"]
    zone = ZoneInfo(day.zone)
    ends = rng.choice([0.0, 0.5, 1.0])  # some people never write ends, some always
    rounds = rng.random() < 0.5
    for part in day.parts:
        start, end = (_minute(t.astimezone(zone), rounds) for t in (part.start, part.end))
        until = end if rng.random() < ends else ""
        if rng.random() < slips:
            part.slip = rng.choice(["letter", "swapped", "hour", "no start", "no row", "bad end", "digit"])
        if part.slip == "no row":
            part.logged = False
            continue
        start, until = _slipped(part.slip, start, until, rng)
        shot = "" if rng.random() < 0.5 else f"TL_{part.setup}0"
        lines.append(f"{day.date},{shot},{part.setup},{start},{until},A,{part.lens},")
    day.log = "\n".join(lines)


def _minute(moment: datetime, rounds: bool) -> str:
    return (moment + timedelta(seconds=30 if rounds else 0)).strftime("%H:%M")


def _slipped(slip: str, start: str, until: str, rng: random.Random) -> tuple[str, str]:
    hour, minute = start.split(":")
    if slip == "letter":
        return f"{hour}:O{minute[1]}", until
    if slip == "swapped":
        return f"{hour}:{minute[::-1]}", until
    if slip == "hour":
        return f"{(int(hour) + rng.choice([-1, 1])) % 24:02}:{minute}", until
    if slip == "digit":
        return f"{hour}:{minute[0]}{rng.randrange(10)}", until
    if slip == "no start":
        return "", until
    return start, "99:99" if slip == "bad end" else until
