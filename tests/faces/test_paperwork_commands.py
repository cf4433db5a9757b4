"""Names tried out, sights confirmed or refused, hand-overs sent and receipted, rules and zones in the settings."""

from __future__ import annotations

import json
import threading
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from ingest.errors import SettingsError
from ingest.faces import packages, shows
from ingest.faces.cli import requests
from ingest.faces.cli.main import main
from ingest.faces.daemon.notify import Notices
from ingest.machinery import journal
from ingest.machinery.clock import Clock
from ingest.machinery.worker.host import WorkerPool
from ingest.pipeline import Desk
from ingest.records.sights import SeenThing
from ingest.services import Services, close_services, open_services
from ingest.settings.reading import load, parse
from ingest.steps.filing import stage_items
from tests.faces.test_duties import answer, items
from tests.faces.test_duties import show as show  # the same small show

BOX = ((0.2, 0.2), (0.6, 0.2), (0.6, 0.6), (0.2, 0.6))


class Turned(Clock):
    """A clock the test turns."""

    def __init__(self, moment: datetime) -> None:
        self.moment = moment

    def now(self) -> datetime:
        return self.moment


def settings_file(show: list[str]) -> Path:
    return Path(show[1])


def services_of(show: list[str], **more: Any) -> Services:
    return open_services(load(settings_file(show)), journal.set_up(None, terminal=False), **more)


def with_settings(show: list[str], text: str) -> None:
    path = settings_file(show)
    path.write_text(path.read_text() + text)


def test_names_are_shown_before_anything_is_renamed(show: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    (own,) = answer(show, capsys, "names")  # type: ignore[misc]
    assert own["folder"] == own["now"] and own["folder"].startswith("shots/T010/7A/probes/")
    main([*show, "names", "--convention", "open-tree", "--pattern", "{setup}_{probe}_{version:02d}", "--json"])
    (other,) = json.loads(capsys.readouterr().out)
    assert other["folder"].startswith("shoot/hdris/T010/7A/") and other["name"].endswith("_01")
    assert other["now"] == own["folder"]
    assert main([*show, "names", "--pattern", "{stup}"]) == 2
    assert "nearest is {setup}" in capsys.readouterr().err
    assert main([*show, "names", "--tokens"]) == 0
    assert "{version}" in capsys.readouterr().out


def seen_in_a_still(show: list[str], what: str) -> str:
    """Let the look have found something in the show's single still; answers its id."""
    from ingest.steps.filing.stage_clips import still_id_of

    services = services_of(show)
    try:
        digest = sorted(services.work.still_digests())[0]
        services.work.add_sights({digest: ([SeenThing(what=what, corners=BOX, score=0.7)], "")}, services.clock.utc())
        Desk(services).work(())
        return still_id_of(digest)
    finally:
        close_services(services)


def test_a_proposal_is_not_believed_until_confirmed(show: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    still = seen_in_a_still(show, "chart")
    before = items(show, capsys)["chart"]
    assert before["status"] != "have" and before["proposed"] == [still]
    (seen,) = answer(show, capsys, "sights")  # type: ignore[misc]
    assert (seen["id"], seen["proposed_role"], seen["role"]) == (still, "chart", None)
    assert main([*show, "confirm", still, "--role", "chart"]) == 0
    capsys.readouterr()
    assert items(show, capsys)["chart"]["status"] == "have"
    assert main([*show, "confirm", still, "--role", "none"]) == 0
    capsys.readouterr()
    after = items(show, capsys)["chart"]
    assert after["status"] != "have" and not after["proposed"]


def test_a_confirmed_ball_lies_small_beside_the_probe(tmp_path: Path, show: list[str]) -> None:
    still = seen_in_a_still(show, "grey_ball")
    assert not list((tmp_path / "A").rglob("*grey_ball*"))
    assert main([*show, "confirm", still, "--role", "grey_ball"]) == 0
    assert not list((tmp_path / "A").rglob("*grey_ball*"))  # no picture is opened by a command that holds the ledger
    assert main([*show, "watch", "--drain"]) in (0, 1)
    for disk in "AB":
        (made,) = (tmp_path / disk).rglob("*grey_ball*")
        assert made.read_bytes()[:3] == b"\xff\xd8\xff" and list(made.parent.glob("*.exr"))
    to = tmp_path / "out"
    main([*show, "handover", "--shot", "T010", "--to", str(to)])
    assert list(to.rglob(f"*grey_ball_{still}.jpg"))
    assert "grey ball" in (to / "data" / "7A" / "setup_sheet.html").read_text()


def test_what_a_person_says_without_a_daemon_is_a_moments_work(
    show: list[str], capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """No picture is opened, everything is placed once, and what lay beside a probe goes with it."""
    still = seen_in_a_still(show, "grey_ball")
    assert main([*show, "confirm", still, "--role", "grey_ball"]) == 0
    assert main([*show, "watch", "--drain"]) in (0, 1)
    capsys.readouterr()
    (probe,) = answer(show, capsys, "probes")  # type: ignore[misc]
    old = Path(probe["exr"])
    beside = {p.name.removeprefix(old.stem) for p in old.parent.iterdir()}
    assert f"_grey_ball_{still}.jpg" in beside
    placings = []

    def no_worker(*_: object, **__: object) -> None:
        raise AssertionError("a worker was asked")

    def place(*given: Any) -> Any:
        placings.append(given)
        return real(*given)

    real = stage_items.place
    monkeypatch.setattr(WorkerPool, "run", no_worker)
    monkeypatch.setattr(stage_items, "place", place)
    for words in (["review", probe["id"]], ["sign", "CARD", "--by", "Ines"], ["label", "CARD", "A012"],
                  ["waive", "chart", "--day", "2026-04-14", "--by", "Ines", "--why", "none there"],
                  ["file", probe["id"], "--setup", "9Z", "--shot", "T099"], ["confirm", still, "--role", "none"]):
        placings.clear()
        assert main([*show, *words]) == 0
        assert len(placings) == 2, words  # everything, and the still that has a role beside it
    capsys.readouterr()
    (moved,) = answer(show, capsys, "probes")  # type: ignore[misc]
    new = Path(moved["exr"])
    assert "T099/9Z" in str(new) and not [p for p in old.parent.glob("*") if p.is_file()]
    assert {p.name.removeprefix(new.stem) for p in new.parent.iterdir()} == beside
    assert main([*show, "watch", "--drain"]) in (0, 1)
    capsys.readouterr()
    assert json.loads(new.with_suffix(".json").read_text())["filing"]["setup"] == "9Z"
    assert not [f for f in told_all(show, capsys) if f["kind"] == "not worked out"]


def test_a_request_that_nobody_is_left_to_carry_out_is_not_waited_for(
    show: list[str], capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(requests, "LEFT_S", 0.0)
    services = services_of(show)
    try:
        assert requests.carried_out(services, "audit", {}, threading.Event()) == 1
        assert "the next `watch` carries it out" in capsys.readouterr().err
        assert [kind for _, kind, _ in services.work.open_requests()] == ["audit"]
        services.store.lock()
    finally:
        close_services(services)


def told_all(show: list[str], capsys: pytest.CaptureFixture[str]) -> list[dict[str, Any]]:
    return answer(show, capsys, "status")["findings"]  # type: ignore[index, no-any-return]


def test_a_hand_over_is_read_again_sent_and_receipted(
    tmp_path: Path, show: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    to = tmp_path / "out" / "T010"
    main([*show, "handover", "--shot", "T010", "--to", str(to), "--for", "Lighting"])
    name = capsys.readouterr().out.splitlines()[0]

    def tenth() -> dict[str, Any]:
        return answer(show, capsys, "audit")["questions"][9]  # type: ignore[index, no-any-return]

    assert "Lighting" in tenth()["answer"] and "read again and equal, not yet sent" in tenth()["answer"]
    victim = to / "data" / "clips.csv"
    whole = victim.read_bytes()
    victim.write_bytes(whole + b"x")
    assert tenth()["state"] == "person" and "does not verify" in str(tenth()["lines"])
    victim.write_bytes(whole)
    (to / "data" / "stray.txt").write_text("x")
    assert tenth()["state"] == "person"
    (to / "data" / "stray.txt").unlink()
    assert main([*show, "sent", name, "--receipt", "read and equal, Bo, 14:10"]) == 0
    capsys.readouterr()
    assert "receipt read and equal" in tenth()["answer"]
    assert main([*show, "sent", "OTHER"]) == 2
    for disk in "AB":  # no paper holds a path of this machine
        assert str(tmp_path) not in (tmp_path / disk / "TIDE" / "paperwork" / "show_log.jsonl").read_text()
    assert packages.verifies(tmp_path / "gone", "") is None


def test_log_and_cards_are_counted_as_compared(show: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    eighth = answer(show, capsys, "audit")["questions"][7]  # type: ignore[index]
    assert eighth["state"] == "well" and eighth["checks"] >= 1


def test_rules_of_the_settings_hold(show: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    with_settings(show, '\n[[due.rules]]\nitem = "balls"\non = true\n\n[[due.rules]]\nitem = "lidar"\nscope = "day"\n'
                        'deadline = "wrap"\nwhy = "the set is struck tonight"\n')  # fmt: skip
    services = services_of(show)
    try:
        services.store.lock()
        Desk(services).work(())
    finally:
        close_services(services)
    found = items(show, capsys)
    assert found["balls"]["asked"] and found["lidar"]["asked"] and "struck" in str(found["lidar"]["why"])
    assert main([*show, "waive", "lidar", "--day", "2026-04-14", "--by", "I", "--why", "scanned last week"]) == 0


def test_wrong_rules_and_names_are_told_at_once(show: list[str]) -> None:
    text = settings_file(show).read_text().replace("#probe_name = ", 'probe_name = "{stup}" # ')
    bad = text + '\n[[due.rules]]\nitem = "probe"\nscope = "moon"\n'
    with pytest.raises(SettingsError) as told:
        shows.check(parse(bad.encode(), home=Path()))
    assert "moon" in str(told.value) and "{stup}" in str(told.value)
    settings_file(show).write_text(bad)
    assert main([*show, "status"]) == 2


def test_a_day_in_another_zone(show: list[str], capsys: pytest.CaptureFixture[str]) -> None:
    text = settings_file(show).read_text().replace("#zones = {}", 'zones = {"2026-04-14" = "Asia/Kolkata"}')
    settings_file(show).write_text(text)
    services = services_of(show)
    try:
        Desk(services).work(())
    finally:
        close_services(services)
    (setup,) = answer(show, capsys, "setups")  # type: ignore[misc]
    assert setup["start_utc"] == "2026-04-14T04:20:00Z"
    with pytest.raises(SettingsError, match="no day"):
        parse(text.replace("2026-04-14", "14 April").encode(), home=Path())


def test_what_a_setup_lacks_is_told_when_it_closes(tmp_path: Path, show: list[str]) -> None:
    """No file changes, only the hour: the desk is due, and one bundled notice goes out, outside quiet hours."""
    told = tmp_path / "told.jsonl"
    hook = tmp_path / "hook.py"
    hook.write_text(f"import sys\nopen({str(told)!r}, 'a').write(sys.stdin.read() + '\\n')\n")
    import sys

    text = settings_file(show).read_text()
    text = text.replace("#command = []", f"command = {json.dumps([sys.executable, str(hook)])}")
    settings_file(show).write_text(text.replace("#quiet_hours =", 'quiet_hours = ["22:00", "06:00"]'))
    (tmp_path / "show" / "setup_log.csv").write_text(
        "day,shot,setup,start,end,camera,lens,notes\n2026-04-14,T010,8A,12:00,13:00,A,35,\n")
    clock = Turned(datetime(2026, 4, 14, 12, 30, tzinfo=UTC))
    services = services_of(show, clock=clock)
    notices = Notices(services)
    try:
        desk = Desk(services)
        desk.work(())
        notices.look()
        assert not desk.is_due()
        clock.moment += timedelta(minutes=31)
        assert desk.is_due()
        desk.work(())
        assert not desk.is_due()
        notices.look()
    finally:
        notices.close()
        close_services(services)
    lines = [json.loads(x) for x in told.read_text().splitlines() if x]
    needed = [x for x in lines if x["event"] == "person needed"]
    bundles = [x for x in needed if any(f["kind"] == "probe_due" for f in x["findings"])]
    (bundle,) = bundles
    kinds = {f["kind"] for f in bundle["findings"]}
    assert {"probe_due", "chart_due", "clean_plate_due", "dirty_plate_due", "measured_due"} <= kinds
    assert all("no card of that time" in f["what"] for f in bundle["findings"] if f["kind"] == "clean_plate_due")
