"""Makes the sample cards, the show's papers and the written truth, the same each time.

    python -m sample_cards.make_cards [FOLDER]

writes ``cards/``, ``show/``, ``extras/`` and ``truth.json`` (into this folder by default).  Needs numpy and
simplejpeg, and for the clips PyAV (a test extra).  What happens in the invented day stands in
``day_of_the_shoot`` below; what the places look like in ``scene.py``; what the bodies do in ``cameras.py``.
"""

from __future__ import annotations

import hashlib
import json
import math
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from fractions import Fraction
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np

from sample_cards import cameras, clips, scene

SEED = 20260414
ZONE = ZoneInfo("Europe/Lisbon")
DAY = "2026-04-14"
SIZE_360 = (1024, 512)
SIZE_RAW, CIRCLE_PX, FIELD_DEG = (432, 288), 136.0, 185.0
SIZE_FLAT = (600, 400)

ORB = cameras.Body(
    make="Brumelle", model="Orb Twelve", serial="BO12-00317", firmware="orb 4.02", f_mark=Fraction(2), f_exact=2.0,
    iso=100, focal_mm=Fraction(13, 10), lens_make="Brumelle", lens_model="twin 1.3 mm f/2", lens_serial="00317",
)
KESTO = cameras.Body(
    make="Kestovar", model="K9 Field", serial="5520187", firmware="k9 1.17", f_mark=Fraction(8), f_exact=8.0,
    iso=100, focal_mm=Fraction(8), lens_make="Fenwarde", lens_model="8 mm f/3.5 full circle", lens_serial="8-2206",
)
KESTO_FLAT = replace(KESTO, iso=800, focal_mm=Fraction(50), lens_model="50 mm f/2", lens_serial="50-0419")
# true = shown + offset: the 360 camera is 7 min 20 s slow, the stills body 95 s fast
OFFSET_S = {ORB.serial: 440, KESTO.serial: -95}


@dataclass(kw_only=True, slots=True)
class Card:
    """A card being filled: bytes and the time the body gave each file."""

    name: str
    files: dict[str, bytes] = field(default_factory=dict)
    written: dict[str, datetime] = field(default_factory=dict)  # UTC

    def put(self, path: str, data: bytes, when: datetime) -> None:
        self.files[path] = data
        # FAT keeps local time in steps of two seconds; the system that mounts the card reads it in the show's zone
        even = when.astimezone(UTC).replace(microsecond=0)
        self.written[path] = even + timedelta(seconds=even.second % 2)


@dataclass(frozen=True, kw_only=True, slots=True)
class Burst:
    """One press of the bracket button: powers of two of the exact times, in the order taken."""

    name: str
    start: datetime  # true local time
    scene: str
    shot: str
    setup: str
    powers: tuple[int, ...]
    first_number: int
    broken_off: str = ""  # why it is no set
    yaw_deg: float = 0.0


def local(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=ZONE)


def utc(when: datetime) -> str:
    return when.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


# Two-stop and three-stop ladders, darkest first as the 360 camera shoots; the stills body goes brightest first.
SEVEN = (-13, -11, -9, -7, -5, -3, -1)
BURSTS_360 = (
    Burst(name="hall", start=local(f"{DAY}T14:12:31.20"), scene="hall", shot="WEIR_010", setup="31A", powers=SEVEN,
          first_number=213),
    Burst(name="hall-relit", start=local(f"{DAY}T15:14:04.70"), scene="hall-relit", shot="WEIR_010", setup="31B",
          powers=SEVEN, first_number=220),
    Burst(name="deck-stopped", start=local(f"{DAY}T17:52:10.05"), scene="deck-sun", shot="WEIR_020", setup="32A",
          powers=(-13, -12, -11, -10), first_number=227,
          broken_off="stopped after four of nine, somebody walked in; shot again 39 s later"),
    Burst(name="deck", start=local(f"{DAY}T17:52:49.40"), scene="deck-sun", shot="WEIR_020", setup="32A",
          powers=(-13, -12, -11, -10, -9, -8, -7, -6, -5), first_number=231),
    Burst(name="deck-night", start=local("2026-04-15T00:07:18.70"), scene="deck-night", shot="", setup="33A",
          powers=(-12, -9, -6, -3, 0), first_number=240),
    Burst(name="hut-night", start=local("2026-04-15T00:58:20.55"), scene="hut-night", shot="WEIR_030", setup="33B",
          powers=SEVEN, first_number=245),
)
BURSTS_RAW = (
    Burst(name="fisheye-front", start=local(f"{DAY}T14:31:00.30"), scene="hall", shot="WEIR_010", setup="31A",
          powers=(2, -1, -4, -7, -10), first_number=9996),
    Burst(name="fisheye-back", start=local(f"{DAY}T14:31:52.80"), scene="hall", shot="WEIR_010", setup="31A",
          powers=(2, -1, -4, -7, -10), first_number=2, yaw_deg=180.0),
)


def _rng(*words: str) -> np.random.Generator:
    """Noise of its own for each picture, so that one can be made without the others."""
    key = hashlib.sha256("|".join((str(SEED), *words)).encode()).digest()
    return np.random.default_rng(np.frombuffer(key, dtype=np.uint32))


def _shown(true: datetime, body: cameras.Body) -> datetime:
    return (true - timedelta(seconds=OFFSET_S[body.serial])).replace(tzinfo=None)


def times(burst: Burst, pause_s: float) -> Iterator[tuple[int, int, datetime]]:
    """(place in the burst, power of two, true start of exposure), one frame after the other."""
    when = burst.start
    for place, power in enumerate(burst.powers):
        yield place, power, when
        when += timedelta(seconds=round(2.0**power + pause_s, 2))


def _frame(files: list[str], power: int, body: cameras.Body, when: datetime) -> dict[str, Any]:
    return {"files": files, "exposure_s": 2.0**power, "marked": str(cameras.MARKS[power].nominal),
            "f_number": body.f_exact, "iso": body.iso, "taken_utc": utc(when)}


def _set(card: Card, burst: Burst, body: cameras.Body, frames: list[dict[str, Any]], projection: dict[str, Any]
         ) -> dict[str, Any]:
    return {"name": burst.name, "card": card.name, "serial": body.serial, "day": DAY, "shot": burst.shot or None,
            "setup": burst.setup, "complete": True, "review": False, "scene": burst.scene, **projection,
            "frames": sorted(frames, key=lambda f: float(f["exposure_s"]))}


def fill_360(truth: dict[str, Any]) -> Card:
    """The one-shot camera's card: six bursts and a metering frame in front of the first."""
    card, folder = Card(name="ORBE-02"), "DCIM/103ORBE_"
    pictures = {b.scene: scene.latlong(b.scene, *SIZE_360) for b in BURSTS_360}

    def shoot(place: str, number: int, power: int, true: datetime, mode: int) -> str:
        path = f"{folder}/ORBE{number:04d}.JPG"
        factor = cameras.exposure(2.0**power, ORB.f_exact, ORB.iso)
        codes = cameras.shoot_rgb(pictures[place], factor, _rng(path))
        data = cameras.jpeg(codes, ORB, cameras.MARKS[power], _shown(true, ORB), quality=94, mode=mode)
        card.put(path, data, _shown(true, ORB).replace(tzinfo=ZONE) + timedelta(seconds=2.0**power + 0.6))
        return path

    metering = BURSTS_360[0].start - timedelta(seconds=9.35)
    test = shoot("hall", 212, -6, metering, 0)
    truth["stills"].append({"files": [test], "card": card.name, "role": "test exposure", "setup": "31A",
                            "shot": "WEIR_010", "decodes": True})
    for burst in BURSTS_360:
        frames = []
        for place, power, when in times(burst, 0.38):
            path = shoot(burst.scene, burst.first_number + place, power, when, 1)
            frames.append(_frame([path], power, ORB, when))
        if burst.broken_off:
            truth["stills"] += [{"files": f["files"], "card": card.name, "role": "left over", "setup": burst.setup,
                                 "shot": burst.shot, "decodes": True, "why": burst.broken_off} for f in frames]
        else:
            truth["sets"].append(_set(card, burst, ORB, frames, {"projection": "lat-long", "size": list(SIZE_360)}))
    return card


def _name(number: int) -> str:
    """The stills body's folder and file: the number runs to 9999, then a new folder begins at 0001."""
    return f"DCIM/{100 if number > 5000 else 101}KSTVR/KSTV{number:04d}"


def _next(number: int, step: int) -> int:
    return (number + step - 1) % 9999 + 1


def fill_stills(truth: dict[str, Any]) -> Card:
    """The stills body's card: chart, balls, references, and two fisheye views in raw and JPEG."""
    card = Card(name="KESTO-A3")
    for burst in BURSTS_RAW:
        seen = scene.fisheye(burst.scene, *SIZE_RAW, radius_px=CIRCLE_PX, field_deg=FIELD_DEG, yaw_deg=burst.yaw_deg)
        frames = []
        for place, power, when in times(burst, 0.74):
            stem = _name(_next(burst.first_number, place))
            shown, mark = _shown(when, KESTO), cameras.MARKS[power]
            raw = cameras.shoot_raw(seen, cameras.exposure(2.0**power, KESTO.f_exact, KESTO.iso), _rng(stem))
            written = shown.replace(tzinfo=ZONE) + timedelta(seconds=2.0**power + 0.5)
            card.put(f"{stem}.DNG", cameras.dng(raw, KESTO, mark, shown, mode=2), written)
            card.put(f"{stem}.JPG", cameras.jpeg(cameras.develop(raw), KESTO, mark, shown, quality=90, mode=2), written)
            frames.append(_frame([f"{stem}.DNG", f"{stem}.JPG"], power, KESTO, when))
        truth["sets"].append(_set(card, burst, KESTO, frames, {
            "projection": "fisheye", "size": list(SIZE_RAW), "radius_px": CIRCLE_PX, "field_deg": FIELD_DEG,
            "yaw_deg": burst.yaw_deg}))
    _flat_stills(card, truth)
    return card


def _flat_stills(card: Card, truth: dict[str, Any]) -> None:
    wall = scene.perspective("hall", *SIZE_FLAT, across_deg=48, samples=2)
    deck = scene.perspective("deck-sun", *SIZE_FLAT, across_deg=60, yaw_deg=-20, samples=2)
    pictures = (
        (9991, "chart", "14:22:10.40", clips.with_chart(wall, "hall"), -3, 800, "31A", "WEIR_010"),
        (9992, "grey ball", "14:22:41.10", clips.with_ball(wall, *scene.grey_ball("hall", 220)), -3, 800, "31A",
         "WEIR_010"),
        (9993, "mirror ball", "14:23:06.85", clips.with_ball(wall, *scene.mirror_ball("hall", 220)), -3, 800, "31A",
         "WEIR_010"),
        (9994, "reference", "14:24:30.00", wall, -3, 800, "31A", "WEIR_010"),
        (9995, "reference", "14:24:52.25", scene.perspective("hall", *SIZE_FLAT, across_deg=60, yaw_deg=75, samples=2),
         -4, 800, "31A", "WEIR_010"),
        (7, "reference", "17:48:12.60", deck, -8, 200, "32A", "WEIR_020"),
        (8, "reference", "17:49:03.15", scene.perspective("deck-sun", *SIZE_FLAT, across_deg=60, yaw_deg=150,
                                                          samples=2), -8, 200, "32A", "WEIR_020"),
    )
    for number, role, clock, light, power, iso, setup, shot in pictures:
        body, path = replace(KESTO_FLAT, iso=iso), f"{_name(number)}.JPG"
        when = local(f"{DAY}T{clock}")
        raw = cameras.shoot_raw(light, cameras.exposure(2.0**power, body.f_exact, iso), _rng(path))
        data = cameras.jpeg(cameras.develop(raw), body, cameras.MARKS[power], _shown(when, KESTO), quality=90)
        whole = number != 9995  # the deliberate fault: the battery fell out while this one was written
        card.put(path, data if whole else data[: len(data) * 55 // 100],
                 _shown(when, KESTO).replace(tzinfo=ZONE) + timedelta(seconds=1))
        truth["stills"].append({"files": [path], "card": card.name, "role": role, "setup": setup, "shot": shot,
                                "decodes": whole})


def fill_clips(truth: dict[str, Any], extras: dict[str, bytes]) -> Card:
    """The clip card: a clean and a dirty plate, one plate outdoors, sound, a deleted take."""
    card = Card(name="YMBER-A7")
    takes = (
        ("A7/CLIPS/A7-0043-T1.MOV", "14:18:00", "clean plate", "31A", "WEIR_010", "hall"),
        ("A7/CLIPS/A7-0043-T2.MOV", "14:19:10", "dirty plate", "31A", "WEIR_010", "hall"),
        ("A7/CLIPS/A7-0044-T1.MP4", "17:45:20", "plate", "32A", "WEIR_020", "deck-sun"),
    )
    for path, clock, role, setup, shot, place in takes:
        when = local(f"{DAY}T{clock}")
        frames = clips.plate(place, dirty=role == "dirty plate")
        written = when + timedelta(seconds=clips.SECONDS)
        card.put(path, clips.movie(frames, path, when), written)
        card.put(str(Path(path).with_suffix(".XML").as_posix()), clips.sidecar(path, when, role), written)
        truth["clips"].append({"files": [path, path[:-3] + "XML"], "card": card.name, "role": role, "setup": setup,
                               "shot": shot, "start_utc": utc(when), "timecode": f"{clock}:00",
                               "frame_rate": "24000/1001", "frames": len(frames)})
    sound = local(f"{DAY}T14:19:08")
    card.put("A7/SOUND/A7-0043-T2.WAV", clips.wave(sound), sound + timedelta(seconds=2))
    card.put("A7/REPORT.TXT", clips.report(takes).encode(), local(f"{DAY}T17:46:02"))
    deleted = local(f"{DAY}T14:16:30")
    extras["deleted_take.MOV"] = clips.movie(clips.plate("hall", dirty=False)[:12], "A7-0042-T9.MOV", deleted)
    return card


SETUP_LOG = """\
day,shot,setup,start,end,camera,lens,notes,lens_height
2026-04-14,WEIR_010,31A,14:05,15:10,A,32 mm T2.8,"sluice hall, heron stands at the wheel",1.4 m
2026-04-14,WEIR_010,31B,15:10,16:20,A,32 mm T2.8,"windows flagged, cool lamp behind",1.4 m
2026-04-14,WEIR_020,32A,17:30,19:00,A,24 mm T4,"weir deck, low sun",1.4 m
2026-04-14,,33A,23:20,00:40,A,32 mm T2,"deck by night, shot number to come",1.4 m
2026-04-14,WEIR_030,33B,00:40,01:30,A,50 mm T2,"closer to the lock hut, work lamp off",1.4 m
"""
CLOCK_NOTES = f"""\
camera,serial,camera_shows,true_time,offset_s,note
{ORB.make} {ORB.model},{ORB.serial},2026-04-14 13:55:12,2026-04-14 14:02:32,440,phone clock before the first setup
{KESTO.make} {KESTO.model},{KESTO.serial},2026-04-14 14:05:40,2026-04-14 14:04:05,,phone clock; the offset follows
"""
MEASUREMENTS = """\
day,setup,name,value,length,width,height,by,with
2026-04-14,31A,lens to heron,4.2 m,,,,M. Odry,laser
2026-04-14,31A,crate left,,1.2 m,1.2 m,1.1 m,M. Odry,tape
2026-04-14,31A,water wheel diameter,2.44 m,,,,M. Odry,laser
2026-04-14,32A,lamp post,,,,2.8 m,M. Odry,tape
2026-04-14,33B,lens to hut window,2.35 m,,,,M. Odry,laser
"""


def litter() -> list[dict[str, Any]]:
    """What systems and people leave on cards; laid out at run time, since checkouts and archives lose it.

    ``kept`` says whether it belongs to the files to be kept.  ``hex`` holds bytes, ``text`` words, ``from`` a
    file of ``extras/``; an entry with none of them is an empty folder.
    """
    card = "YMBER-A7"
    double = "00051607000200004d6163204f5320582020202020202020" + "00" * 58  # AppleDouble, RFC 1740 magic
    return [
        {"card": card, "path": ".DS_Store", "hex": "0000000142756431" + "00" * 24, "kept": False},
        {"card": card, "path": ".Spotlight-V100/Store-V2/index.db", "hex": "3874736400", "kept": False},
        {"card": card, "path": "Thumbs.db", "hex": "d0cf11e0a1b11ae1" + "00" * 56, "kept": False},
        {"card": card, "path": "A7/CLIPS/._A7-0043-T1.MOV", "hex": double, "kept": True},
        {"card": card, "path": ".Trashes/501/A7-0042-T9.MOV", "from": "deleted_take.MOV", "kept": True},
        {"card": card, "path": "A7/INDEX.LCK", "hex": "", "kept": True},
        {"card": card, "path": "A7/LOOKS"},
        {"card": card, "path": "A7/notes (31A) – très humide, 100% & #2.txt",
         "text": "Slate 43 take 2: boom in shot at the head.\n", "kept": True},
        {"card": card, "path": "A7/-dash first and two  spaces.txt", "text": "", "kept": True},
        {"card": card, "path": "A7/A7-0043-T2.MOV.part", "text": "left by another machine\n", "kept": True},
        {"card": card, "path": f"A7/{'long-' * 24}name.txt", "text": "125 characters\n", "kept": True},
        {"card": "ORBE-02", "path": ".fseventsd/fseventsd-uuid", "text": "6F1C\n", "kept": False},
        {"card": "ORBE-02", "path": "DCIM/104ORBE_"},
        {"card": "KESTO-A3", "path": "System Volume Information/IndexerVolumeGuid", "text": "{0}\n", "kept": False},
        {"card": "KESTO-A3", "path": "desktop.ini", "text": "[.ShellClassInfo]\r\n", "kept": False},
    ]


# What an audit must ask a person besides: each once, nothing else (notes ask nothing of anybody and are not listed).
# ``names`` stands in the finding's item or words, where a probe is called "set" and its name.
FINDINGS = [
    {"kind": "picture damaged", "severity": "person", "names": "KSTV9995.JPG"},
    {"kind": "clipped", "severity": "person", "names": "set deck:"},  # the sun
    {"kind": "no lens numbers", "severity": "note", "names": f"K9 Field|{KESTO.serial}"},  # none in the settings
    {"kind": "light_moved", "severity": "note", "names": "set hall-relit:"},  # the key windows flagged from 1.0 to 0.06
]


def day_of_the_shoot() -> tuple[dict[str, Any], list[Card], dict[str, bytes]]:
    """Everything: the truth, the cards, and the bytes that only ``litter`` uses."""
    truth: dict[str, Any] = {
        "about": "What was done on the invented day; see README.md. Written by make_cards.py.", "seed": SEED,
        "show": {"code": "WEIR", "timezone": str(ZONE), "day": DAY, "latitude_deg": 40.2, "longitude_deg": -8.4,
                 "bodies": [
                     {"make": b.make, "model": b.model, "serial": b.serial, "nickname": nick, "frames": kind,
                      "offset_s": OFFSET_S[b.serial]}
                     for b, nick, kind in ((ORB, "orb", "lat-long"), (KESTO, "kesto", "fisheye"))],
                 # 32 mm that see 52 degrees across, 16:9
                 "cameras": [{"letter": "A", "sensor_mm": [31.2, 17.55]}],
                 "reference_exposure": {"time_s": 1 / 64, "f_number": math.sqrt(32), "iso": 100}},
        "cards": [], "litter": litter(), "sets": [], "stills": [], "clips": [],
    }
    truth["findings"] = FINDINGS
    extras: dict[str, bytes] = {}
    cards = [fill_360(truth), fill_stills(truth), fill_clips(truth, extras)]
    for row in truth["stills"]:  # what the grouping must call a still that belongs to no set
        row["loose"] = row["role"] if row["role"] in ("test exposure", "left over") else "single"
    for card in cards:
        truth["cards"].append({"name": card.name, "files": [
            {"path": path, "size_bytes": len(data), "sha256": hashlib.sha256(data).hexdigest(),
             "mtime_utc": utc(card.written[path])} for path, data in sorted(card.files.items())]})
    return truth, cards, extras


def write(folder: Path) -> None:
    """All files of the sample cards below ``folder``."""
    truth, cards, extras = day_of_the_shoot()
    for card in cards:
        for path, data in card.files.items():
            target = folder / "cards" / card.name / path
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(data)
    for part, name, data in (
        ("show", "setup_log.csv", SETUP_LOG.encode()), ("show", "clock_notes.csv", CLOCK_NOTES.encode()),
        ("show", "measurements.csv", MEASUREMENTS.encode()), *(("extras", n, d) for n, d in extras.items()),
    ):
        (folder / part).mkdir(exist_ok=True)
        (folder / part / name).write_bytes(data)
    text = json.dumps(truth, indent=1, ensure_ascii=False)
    (folder / "truth.json").write_bytes(text.encode() + b"\n")


if __name__ == "__main__":
    write(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
