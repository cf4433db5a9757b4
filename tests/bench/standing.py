"""What the daemon costs while it only waits, how soon it wakes, and what a night of cards leaves behind.

    python -m tests.bench.standing idle        # CPU and memory of a quiet daemon with 100,000 files in its ledger
    python -m tests.bench.standing wake        # from a mount to the card in the ledger (needs root)
    python -m tests.bench.standing night       # 200 small cards through one daemon: memory, handles, threads

Linux only (``/proc``).  The daemon is a process of its own, started as a person starts it.
"""

from __future__ import annotations

import argparse
import os
import shutil
import signal
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from ingest.faces.shows import make_show
from ingest.machinery.ledger.cards import CardLedger, Landed, Reading
from ingest.machinery.ledger.store import Store
from ingest.records.cards import CardFile, FileKind, Proof
from tests.cart import fill, some_bytes

ROOT = Path(__file__).parents[2]
UTC = "2031-05-17T20:00:00Z"
TICKS = os.sysconf("SC_CLK_TCK")


class Daemon:
    """``watch`` on a show of its own below ``base``."""

    def __init__(self, base: Path) -> None:
        (base / "slots").mkdir()
        self.slots = base / "slots"
        self.settings = make_show(
            base / "show", code="TIDE", timezone="UTC", destinations=[str(base / "a"), str(base / "b")],
            watch=[str(self.slots)], one_disk=True,
        )
        text = self.settings.read_text(encoding="utf-8").replace("#settle_s = 5.0", "settle_s = 0.2")
        self.settings.write_text(text, encoding="utf-8")
        self.ledger = base / "show" / "ledger.sqlite"
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        self.process = subprocess.Popen(
            [sys.executable, "-m", "ingest", "--config", str(self.settings), "watch"], cwd=ROOT,
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env={**os.environ, "PYTHONPATH": str(ROOT)},
        )
        self.until(lambda: self.ledger.exists() and bool(self.ask("SELECT 1 FROM settings WHERE key='running since'")))

    def stop(self) -> None:
        if self.process is not None:
            self.process.send_signal(signal.SIGTERM)
            self.process.wait(timeout=60)

    def ask(self, sql: str) -> list[tuple[object, ...]]:
        with sqlite3.connect(f"file:{self.ledger}?mode=ro", uri=True, timeout=30) as db:
            try:
                return db.execute(sql).fetchall()
            except sqlite3.OperationalError:  # not made yet
                return []

    def until(self, what: Callable[[], bool], seconds: float = 180.0, step_s: float = 0.05) -> None:
        limit = time.monotonic() + seconds
        while not what():
            assert time.monotonic() < limit, "the daemon did not get there"
            time.sleep(step_s)

    def pids(self) -> list[int]:
        assert self.process is not None
        children = Path(f"/proc/{self.process.pid}/task/{self.process.pid}/children").read_text().split()
        return [self.process.pid, *map(int, children)]

    def cpu_s(self) -> float:
        total = 0
        for pid in self.pids():
            fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
            total += int(fields[11]) + int(fields[12])
        return total / TICKS

    def rss_mib(self) -> float:
        pages = sum(int(Path(f"/proc/{pid}/statm").read_text().split()[1]) for pid in self.pids())
        return pages * os.sysconf("SC_PAGE_SIZE") / 2**20

    def held(self) -> tuple[int, int]:
        """(open handles, threads) of the daemon itself."""
        assert self.process is not None
        folder = Path(f"/proc/{self.process.pid}")
        return len(list((folder / "fd").iterdir())), len(list((folder / "task").iterdir()))


def many_files(daemon: Daemon, cards: int, each: int) -> None:
    """Facts of cards long gone, every file with both copies."""
    store = Store(daemon.ledger)
    ledger = CardLedger(store)
    disks = [d.id for d in ledger.destinations()]
    for c in range(cards):
        id = f"{c:012x}"
        ledger.add_card(id=id, label=f"C{c:03}", day="2031-05-17", folder=f"cards/2031-05-17/C{c:03}", volume_id="",
                        utc=UTC)
        files = [CardFile(path=f"DATA/{n // 1000:03}/F{n:06}.BIN", size_bytes=5000, mtime_ns=0) for n in range(each)]
        sighting = ledger.record_sighting(
            card_id=id, presence="then", mount="/gone", filesystem="exfat", read_only=True, generation=1, utc=UTC,
            whole=True, samples={}, files=[(f, FileKind.OTHER, 1) for f in files], left_out=(), empty_folders=(),
        )
        ledger.end_sighting(sighting, ended=True, utc=UTC)
        ledger.gone([id], UTC)
        digest = "0" * 32
        rows = [f.row for f in ledger.files(id)]
        ledger.record(
            readings=[Reading(row=r, n=1, utc=UTC, digests={"xxh3_128": digest}, proof=Proof.NOT_PROVABLE,
                              sighting=sighting) for r in rows],
            landed=[Landed(row=f.row, destination_id=d, stored_path=f.path, source_digest=digest, back_digest=digest,
                           proof=Proof.DEVICE, read_back_utc=UTC, folder_synced=True)
                    for f in ledger.files(id) for d in disks],
        )
    store.close()


def idle(base: Path) -> None:
    daemon = Daemon(base)
    many_files(daemon, 100, 1000)
    daemon.start()
    try:
        # The first pass writes every card's papers; it is over when the show's own paper lists them.
        daemon.until(lambda: len(daemon.ask("SELECT 1 FROM outputs WHERE kind='show manifest'")) == 2, 600, 0.5)
        quiet = 0
        while quiet < 2:  # the pass that follows the first one is no waiting either
            before = daemon.cpu_s()
            time.sleep(10)
            quiet = quiet + 1 if daemon.cpu_s() - before < 0.2 else 0
        shares = []
        for _ in range(4):
            before, began = daemon.cpu_s(), time.monotonic()
            time.sleep(15)
            shares.append(100 * (daemon.cpu_s() - before) / (time.monotonic() - began))
        print(f"100,000 files: {statistics.mean(shares):.2f} % of one core over a minute "
              f"({min(shares):.2f} to {max(shares):.2f}), goal 0.5; {daemon.rss_mib():.0f} MiB resident, goal 150")
    finally:
        daemon.stop()


def wake(base: Path) -> None:
    from tests.faults.mounts import make_image, mounted

    daemon = Daemon(base)
    times = []
    daemon.start()
    try:
        time.sleep(8)
        for n in range(7):
            image = make_image(base / f"{n}.img", 16)
            with mounted(image, base / "made") as card:
                fill(card, {"DATA/A.BIN": some_bytes(n, 9000)})
            with mounted(image, daemon.slots / f"C{n}", "ro"):
                began = time.monotonic()
                daemon.until(lambda n=n: len(daemon.ask("SELECT 1 FROM cards")) == n + 1, step_s=0.01)  # type: ignore[misc]
                times.append(time.monotonic() - began)
                daemon.until(lambda n=n: len(daemon.ask("SELECT 1 FROM copies")) == 2 * n + 2)  # type: ignore[misc]
            time.sleep(3 + n % 3)
        print(f"from mount to known: median {statistics.median(times):.2f} s, longest {max(times):.2f} s, goal 2")
    finally:
        daemon.stop()


def night(base: Path, cards: int) -> None:
    daemon = Daemon(base)
    daemon.start()
    try:
        for n in range(cards):
            made = fill(base / "on its way", {f"DATA/F{i}.BIN": some_bytes(n * 10 + i, 20_000) for i in range(5)})
            card = made.rename(daemon.slots / f"N{n:03}")
            daemon.until(lambda n=n: len(daemon.ask("SELECT 1 FROM copies")) == 10 * (n + 1))  # type: ignore[misc]
            shutil.rmtree(card)
            if n % max(1, cards // 10) == max(1, cards // 10) - 1:
                handles, threads = daemon.held()
                print(f"card {n + 1}: {daemon.rss_mib():.0f} MiB, {handles} handles, {threads} threads", flush=True)
    finally:
        daemon.stop()


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("what", choices=["idle", "wake", "night"])
    parser.add_argument("--cards", type=int, default=200)
    parser.add_argument("--dir", default=None)
    args = parser.parse_args()
    base = Path(tempfile.mkdtemp(prefix="bench-standing-", dir=args.dir))
    try:
        if args.what == "night":
            night(base, args.cards)
        else:
            {"idle": idle, "wake": wake}[args.what](base)
    finally:
        shutil.rmtree(base)


if __name__ == "__main__":
    main()
