"""The ledger's file: one writer, no invented facts, no older program on a newer file."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
import threading
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ingest.errors import LedgerBusy, LedgerUnusable
from ingest.machinery.ledger.schema import NEWEST
from ingest.machinery.ledger.store import Store
from ingest.machinery.ledger.work import WorkLedger, header_from_json, header_to_json
from ingest.records.findings import Finding, Severity
from ingest.records.stills import StillHeader


def test_settings_that_survive_a_power_cut(tmp_path: Path) -> None:
    """SQLite documentation, PRAGMA journal_mode and synchronous: 2 is FULL."""
    store = Store(tmp_path / "ledger.sqlite")
    assert store.query("PRAGMA journal_mode")[0][0] == "wal"
    assert store.query("PRAGMA synchronous")[0][0] == 2


def test_one_writer_and_a_kill_leaves_no_lock(tmp_path: Path) -> None:
    path = tmp_path / "ledger.sqlite"
    code = ("import sys, time; from pathlib import Path; from ingest.machinery.ledger.store import Store;"
            "s = Store(Path(sys.argv[1])); s.lock(); print('locked', flush=True); time.sleep(60)")
    other = subprocess.Popen([sys.executable, "-c", code, str(path)], stdout=subprocess.PIPE,
                             cwd=Path(__file__).parents[3])
    try:
        assert other.stdout is not None
        assert other.stdout.readline() == b"locked\n"
        store = Store(path)
        with pytest.raises(LedgerBusy):
            store.lock()
        with pytest.raises(LedgerBusy):
            store.lock(wait_s=0.1)
    finally:
        other.kill()
        other.wait()
        other.stdout.close() if other.stdout else None
    store.lock()
    with pytest.raises(LedgerBusy):
        Store(path).lock()


def test_a_newer_ledger_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "ledger.sqlite"
    Store(path).close()
    with sqlite3.connect(path) as raw:
        raw.execute(f"PRAGMA user_version={NEWEST + 1}")
    with pytest.raises(LedgerUnusable, match="newer") as caught:
        Store(path)
    assert caught.value.exit_code == 3


@settings(max_examples=30, deadline=None)
@given(cut=st.integers(min_value=0, max_value=60_000), junk=st.binary(max_size=20))
def test_a_damaged_ledger_is_refused_or_reads_true(
    tmp_path_factory: pytest.TempPathFactory, cut: int, junk: bytes
) -> None:
    path = tmp_path_factory.mktemp("ledger") / "ledger.sqlite"
    store = Store(path)
    work = WorkLedger(store)
    for n in range(20):
        work.remember(f"k{n}", f"v{n}")
    store.query("PRAGMA wal_checkpoint(TRUNCATE)")
    store.close()
    data = path.read_bytes()
    path.write_bytes(data[: min(cut, len(data))] + junk)
    try:
        damaged = Store(path)
        for n in range(20):
            assert WorkLedger(damaged).recall(f"k{n}") in (None, f"v{n}")
        damaged.close()
    except LedgerUnusable as error:
        assert "adopt" in str(error) or "newer" in str(error)


def test_a_failed_change_changes_nothing(tmp_path: Path) -> None:
    work = WorkLedger(Store(tmp_path / "ledger.sqlite"))
    with pytest.raises(RuntimeError), work.store.transaction():
        work.put("a", "1")
        raise RuntimeError
    assert work.recall("a") is None


def test_findings_open_stay_and_close(tmp_path: Path) -> None:
    work = WorkLedger(Store(tmp_path / "ledger.sqlite"))
    one = Finding(kind="k", item="i", severity=Severity.PERSON, what="w", next="n", more={"frames": [1]})
    assert work.set_findings("step", [one], "t1") == (one,)
    assert work.set_findings("step", [one], "t2") == ()
    assert work.findings("step") == (one,)
    assert work.set_findings("step", [], "t3") == ()
    assert work.findings() == ()
    assert work.set_findings("step", [one], "t4") == (one,)
    worse = Finding(kind="k", item="i", severity=Severity.LOSS, what="x", next="m")
    (both,) = work.set_findings("other", [worse, one], "t5")  # of one kind about one thing: neither is dropped
    assert (both.what, both.severity, both.next) == ("x Also: w", Severity.LOSS, "m")


@given(
    st.builds(
        StillHeader, make=st.none() | st.text(max_size=9), exposure_time_s=st.none() | st.fractions(min_value=0),
        iso=st.none() | st.integers(1, 10**6), taken=st.none() | st.datetimes(),
        problems=st.lists(st.text(max_size=5)).map(tuple),
    )
)
def test_a_header_comes_back_as_it_was_stored(header: StillHeader) -> None:
    assert header_from_json(header_to_json(header)) == header


def test_decisions_the_newest_counts(tmp_path: Path) -> None:
    work = WorkLedger(Store(tmp_path / "ledger.sqlite"))
    work.decide("assign", "d", {"setup": "1"}, "t1")
    work.decide("assign", "d", {"setup": "2"}, "t2")
    assert work.decisions("assign")["d"]["setup"] == "2"


def test_a_start_waits_for_what_holds_the_ledger_for_a_moment(tmp_path: Path) -> None:
    first, second = (Store(tmp_path / "ledger.sqlite") for _ in range(2))
    first.lock()
    threading.Timer(0.2, first.unlock).start()
    second.lock(wait_s=20.0)
    with pytest.raises(LedgerBusy):
        first.lock()
    second.unlock()
