"""What notices wait for: quiet hours across midnight, the end of a setup and of a day, and what is never held back."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from ingest.faces.daemon.notify import Notices, Notifier
from ingest.pipeline import Desk
from ingest.records.findings import Finding, Severity
from ingest.services import close_services
from tests.faces.test_duties import show as show  # the same small show
from tests.faces.test_paperwork_commands import Turned, services_of, settings_file


class Held:
    """A show whose clock the test turns; ``told`` are the notices so far, as the person's command got them."""

    def __init__(self, root: Path, show: list[str], quiet: str, log: str, zone: str = "UTC") -> None:
        self._told, hook = root / "told.jsonl", root / "hook.py"
        hook.write_text(f"import sys\nopen({str(self._told)!r}, 'a').write(sys.stdin.read() + '\\n')\n")
        settings = settings_file(show)
        text = settings.read_text().replace("#command = []", f"command = {json.dumps([sys.executable, str(hook)])}")
        settings.write_text(text.replace("#quiet_hours =", f"quiet_hours = {quiet}").replace('"UTC"', f'"{zone}"'))
        (root / "show" / "setup_log.csv").write_text("day,shot,setup,start,end,camera,lens,notes\n" + log)
        self.clock = Turned(datetime(2026, 4, 14, 6, tzinfo=UTC))
        self.services = services_of(show, clock=self.clock)
        self.notices = Notices(self.services)
        self.desk = Desk(self.services)

    def at(self, *moment: int) -> list[set[str]]:
        """Turn the clock to a moment of UTC as the daemon would pass it; answers the new notices' kinds of finding."""
        self.clock.moment = datetime(2026, *moment, tzinfo=UTC)  # type: ignore[misc]
        if self.desk.is_due():
            self.desk.work(())
        before = len(self.told())
        self.notices.look()
        self.notices.close()
        self.notices._notifier = Notifier(
            self.services.settings.notify.command, self.services.settings.notify.quiet_hours, self.services.log)
        return [{f["kind"] for f in n["findings"]} for n in self.told()[before:] if "findings" in n]

    def told(self) -> list[dict[str, Any]]:
        return [json.loads(x) for x in self._told.read_text().splitlines() if x] if self._told.exists() else []


@pytest.fixture
def held(tmp_path: Path, show: list[str]) -> Iterator[Any]:
    made: list[Held] = []

    def make(quiet: str, log: str, zone: str = "UTC") -> Held:
        made.append(Held(tmp_path, show, quiet, log, zone))
        return made[-1]

    yield make
    for one in made:
        one.notices.close()
        close_services(one.services)


@pytest.mark.parametrize(
    ("start", "end", "inside", "outside"),
    [
        ("22:00", "06:00", ["22:00", "23:59", "00:00", "05:59"], ["06:00", "12:00", "21:59"]),
        ("01:00", "05:00", ["01:00", "04:59"], ["00:59", "05:00", "23:00"]),
        ("00:00", "00:00", [], ["00:00", "12:00", "23:59"]),
    ],
)
def test_which_moments_are_quiet(start: str, end: str, inside: list[str], outside: list[str]) -> None:
    notifier = Notifier((), (start, end), None)
    quiet = [f"{h:02}:{m:02}" for h in range(24) for m in range(60)
             if notifier.is_quiet(datetime(2026, 4, 14, h, m, tzinfo=UTC))]  # fmt: skip
    assert set(inside) <= set(quiet) and not set(outside) & set(quiet)
    assert not Notifier((), None, None).is_quiet(datetime(2026, 4, 14, 3, tzinfo=UTC))


def test_a_night_shoot_is_told_in_one_notice_in_the_morning(held: Any) -> None:
    """Two setups close before and after midnight, inside quiet hours: nothing is said until they end, then once."""
    day = held('["22:00", "06:00"]', "2026-04-14,T010,8A,21:00,23:00,A,35,\n2026-04-14,T010,8B,23:00,01:30,A,50,\n")
    day.at(4, 14, 20, 0)
    assert day.at(4, 14, 23, 5) == [] and day.at(4, 15, 1, 45) == [] and day.at(4, 15, 5, 59) == []
    (one,) = day.at(4, 15, 6, 0)
    assert {"probe_due", "clean_plate_due", "dirty_plate_due", "chart_due", "measured_due"} <= one | {
        k.replace("_lost", "_due") for k in one}
    setups = {f.get("setup") for f in day.told()[-1]["findings"] if f["kind"].endswith(("_due", "_lost"))}
    assert {"8A", "8B"} <= setups
    assert day.at(4, 15, 6, 5) == []


def test_outside_quiet_hours_each_setup_is_told_when_it_closes(held: Any) -> None:
    day = held('["22:00", "06:00"]', "2026-04-14,T010,8A,12:00,13:00,A,35,\n2026-04-14,T010,8B,13:00,14:00,A,50,\n")
    day.at(4, 14, 12, 30)
    (first,) = day.at(4, 14, 13, 1)
    (second,) = day.at(4, 14, 14, 1)
    assert "probe_due" in first and "probe_due" in second and day.at(4, 14, 14, 2) == []


def test_the_last_setup_without_an_end_is_told_when_its_day_is_over(held: Any) -> None:
    """A row nobody ended closes with its day; in quiet hours it waits for their end."""
    day = held('["23:00", "07:00"]', "2026-04-14,T010,8A,20:00,,A,35,\n")
    day.at(4, 14, 20, 30)
    assert not any("probe_due" in n for n in day.at(4, 14, 22, 30))
    assert not any("probe" in k for n in day.at(4, 15, 6, 1) for k in n)
    told = [k for n in day.at(4, 15, 7, 0) for k in n]
    assert any(k in ("probe_due", "probe_lost") for k in told)


def test_quiet_hours_are_those_of_the_shows_own_clock(held: Any) -> None:
    """22:00 in Lisbon in summer is 21:00 UTC."""
    day = held('["22:00", "06:00"]', "2026-04-14,T010,8A,20:00,21:55,A,35,\n", zone="Europe/Lisbon")
    day.at(4, 14, 19, 30)
    assert day.at(4, 14, 21, 5) == [] and day.at(4, 15, 4, 59) == []
    assert len(day.at(4, 15, 5, 0)) == 1


@pytest.mark.parametrize(("kind", "severity"), [("destination absent", Severity.PERSON), ("read back", Severity.LOSS)])
def test_a_disk_in_trouble_and_a_loss_wait_for_nobody(held: Any, kind: str, severity: Severity) -> None:
    day = held('["22:00", "06:00"]', "2026-04-14,T010,8A,21:00,22:30,A,35,\n")
    day.at(4, 14, 21, 30)
    day.services.work.set_findings("test", [Finding(kind=kind, item="B", severity=severity, what="w", next="n")],
                                   day.services.clock.utc())  # fmt: skip
    assert day.at(4, 14, 23, 0) == [{kind}]
    assert timedelta(0) < day.clock.moment - datetime(2026, 4, 14, 22, 30, tzinfo=UTC)
    (rest,) = day.at(4, 15, 6, 0)
    assert kind not in rest and any(k.startswith("probe") for k in rest)


def test_what_is_lost_for_good_wakes_nobody(held: Any) -> None:
    day = held('["22:00", "06:00"]', "2026-04-14,T010,8A,21:00,22:30,A,35,\n")
    day.at(4, 14, 21, 30)
    lost = Finding(kind="chart_lost", item="2026-04-13 7C", severity=Severity.LOSS, what="w", next="n")
    day.services.work.set_findings("test", [lost], day.services.clock.utc())
    assert day.at(4, 14, 23, 0) == []
    (morning,) = day.at(4, 15, 6, 0)
    assert "chart_lost" in morning
