"""Commands of the people who answer for something: waive, confirm, sign."""

from __future__ import annotations

import argparse
from typing import Any

from ingest.errors import EXIT_WELL


def add(commands: Any) -> None:
    words = "say that a due item is not needed at a setup, or for a whole day"
    parser = commands.add_parser("waive", help=words, description=words[0].upper() + words[1:] + ".")
    parser.add_argument("item", metavar="ITEM", help="probe, clean_plate, dirty_plate, chart, measured ...")
    parser.add_argument("--day", required=True, metavar="YYYY-MM-DD")
    parser.add_argument("--setup", default="", metavar="N", help="without it: for the whole day")
    parser.add_argument("--unit", default="")
    parser.add_argument("--by", required=True, metavar="NAME")
    parser.add_argument("--why", required=True, metavar="TEXT")
    parser.set_defaults(run=_waive)

    words = "say what a clip or still is"
    parser = commands.add_parser("confirm", help=words, description=words[0].upper() + words[1:] + ".")
    parser.add_argument("item", metavar="ITEM", help="id from `sights` or `clips`, or a path: of the copy, of the file "
                        "on its card, or as answers print it")
    parser.add_argument("--role", required=True, metavar="ROLE",
                        help="clean_plate, dirty_plate, reference, chart, grey_ball, mirror_ball, lens_grid, other, "
                             "none, or one that the settings add")
    parser.set_defaults(run=_confirm)

    words = "keep who released a card; the production's policy decides, not this program"
    parser = commands.add_parser("sign", help=words, description=words[0].upper() + words[1:] + ".")
    parser.add_argument("card", metavar="CARD", help="card id, label, roll or folder")
    parser.add_argument("--by", required=True, metavar="NAME")
    parser.set_defaults(run=_sign)


def _waive(args: argparse.Namespace) -> int:
    from ingest.faces import deciding, duties
    from ingest.faces.cli.show import opened

    with opened(args) as services:
        duties.waive(services, args.item, day=args.day, setup=args.setup, unit=args.unit, by=args.by, why=args.why)
        deciding.carry_out(services)
    print(f"Waived: {args.item} of {args.setup or 'every setup'} on {args.day}, by {args.by}.")
    return EXIT_WELL


def _confirm(args: argparse.Namespace) -> int:
    from ingest.faces import deciding, duties
    from ingest.faces.cli.show import opened

    with opened(args) as services:
        duties.confirm(services, args.item, args.role)
        later = deciding.carry_out(services)
    print(f"{args.item} is {args.role.replace('_', ' ')}.{later}")
    return EXIT_WELL


def _sign(args: argparse.Namespace) -> int:
    from ingest.faces import deciding, duties
    from ingest.faces.cli.show import opened

    with opened(args) as services:
        card, words = duties.sign(services, args.card, args.by)
        deciding.carry_out(services)
    print(f"{card.folder}: released by {args.by}; {words}.")
    return EXIT_WELL
