"""Reading all copies again against the plain tools: ``python -m tests.bench.audit [--files 1000] [--mib 2]``.

A card is offloaded to two destinations on one disk; then, in turn and in shuffled order, ``nightloader audit --full``
and the plain way: evict both trees and ``xxh128sum -c`` of each.  Ours is the whole command with its report, as a
process of its own.  Prints the ratio of ours to theirs, goal 1.00; the plain tools must be there.
"""

from __future__ import annotations

import argparse
import os
import random
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from ingest.faces.shows import make_show
from tests.bench.copying import evict, files_of, make_source

ROOT = Path(__file__).parents[2]
GOAL = 1.0


def nightloader(settings: Path, *words: str) -> int:
    return subprocess.run(
        [sys.executable, "-m", "ingest", "--config", str(settings), *words], cwd=ROOT, check=False,
        stdout=subprocess.DEVNULL, env={**os.environ, "PYTHONPATH": str(ROOT)},
    ).returncode


def plain(trees: list[Path], sums: Path) -> None:
    for tree in trees:
        evict(tree)
        subprocess.run(["xxh128sum", "--quiet", "-c", str(sums)], cwd=tree, check=True, stdout=subprocess.DEVNULL,
                       stderr=subprocess.DEVNULL)


def main() -> None:
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--files", type=int, default=1000)
    parser.add_argument("--mib", type=int, default=2)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--dir", default=None)
    args = parser.parse_args()
    base = Path(tempfile.mkdtemp(prefix="bench-audit-", dir=args.dir))
    try:
        source = base / "card"
        make_source(source, args.files, args.mib << 20, "BIN")  # no stills: nothing but the reading is measured
        settings = make_show(base / "show", code="TIDE", timezone="UTC",
                             destinations=[str(base / "a"), str(base / "b")], watch=[str(base / "slots")],
                             one_disk=True)
        assert nightloader(settings, "offload", str(source)) in (0, 1)
        trees = [next(d for d in (base / name / "TIDE/cards").glob("*/*") if d.is_dir()) for name in "ab"]
        sums = base / "sums.txt"
        with sums.open("wb") as out:
            subprocess.run(["xargs", "-d", "\n", "xxh128sum"], input="\n".join(files_of(source)).encode(), stdout=out,
                           stderr=subprocess.DEVNULL, cwd=source, check=True)
        times: dict[str, list[float]] = {"ours": [], "plain": []}
        for _ in range(args.rounds):
            for name in random.sample(list(times), 2):
                started = time.monotonic()
                if name == "ours":
                    assert nightloader(settings, "audit", "--full") in (0, 1)
                else:
                    plain(trees, sums)
                times[name].append(time.monotonic() - started)
        ratios = sorted(a / b for a, b in zip(times["ours"], times["plain"], strict=True))
        print(f"{args.files} x {args.mib} MiB at two destinations, {args.rounds} rounds: ours "
              f"{statistics.median(times['ours']):.2f} s; ours / plain median {statistics.median(ratios):.2f} "
              f"({ratios[0]:.2f} to {ratios[-1]:.2f}), goal {GOAL:.2f}")
    finally:
        shutil.rmtree(base)


if __name__ == "__main__":
    main()
