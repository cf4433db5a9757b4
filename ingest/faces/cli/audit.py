"""``audit``: everything read again and judged, what needs a person first."""

from __future__ import annotations

import argparse
import sys
from typing import Any

from ingest.errors import EXIT_INTERRUPTED, EXIT_NEEDS_A_PERSON, EXIT_WELL


def add(commands: Any) -> None:
    words = "re-read the destinations against the papers and judge; what needs a person comes first"
    parser = commands.add_parser("audit", help=words, description=words[0].upper() + words[1:] + ".")
    parser.add_argument("--json", action="store_true", help="the same for machines")
    parser.add_argument("--full", action="store_true", help="read every file again, not only the day's and a share")
    parser.add_argument("--day", default="", metavar="YYYY-MM-DD", help="the shoot day it is about; else the last one")
    parser.set_defaults(run=_run)


def _run(args: argparse.Namespace) -> int:
    from ingest.errors import LedgerBusy
    from ingest.faces import auditing
    from ingest.faces.cli.requests import BRIEFLY_S, carried_out
    from ingest.faces.cli.show import opened
    from ingest.faces.cli.work import stopping

    with stopping() as stop, opened(args) as services:
        try:
            services.store.lock(wait_s=BRIEFLY_S)
        except LedgerBusy:
            return carried_out(
                services, "audit", {"full": args.full, "day": args.day, "json": args.json}, stop
            )
        quiet = not sys.stderr.isatty()
        report = auditing.audit(
            services, day=args.day, full=args.full, stop=stop,
            progress=(lambda _: None) if quiet else (lambda words: print(words, file=sys.stderr)),
        )
        print(auditing.as_json(report) if args.json else auditing.as_text(report))
        if stop.is_set():
            return EXIT_INTERRUPTED
        return EXIT_NEEDS_A_PERSON if report.needs_a_person else EXIT_WELL

