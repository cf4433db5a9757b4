"""Questions to a row of the setup log, and how far evidence reaches."""

from __future__ import annotations

from dataclasses import dataclass

from ingest.records.setups import SetupRow


@dataclass(frozen=True, kw_only=True, slots=True)
class Limits:
    """How far evidence reaches.

    ``sigmas``: how many standard uncertainties of a clock are allowed for.  A row written to the minute
    began somewhere from ``minute_before_s`` before (rounded up) to ``minute_after_s`` after it (cut off).
    ``open_reach_s``: how long after its start the last row of a day, without an end, is believed.
    ``barren_s``: how near a probe must lie to a setup without any to be asked about.
    """

    sigmas: float = 2.0
    minute_before_s: float = 30.0
    minute_after_s: float = 60.0
    slate_idle_s: float = 1800.0
    open_reach_s: float = 4 * 3600.0
    barren_s: float = 3600.0


def same(a: str, b: str) -> bool:
    return a.casefold() == b.casefold()


def letters(cameras: str) -> set[str]:
    """The camera letters of a cell such as "A+B", "A cam", "A/B".

    >>> sorted(letters("A+B cam")), sorted(letters("cam C"))
    (['a', 'b'], ['c'])
    """
    words = "".join(ch if ch.isalnum() else " " for ch in cameras.casefold()).split()
    return {w for w in words if w not in ("cam", "camera", "cams", "and")}


def covers(row: SetupRow, moment_s: float) -> bool:
    assert row.start_s is not None and row.until_s is not None
    return row.start_s <= moment_s < row.until_s


def distance_s(row: SetupRow, moment_s: float) -> float:
    assert row.start_s is not None and row.until_s is not None
    return max(row.start_s - moment_s, moment_s - row.until_s, 0.0)


def row_name(row: SetupRow) -> str:
    parts = [row.setup, f"unit {row.unit}" if row.unit else "", f"camera {row.camera}" if row.camera else ""]
    return ", ".join(p for p in parts if p)
