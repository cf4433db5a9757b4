"""Lays out a sample card as a card would appear: its files, the usual litter, the times its body gave them.

Checkouts and archives keep neither modification times nor empty folders, and lose files whose names start
with a dot; so those are made here, from the list in the sample cards' ``truth.json``.
"""

from __future__ import annotations

import json
import os
import time
from collections.abc import Mapping
from datetime import datetime
from pathlib import Path, PurePosixPath
from typing import Any

from ingest.errors import UsageError
from ingest.machinery.disk import packed


def truth(source: Path | None = None) -> dict[str, Any]:
    """The written truth of the sample cards."""
    folder = source or packed.sample_cards()
    found: dict[str, Any] = json.loads((folder / "truth.json").read_text(encoding="utf-8"))
    return found


def names(source: Path | None = None) -> tuple[str, ...]:
    """The sample cards there are."""
    return tuple(str(card["name"]) for card in truth(source)["cards"])


def lay(card: str, folder: Path, *, source: Path | None = None, pace_s: float = 0.0) -> Path:
    """Make ``folder`` the root of the sample card ``card``; it must not hold anything yet.

    ``pace_s`` is a pause after each file, for a card that arrives slowly.  Existing files are never
    overwritten.  Raises UsageError for an unknown card or a folder with something in it.
    """
    origin = source or packed.sample_cards()
    known = truth(origin)
    if card not in names(origin):
        raise UsageError("no such sample card.", item=card, next=f"There are: {', '.join(names(origin))}.")
    folder.mkdir(parents=True, exist_ok=True)
    if any(folder.iterdir()):
        raise UsageError("is not empty.", item=str(folder), next="Name a new folder.")
    listed = next(c for c in known["cards"] if c["name"] == card)["files"]
    for row in listed:
        _put(folder, row["path"], (origin / "cards" / card / row["path"]).read_bytes(), row["mtime_utc"])
        time.sleep(pace_s)
    last = max(row["mtime_utc"] for row in listed)
    for row in known["litter"]:
        if row["card"] == card:
            _litter(folder, row, origin, last)
    for place in sorted((p for p in folder.rglob("*") if p.is_dir()), reverse=True):
        _stamp(place, last)
    return folder


def _litter(folder: Path, row: Mapping[str, Any], origin: Path, stamp: str) -> None:
    if "from" in row:
        _put(folder, row["path"], (origin / "extras" / row["from"]).read_bytes(), stamp)
    elif "hex" in row:
        _put(folder, row["path"], bytes.fromhex(row["hex"]), stamp)
    elif "text" in row:
        _put(folder, row["path"], row["text"].encode(), stamp)
    else:
        (folder / row["path"]).mkdir(parents=True, exist_ok=True)


def _put(folder: Path, path: str, data: bytes, stamp: str) -> None:
    target = folder / PurePosixPath(path)
    target.parent.mkdir(parents=True, exist_ok=True)
    with target.open("xb") as out:
        out.write(data)
    _stamp(target, stamp)


def _stamp(path: Path, stamp: str) -> None:
    """Set the modification time, whole nanoseconds, from RFC 3339 text."""
    seconds = int(datetime.fromisoformat(stamp).timestamp())
    os.utime(path, ns=(seconds * 10**9, seconds * 10**9))
