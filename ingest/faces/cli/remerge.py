"""``remerge``: any part of a show merged again, with the settings as they are now."""

from __future__ import annotations

import argparse
import sys
from typing import Any

from ingest.errors import EXIT_WELL


def add(commands: Any) -> None:
    words = "merge any part of the show again with the settings as they are now, as new versions"
    parser = commands.add_parser(
        "remerge", help=words, description=words[0].upper() + words[1:] + ". Nothing that exists is overwritten: the"
        " versions before stay, marked superseded. Names of one kind add up, kinds narrow. Without any it goes on with"
        " what was asked for before. Ctrl-C and a kill lose nothing: what is not made yet stays owed.",
    )
    part = parser.add_argument_group("which probes")
    kinds = (("shot", "S", "a shot"), ("setup", "N", "a setup"), ("day", "YYYY-MM-DD", "a shoot day"),
             ("probe", "ID", "one probe"), ("body", "NAME", "a stills body, by nickname, model or serial"))
    for kind, letter, what in kinds:
        part.add_argument(f"--{kind}", action="append", default=[], metavar=letter, help=f"{what}; may be repeated")
    part.add_argument("--all", action="store_true", help="the whole show")
    parser.add_argument("--force", action="store_true", help="also what was made with these settings already")
    parser.add_argument("--scheduler", default="", metavar="ADDRESS",
                        help="merge on this Dask cluster (needs the extra nightloader[cluster])")
    parser.add_argument("--take-back", action="store_true", help="drop what was asked for and is not made yet")
    parser.set_defaults(run=_run)


def _run(args: argparse.Namespace) -> int:
    import secrets

    from ingest.errors import LedgerBusy
    from ingest.faces import remerging
    from ingest.faces.cli.requests import BRIEFLY_S, carried_out
    from ingest.faces.cli.show import opened
    from ingest.faces.cli.work import stopping
    from ingest.faces.deciding import carry_out
    from ingest.steps.merging.redo import Selection

    selection = Selection(
        everything=args.all, shots=frozenset(args.shot), setups=frozenset(args.setup), days=frozenset(args.day),
        probes=frozenset(args.probe), bodies=frozenset(args.body),
    )
    with stopping() as stop, opened(args, stop=stop) as services:
        if args.take_back:
            count = remerging.take_back(services, selection)
            carry_out(services)
            probes = "1 probe is" if count == 1 else f"{count:,} probes are"
            print(f"{probes} not merged again; the versions that stand go on to count.")
            return EXIT_WELL
        asking = remerging.Asking(
            token=secrets.token_hex(8), selection=selection, settings=services.settings.merging.pixels,
            force=args.force, scheduler=args.scheduler,
        )
        try:
            services.store.lock(wait_s=BRIEFLY_S)
        except LedgerBusy:
            return carried_out(services, "remerge", asking.to_json(), stop)
        words, code = remerging.carry_out(
            services, asking, stop, progress=lambda said: print(said, file=sys.stderr)
        )
        print(words)
        return code
