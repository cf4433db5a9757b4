"""Long commands while the daemon runs: a request that it carries out, shown here until it is done."""

from __future__ import annotations

import os
import sys
import threading
from collections.abc import Mapping
from typing import Any

from ingest.errors import EXIT_FAULT, EXIT_INTERRUPTED, EXIT_NEEDS_A_PERSON, LedgerBusy
from ingest.services import Services

BRIEFLY_S = 2.0  # how long a long command waits before it believes that the ledger's holder is a daemon
LEFT_S, LEFT_TIMES = 5.0, 4  # how often it is looked whether anybody holds the ledger, and how often nobody may


def carried_out(services: Services, kind: str, body: Mapping[str, Any], stop: threading.Event) -> int:
    """Ask the daemon, show its progress, answer its exit code.  Ctrl-C ends the showing only.

    What held the ledger may have been another long command, or a daemon that ends: then nobody is left to wait for.
    """
    full = {**body, "path": os.path.abspath(str(body["path"]))} if "path" in body else dict(body)
    number = services.work.ask(kind, full, services.clock.utc())
    print("The daemon is at work on this ledger; it carries this out.", file=sys.stderr)
    shown, left, asked_s = "", 0, services.clock.steady_s()
    while not stop.is_set():
        progress, result = services.work.request(number)
        if progress != shown:
            print(progress, file=sys.stderr)
            shown = progress
        if result is not None:
            text = str(result.get("text", ""))
            if text:
                print(text)
            return int(result.get("exit", EXIT_FAULT))
        if services.clock.steady_s() - asked_s > LEFT_S:
            left, asked_s = left + 1 if _nobody_holds(services) else 0, services.clock.steady_s()
            if left == LEFT_TIMES:
                print("Nobody works on this ledger any more: it is kept, and the next `watch` carries it out.",
                      file=sys.stderr)
                return EXIT_NEEDS_A_PERSON
        stop.wait(0.3)
    print("No longer shown; the daemon goes on with it.", file=sys.stderr)
    return EXIT_INTERRUPTED


def _nobody_holds(services: Services) -> bool:
    try:
        services.store.lock()
    except LedgerBusy:
        return False
    services.store.unlock()
    return True
