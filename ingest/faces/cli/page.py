"""``page``: the cart page by itself, reading only, beside a daemon that runs."""

from __future__ import annotations

import argparse
import sys
from typing import Any

from ingest.errors import EXIT_WELL


def add(commands: Any) -> None:
    words = "the cart page by itself: shows what the ledger says and changes nothing"
    parser = commands.add_parser("page", help=words, description=words[0].upper() + words[1:] + ".")
    parser.add_argument("--address", default="", help="where it listens; else as the settings say")
    parser.add_argument("--port", type=int, default=0, help="0, the default, takes any free one")
    parser.set_defaults(run=_run)


def _run(args: argparse.Namespace) -> int:
    from dataclasses import replace

    from ingest.faces.cli.show import opened
    from ingest.faces.cli.work import stopping
    from ingest.faces.web.serving import PageServer

    with stopping() as stop, opened(args) as services:
        settings = services.settings
        page = settings.page.model_copy(update={"port": args.port, "address": args.address or settings.page.address})
        services = replace(services, settings=settings.model_copy(update={"page": page}))
        server = PageServer(
            services, wake=None,
            on_code=lambda code: print(f"pairing code: {code}", file=sys.stderr, flush=True),
        )
        server.start()
        print(server.address, flush=True)
        try:
            stop.wait()
        finally:
            server.close()
    return EXIT_WELL
