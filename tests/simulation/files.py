"""A day as cards: folders with real files and real headers, and the truth beside them.

``python -m tests.simulation.files OUT [PHENOMENON [SEED]]`` writes ``OUT/<card>/DCIM/100XXXXX/...`` for every
card of the day, and ``OUT/truth.json``: each set as lists of paths (one list an exposure, raw and JPEG together,
relative to OUT), whether it must be called complete (null: either way), and what is no set.  Pictures are small,
seen through one scene of many stops, so that their brightness follows the exposure as on a real body.
"""

from __future__ import annotations

import argparse
import json
import math
import random
from collections import defaultdict
from datetime import UTC, datetime
from fractions import Fraction
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from tests.simulation.exif import ASCII, RATIONAL, SHORT, SRATIONAL, Field, jpeg, raw_like
from tests.simulation.phenomena import PHENOMENA, a_day
from tests.simulation.shoot import Day, Exposure


def picture(made: Exposure) -> NDArray[np.uint8]:
    """The scene as this exposure sees it: rows x columns x 3, sRGB, mean level as ``made.level`` says."""
    columns, rows = made.body.size
    stable = random.Random(f"{made.scene}/{made.view}")
    patches = np.array([stable.gauss(0.0, 3.0) for _ in range(60)])
    tiles = np.resize(2.0**patches, (6, 10))
    light = np.kron(tiles, np.ones((rows // 6 + 1, columns // 10 + 1)))[:rows, :columns]
    gain = _gain_for(light, made.level)
    noise = np.random.default_rng(made.number * 1000 + made.folder).normal(0.0, 0.004, light.shape)
    linear = np.clip(light * gain + noise, 0.0, 1.0)
    encoded = np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055)
    return np.repeat((encoded * 255.0 + 0.5).astype(np.uint8)[..., None], 3, axis=2)


def _gain_for(light: NDArray[np.float64], level: float) -> float:
    """The gain at which the clipped picture has this mean level (log2), found by halving."""
    low, high = -24.0, 24.0
    for _ in range(30):
        middle = (low + high) / 2
        mean = float(np.minimum(light * 2.0**middle, 1.0).mean())
        low, high = (middle, high) if math.log2(max(mean, 1e-9)) < level else (low, middle)
    return 2.0**low


def header(made: Exposure) -> tuple[list[Field], list[Field]]:
    """The fields of the main and the Exif directory, as this body writes them."""
    body = made.body
    whole, part = divmod(made.shown_s, 1.0)
    stamp = datetime.fromtimestamp(whole, UTC).strftime("%Y:%m:%d %H:%M:%S")
    main: list[Field] = [(0x010F, ASCII, body.make), (0x0110, ASCII, body.model), (0x0112, SHORT, 1),
                         (0x0132, ASCII, stamp)]
    exif: list[Field] = [(0x9003, ASCII, stamp), (0x9004, ASCII, stamp), (0x8822, SHORT, 1)]
    if body.digits:
        exif.append((0x9291, ASCII, f"{round(part * 10**body.digits):0{body.digits}d}"[: body.digits]))
    if body.serial:
        exif.append((0xA431, ASCII, body.serial))
    if body.zone_tag:
        exif.append((0x9011, ASCII, "+02:00"))
    if body.focal_mm:
        exif.append((0x920A, RATIONAL, _ratio(Fraction(body.focal_mm).limit_denominator(100))))
    if body.writes_mode:
        exif.append((0xA402, SHORT, 2 if made.bracketed else 1))
    if body.writes_bias:
        exif.append((0x9204, SRATIONAL, _ratio(Fraction(made.bias or 0.0).limit_denominator(6))))
    return main, exif + _exposure_fields(made)


def _exposure_fields(made: Exposure) -> list[Field]:
    """Exposure time, stop and sensitivity: whole, missing, zero, 0/0 or as APEX values only."""
    iso: list[Field] = [(0x8827, SHORT, made.iso)]
    stop: list[Field] = [(0x829D, RATIONAL, _ratio(made.f_number))] if made.f_number else []
    if made.header == "apex":
        speed = Fraction(-math.log2(float(made.exposure))).limit_denominator(1000)
        apex: list[Field] = [(0x9201, SRATIONAL, _ratio(speed))]
        if made.f_number:
            av = Fraction(2 * math.log2(float(made.f_number))).limit_denominator(1000)
            apex.append((0x9202, RATIONAL, _ratio(av)))
        return iso + apex
    if made.header == "no exposure":
        return iso + stop
    times = {"zero": (0, 1), "0/0": (0, 0)}
    return [*iso, *stop, (0x829A, RATIONAL, times.get(made.header, _ratio(made.exposure)))]


def _ratio(value: Fraction) -> tuple[int, int]:
    return value.numerator, value.denominator


def paths_of(made: Exposure) -> list[str]:
    """Where this exposure's files lie, relative to the day's folder."""
    folder = f"DCIM/{made.folder:03d}{(made.body.prefix + 'XXXXX')[:5]}"
    name = f"{made.body.prefix}{made.number:04d}"
    found = [f"{made.card}/{folder}/{name}.JPG"]
    if made.body.pairs == "same card":
        found.append(f"{made.card}/{folder}/{name}.DNG")
    if made.body.pairs == "two cards":
        found = [f"J{made.card}/{folder}/{name}.JPG", f"{made.card}/{folder}/{name}.DNG"]
    return found


def write_day(day: Day, out: Path) -> None:
    """Write every card of a day and its truth; nothing that is there already is overwritten."""
    kept = [e for e in day.exposures if not e.deleted]
    for made in kept:
        for name in paths_of(made):
            path = out / name
            path.parent.mkdir(parents=True, exist_ok=True)
            with path.open("xb") as file:
                file.write(_bytes(made, name))
    ids = {id(e): paths_of(e) for e in kept}
    aborted = defaultdict(list)
    for made in kept:
        if made.aborted is not None:
            aborted[made.aborted].append(ids[id(made)])
    truth = {
        "phenomenon": day.phenomenon,
        "sets": [
            {"frames": [ids[id(e)] for e in t.members], "complete": t.complete, "open": t.open, "position": t.position,
             "views": [e.view for e in t.members[:1]], "repeat": t.repeat}
            for t in day.sets
        ],
        "aborted": list(aborted.values()),
        "bodies": sorted(
            {(b.make, b.model, b.serial, b.offset_s) for b in (e.body for e in kept)}, key=lambda b: tuple(map(str, b))
        ),
        "zone": "UTC+2",
    }
    (out / "truth.json").write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")


def _bytes(made: Exposure, name: str) -> bytes:
    if made.header == "none":
        return b""
    main, exif = header(made)
    seen = picture(made)
    whole = raw_like(main, exif, seen) if name.endswith(".DNG") else jpeg(seen, main, exif)
    return whole if made.usable else whole[: len(whole) * 3 // 5]


def main() -> None:
    words = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    words.add_argument("out", type=Path)
    words.add_argument("phenomenon", nargs="?", default="mixed", choices=sorted(PHENOMENA))
    words.add_argument("seed", nargs="?", type=int, default=0)
    given = words.parse_args()
    write_day(a_day(given.phenomenon, given.seed), given.out)


if __name__ == "__main__":
    main()
