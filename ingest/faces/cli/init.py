"""Commands that make a show and its destinations."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from ingest.errors import EXIT_WELL


def add(commands: Any) -> None:
    words = "make a show: settings, empty setup log and clock notes, and its destinations"
    parser = commands.add_parser("init", help=words, description=words[0].upper() + words[1:] + ".")
    parser.add_argument("dir", metavar="DIR", help="folder of the show's settings and ledger, on the cart's own disk")
    parser.add_argument("--show", required=True, metavar="CODE", help="short code, first part of every name")
    parser.add_argument("--timezone", required=True, metavar="ZONE", help="where the unit shoots: Europe/Lisbon")
    many: dict[str, Any] = {"action": "append", "default": [], "metavar": "PATH"}
    parser.add_argument("--destination", help="where copies go; give it twice or more", **many)
    parser.add_argument("--watch", help="where cards appear; may be repeated", **many)
    parser.add_argument("--one-disk", action="store_true", help="destinations may share one disk (rehearsals)")
    parser.set_defaults(run=_init)

    words = "add a destination, or put one in the place of a lost one"
    parser = commands.add_parser("destination", help=words, description=words[0].upper() + words[1:] + ".")
    inner = parser.add_subparsers(dest="what", metavar="add|lost", required=True)
    parser = inner.add_parser("add", help="a further disk")
    parser.add_argument("path", metavar="PATH")
    parser.add_argument("--replaces", metavar="OLD", help="path or id of the disk whose duty it takes over")
    parser.add_argument("--optional", action="store_true", help="the copy policy does not wait for it")
    parser.add_argument("--one-disk", action="store_true", help="it may share a disk with another destination")
    parser.set_defaults(run=_add)
    parser = inner.add_parser("lost", help="a disk that will not come back: its copies count no more")
    parser.add_argument("path", metavar="PATH", help="path or id, as `status` shows it")
    parser.set_defaults(run=_lost)


def _init(args: argparse.Namespace) -> int:
    from ingest.faces.shows import make_show

    file = make_show(
        Path(args.dir), code=args.show, timezone=args.timezone, destinations=args.destination, watch=args.watch,
        one_disk=args.one_disk,
    )
    print(f"Made {file}")
    print(f"Next: look at it, then run `nightloader --config {file} watch`.")
    return EXIT_WELL


def _lost(args: argparse.Namespace) -> int:
    from ingest.faces import deciding, duties
    from ingest.faces.cli.show import opened

    with opened(args) as services:
        record = duties.declare_lost(services, args.path)
        deciding.carry_out(services)
    print(f"{record.path} is declared lost; its copies count no more. "
          "Next: `nightloader destination add PATH --replaces` it.")
    return EXIT_WELL


def _add(args: argparse.Namespace) -> int:
    from ingest.faces.cli.show import opened
    from ingest.faces.shows import add_destination
    from ingest.settings.reading import FILE_NAME, find

    with opened(args) as services:
        settings = services.settings
        record = add_destination(
            Path(args.config) if args.config else find(Path.cwd()), services.cards, args.path, show=services.show,
            replaces=args.replaces, required=not args.optional,
            one_disk=args.one_disk or settings.copying.one_disk,
            others=[d.path for d in settings.destinations],
            watch=list(settings.watch.places),
        )
        found = record.id in services.cards.found_again()
    if found:
        print(f"{record.path} was declared lost; `watch` has its copies read again before they count.")
        return EXIT_WELL
    print(f"Added {record.path}; copies owed to it are made by `watch` ({FILE_NAME} names it now).")
    return EXIT_WELL
