"""Commands by which a person says what only a person can: file, review, label, waive, confirm, sign."""

from __future__ import annotations

import argparse
import os
from typing import Any

from ingest.errors import EXIT_WELL, UsageError


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


def _file(args: argparse.Namespace) -> int:
    from ingest.faces.cli.show import opened
    from ingest.steps.filing.stage import read_setup_log

    with opened(args) as services:
        days = {r.day for r in read_setup_log(services).rows if r.setup.casefold() == args.setup.casefold()}
        if not args.day and len(days) > 1:
            raise UsageError(
                f"setup {args.setup} is in the log on {', '.join(sorted(days))}.", item=args.setup,
                next="Say which with --day YYYY-MM-DD.",
            )
        digests: list[str] = []
        for item in args.items:
            digests += _digests_of(services, item)
        day = args.day or (days.pop() if days else "")
        said = {"shot": args.shot, "setup": args.setup, "day": day, "unit": args.unit}
        utc = services.clock.utc()
        with services.store.transaction():
            for digest in digests:
                services.work.decide("assign", digest, said, utc)
        _carry_out(services)
    where = "/".join(filter(None, (args.shot, args.setup)))
    print(f"Filed {len(args.items)} under {where}.")
    return EXIT_WELL


def _review(args: argparse.Namespace) -> int:
    from ingest.faces.cli.show import opened

    with opened(args) as services:
        utc = services.clock.utc()
        known = {v.id: v for v in services.work.views()}
        for item in args.items:
            if item not in known:
                raise UsageError("no such probe.", item=item, next="List them with `nightloader probes`.")
        with services.store.transaction():
            for item in args.items:
                for digest in known[item].digests:
                    services.work.decide(
                        "review", digest, {"note": args.note, "frames": list(known[item].digests)}, utc
                    )
        _carry_out(services)
    print(f"Reviewed: {', '.join(args.items)}.")
    return EXIT_WELL


def _label(args: argparse.Namespace) -> int:
    from ingest.faces.cli.show import opened

    with opened(args) as services:
        cards = [
            c for c in services.cards.cards()
            if args.card in (c.id, c.label, c.roll, c.folder, c.folder.rsplit("/", 1)[-1]) or c.id.startswith(args.card)
        ]
        if len(cards) != 1:
            raise UsageError(
                f"{len(cards) or 'no'} cards are called so.", item=args.card, next="Take the id from `status --json`."
            )
        services.cards.name_roll(cards[0].id, args.roll)
        _carry_out(services)
    print(f"{cards[0].folder} is roll {args.roll}; its folder keeps its name.")
    return EXIT_WELL


def _digests_of(services: Any, item: str) -> list[str]:
    """Frame digests that an item stands for; decisions cling to these, also when sets change."""
    for view in services.work.views():
        if item == view.id:
            return list(view.digests)
    real = os.path.realpath(item)
    for card in services.cards.cards():
        files = {(f.path, f.generation): f for f in services.cards.files(card.id)}
        roots = {d.id: d.path for d in services.cards.destinations()}
        for copy in services.cards.copies(card.id):
            root = roots.get(copy.destination_id)
            if root and real == os.path.realpath(os.path.join(root, services.show, card.folder, copy.stored_path)):
                found = files[(copy.path, copy.generation)].digest
                return [found] if found else []
    for output in services.work.outputs():
        root = next((d.path for d in services.cards.destinations() if d.id == output.destination_id), None)
        if root and real == os.path.realpath(os.path.join(root, output.path)):
            return _digests_of(services, output.owner.split("/", 1)[0])
    raise UsageError(
        "no probe, clip or copied file of that name.", item=item, next="List them with `nightloader probes`."
    )


def _carry_out(services: Any) -> None:
    """The fact is stored.  A daemon picks it up; without one it is carried out here and now."""
    from ingest.errors import LedgerBusy
    from ingest.pipeline import Desk

    try:
        services.store.lock()
    except LedgerBusy:
        return
    try:
        Desk(services).work(())
    finally:
        services.store.unlock()
