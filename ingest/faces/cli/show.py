"""Opening the show a command works on."""

from __future__ import annotations

import argparse
import contextlib
import threading
from collections.abc import Iterator
from pathlib import Path

from ingest.services import Services, close_services, open_services
from ingest.settings.model import Settings


def settings_of(args: argparse.Namespace) -> Settings:
    """The settings named by --config, or found here or above."""
    from ingest.faces.shows import check
    from ingest.settings.reading import find, load

    return check(load(Path(args.config) if args.config else find(Path.cwd())))


@contextlib.contextmanager
def opened(
    args: argparse.Namespace, *, terminal: bool = False, stop: threading.Event | None = None, lost: bool = False
) -> Iterator[Services]:
    """The services of the show; ``terminal`` also sends the log's lines to the screen.  ``lost``: the ledger may be
    missing, and a new one is made."""
    from ingest.faces.shows import open_known
    from ingest.machinery import journal

    settings = settings_of(args)
    log = journal.set_up(settings.home / "logs" if terminal else None, terminal=terminal)
    services = (open_services if lost else open_known)(settings, log, stop=stop)
    try:
        yield services
    finally:
        close_services(services)
