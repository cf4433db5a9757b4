"""Commands that do the day's work: watch and offload."""

from __future__ import annotations

import argparse
import contextlib
import signal
import sys
import threading
from collections.abc import Iterator
from typing import Any

from ingest.errors import EXIT_INTERRUPTED, EXIT_WELL


def add(commands: Any) -> None:
    words = "the daemon: takes every card that appears, until it is stopped"
    parser = commands.add_parser("watch", help=words, description=words[0].upper() + words[1:] + ".")
    parser.add_argument("--drain", action="store_true", help="handle everything present until quiet, then end")
    parser.set_defaults(run=_watch)

    words = "take one card now; returns when its probes are merged and filed"
    parser = commands.add_parser("offload", help=words, description=words[0].upper() + words[1:] + ".")
    parser.add_argument("path", metavar="PATH", help="where the card is mounted, or a folder that holds its dump")
    parser.set_defaults(run=_offload)


@contextlib.contextmanager
def stopping() -> Iterator[threading.Event]:
    """An event that Ctrl-C and a polite kill set; everything ends at its next safe place."""
    stop = threading.Event()

    def handle(number: int, frame: object) -> None:
        del number, frame
        # Not here: the interrupted code may be inside this very event, whose lock would then be waited for for ever.
        threading.Thread(target=stop.set, name="stop").start()

    before = {s: signal.signal(s, handle) for s in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield stop
    finally:
        for s, old in before.items():
            signal.signal(s, old)


def _watch(args: argparse.Namespace) -> int:
    from ingest.faces.cli.progress import Screen
    from ingest.faces.cli.show import settings_of
    from ingest.faces.daemon.loop import run
    from ingest.machinery import journal

    settings = settings_of(args)
    log = journal.set_up(settings.home / "logs", terminal=True)
    with stopping() as stop, Screen() as screen:
        code = run(settings, drain=args.drain, stop=stop, log=log, on_event=screen.event)
        if stop.is_set():
            return EXIT_INTERRUPTED if args.drain or code == EXIT_INTERRUPTED else EXIT_WELL
        return code


def _offload(args: argparse.Namespace) -> int:
    from ingest.errors import LedgerBusy
    from ingest.faces.cli.progress import Screen
    from ingest.faces.cli.requests import BRIEFLY_S, carried_out
    from ingest.faces.cli.show import settings_of
    from ingest.faces.daemon.loop import offload
    from ingest.faces.shows import open_known
    from ingest.machinery import journal
    from ingest.services import close_services

    settings = settings_of(args)
    with stopping() as stop, Screen() as screen:
        try:
            log = journal.set_up(settings.home / "logs", terminal=True)
            services = open_known(settings, log, stop=stop, tell=screen.event)
            try:
                services.store.lock(wait_s=BRIEFLY_S)
            except LedgerBusy:
                return carried_out(services, "offload", {"path": args.path}, stop)
            code, words = offload(services, args.path)
            if words:
                print(words)
            return code
        finally:
            with contextlib.suppress(UnboundLocalError):
                close_services(services)
            if stop.is_set():
                print("Stopped; run it again to go on where it was.", file=sys.stderr)
