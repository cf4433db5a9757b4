"""Forecasts: stated from what was measured, or not at all."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from ingest.steps.audit.forecast import Sample, disk_full, free_at, night_ends_at, rate

NOW = datetime(2026, 4, 1, 13, 0, tzinfo=UTC)


def test_a_card_of_512_gb_at_250_mb_a_second_takes_34_minutes() -> None:
    """Arithmetic of common practice: minutes to read 512 GB at 90, 250, 400, 800, 1500 MB/s are 95, 34, 21, 11, 6."""
    for speed, minutes in ((90e6, 95), (250e6, 34), (400e6, 21), (800e6, 11), (1500e6, 6)):
        end = free_at(NOW, 512_000_000_000, speed)
        assert end and round((end - NOW).total_seconds() / 60) == minutes


def test_no_rate_no_forecast() -> None:
    assert rate([]) is None and rate([Sample(monotonic_s=0, handled_bytes=5)]) is None
    still = [Sample(monotonic_s=t, handled_bytes=5) for t in (0.0, 9.0)]
    assert rate(still) is None and free_at(NOW, 1, None) is None and free_at(NOW, 0, None) == NOW


def test_the_rate_is_that_of_the_last_two_minutes() -> None:
    handled = {t: t if t < 500 else 500 + (t - 500) * 100 for t in range(0, 700, 10)}
    assert rate([Sample(monotonic_s=float(t), handled_bytes=n) for t, n in handled.items()]) == 100.0


def test_the_night_ends_with_the_slowest_disk_and_the_second_reading() -> None:
    speeds = {"A": 100.0, "B": 50.0}
    assert night_ends_at(NOW, {"A": 1000, "B": 1000}, speeds) == NOW + timedelta(seconds=20)
    assert night_ends_at(NOW, {"A": 1000, "B": 1000}, speeds, second_reading_bytes=500) == NOW + timedelta(seconds=25)
    assert night_ends_at(NOW, {"A": 1000, "C": 1}, speeds) is None
    assert night_ends_at(NOW, {}, {}) == NOW


def test_disks_full_on_a_day() -> None:
    days = {"2026-04-01": 90, "2026-04-02": 110, "2026-04-03": 0}
    got = disk_full("A", 450, days)
    assert got and (got.days_left, got.full_on, got.bytes_a_day, got.from_days) == (4, "2026-04-07", 100, 2)
    assert disk_full("A", 450, days, keep_free_bytes=450).days_left == 0  # type: ignore[union-attr]
    assert disk_full("A", None, days) is None and disk_full("A", 450, {}) is None


@given(st.integers(0, 10**15), st.integers(1, 10**13), st.integers(0, 10**14))
def test_the_days_that_fit_do_fit(free: int, a_day: int, keep: int) -> None:
    got = disk_full("A", free, {"2026-04-01": a_day}, keep_free_bytes=keep)
    if got:
        room = max(0, free - keep)
        assert got.days_left * a_day <= room < (got.days_left + 1) * a_day
