"""Commands by which a person says what only a person can: file, review, label, which card is first."""

from __future__ import annotations

import argparse
from typing import Any

from ingest.errors import EXIT_WELL


def add(commands: Any) -> None:
    words = "assign probes, clips or files to a shot and setup by hand"
    parser = commands.add_parser("file", help=words, description=words[0].upper() + words[1:] + ".")
    parser.add_argument("items", nargs="+", metavar="ITEM", help="probe id, clip id, or path of a copied file")
    parser.add_argument("--shot", default="", metavar="S", help="may be left out while it is not known")
    parser.add_argument("--setup", required=True, metavar="N")
    parser.add_argument("--day", default="", metavar="YYYY-MM-DD", help="where the setup's name is not unique")
    parser.add_argument("--unit", default="")
    parser.set_defaults(run=_file)

    words = "say that you have looked at a probe that is under review"
    parser = commands.add_parser("review", help=words, description=words[0].upper() + words[1:] + ".")
    parser.add_argument("items", nargs="+", metavar="PROBE")
    parser.add_argument("--note", default="", help="what you saw")
    parser.set_defaults(run=_review)

    words = "give a card the roll name that stands on it"
    parser = commands.add_parser("label", help=words, description=words[0].upper() + words[1:] + ".")
    parser.add_argument("card", metavar="CARD", help="card id, label or folder")
    parser.add_argument("roll", metavar="ROLL")
    parser.set_defaults(run=_label)

    words = "read this card before the others that wait"
    parser = commands.add_parser("first", help=words, description=words[0].upper() + words[1:] + ".")
    parser.add_argument("card", metavar="CARD", help="card id, label, roll or folder")
    parser.set_defaults(run=_first)


def _file(args: argparse.Namespace) -> int:
    from ingest.faces import deciding
    from ingest.faces.cli.show import opened

    with opened(args) as services:
        where = deciding.assign(
            services, args.items, shot=args.shot, setup=args.setup, day=args.day, unit=args.unit
        )
        later = deciding.carry_out(services)
    print(f"Filed {len(args.items)} under {where}.{later}")
    return EXIT_WELL


def _review(args: argparse.Namespace) -> int:
    from ingest.faces import deciding
    from ingest.faces.cli.show import opened

    with opened(args) as services:
        deciding.review(services, args.items, note=args.note)
        deciding.carry_out(services)
    print(f"Reviewed: {', '.join(args.items)}.")
    return EXIT_WELL


def _label(args: argparse.Namespace) -> int:
    from ingest.faces import deciding
    from ingest.faces.cli.show import opened

    with opened(args) as services:
        card = deciding.label(services, args.card, args.roll)
        deciding.carry_out(services)
    print(f"{card.folder} is roll {args.roll.strip()}; its folder keeps its name.")
    return EXIT_WELL


def _first(args: argparse.Namespace) -> int:
    from ingest.faces import deciding
    from ingest.faces.cli.show import opened

    with opened(args) as services:
        card = deciding.first(services, args.card)
    print(f"{card.folder} is read next; a card that is being read goes on.")
    return EXIT_WELL
