"""The page's own setup log on the disk: read, and replaced whole and durably."""

from __future__ import annotations

import os
import threading
from pathlib import Path

from ingest.machinery.disk.files import read_plain
from ingest.services import Services
from ingest.steps.setups.entering import Entry, entries, with_entry
from ingest.steps.setups.page import PAGE_FILE

_GUARD = threading.Lock()


def page_log(services: Services) -> Path:
    """Beside the person's log, which is never written."""
    return services.settings.beside(services.settings.show.setup_log).with_name(PAGE_FILE)


def entered(services: Services) -> list[Entry]:
    """What was entered so far."""
    try:
        return entries(read_plain(page_log(services)))
    except FileNotFoundError:
        return []


def enter(services: Services, entry: Entry) -> None:
    """Add or correct a row.  On disk when this returns; a stop before leaves the file as it was.

    Raises OSError if the cart's disk does not take it.
    """
    path = page_log(services)
    with _GUARD:
        try:
            before = read_plain(path)
        except FileNotFoundError:
            before = b""
        temporary = path.with_name(f".{path.name}.new")  # one name: what a stop left is replaced by the next entry
        with temporary.open("wb") as file:
            file.write(with_entry(before, entry))
            file.flush()
            os.fsync(file.fileno())
        temporary.replace(path)
        if os.name == "posix":  # elsewhere a folder cannot be flushed
            folder = os.open(path.parent, os.O_RDONLY)
            try:
                os.fsync(folder)
            finally:
                os.close(folder)
