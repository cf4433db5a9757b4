"""``watch`` killed at any moment of the demo and started again ends in the tree of an undisturbed run."""

from __future__ import annotations

import hashlib
import os
import random
import signal
import time
from difflib import unified_diff
from pathlib import Path

import pytest

from ingest.faces import answers
from ingest.faces.cli import demo, lay
from ingest.faces.cli import main as command
from ingest.faces.daemon import loop
from ingest.services import close_services, open_services
from ingest.settings.reading import load
from tests.journeys.shows import Show, same_as_on_card, tree
from tests.processes import forked


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory: pytest.TempPathFactory) -> list[dict[str, str]]:
    root = tmp_path_factory.mktemp("undisturbed")
    show = Show(root=root, settings=demo.prepare(root))
    for card in lay.names():
        show.put_in(card)
    show.run("watch", "--drain")
    return [tree(show, disk) for disk in show.disks]


def killed(show: Show, seed: int, kills: int) -> None:
    """Cards appear while ``watch`` runs and is killed ``kills`` times; the last run is left to end."""
    chance = random.Random(seed)
    owed = list(lay.names())
    chance.shuffle(owed)
    for _ in range(kills):
        daemon = show.start("watch")
        until = time.monotonic() + chance.uniform(0.5, 9.0)
        while time.monotonic() < until:
            if owed and chance.random() < 0.3:
                show.put_in(owed.pop())
            time.sleep(0.2)
        daemon.send_signal(signal.SIGKILL)
        daemon.wait()
        if daemon.stdout is not None:
            daemon.stdout.close()
        _never_too_much_claimed(show)
    for card in owed:
        show.put_in(card)
    last = show.run("watch", "--drain")
    assert last.returncode in (0, 1), last.stderr


def _never_too_much_claimed(show: Show) -> None:
    """Whatever meets the policy right after a kill is really there, byte for byte."""
    for card in show.answer("status")["cards"]:
        if card["policy_met"]:
            same_as_on_card(show, card["folder"].rsplit("/", 1)[-1])


def _check(show: Show, undisturbed: list[dict[str, str]]) -> None:
    _same(show, undisturbed)
    wrong, _ = demo.judge(show.settings)
    assert wrong == []


def _same(show: Show, undisturbed: list[dict[str, str]]) -> None:
    for disk, wanted in zip(show.disks, undisturbed, strict=True):
        found = tree(show, disk)
        assert found.keys() == wanted.keys()
        for name, words in found.items():
            lines = unified_diff(wanted[name].split("\n"), words.split("\n"), name, n=0)
            assert words == wanted[name], "\n".join(lines)


@pytest.mark.campaign
@pytest.mark.parametrize("seed", range(1, 22))
def test_killed_over_and_over(show: Show, undisturbed: list[dict[str, str]], seed: int) -> None:
    killed(show, seed=seed, kills=1 + seed % 5)
    _check(show, undisturbed)


SETS = ("hall", "deck-night")  # one with a shot, one that waits for its shot
KILLS_A_SHOW = 10


def two_sets(show: Show) -> Path:
    """A card with two brackets and nothing else: most of its night is merging and filing."""
    card = lay.lay("ORBE-02", show.root / "on-its-way")
    kept = {f for s in lay.truth()["sets"] if s["name"] in SETS for frame in s["frames"] for f in frame["files"]}
    for path in [p for p in card.rglob("*") if p.is_file()]:
        if path.relative_to(card).as_posix() not in kept:
            path.unlink()
    return card.rename(show.root / "slots" / "ORBE-02")


def claims_hold(show: Show, card: Path) -> None:
    """Whatever meets the policy lies at both disks, byte for byte."""
    services = open_services(load(show.settings), None)
    try:
        met = [c["folder"] for c in answers.status(services)["cards"] if c["policy_met"]]
    finally:
        close_services(services)
    for folder in met:
        for path in (p for p in card.rglob("*") if p.is_file()):
            wanted = hashlib.sha256(path.read_bytes()).digest()
            for disk in show.disks:
                assert hashlib.sha256((disk / folder / path.relative_to(card)).read_bytes()).digest() == wanted


def killed_over_two_sets(show: Show, card: Path, took_s: float, seed: int, kills: int) -> None:
    """``watch`` killed at random moments of that night; then it is left to end."""
    assert loop is not None  # loaded before the fork
    chance = random.Random(1000 + seed)
    asked = ["--config", str(show.settings), "watch", "--drain"]
    for _ in range(kills):
        daemon = forked(lambda: command.main(asked))
        time.sleep(chance.uniform(0.0, took_s))
        os.kill(daemon, signal.SIGKILL)
        os.waitpid(daemon, 0)
        check = forked(lambda: claims_hold(show, card))
        assert os.waitstatus_to_exitcode(os.waitpid(check, 0)[1]) == 0
    last = show.run("watch", "--drain")
    assert last.returncode in (0, 1), last.stderr


@pytest.mark.slow
def test_a_killed_watch_ends_in_the_same_tree(show: Show, one_night: tuple[list[dict[str, str]], float]) -> None:
    wanted, took_s = one_night
    killed_over_two_sets(show, two_sets(show), took_s, seed=-1, kills=5)
    _same(show, wanted)


@pytest.mark.campaign
@pytest.mark.parametrize("seed", range(100))
def test_killed_a_thousand_times_over_merge_and_filing(
    show: Show, one_night: tuple[list[dict[str, str]], float], seed: int
) -> None:
    wanted, took_s = one_night
    killed_over_two_sets(show, two_sets(show), took_s, seed, KILLS_A_SHOW)
    _same(show, wanted)


@pytest.mark.slow
def test_a_polite_stop_is_resumed(show: Show, one_night: tuple[list[dict[str, str]], float]) -> None:
    wanted, took_s = one_night
    two_sets(show)
    daemon = show.start("watch")
    time.sleep(took_s * 0.6)
    daemon.send_signal(signal.SIGINT)
    words, _ = daemon.communicate(timeout=60)
    assert daemon.returncode in (0, 130) and "Traceback" not in words
    show.run("watch", "--drain")
    _same(show, wanted)


@pytest.fixture(scope="module")
def one_night(tmp_path_factory: pytest.TempPathFactory) -> tuple[list[dict[str, str]], float]:
    """The trees of a night without a kill, and how long it took."""
    root = tmp_path_factory.mktemp("one-night")
    show = Show(root=root, settings=demo.prepare(root))
    two_sets(show)
    began = time.monotonic()
    show.run("watch", "--drain")
    return [tree(show, disk) for disk in show.disks], time.monotonic() - began
