"""Real bracket sets as frames: tests/data/traces/real_series.csv played as shooting days."""

from __future__ import annotations

import csv
import math
import re
from dataclasses import replace
from datetime import UTC, datetime
from fractions import Fraction
from pathlib import Path

from ingest.records.frames import Frame

TABLE = Path(__file__).parent / "data" / "traces" / "real_series.csv"


def series() -> dict[str, list[Frame]]:
    """Every series by name (S.. are sets, N.. are none), its frames in order of shooting."""
    found: dict[str, list[Frame]] = {}
    with TABLE.open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            found.setdefault(row["set"], []).append(frame(row))
    return found


def frame(row: dict[str, str]) -> Frame:
    """One row as the stills step would give it: no serial number in the trace, so the camera's name is one."""
    shown = datetime.strptime(row["date_time_original"], "%Y:%m:%d %H:%M:%S").replace(tzinfo=UTC).timestamp()
    shown += float(f"0.{row['subsec']}") if row["subsec"] else 0.0
    exposure = float(Fraction(row["exposure_time"]))
    stop = float(Fraction(row["f_number"]))
    iso = float(row["iso"]) if row["iso"] else None
    stem = row["file"].rsplit(".", 1)[0]
    number = re.fullmatch(r"(\w{4})(\d{4})", stem) or re.fullmatch(r"([A-Za-z_]{0,4})(\d{1,4})", stem)
    return Frame(
        id=f"{row['set']}-{row['order']}-{row['file']}",
        body=f"maker|{row['camera']}|{row['camera']}",
        time_s=shown,
        shown_s=shown,
        tick_s=10.0 ** -len(row["subsec"].rstrip("0") and row["subsec"]) if row["subsec"] else 1.0,
        exposure_ev=math.log2(exposure * (iso or 100.0) / 100.0 / stop**2),
        exposure_s=exposure,
        f_number=stop,
        iso=iso,
        card=row["camera"],
        card_index=int(number[2]) if number else int(row["order"]),
        prefix=number[1] if number else "",
        number=int(number[2]) if number else None,
        folder_number=100,
        exposure_bias_ev=float(Fraction(row["bias"])) if row["bias"] else None,
        bracketed=False if row["exposure_mode"] else None,
    )


def moved(frames: list[Frame], by_s: float, *, body: str, card: str, first: int) -> list[Frame]:
    """The same series at another time on another body, its files counted on from ``first``."""
    return [
        replace(f, time_s=(f.time_s or 0.0) + by_s, shown_s=(f.shown_s or 0.0) + by_s, body=body, card=card,
                card_index=first + k, number=first + k, prefix="REAL")
        for k, f in enumerate(frames)
    ]
