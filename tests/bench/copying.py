"""Copying against the plain tools, in one run and on the same files; prints ratios (time of ours / theirs).

    python -m tests.bench.copying --set big --rounds 5          # 40 x 100 MiB, one and two destinations
    python -m tests.bench.copying --set small --rounds 5        # 2,000 x 2 MiB
    python -m tests.bench.copying --set tiny                    # 20,000 x 2 KiB

floor   read the source unbuffered, write and sync, read the copy back unbuffered, 8 MiB at a time, one
        after the other, no digest (two destinations: the last two twice)
recipe  xxh128sum of the source, cp to each, sync, evict, xxh128sum -c of each copy
ours    the whole demanded order, with the ledger; no second reading of the card (it is not in theirs)

Source and destinations lie below --dir; on one disk every part competes with every other, so no figure
here is an absolute speed.  The order within a round is shuffled, the source evicted before each.
"""

from __future__ import annotations

import argparse
import json
import mmap
import os
import random
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

SETS = {
    "big": (40, 100 << 20),
    "mid": (15, 100 << 20),
    "small": (2000, 2 << 20),
    "less": (400, 2 << 20),
    "tiny": (20000, 2 << 10),
}
GOALS = {
    ("big", 1, "floor"): 0.90,
    ("big", 2, "floor"): 0.95,
    ("small", 1, "recipe"): 0.85,
    ("small", 2, "recipe"): 0.85,
    ("big", 2, "recipe"): 0.60,
}
BLOCK = 8 << 20


def make_source(folder: Path, count: int, size: int, suffix: str = "JPG") -> None:
    block = random.Random(7).randbytes(1 << 20)
    for i in range(count):
        target = folder / f"DCIM/{100 + i // 500}TIDE/TD_{i:05}.{suffix}"
        target.parent.mkdir(parents=True, exist_ok=True)
        with target.open("wb") as out:
            left = size
            out.write(i.to_bytes(8, "big"))
            left -= 8
            while left > 0:
                out.write(block[: min(left, len(block))])
                left -= len(block)
    subprocess.run(["sync"], check=True)


def evict(folder: Path) -> None:
    for where, _, names in os.walk(folder):
        for name in names:
            fd = os.open(os.path.join(where, name), os.O_RDONLY)
            os.fsync(fd)
            os.posix_fadvise(fd, 0, 0, os.POSIX_FADV_DONTNEED)
            os.close(fd)


def files_of(folder: Path) -> list[str]:
    return sorted(os.path.relpath(os.path.join(w, n), folder) for w, _, names in os.walk(folder) for n in names)


def floor(source: Path, destinations: list[Path]) -> None:
    memory = memoryview(mmap.mmap(-1, BLOCK))

    def read(path: Path, then: Callable[[memoryview, int], None]) -> None:
        fd = os.open(path, os.O_RDONLY | os.O_DIRECT)
        while (n := os.readv(fd, [memory])) > 0:
            then(memory, n)
            if n % 4096:
                break
        os.close(fd)

    for name in files_of(source):
        outs = []
        for d in destinations:
            (d / name).parent.mkdir(parents=True, exist_ok=True)
            outs.append(os.open(d / name, os.O_WRONLY | os.O_CREAT | os.O_DIRECT))
        size = (source / name).stat().st_size

        def write(view: memoryview, n: int, outs: list[int] = outs) -> None:
            for fd in outs:
                os.write(fd, view[: (n + 4095) // 4096 * 4096])

        read(source / name, write)
        for fd in outs:
            os.ftruncate(fd, size)
            os.fsync(fd)
            os.close(fd)
        for d in destinations:
            read(d / name, lambda *_: None)


def recipe(source: Path, destinations: list[Path]) -> None:
    sums = source.parent / "sums.txt"
    names = "\n".join(files_of(source)).encode()
    with sums.open("wb") as out:
        subprocess.run(
            ["xargs", "-d", "\n", "xxh128sum"],
            input=names,
            stdout=out,
            stderr=subprocess.DEVNULL,
            cwd=source,
            check=True,
        )
    for d in destinations:
        subprocess.run(["cp", "-r", "--preserve=timestamps", f"{source}/.", str(d)], check=True)
    subprocess.run(["sync"], check=True)
    for d in destinations:
        evict(d)
        subprocess.run(["xxh128sum", "--quiet", "-c", str(sums)], cwd=d, check=True, stderr=subprocess.DEVNULL,
                       stdout=subprocess.DEVNULL)


def ours(source: Path, destinations: list[Path]) -> tuple[float, float]:
    """In a process of its own: (seconds, largest resident MiB)."""
    asked = [sys.executable, __file__, "--ours", str(source), *map(str, destinations)]
    done = subprocess.run(asked, check=True, capture_output=True, text=True)
    answer = json.loads(done.stdout)
    return answer["seconds"], answer["mib"]


def run_ours(source: Path, destinations: list[Path]) -> None:
    sys.path.insert(0, str(Path(__file__).parents[2]))
    from ingest.steps.copying.plan import CopySettings
    from tests.cart import Cart

    base = destinations[0].parent
    for d in destinations:
        shutil.rmtree(d, ignore_errors=True)
    for left in base.glob("ledger.sqlite*"):
        left.unlink()
    cart = Cart(base, destinations=[d.name for d in destinations], settings=CopySettings(reserve_bytes=0))
    started = time.monotonic()
    present = cart.take(source)
    cart.copier().copy([present], cart.ledger.destinations(), cart.stop)
    seconds = time.monotonic() - started
    assert cart.is_met(present.card.id), cart.ledger.findings()
    print(json.dumps({"seconds": seconds, "mib": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024}))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--set", choices=SETS, default="less")
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--destinations", type=int, nargs="*", default=[1, 2])
    parser.add_argument("--against", nargs="*", default=["floor", "recipe"])
    parser.add_argument("--dir", default=None)
    parser.add_argument("--ours", nargs="+", help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.ours:
        run_ours(Path(args.ours[0]), [Path(p) for p in args.ours[1:]])
        return
    base = Path(tempfile.mkdtemp(prefix="bench-copy-", dir=args.dir))
    try:
        source = base / "source"
        make_source(source, *SETS[args.set])
        for count in args.destinations:
            compare(base, source, args, count)
    finally:
        shutil.rmtree(base)


def compare(base: Path, source: Path, args: argparse.Namespace, count: int) -> None:
    times: dict[str, list[float]] = {name: [] for name in ("ours", *args.against)}
    most = 0.0
    for _ in range(args.rounds):
        for name in random.sample(list(times), len(times)):
            destinations = [base / f"d{i}" for i in range(count)]
            for d in destinations:
                shutil.rmtree(d, ignore_errors=True)
                d.mkdir()
            subprocess.run(["sync"], check=True)
            evict(source)
            if name == "ours":
                seconds, mib = ours(source, destinations)
                most = max(most, mib)
            else:
                started = time.monotonic()
                {"floor": floor, "recipe": recipe}[name](source, destinations)
                seconds = time.monotonic() - started
            times[name].append(seconds)
    n, size = SETS[args.set]
    print(
        f"{n} x {size >> 10} KiB, {count} destination(s), {args.rounds} rounds; "
        f"ours {statistics.median(times['ours']):.2f} s, "
        f"largest resident {most:.0f} MiB"
    )
    for name in args.against:
        ratios = sorted(a / b for a, b in zip(times["ours"], times[name], strict=True))
        goal = GOALS.get((args.set, count, name))
        print(f"  ours / {name:6} median {statistics.median(ratios):.2f}  ({ratios[0]:.2f} to {ratios[-1]:.2f})"
              + (f"  goal {goal:.2f}" if goal else ""), flush=True)


if __name__ == "__main__":
    main()
