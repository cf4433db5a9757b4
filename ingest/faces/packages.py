"""Hand-overs after they were made: do they still verify, went they out, was receipt given.

The folder's path is this machine's business and stays in the ledger; papers name the package only.
"""

from __future__ import annotations

import hashlib
import os
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

from ingest.errors import UsageError
from ingest.records.names import after_show
from ingest.services import Services
from ingest.steps.audit.evidence import Package
from ingest.steps.handover.bag import read_manifest

LIST = "manifest-sha256.txt"
_PIECE = 4 << 20


def remember(services: Services, shot: str, to: Path, *, receiver: str, files: int, size_bytes: int) -> str:
    """Keep what was packed, for whom and under which list; answers the package's name."""
    name = f"{services.show}_{after_show(services.show, shot)}_{to.name}"
    found = hashlib.sha256((to / LIST).read_bytes()).hexdigest()
    services.work.put(f"package|{name}", os.path.realpath(to))
    services.work.decide("handover", name, {
        "shot": shot, "to": receiver, "files": files, "size_bytes": size_bytes, "list": LIST, "list_sha256": found,
    }, services.clock.utc())
    return name


def sent(services: Services, name: str, *, to: str = "", receipt: str = "") -> None:
    """Say that a package went out, or that its receiver confirmed it.  UsageError for one that was never made."""
    known = services.work.decisions("handover")
    if name not in known:
        raise UsageError("no hand-over of that name.", item=name,
                         next=f"Known: {', '.join(sorted(known)) or 'none'}.")
    before = services.work.decisions("sent").get(name, {})
    services.work.decide("sent", name, {
        "to": to or str(before.get("to", "") or known[name].get("to", "")),
        "receipt": receipt or str(before.get("receipt", "")), "sent_utc": str(before.get("sent_utc", ""))
        or services.clock.utc(),
    }, services.clock.utc())


def packages(
    services: Services, *, stop: threading.Event | None = None, progress: Callable[[str], None] = lambda _: None
) -> list[Package]:
    """Every hand-over, oldest first; those without a receipt that lie on this machine are read again whole."""
    out = []
    gone = services.work.decisions("sent")
    for name, made in sorted(services.work.decisions("handover").items(), key=lambda p: str(p[1]["utc"])):
        went: dict[str, Any] = gone.get(name, {})
        verified = None
        if not went.get("receipt") and not (stop is not None and stop.is_set()):
            progress(f"reading hand-over {name} again")
            folder = services.work.recall(f"package|{name}")
            verified = verifies(Path(folder), str(made.get("list_sha256", ""))) if folder else None
        out.append(Package(
            name=name, to=str(went.get("to") or made.get("to") or "nobody named"), list_name=str(made.get("list", "")),
            size_bytes=int(made.get("size_bytes", 0)), verified=verified, sent_utc=str(went.get("sent_utc", "")),
            receipt=str(went.get("receipt", "")),
        ))
    return out


def verifies(folder: Path, list_sha256: str) -> bool | None:
    """Whether the list is the one that was written, and every file is there and equal to it; None where the folder
    is not on this machine now."""
    if not folder.is_dir():
        return None
    try:
        listed = (folder / LIST).read_bytes()
        if hashlib.sha256(listed).hexdigest() != list_sha256:
            return False
        wanted = read_manifest(listed.decode("utf-8"))
        payload = folder / "data"
        found = {p.relative_to(folder).as_posix() for p in payload.rglob("*") if p.is_file()}
        if found != set(wanted):
            return False
        return all(_digest(folder / name) == digest for name, digest in wanted.items())
    except (OSError, ValueError):
        return False


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        if hasattr(os, "posix_fadvise"):
            os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)
        found = hashlib.sha256()
        while piece := file.read(_PIECE):
            found.update(piece)
    return found.hexdigest()
