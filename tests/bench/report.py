"""The judgement and the page of a large night: ``python -m tests.bench.report`` prints CPU seconds and megabytes.

200 cards, 2,000 probes with three previews each (stand-ins of 5 kB, so that the page's own cost is seen), 60 setups.
"""

from __future__ import annotations

import os
import time
from dataclasses import replace

from ingest.records.audit_paper import SetupLine
from ingest.records.papers import render
from ingest.steps.audit.questions import judge
from ingest.steps.audit.text import render_text
from ingest.steps.reports.morning import Picture, ProbePictures, render_morning
from tests.audit_examples import card, hard, replace_probe


def main() -> None:
    night = hard()
    assert night.probes and night.setups
    probes = [replace_probe(night.probes[1], id=f"p{n}") for n in range(2000)]
    setups = [SetupLine.model_validate({**night.setups[1].model_dump(), "setup": str(n)}) for n in range(60)]
    night = replace(night, cards=[card(f"C{n:03}") for n in range(200)], probes=probes, setups=setups)
    data = b"\xff\xd8\xff" + os.urandom(5000)
    picture = Picture(data=data, width=480, height=240, label="as exposed", alt="Panorama")
    pictures = {p.id: ProbePictures(exposures=[picture] * 3) for p in probes}
    started = time.process_time()
    report = judge(night)
    judged = time.process_time()
    paper, text = render(report), render_text(report)
    written = time.process_time()
    page = render_morning(report, pictures=pictures)
    made = time.process_time()
    print(f"judged {judged - started:.2f} s CPU; JSON {len(paper) / 1e6:.1f} MB and text {len(text) / 1e6:.2f} MB "
          f"{written - judged:.2f} s; page {len(page) / 1e6:.1f} MB {made - written:.2f} s")  # fmt: skip


if __name__ == "__main__":
    main()
