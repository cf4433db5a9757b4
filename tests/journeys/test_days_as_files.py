"""Simulated shoot days as cards of real files, through ``watch --drain``: what ``probes --json`` says is the truth.

The same days are scored as records, by the hundred, in ``tests/simulation/test_days.py``.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from tests.journeys.shows import Show
from tests.simulation.files import write_day
from tests.simulation.phenomena import PHENOMENA, a_day

Frames = frozenset[frozenset[str]]


def as_frames(paths: list[list[str]]) -> Frames:
    return frozenset(frozenset(p) for p in paths)


def played(show: Show, phenomenon: str, seed: int) -> tuple[int, int, list[str]]:
    """Sets in truth, sets found exactly, and what was wrong without a word."""
    slots = show.root / "slots"
    slots.rmdir()
    write_day(a_day(phenomenon, seed), slots)
    truth = json.loads((slots / "truth.json").read_text(encoding="utf-8"))
    (slots / "truth.json").unlink()
    done = show.run("watch", "--drain", timeout_s=900)
    assert done.returncode in (0, 1), done.stderr
    folders = {c["folder"].rsplit("/", 1)[-1]: c for c in show.answer("status")["cards"]}
    assert all(c["policy_met"] for c in folders.values())
    wanted = {as_frames(t["frames"]): t for t in truth["sets"] if len(t["frames"]) > 1}
    aborted = {as_frames(a) for a in truth["aborted"]}
    exact, silent = 0, []
    for probe in show.answer("probes"):
        found = as_frames([[_on_card(f["path"], show) for f in frame["files"]] for frame in probe["frames"]])
        if found in wanted:
            exact += 1
            if probe["complete"] and wanted[found]["complete"] is False:
                silent.append(f"called complete: {sorted(map(sorted, found))}")
        elif not probe["review"] and probe["complete"] is not False and found not in aborted:
            silent.append(f"no such set: {sorted(map(sorted, found))}")
    return len(wanted), exact, silent


def _on_card(path: str, show: Show) -> str:
    """A frame's path at the first destination as ``card/DCIM/...``."""
    return Path(path).relative_to(show.disks[0]).as_posix().split("/", 3)[3]


@pytest.mark.slow
@pytest.mark.parametrize("phenomenon", ["pairs", "two cards"])
def test_a_day_as_files(show: Show, phenomenon: str) -> None:
    sets, exact, silent = played(show, phenomenon, 0)
    assert sets >= 3 and exact == sets and silent == []


@pytest.mark.campaign
@pytest.mark.parametrize(("phenomenon", "seed"), [
    *(("mixed", seed) for seed in range(10)), *((p, 1) for p in sorted(PHENOMENA) if p != "mixed"),
])  # fmt: skip
def test_many_days_as_files(show: Show, phenomenon: str, seed: int) -> None:
    sets, exact, silent = played(show, phenomenon, seed)
    print(f"{phenomenon} {seed}: {exact} of {sets} sets exact")
    assert silent == []
    assert exact >= sets - 1
