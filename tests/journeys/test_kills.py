"""``watch`` killed at any moment of the demo and started again ends in the tree of an undisturbed run."""

from __future__ import annotations

import random
import signal
import time
from difflib import unified_diff

import pytest

from ingest.faces.cli import demo, lay
from tests.journeys.shows import Show, same_as_on_card, tree


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
    for disk, wanted in zip(show.disks, undisturbed, strict=True):
        found = tree(show, disk)
        assert found.keys() == wanted.keys()
        for name, words in found.items():
            lines = unified_diff(wanted[name].split("\n"), words.split("\n"), name, n=0)
            assert words == wanted[name], "\n".join(lines)
    wrong, _ = demo.judge(show.settings)
    assert wrong == []


@pytest.mark.slow
def test_a_killed_watch_ends_in_the_same_tree(show: Show, undisturbed: list[dict[str, str]]) -> None:
    killed(show, seed=1, kills=3)
    _check(show, undisturbed)


@pytest.mark.campaign
@pytest.mark.parametrize("seed", range(2, 22))
def test_killed_over_and_over(show: Show, undisturbed: list[dict[str, str]], seed: int) -> None:
    killed(show, seed=seed, kills=1 + seed % 5)
    _check(show, undisturbed)


@pytest.mark.slow
def test_a_polite_stop_is_resumed(show: Show, undisturbed: list[dict[str, str]]) -> None:
    for card in lay.names():
        show.put_in(card)
    daemon = show.start("watch")
    time.sleep(4)
    daemon.send_signal(signal.SIGINT)
    words, _ = daemon.communicate(timeout=60)
    assert daemon.returncode in (0, 130) and "Traceback" not in words
    show.run("watch", "--drain")
    _check(show, undisturbed)
