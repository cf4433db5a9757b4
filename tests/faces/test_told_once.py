"""A restart of the daemon tells only what is new: what the person's command has taken is told once."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Any

import pytest

from ingest.faces.daemon.loop import run
from ingest.faces.daemon.notify import Told
from ingest.records.findings import Finding, Severity
from ingest.services import close_services
from ingest.settings.reading import load
from tests.faces.test_duties import show as show  # the same small show: one card, a setup without plates
from tests.faces.test_paperwork_commands import services_of, settings_file


class Hook:
    """A notification command that keeps what it was given, and fails while ``down`` lies beside it."""

    def __init__(self, root: Path, show: list[str]) -> None:
        self.told_file, self.down, script = root / "told.jsonl", root / "down", root / "hook.py"
        script.write_text(
            f"import os, sys\nif os.path.exists({str(self.down)!r}): sys.exit(1)\n"
            f"open({str(self.told_file)!r}, 'a').write(sys.stdin.read() + '\\n')\n"
        )
        path = settings_file(show)
        path.write_text(path.read_text().replace(
            "#command = []", f"command = {json.dumps([sys.executable, '-S', '-E', str(script)])}"))
        self._read = 0

    def new(self) -> list[dict[str, Any]]:
        """Notices since the last look."""
        lines = self.told_file.read_text().splitlines() if self.told_file.exists() else []
        fresh, self._read = lines[self._read:], len(lines)
        return [json.loads(line) for line in fresh]

    def kinds(self) -> set[str]:
        return {f["kind"] for n in self.new() for f in n.get("findings", ())}


def a_day(show: list[str]) -> None:
    """The daemon once from start to end."""
    run(load(settings_file(show)), drain=True, stop=threading.Event())


def test_a_restart_tells_only_what_is_new(tmp_path: Path, show: list[str]) -> None:
    hook = Hook(tmp_path, show)
    a_day(show)
    first = hook.new()
    assert [n["event"] for n in first].count("policy met") == 1
    kinds = {f["kind"] for n in first for f in n.get("findings", ())}
    assert any(k.startswith("clean_plate") for k in kinds)
    a_day(show)
    assert hook.new() == []
    log = tmp_path / "show" / "setup_log.csv"
    log.write_text(log.read_text() + "2026-04-14,T010,7B,25:61,,A,35,\n")
    a_day(show)
    told = hook.kinds()
    assert told and not told & kinds


def test_what_the_command_did_not_take_is_told_by_the_next_start(tmp_path: Path, show: list[str]) -> None:
    hook = Hook(tmp_path, show)
    hook.down.touch()
    a_day(show)
    assert hook.new() == []
    hook.down.unlink()
    a_day(show)
    assert {n["event"] for n in hook.new()} == {"policy met", "person needed"}


def test_what_comes_back_after_an_hour_is_news(show: list[str]) -> None:
    services = services_of(show)
    try:
        told = Told(services, lambda: None)
        told.note({}, {"a", "b"})
        assert told.keep({"a", "b"}, 0.0) == set() == told.keep({"a"}, 10.0)
        assert Told(services, lambda: None).findings() == {"a", "b"}
        assert told.keep({"a", "b"}, 100.0) == set() == told.keep({"a"}, 200.0) == told.keep({"a"}, 3800.0)
        assert told.keep({"a"}, 3801.0) == {"b"} and Told(services, lambda: None).findings() == {"a"}
    finally:
        close_services(services)


@pytest.mark.campaign
@pytest.mark.parametrize("ending", [signal.SIGTERM, signal.SIGKILL])
def test_a_daemon_of_its_own_restarted(tmp_path: Path, show: list[str], ending: signal.Signals) -> None:
    """The real process, stopped or killed after its notice; then a finding that is new."""
    hook = Hook(tmp_path, show)

    def until_told(wanted: bool) -> list[dict[str, Any]]:
        daemon = subprocess.Popen([sys.executable, "-m", "ingest", *show, "watch"], stdout=subprocess.DEVNULL,
                                  stderr=subprocess.DEVNULL, env=dict(os.environ))
        try:
            told: list[dict[str, Any]] = []
            until = time.monotonic() + (30.0 if wanted else 8.0)
            while time.monotonic() < until and not (wanted and any("findings" in n for n in told)):
                assert daemon.poll() is None
                time.sleep(0.2)
                told += hook.new()
            time.sleep(2.0)  # what was taken is kept
            daemon.send_signal(ending)
            daemon.wait(20.0)
            return told + hook.new()
        finally:
            daemon.kill()
            daemon.wait()

    assert {n["event"] for n in until_told(True)} == {"policy met", "person needed"}
    assert until_told(False) == []
    services = services_of(show)
    fresh = Finding(kind="chart_lost", item="2026-04-13 7C", severity=Severity.PERSON, what="w", next="n")
    services.work.set_findings("test", [fresh], services.clock.utc())
    close_services(services)
    (one,) = until_told(True)
    assert [f["kind"] for f in one["findings"]] == ["chart_lost"]
