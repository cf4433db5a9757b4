"""What the daemon costs while it only waits, how soon it wakes, and what a night of cards leaves behind.

    python -m tests.bench.standing idle        # CPU and memory of a quiet daemon: 100,000 files, 2,000 probes
    python -m tests.bench.standing wake        # from a mount to the card in the ledger (needs root)
    python -m tests.bench.standing night       # 200 small cards through one daemon: memory, handles, threads

Linux only (``/proc``).  Memory is judged in an environment that holds the program alone (``pip install .``): beside the
libraries of the tests, that of the units loads an optional one (some 10 MiB).  The daemon is a process of its own,
started as a person starts it.
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
from datetime import datetime, timedelta
from fractions import Fraction
from pathlib import Path

import structlog

from ingest.faces.shows import make_show
from ingest.machinery.ledger.cards import Landed, Reading
from ingest.machinery.ledger.work import ProbeFact, StillFact
from ingest.originals import Originals
from ingest.outbox import Outbox
from ingest.pipeline import Desk
from ingest.records.cards import CardFile, FileKind, Proof
from ingest.records.stills import StillHeader, StillLook
from ingest.services import close_services, open_services
from ingest.settings.reading import load
from ingest.steps.clocks import stage as clocks
from ingest.steps.probes.grouping import Remembered
from ingest.steps.probes.stage import regroup
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


def many_files(daemon: Daemon, cards: int, each: int, probes: int) -> None:
    """Facts of cards long gone, every file with both copies: the first files are the stills of brackets of nine,
    which are grouped as the daemon would, and counted as merged."""
    settings = load(daemon.settings)
    services = open_services(settings, structlog.get_logger())
    ledger = services.cards
    disks = [d.id for d in ledger.destinations()]
    stills: list[StillFact] = []
    for c in range(cards):
        id = f"{c:012x}"
        ledger.add_card(id=id, label=f"C{c:03}", day="2031-05-17", folder=f"cards/2031-05-17/C{c:03}", volume_id="",
                        utc=UTC)
        shot = range(probes * 9 * c // cards, probes * 9 * (c + 1) // cards)
        names = [(f"DCIM/100HOLLN/HO_{n:06}.JPG", FileKind.STILL) for n in shot]
        names += [(f"DATA/{n // 1000:03}/F{n:06}.BIN", FileKind.OTHER) for n in range(each - len(names))]
        sighting = ledger.record_sighting(
            card_id=id, presence="then", mount="/gone", filesystem="exfat", read_only=True, generation=1, utc=UTC,
            whole=True, samples={}, left_out=(), empty_folders=(),
            files=[(CardFile(path=path, size_bytes=5000, mtime_ns=0), kind, 1) for path, kind in names],
        )
        ledger.end_sighting(sighting, ended=True, utc=UTC)
        ledger.gone([id], UTC)
        files = [(f, f"{c:08x}{n:024x}") for n, f in enumerate(ledger.files(id))]
        ledger.record(
            readings=[Reading(row=f.row, n=1, utc=UTC, digests={"xxh3_128": digest}, proof=Proof.NOT_PROVABLE,
                              sighting=sighting) for f, digest in files],
            landed=[Landed(row=f.row, destination_id=d, stored_path=f.path, source_digest=digest, back_digest=digest,
                           proof=Proof.DEVICE, read_back_utc=UTC, folder_synced=True)
                    for f, digest in files for d in disks],
        )
        stills += [still(f"xxh3_128:{digest}", n) for (_, digest), n in zip(files, shot, strict=False)]
    services.work.add_stills(stills, UTC)
    seen = [f.digest for f in stills]
    services.work.add_codes(dict.fromkeys(seen, ((), "")), UTC)
    services.work.add_sights(dict.fromkeys(seen, ((), "")), UTC)
    desk = Desk(services)
    with Outbox(services) as outbox:
        regroup(
            services, Originals(services, outbox.here), before=None, notes=b"", clock=clocks.correct_frames,
            means=clocks.means, apart=clocks.set_apart, remembered=Remembered(),
        )
    for view, _, standing in desk.standing():
        if standing.owed is not None:
            services.work.add_probe(ProbeFact(
                id=view.id, version=1, signature=standing.owed.signature, frames=view.digests, trouble="",
                superseded_utc=None, merged_utc=UTC,
                record={"width": 480, "height": 240, "stops_covered": 21.4, "clipped": {"share": 0.001}},
            ), UTC)
    print(f"{cards * each:,} files, {len(services.work.views())} probes", flush=True)
    close_services(services)


def still(digest: str, n: int) -> StillFact:
    """The ``n``-th still of a body that brackets nine frames of two stops all day, every quarter of an hour a day."""
    bracket, rung = divmod(n, 9)
    taken = datetime(2031, 1, 1, 8) + timedelta(days=bracket // 40, seconds=900 * (bracket % 40) + 1.5 * rung)  # noqa: DTZ001
    return StillFact(
        digest=digest, trouble="",
        header=StillHeader(make="Hollin", model="H7", body_serial="1", exposure_time_s=Fraction(4**rung, 8192),
                           f_number=Fraction(8), iso=100, taken=taken, width=480, height=240),
        look=StillLook(decodes=True, log2_brightness=-6.0 + rung / 2, width=480, height=240),
    )


def idle(base: Path, probes: int) -> None:
    daemon = Daemon(base)
    many_files(daemon, 100, 1000, probes)
    daemon.start()
    try:
        # The first pass writes every card's papers; it is over when the show's own paper lists them.
        daemon.until(lambda: len(daemon.ask("SELECT 1 FROM outputs WHERE kind='show manifest'")) == 2, 1200, 0.5)
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
        print(f"{statistics.mean(shares):.2f} % of one core over a minute "
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
    parser.add_argument("--probes", type=int, default=2000, help="for idle: of nine stills each among the files")
    parser.add_argument("--dir", default=None)
    args = parser.parse_args()
    base = Path(tempfile.mkdtemp(prefix="bench-standing-", dir=args.dir))
    try:
        if args.what == "night":
            night(base, args.cards)
        elif args.what == "idle":
            idle(base, args.probes)
        else:
            wake(base)
    finally:
        shutil.rmtree(base)


if __name__ == "__main__":
    main()
