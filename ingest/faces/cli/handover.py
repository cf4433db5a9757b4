"""``handover``: everything of one shot in one folder that opens without explanation."""

from __future__ import annotations

import argparse
import sys
from typing import Any

from ingest.errors import EXIT_NEEDS_A_PERSON, EXIT_WELL


def add(commands: Any) -> None:
    words = "make one folder of a shot that stands alone: pictures, sheets, tables, checksums"
    parser = commands.add_parser("handover", help=words, description=words[0].upper() + words[1:] + ".")
    parser.add_argument("--shot", required=True, metavar="S")
    parser.add_argument("--to", required=True, metavar="DIR", help="a new or empty folder")
    parser.add_argument("--for", dest="receiver", default="", metavar="NAME", help="who gets it")
    parser.set_defaults(run=_handover)

    words = "say that a hand-over went out, or that its receiver confirmed it"
    parser = commands.add_parser("sent", help=words, description=words[0].upper() + words[1:] + ".")
    parser.add_argument("package", metavar="PACKAGE", help="its name, as `handover` printed it")
    parser.add_argument("--to", default="", metavar="NAME")
    parser.add_argument("--receipt", default="", metavar="TEXT", help="what the receiver confirmed, and when")
    parser.set_defaults(run=_sent)


def _sent(args: argparse.Namespace) -> int:
    from ingest.faces import packages
    from ingest.faces.cli.show import opened

    with opened(args) as services:
        packages.sent(services, args.package, to=args.to, receipt=args.receipt)
    print(f"{args.package}: sent{', receipt ' + args.receipt if args.receipt else ''}.")
    return EXIT_WELL


def _handover(args: argparse.Namespace) -> int:
    from pathlib import Path

    from ingest.faces.cli.show import opened
    from ingest.faces.handing_over import hand_over
    from ingest.records.findings import Severity

    with opened(args) as services:
        made = hand_over(services, args.shot, Path(args.to), lambda words: print(words, file=sys.stderr),
                         receiver=args.receiver)
    print(made.words())
    return EXIT_NEEDS_A_PERSON if any(f.severity is not Severity.NOTE for f in made.findings) else EXIT_WELL
