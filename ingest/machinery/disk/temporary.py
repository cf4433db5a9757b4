"""Temporary files at a destination: their names, and their removal for good.

A plan (the ledger's row that lists a temporary file) may end only when the file cannot come back: a removal or
a rename that was not flushed is undone by a power cut, and nobody removes a file that no plan lists.
"""

from __future__ import annotations

import contextlib
import secrets
from collections.abc import Iterable

from ingest.machinery.disk.files import Disk
from ingest.machinery.disk.folders import Folders


def temp_name() -> str:
    """A name of our own, short enough for every file system."""
    return f".nl-{secrets.token_hex(8)}.tmp"


def remove_temps(disk: Disk, folders: Folders, folder: str, names: Iterable[str]) -> None:
    """Remove files from a folder (relative to the folders' root), as far as they are there, and flush it.

    When it returns none of them is there, also after a power cut.  Raises OSError: any of them may be.
    """
    try:
        with folders.hold(folder) as held:
            for name in names:
                with contextlib.suppress(FileNotFoundError):  # it was never made, or was named
                    disk.unlink(held, name)
            disk.sync_folder(held)
    except (FileNotFoundError, NotADirectoryError):
        pass  # nor was the folder
