"""``adopt``: the ledger again, out of what is written at a destination."""

from __future__ import annotations

import argparse
import os
import sys
from typing import Any

from ingest.errors import EXIT_INTERRUPTED, EXIT_NEEDS_A_PERSON, EXIT_WELL, UsageError


def add(commands: Any) -> None:
    words = "restore the ledger from a destination's own papers, reading every file again"
    parser = commands.add_parser("adopt", help=words, description=words[0].upper() + words[1:] + ".")
    parser.add_argument("paths", nargs="+", metavar="PATH", help="a destination of this show; the folder that holds it")
    parser.set_defaults(run=_adopt)


def _adopt(args: argparse.Namespace) -> int:
    from ingest.errors import LedgerBusy
    from ingest.faces.cli.requests import BRIEFLY_S, carried_out
    from ingest.faces.cli.show import opened
    from ingest.faces.cli.work import stopping

    worst = EXIT_WELL
    with stopping() as stop, opened(args, stop=stop, lost=True) as services:
        paths = [_known(args, services, path) for path in args.paths]
        try:
            services.store.lock(wait_s=BRIEFLY_S)
        except LedgerBusy:
            for path in paths:
                worst = max(worst, carried_out(services, "adopt", {"path": path}, stop))
            return worst
        from ingest.faces.adopting import adopt_destination
        from ingest.pipeline import Desk

        for path in paths:
            result = adopt_destination(services, path, progress=lambda words: print(words, file=sys.stderr))
            print(result.words())
            if result.needs_a_person:
                worst = EXIT_NEEDS_A_PERSON
        if not stop.is_set():
            print("looking through the stills again", file=sys.stderr)
            Desk(services).work(())
        return EXIT_INTERRUPTED if stop.is_set() else worst


def _known(args: argparse.Namespace, services: Any, path: str) -> str:
    """The path as the ledger has it; a destination that it does not know becomes a further one."""
    from pathlib import Path

    from ingest.faces.adopting import record_of
    from ingest.faces.shows import add_destination, identity_of, make_known
    from ingest.settings.reading import find

    where = os.path.abspath(path)
    id = identity_of(where)
    if id is None:
        raise UsageError("no destination lies there: it has no identity file.", item=where,
                         next="Check the path; a disk whose identity file was lost is added with `init` or"
                         " `destination add` and then adopted.")
    if not services.cards.destinations(lost=True):
        make_known(services.settings, services.cards)
    known = next((d for d in services.cards.destinations() if d.id == id), None)
    if known is not None and os.path.realpath(known.path) == os.path.realpath(where):
        return str(known.path)
    if record_of(services, where) is not None or known is not None:
        return where  # another disk under a known path, or a known disk elsewhere: opening it says which
    settings = services.settings
    add_destination(
        Path(args.config) if args.config else find(Path.cwd()), services.cards, where, show=services.show,
        replaces=None, required=False, one_disk=settings.copying.one_disk,
        others=[d.path for d in settings.destinations],
        watch=list(settings.watch.places),
    )
    print(f"{where} is a further destination now; the copy policy does not wait for it.")
    return where
