"""Stops at any instant: kills, sleeps, and the failure of every single operation of the durable sequence."""

from __future__ import annotations

import json
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from functools import partial
from pathlib import Path

import pytest

from ingest.machinery.disk.files import Disk
from tests.cart import Cart, fill, some_bytes, tree
from tests.faults.mounts import needs_strace
from tests.processes import forked

DRIVER = str(Path(__file__).parent / "driver.py")
FILES = {**{f"DCIM/{i:02}.JPG": some_bytes(i, 20_000 + i) for i in range(6)}, "CLIPS/T.MOV": some_bytes(99, 5 << 20),
         "CLIPS/T.XMP": b"<x/>"}


def check_and_finish(base: Path, card: Path) -> None:
    """Whatever is claimed after the stop is true; a second start finishes, to the same tree."""
    cart = Cart(base, destinations=())
    cart.check_claims()
    cart.run(cart.take(card))
    (record,) = cart.ledger.cards()
    assert cart.is_met(record.id), cart.ledger.findings()
    cart.check_claims()
    for name in "ab":
        assert tree(cart.folder(name, record.folder)) == FILES
        assert not [p for p in tree(base / name) if p.endswith(".tmp")]
    assert not any(cart.ledger.planned(d.id) for d in cart.ledger.destinations())
    cart.store.close()


def copy(base: Path, card: Path) -> None:
    cart = Cart(base, destinations=())
    cart.run(cart.take(card))


def kills(base: Path, count: int, seed: int) -> Iterator[None]:
    chance = random.Random(seed)
    card = fill(base / "card", FILES)
    for round in range(count):
        here = base / f"k{round}"
        here.mkdir()
        Cart(here).store.close()
        for _ in range(chance.choice((1, 1, 2))):
            run = forked(partial(copy, here, card))
            time.sleep(chance.random() * 0.25)
            os.kill(run, signal.SIGKILL)
            os.waitpid(run, 0)
        check_and_finish(here, card)
        shutil.rmtree(here)
        yield


@pytest.mark.slow
def test_24_killed_at_random_moments(tmp_path: Path) -> None:
    for _ in kills(tmp_path, 100, seed=1):
        pass


@pytest.mark.campaign
def test_24_killed_a_thousand_times(tmp_path: Path) -> None:
    for _ in kills(tmp_path, 1000, seed=int(os.environ.get("SEED", "2"))):
        pass


CALLS = ("fsync", "renameat2", "unlink,unlinkat", "mkdir,mkdirat", "utimensat", "write", "pwrite64", "fdatasync")


def killed_at_call(base: Path, call: str, when: int) -> bool:
    """Run the driver, killed at its n-th such call (in any thread); False if there was no n-th."""
    card = fill(base / "card", FILES)
    here = base / f"{call.split(',')[0]}{when}"
    here.mkdir()
    Cart(here).store.close()
    asked = ["strace", "-f", "-qq", "-o", "/dev/null", "-e", f"inject={call}:signal=KILL:when={when}",
             sys.executable, DRIVER, "--keep", str(here), str(card)]
    done = subprocess.run(asked, capture_output=True, check=False, timeout=120)
    check_and_finish(here, card)
    shutil.rmtree(here)
    return done.returncode != 0


@needs_strace
@pytest.mark.needs_linux
@pytest.mark.slow
@pytest.mark.parametrize("call", CALLS)
def test_24_killed_before_a_system_call(tmp_path: Path, call: str) -> None:
    hit = [killed_at_call(tmp_path, call, when) for when in (1, 2, 3)]
    assert any(hit) or call in ("unlink,unlinkat", "fdatasync")


@needs_strace
@pytest.mark.campaign
@pytest.mark.parametrize("call", CALLS)
def test_24_killed_before_every_system_call(tmp_path: Path, call: str) -> None:
    when = 1
    while killed_at_call(tmp_path, call, when):
        when += 1
    print(f"{call}: killed before each of {when - 1}")


class Stopped(BaseException):
    """The process ends here."""


OPERATIONS = (
    "open_root",
    "open_folder",
    "make_folder",
    "create",
    "write",
    "set_times",
    "sync",
    "sync_folder",
    "rename_new",
    "unlink",
    "open_source",
    "read_into",
    "look_at",
    "stat",
    "close",
    "entries",
    "drop_cache",
)


class Failing(Disk):
    """Fails the n-th operation, once or from then on."""

    def __init__(self, at: int, *, ever_after: bool = False, errno: int = 5) -> None:
        self.count, self.at, self.ever_after, self.errno, self.hit = 0, at, ever_after, errno, ""


def _failing(name: str):  # type: ignore[no-untyped-def]
    def operation(self, *args, **more):  # type: ignore[no-untyped-def]
        self.count += 1
        if self.count == self.at or (self.ever_after and self.count > self.at):
            self.hit = self.hit or name
            raise OSError(self.errno, f"injected at {name}")
        return getattr(Disk, name)(self, *args, **more)

    return operation


for _name in OPERATIONS:
    setattr(Failing, _name, _failing(_name))


def fail_everywhere(base: Path, steps: Iterator[int], *, ever_after: bool, errno: int) -> set[str]:
    card = fill(base / "card", FILES)
    met: set[str] = set()
    for at in steps:
        here = base / f"f{at}"
        here.mkdir()
        cart = Cart(here)
        present = cart.take(card)
        failing = Failing(at, ever_after=ever_after, errno=errno)
        cart.run(present, disk=failing)
        cart.check_claims()
        cart.store.close()
        check_and_finish(here, card)
        shutil.rmtree(here)
        if not failing.hit:
            break
        met.add(failing.hit)
    return met


@pytest.mark.slow
@pytest.mark.parametrize("ever_after", [False, True])
def test_every_operation_fails_a_sample(tmp_path: Path, ever_after: bool) -> None:
    start = 3 if ever_after else 1
    fail_everywhere(tmp_path, iter(range(start, 400, 23)), ever_after=ever_after, errno=5)


@pytest.mark.campaign
@pytest.mark.parametrize("ever_after", [False, True])
@pytest.mark.parametrize("errno", [5, 28, 30, 13, 116])
def test_every_operation_fails(tmp_path: Path, ever_after: bool, errno: int) -> None:
    print(sorted(fail_everywhere(tmp_path, iter(range(1, 10_000)), ever_after=ever_after, errno=errno)))


def test_26_a_machine_that_sleeps(tmp_path: Path) -> None:
    """Stopped for longer than the hang limit and continued: nobody has waited too long."""
    card = fill(tmp_path / "card", FILES)
    Cart(tmp_path).store.close()
    run = subprocess.Popen(
        [sys.executable, DRIVER, "--keep", "--ready", "--hang=1", str(tmp_path), str(card)],
        text=True,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        process_group=0,
    )
    assert run.stdin and run.stdout and run.stdout.readline() == "ready\n"
    run.stdin.write("\n")
    run.stdin.flush()
    time.sleep(0.06)
    os.killpg(run.pid, signal.SIGSTOP)
    time.sleep(2.5)
    os.killpg(run.pid, signal.SIGCONT)
    answer = json.loads(run.communicate(timeout=60)[0])
    assert answer["met"] == [True] and "card does not answer" not in answer["kinds"]
