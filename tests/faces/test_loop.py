"""What the daemon's loop decides by itself."""

from __future__ import annotations

import contextlib
import errno
import json
import threading
import time
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from ingest.faces import answers, deciding
from ingest.faces.adopting import Result
from ingest.faces.cli.main import main
from ingest.faces.daemon import loop, requests
from ingest.faces.daemon.loop import HOLDS_UP_S, Arriving, Unfinished
from ingest.faces.web.board import Looker
from ingest.machinery.disk.files import Disk
from ingest.services import close_services, open_services
from ingest.settings.reading import load
from ingest.steps.cards import stage
from ingest.steps.copying import stage_run
from tests.cart import fill


def until(what: Any, seconds: float = 60.0) -> None:
    limit = time.monotonic() + seconds
    while not what():
        assert time.monotonic() < limit
        time.sleep(0.02)


def a_show(base: Path) -> Path:
    """A show with disks A and B and a watched place in which cards settle soon: its settings."""
    (base / "slots").mkdir()
    assert main(["init", str(base / "show"), "--show", "TIDE", "--timezone", "UTC", "--destination", str(base / "A"),
                 "--destination", str(base / "B"), "--watch", str(base / "slots"), "--one-disk"]) == 0
    written = base / "show" / "nightloader.toml"
    text = written.read_text(encoding="utf-8")
    written.write_text(text.replace("#settle_s = 5.0", "settle_s = 0.3"), encoding="utf-8")
    return written


def test_sets_wait_for_a_card_whose_listing_settles_but_not_for_ever() -> None:
    arriving = Arriving()
    assert arriving.any(["slot"], 0.0) and arriving.any(["slot"], HOLDS_UP_S - 1)
    assert not arriving.any(["slot"], HOLDS_UP_S)
    assert arriving.any(["slot", "other"], HOLDS_UP_S)  # one that came later still holds them up
    assert not arriving.any([], HOLDS_UP_S + 1)
    assert arriving.any(["slot"], HOLDS_UP_S + 2)  # gone and back: it counts from now


class Stands:
    """What ``Unfinished`` asks of the services: troubles that stand, and the steady clock."""

    def __init__(self, *troubles: tuple[str, str]) -> None:
        self.troubles, self.now = frozenset(troubles), 0.0
        self.cards = self.clock = self

    def in_trouble(self, _: object) -> frozenset[tuple[str, str]]:
        return self.troubles

    def steady_s(self) -> float:
        return self.now


def test_what_may_pass_is_tried_again_ever_more_seldom() -> None:
    stands, unfinished = Stands(("", "disk two")), Unfinished()
    tried = []
    for second in range(3000):
        stands.now = float(second)
        if unfinished.again(stands, ()):  # type: ignore[arg-type]
            tried.append(second)
    waits = [b - a for a, b in pairwise([0, *tried])]
    assert waits[:4] == [5, 11, 21, 41] and max(waits) == waits[-1] == Unfinished.LAST_S + 1
    unfinished.begin()  # something changed: soon again
    stands.now += 1
    assert not unfinished.again(stands, ())  # type: ignore[arg-type]
    stands.now += 5
    assert unfinished.again(stands, ())  # type: ignore[arg-type]


def test_a_card_that_is_away_is_not_tried_and_draining_has_an_end() -> None:
    assert not Unfinished(drain=True).again(Stands(("a card", "")), ())  # type: ignore[arg-type]
    assert not Unfinished(drain=True).again(Stands(), ())  # type: ignore[arg-type]
    draining = Unfinished(drain=True)
    tries = [draining.again(Stands(("", "disk two")), ()) for _ in range(5)]  # type: ignore[arg-type]
    assert tries == [True, True, False, False, False]


def test_a_card_on_which_a_file_was_deleted_while_it_was_copied_is_looked_at_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The listing is not the same at first and last look, so the policy is not met by that look; it is by the
    next, as the file was read whole before.  One deleted before it was read keeps the card short, and is named."""
    written = a_show(tmp_path)
    cards = {n: fill(tmp_path / "slots" / n, {f"NOTES/{n}-{k}.TXT": f"{n} {k}".encode() * 50 for k in range(6)})
             for n in ("B007", "B008")}
    monkeypatch.setattr(loop, "PROGRESS_S", 0.0)

    def deleted(event: str, fields: dict[str, object]) -> None:
        if event == "copying" and fields["path"] == "NOTES/B007-3.TXT":
            (cards["B007"] / "NOTES" / "B007-0.TXT").unlink(missing_ok=True)  # it was read before
        if event == "copying" and fields["path"] == "NOTES/B008-3.TXT":
            (cards["B008"] / "NOTES" / "B008-5.TXT").unlink(missing_ok=True)  # its turn is yet to come

    settings = load(written)
    assert loop.run(settings, drain=True, stop=threading.Event(), on_event=deleted) == 1
    capsys.readouterr()
    main(["--config", str(written), "status", "--json"])
    said = json.loads(capsys.readouterr().out)
    assert {c["label"]: c["policy_met"] for c in said["cards"]} == {"B007": True, "B008": False}
    assert [c["files"] for c in said["cards"]] == [6, 6]
    assert {c["slot"]["word"] for c in said["cards"]} == {"not being read any more"}  # nothing more will come of it
    asked = [f for f in said["findings"] if f["severity"] != "note"]
    assert [f["kind"] for f in asked] == ["not read"] and "B008-5.TXT" in asked[0]["item"]


@pytest.mark.parametrize("change", ["a disk returns", "a card comes as the copying ends"])
def test_what_came_while_copying_was_at_work_is_served_once_it_ended(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], change: str
) -> None:
    """The copying at work knows the disks it began with, and one that is ending takes no further card."""
    written = a_show(tmp_path)
    fill(tmp_path / "slots" / "B007", {"NOTES/A.TXT": b"first"})
    if change == "a disk returns":
        (tmp_path / "B").rename(tmp_path / "unplugged")
    seen = threading.Event()

    def joins(*_: object) -> bool:
        seen.set()  # and nobody takes it
        return True

    def happens(event: str, fields: dict[str, object]) -> None:
        if event == "copying" and fields["path"] == "NOTES/A.TXT" and not seen.is_set():
            if change == "a disk returns":
                (tmp_path / "unplugged").rename(tmp_path / "B")
            else:
                fill(tmp_path / "coming", {"NOTES/B.TXT": b"second"}).rename(tmp_path / "slots" / "B008")
            assert seen.wait(30)

    monkeypatch.setattr(loop, "PROGRESS_S", 0.0)
    monkeypatch.setattr(loop.Loader, "join_copying", joins)
    loop.run(load(written), drain=True, stop=threading.Event(), on_event=happens)
    assert seen.is_set()
    capsys.readouterr()
    main(["--config", str(written), "status", "--json"])
    cards = json.loads(capsys.readouterr().out)["cards"]
    assert [c["policy_met"] for c in cards] == [True] * (2 if "card" in change else 1)


@pytest.mark.parametrize("looks", ["seen away", "between two looks"])
@pytest.mark.parametrize("what", ["disk", "card in its second reading"])
def test_what_was_unplugged_for_a_moment_is_served_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], what: str, looks: str
) -> None:
    """Unplugged and back before the copying at work has ended: nothing else will ever tell of it."""
    written = a_show(tmp_path)
    card = fill(tmp_path / "slots" / "B007", {f"DCIM/{k}.JPG": b"no picture" * 99 + bytes([k]) for k in range(6)})
    moved = tmp_path / "B" if what == "disk" else card
    at = "copying" if what == "disk" else "second reading"
    looking = threading.Lock()
    look = loop.Lookout.look
    count, away, done = [0], [False], [False]

    def looked(*args: Any) -> Any:
        with looking:
            found = look(*args)
        count[0] += 1
        return found

    def happens(event: str, fields: dict[str, object]) -> None:
        if event != "copying":
            return
        if fields["doing"] == at and fields["path"] == "DCIM/3.JPG" and not done[0]:
            done[0] = away[0] = True
            looking.acquire()
            moved.rename(tmp_path / "unplugged")
            if looks == "seen away":
                looking.release()
                before = count[0]
                until(lambda: count[0] > before + 1)
        elif fields["state"] == "not being read" and away[0]:
            away[0] = False
            (tmp_path / "unplugged").rename(moved)
            if looks != "seen away":
                looking.release()
            else:
                before = count[0]
                until(lambda: count[0] > before + 1)  # and all is as it was when the copying began

    monkeypatch.setattr(loop, "PROGRESS_S", 0.0)
    monkeypatch.setattr(loop.Lookout, "look", looked)
    loop.run(load(written), drain=True, stop=threading.Event(), on_event=happens)
    assert done[0] and not away[0]
    capsys.readouterr()
    main(["--config", str(written), "status", "--json"])
    said = json.loads(capsys.readouterr().out)
    (card_now,) = said["cards"]
    assert card_now["policy_met"] and card_now["read"] == "twice", card_now["reasons"]
    assert card_now["slot"]["word"] == "not being read any more"
    assert {f["kind"] for f in said["findings"]} <= {"picture damaged"}, said["findings"]


def test_the_last_claims_are_read_before_a_disk_that_returned_is_written_to(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Also where the copying ends while a look, which found it at work, goes on: new claims would take the place of
    the last ones."""
    written = a_show(tmp_path)
    fill(tmp_path / "slots" / "B007", {"NOTES/A.TXT": b"first"})
    loop.run(load(written), drain=True, stop=threading.Event())
    services = open_services(load(written), None)
    services.work.put(loop.LastClaims.RUNNING, services.clock.utc())  # as a power cut leaves it
    close_services(services)
    (tmp_path / "B").rename(tmp_path / "unplugged")
    fill(tmp_path / "slots" / "B008", {"NOTES/B.TXT": b"second"})
    loaders: list[loop.Loader] = []
    begun: list[tuple[bool, bool]] = []  # of each copying: whether the disk was here, and owed a reading
    looks, held = [0], [False]
    hold = threading.Event()
    look, copy = loop.Lookout.look, loop.Loader.copy

    def looked(*args: Any) -> Any:
        if hold.is_set() and not held[0]:
            held[0] = True
            until(lambda: not loaders[0].copying)
        looks[0] += 1
        return look(*args)

    def copied(self: loop.Loader, present: Any) -> None:
        loaders.append(self)
        begun.append(((tmp_path / "B").exists(), bool(self.services.work.recall(loop.LAST_CLAIMS_OWED))))
        copy(self, present)

    def happens(event: str, fields: dict[str, object]) -> None:
        if event == "copying" and fields["path"] == "NOTES/B.TXT" and not hold.is_set():
            (tmp_path / "unplugged").rename(tmp_path / "B")
            before = looks[0]
            until(lambda: looks[0] > before + 1)
            hold.set()
            until(lambda: held[0])

    monkeypatch.setattr(loop, "PROGRESS_S", 0.0)
    monkeypatch.setattr(loop.Lookout, "look", looked)
    monkeypatch.setattr(loop.Loader, "copy", copied)
    loop.run(load(written), drain=True, stop=threading.Event(), on_event=happens)
    assert begun[0] == (False, True) and len(begun) > 1
    assert all(not owed for here, owed in begun if here)


def test_a_card_that_came_as_the_copying_began_is_read_before_second_readings(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No run takes a card while it opens its disks, which may take long; it is offered again until one does."""
    written = a_show(tmp_path)
    fill(tmp_path / "slots" / "B007", {f"DCIM/{k}.JPG": b"no picture" * 99 + bytes([k]) for k in range(4)})
    offered: list[bool] = []
    happened: list[tuple[object, object]] = []
    begun: list[object] = []
    add, opened, copy = loop.Copier.add, stage_run.find_destination, loop.Loader.copy

    def copied(self: loop.Loader, present: Any) -> None:
        begun.extend(present)
        copy(self, present)

    def added(*args: Any) -> bool:
        offered.append(add(*args))
        return offered[-1]

    def opens(*args: Any) -> Any:
        if begun and not offered:
            fill(tmp_path / "coming", {"NOTES/B.TXT": b"second"}).rename(tmp_path / "slots" / "B008")
            until(lambda: offered)
        return opened(*args)

    def happens(event: str, fields: dict[str, object]) -> None:
        if event == "copying":
            happened.append((fields["doing"], fields["path"]))
            if fields["doing"] == "second reading" and True not in offered:
                with contextlib.suppress(AssertionError):
                    until(lambda: True in offered, 10.0)

    monkeypatch.setattr(loop, "PROGRESS_S", 0.0)
    monkeypatch.setattr(loop.Copier, "add", added)
    monkeypatch.setattr(loop.Loader, "copy", copied)
    monkeypatch.setattr(stage_run, "find_destination", opens)
    loop.run(load(written), drain=True, stop=threading.Event(), on_event=happens)
    assert offered[0] is False
    assert happened.index(("copying", "NOTES/B.TXT")) < happened.index(("second reading", "DCIM/3.JPG"))


def test_a_card_outside_the_watched_places_is_here_until_it_is_gone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The daemon was asked for it by its path; its slot would else say that it is not being read any more."""
    settings = load(a_show(tmp_path))
    card = fill(tmp_path / "ELSEWHERE", {f"NOTES/{k}.TXT": bytes([k]) * 500 for k in range(4)})
    services = open_services(settings, None)
    looks = [0]
    here: list[tuple[bool, str, str]] = []
    look, stop = loop.Lookout.look, threading.Event()

    def looked(*args: Any) -> Any:
        found = look(*args)
        looks[0] += 1
        return found

    def two_looks() -> None:
        before = looks[0]
        until(lambda: looks[0] > before + 1)

    def happens(event: str, fields: dict[str, object]) -> None:
        if event == "copying" and fields["path"] == "NOTES/2.TXT":
            two_looks()
            (shown,) = Looker(services).look().cards
            here.append((shown.here, shown.state, shown.word))

    monkeypatch.setattr(loop, "PROGRESS_S", 0.0)
    monkeypatch.setattr(loop.Lookout, "look", looked)
    number = services.work.ask("offload", {"path": str(card)}, services.clock.utc())
    watching = threading.Thread(target=loop.run, args=(settings,), kwargs={
        "drain": False, "stop": stop, "on_event": happens})
    watching.start()
    try:
        until(lambda: services.work.request(number)[1])
        assert here == [(True, "reading", "being read")]
        card.rename(tmp_path / "pulled")
        two_looks()
        (known,) = services.cards.cards()
        assert known.mount is None
    finally:
        stop.set()
        watching.join()
        close_services(services)


@pytest.mark.parametrize("fault", ["it is pulled", "nobody understands it"])
def test_a_card_asked_for_by_its_path_costs_itself_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fault: str
) -> None:
    settings = load(a_show(tmp_path))
    fill(tmp_path / "slots" / "B007", {"NOTES/A.TXT": b"first"})
    card = fill(tmp_path / "ELSEWHERE", {"NOTES/B.TXT": b"second"})
    signature = stage.signature

    def signed(inventory: Any) -> str:  # once it was listed, before it is recognised
        if any(f.path == "NOTES/B.TXT" for f in inventory.files):
            if fault == "it is pulled":
                card.rename(tmp_path / "pulled")
            else:
                raise RuntimeError("nobody thought of this")
        return signature(inventory)

    monkeypatch.setattr(stage, "signature", signed)
    services = open_services(settings, None)
    number = services.work.ask("offload", {"path": str(card)}, services.clock.utc())
    try:
        loop.run(settings, drain=True, stop=threading.Event())
        words, result = services.work.request(number)
        assert result is not None and result["exit"] != 0 and str(card) in result["text"], (words, result)
        (verdict,) = answers.verdicts(services)
        assert verdict.policy_met
    finally:
        close_services(services)


def test_a_claim_withdrawn_at_a_later_look_is_served(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The disk did not answer while its last claims were read after a stop; when it did, nothing else had changed."""
    written = a_show(tmp_path)
    written.write_text(written.read_text(encoding="utf-8").replace("#rescan_s = 5.0", "rescan_s = 0.3"),
                       encoding="utf-8")
    fill(tmp_path / "slots" / "B007", {"NOTES/A.TXT": b"first"})
    loop.run(load(written), drain=True, stop=threading.Event())
    services = open_services(load(written), None)
    services.work.put(loop.LastClaims.RUNNING, services.clock.utc())  # as a power cut leaves it
    (lost,) = (tmp_path / "B").rglob("A.TXT")
    lost.write_bytes(b"?irst")
    after_a_stop, read_into = loop.after_a_stop, Disk.read_into
    silent, calls = [False], [0]

    def reads(self: Disk, fd: int, view: memoryview) -> int:
        if silent[0]:
            raise OSError(errno.EIO, "no answer")
        return read_into(self, fd, view)

    def after(*args: Any) -> set[str]:
        calls[0] += 1
        silent[0] = calls[0] < 8  # the first copying has begun, and ended, by then
        try:
            return after_a_stop(*args)
        finally:
            silent[0] = False

    monkeypatch.setattr(Disk, "read_into", reads)
    monkeypatch.setattr(loop, "after_a_stop", after)
    stop = threading.Event()
    watching = threading.Thread(target=loop.run, args=(load(written),), kwargs={"drain": False, "stop": stop})
    watching.start()
    try:
        until(lambda: "claim withdrawn" in {f.kind for f in services.cards.findings()}, 120)
        until(lambda: answers.verdicts(services)[0].policy_met)
    finally:
        stop.set()
        watching.join()
        close_services(services)


def test_what_an_adoption_brings_back_is_copied_where_it_is_owed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Cards and disks are as before, and yet copies are owed: one disk's papers know of more than the other holds."""
    settings = load(a_show(tmp_path))
    assert main(["--config", str(tmp_path / "show" / "nightloader.toml"), "offload",
                 str(fill(tmp_path / "B007", {"NOTES/A.TXT": b"first"}))]) == 0
    services = open_services(settings, None)

    def adopts(at_daemon: Any, path: str, **_: object) -> Result:
        (known,) = at_daemon.cards.cards()
        b = next(d.id for d in at_daemon.cards.destinations() if d.path == str(tmp_path / "B"))
        at_daemon.cards.withdraw_copy(known.id, "NOTES/A.TXT", 1, b)
        (tmp_path / "B" / "TIDE" / known.folder / "NOTES" / "A.TXT").unlink()
        return Result(destination=path)

    monkeypatch.setattr(requests, "adopt_destination", adopts)
    stop = threading.Event()
    watching = threading.Thread(target=loop.run, args=(settings,), kwargs={"drain": False, "stop": stop})
    watching.start()
    try:
        until(lambda: services.work.recall(loop.LastClaims.RUNNING))
        number = services.work.ask("adopt", {"path": str(tmp_path / "A")}, services.clock.utc())
        until(lambda: services.work.request(number)[1])
        until(lambda: answers.verdicts(services)[0].policy_met, 30.0)
        assert len(list((tmp_path / "B").rglob("A.TXT"))) == 1
    finally:
        stop.set()
        watching.join()
        close_services(services)


def test_an_error_at_the_desk_costs_neither_copies_nor_the_daemon(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    a_show(tmp_path)
    fill(tmp_path / "slots" / "B007", {"DCIM/100TIDE/TIDE0001.JPG": b"no picture"})
    command = ["--config", str(tmp_path / "show" / "nightloader.toml")]

    def broken(*_: object, **__: object) -> None:
        raise RuntimeError("nobody thought of this")

    with monkeypatch.context() as patch:
        patch.setattr("ingest.steps.probes.stage.group", broken)
        assert main([*command, "watch", "--drain"]) == 3
    capsys.readouterr()
    assert main([*command, "status", "--json"]) == 1
    said = json.loads(capsys.readouterr().out)
    assert said["cards"][0]["policy_met"] and "not worked out" in [f["kind"] for f in said["findings"]]
    assert main([*command, "watch", "--drain"]) == 1  # the picture that does not decode remains
    capsys.readouterr()
    main([*command, "status", "--json"])
    assert "not worked out" not in [f["kind"] for f in json.loads(capsys.readouterr().out)["findings"]]


def test_which_card_is_first_can_be_said_at_any_time(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["init", str(tmp_path / "show"), "--show", "TIDE", "--timezone", "UTC", "--destination",
                 str(tmp_path / "A"), "--destination", str(tmp_path / "B"), "--one-disk"]) == 0
    command = ["--config", str(tmp_path / "show" / "nightloader.toml")]
    for name in ("B007", "B008"):
        assert main([*command, "offload", str(fill(tmp_path / name, {"NOTE.TXT": name.encode()}))]) == 0
    assert main([*command, "first", "B009"]) == 2
    assert main([*command, "first", "B008"]) == 0
    assert "B008 is read next" in capsys.readouterr().out
    services = open_services(load(tmp_path / "show" / "nightloader.toml"), None)
    try:
        ranks = {c.label: deciding.rank(services)(c.id) for c in services.cards.cards()}
    finally:
        close_services(services)
    assert ranks == {"B007": 1, "B008": 0}
