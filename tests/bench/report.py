"""The morning report of a large show: ``python -m tests.bench.report`` prints seconds and megabytes.

200 cards and 2,000 probes over 20 shoot days: 100 probes a day, which is what one day's report shows.  Each is a
picture of 4,096 x 2,048 pixels as the merge writes it (three merged brackets, linked under every probe's name), looked
at by the real worker processes: three exposures, two virtual balls and the histogram, then page, PDF and JSON.
"""

from __future__ import annotations

import io
import os
import resource
import tempfile
import time
from dataclasses import replace
from datetime import date, timedelta
from pathlib import Path

import cv2
import numpy as np

from ingest.machinery.ledger.work import Output, ProbeFact
from ingest.machinery.worker.jobs import merge
from ingest.outbox import Outbox
from ingest.records.audit_paper import Mark, ProbeLine, SetupLine
from ingest.records.cards import CardFile, FileKind
from ingest.records.papers import render
from ingest.records.views import FrameFile, View
from ingest.services import Services, close_services
from ingest.steps.audit.questions import judge
from ingest.steps.audit.text import render_text
from ingest.steps.reports import stage as pictures
from ingest.steps.reports.morning import render_morning
from ingest.steps.reports.printing import print_morning
from tests import brackets
from tests.audit_examples import card, hard, replace_probe
from tests.faces.web import shows

CARDS, PROBES, DAYS, SETUPS = 200, 2000, 20, 12
A_DAY = PROBES // DAYS


def merged(seed: int) -> bytes:
    """A merged lat-long as the worker writes it."""
    small = brackets.scene(1024, 512, seed=seed, sun=40.0)
    truth = np.maximum(cv2.resize(small, (4096, 2048), interpolation=cv2.INTER_CUBIC), small.min())
    bracket = brackets.make(truth, brackets.Body(), brackets.times(6, 3.0), kind="jpeg", seed=seed)
    out = io.BytesIO()
    merge.run(brackets.request(bracket, kind="lat-long"), [*(io.BytesIO(s.data) for s in bracket.shots), out,
                                                           io.BytesIO()], lambda _: None)
    return out.getvalue()


def fill(services: Services, exrs: list[bytes]) -> list[View]:
    """Cards of 20 days and their probes, all at the first destination; answers the views."""
    destination = services.cards.destinations()[0]
    folder = Path(destination.path) / "TIDE" / "shots"
    folder.mkdir(parents=True)
    for n, data in enumerate(exrs):
        (folder / f"{n}.exr").write_bytes(data)
    views = []
    with services.store.transaction():
        for n in range(CARDS):
            day = (date(2031, 5, 1) + timedelta(days=n * DAYS // CARDS)).isoformat()
            services.cards.add_card(id=f"c{n:03}", label=f"R{n:03}", day=day, folder=f"cards/{day}/R{n:03}",
                                    volume_id=f"v{n}", utc=shows.UTC)
            services.cards.record_sighting(
                card_id=f"c{n:03}", presence="p", mount="/m", filesystem="exfat", read_only=True, generation=1,
                whole=True, samples={}, left_out=(), empty_folders=(), utc=shows.UTC,
                files=[(CardFile(path=f"F{k}.JPG", size_bytes=1, mtime_ns=0), FileKind.STILL, 1) for k in range(7)],
            )
        for k in range(PROBES):
            view = shows.a_view(f"p{k:010x}", k)
            frames = tuple(
                replace(f, files=tuple(FrameFile(digest=x.digest, card_id=f"c{k * CARDS // PROBES:03}", path=x.path)
                                       for x in f.files))
                for f in view.frames
            )
            views.append(replace(view, frames=frames))
            services.work.add_probe(
                ProbeFact(id=view.id, version=1, signature=view.id, frames=view.digests, trouble="",
                          superseded_utc=None, merged_utc=shows.UTC, record={"width": 4096, "height": 2048}), shows.UTC)
            os.link(folder / f"{k % len(exrs)}.exr", folder / f"{view.id}.exr")
            services.work.set_output(Output(
                destination_id=destination.id, path=f"TIDE/shots/{view.id}.exr", kind="probe", owner=f"{view.id}/1",
                size_bytes=len(exrs[k % len(exrs)]), digest="", proof="device", written_utc=shows.UTC))
    services.work.set_grouping(views, {}, {}, shows.UTC)
    return views


def cpu_s() -> float:
    """Of this process, and of the children that have ended."""
    own, children = resource.getrusage(resource.RUSAGE_SELF), resource.getrusage(resource.RUSAGE_CHILDREN)
    return own.ru_utime + own.ru_stime + children.ru_utime + children.ru_stime


def main() -> None:
    night = hard()
    assert night.probes and night.setups
    with tempfile.TemporaryDirectory() as base:
        services = shows.scratch(Path(base) / "big")
        views = fill(services, [merged(seed) for seed in (1, 2, 3)])
        last = max(c.day for c in services.cards.cards())
        today: list[ProbeLine] = [
            replace_probe(night.probes[n % 2], id=v.id, setup=str(n % SETUPS)) for n, v in enumerate(views[-A_DAY:])
        ]
        setups = [
            SetupLine.model_validate({**night.setups[n % 2].model_dump(), "setup": str(n), "marks": [
                Mark(utc=f"2026-04-01T09:{m:02}:00Z", what="probe", item=f"m{m}") for m in range(8)]})
            for n in range(SETUPS)
        ]
        began, cpu = time.monotonic(), cpu_s()
        report = judge(replace(night, day=last, cards=[card(f"C{n:03}") for n in range(CARDS)], probes=today,
                               setups=setups))
        print(f"judged in {time.monotonic() - began:.2f} s; text of {len(render_text(report)) / 1e6:.2f} MB")
        with Outbox(services) as outbox:
            seen = pictures.looks(services, outbox, pictures.of_the_day(services, last), lambda _: None)
            shown = pictures.pictures(services, outbox, seen)
        looked = time.monotonic()
        close_services(services)  # the workers end, so that their time is counted
        print(f"{len(seen)} probes of 4,096 x 2,048 looked at in {looked - began:.1f} s, {cpu_s() - cpu:.1f} s CPU")
        report = pictures.with_histograms(report, seen)
        paged = time.monotonic()
        page = render_morning(report, pictures=shown)
        printed = time.monotonic()
        with pictures.fonts() as fonts:
            paper = print_morning(report, fonts, pictures=shown)
        made = time.monotonic()
        data = render(report)
        print(f"page {len(page) / 1e6:.1f} MB in {printed - paged:.2f} s; PDF {len(paper) / 1e6:.1f} MB in "
              f"{made - printed:.1f} s; JSON {len(data) / 1e6:.2f} MB")
        print(f"a day of {A_DAY} probes: {looked - began + made - paged:.1f} s, goal 60; "
              f"{(len(page) + len(paper) + len(data)) / 1e6:.1f} MB, goal 40")


if __name__ == "__main__":
    main()
