"""Questions to a row of the setup log, and how far evidence reaches."""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from ingest.records.setups import SetupRow

LONGEST_ROW_S = 60 * 3600.0  # no row counts longer: it ends at the latest with its day


@dataclass(frozen=True, kw_only=True, slots=True)
class Limits:
    """How far evidence reaches.

    ``sigmas``: how many standard uncertainties of a clock are allowed for.  A row written to the minute
    began somewhere from ``minute_before_s`` before (rounded up) to ``minute_after_s`` after it (cut off).
    ``open_reach_s``: how long after its start the last row of a day, without an end, is believed.
    ``overlong``: how many times the day's median length an unended row may last before a forgotten row is suspected,
    of a day with at least ``usual_rows``; ``overlong_twice`` where it holds two probes.  ``barren_s``: how near a probe
    must lie to a setup without any to be asked about.  ``skipped_after``: after how much of a usual row an unended one
    is doubted where the log leaves the next name out.  ``overlong_paused``: the same as ``overlong`` where nothing was
    shot in it for ``line_up_s``, the least that lining up another setup takes (common practice, no source); 
    ``change_s``: what even a change of lens and slate takes, so that two takes nearer together are of one setup (of the
    invented days' changes 1 in 550 is quicker); ``slip_pause_s``: the pause without which no slip of the pen is
    suspected (1 in 120 is quicker).  ``slated_s``: how soon after its start a setup's slate proves that start, and
    ``slated_rows`` the share of a day's rows that are slated so soon where a setup without a row would show.
    """

    sigmas: float = 2.0
    minute_before_s: float = 30.0
    minute_after_s: float = 60.0
    slate_idle_s: float = 1800.0
    open_reach_s: float = 4 * 3600.0
    barren_s: float = 3600.0
    overlong: float = 2.2
    overlong_twice: float = 1.4
    usual_rows: int = 6
    skipped_after: float = 0.5
    overlong_paused: float = 1.2
    line_up_s: float = 1200.0
    change_s: float = 120.0
    slip_pause_s: float = 180.0
    slated_s: float = 300.0
    slated_rows: float = 0.8


class RowIndex:
    """The log's rows by time and by name, so that a show of a hundred days is as quick per item as one day."""

    def __init__(self, rows: Iterable[SetupRow]) -> None:
        timed = [r for r in rows if r.start_s is not None and r.until_s is not None]
        self.rows: Sequence[SetupRow] = sorted(timed, key=lambda r: (r.start_s or 0.0, r.line))
        self._starts = [r.start_s or 0.0 for r in self.rows]
        self._named: dict[str, list[SetupRow]] = defaultdict(list)
        for row in self.rows:
            self._named[row.setup.casefold()].append(row)

    def around(self, low_s: float, high_s: float) -> Sequence[SetupRow]:
        """Every row that could cover or neighbour a span of time."""
        first = bisect_left(self._starts, low_s - LONGEST_ROW_S)
        return self.rows[first : bisect_right(self._starts, high_s + LONGEST_ROW_S)]

    def touching(self, low_s: float, high_s: float) -> list[SetupRow]:
        """Rows that cover some moment from ``low_s`` to ``high_s``."""
        return [r for r in self.around(low_s, high_s) if (r.start_s or 0.0) <= high_s and low_s < (r.until_s or 0.0)]

    def begun(self, since_s: float, to_s: float) -> Sequence[SetupRow]:
        """Rows that start after ``since_s`` and not after ``to_s``."""
        return self.rows[bisect_right(self._starts, since_s):bisect_right(self._starts, to_s)]

    def named(self, setup: str, unit: str = "", day: str = "") -> list[SetupRow]:
        """Rows of a setup, of one unit and day where they are given."""
        return [r for r in self._named.get(setup.casefold(), ())
                if (not day or r.day == day) and (not unit or same(r.unit, unit))]


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


def cover_whole(rows: Iterable[SetupRow], low_s: float, high_s: float) -> bool:
    """Whether rows together cover every moment from ``low_s`` to ``high_s``, a gap between two of them included."""
    reached = low_s
    for row in sorted(rows, key=lambda r: r.start_s or 0.0):
        assert row.start_s is not None and row.until_s is not None
        if row.start_s > reached:
            break
        reached = max(reached, row.until_s)
    return reached > high_s


def distance_s(row: SetupRow, moment_s: float) -> float:
    assert row.start_s is not None and row.until_s is not None
    return max(row.start_s - moment_s, moment_s - row.until_s, 0.0)


def row_name(row: SetupRow) -> str:
    parts = [row.setup, f"unit {row.unit}" if row.unit else "", f"camera {row.camera}" if row.camera else ""]
    return ", ".join(p for p in parts if p)
