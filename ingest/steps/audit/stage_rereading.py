"""Reading a destination again: what was claimed to lie there, from the device, stored as it goes."""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from ingest.machinery.disk.destinations import OpenDestination, answers, is_there
from ingest.machinery.disk.readback import Buffer, read_from_device
from ingest.machinery.ledger.work import Output
from ingest.records.cards import CopyFact
from ingest.services import Services
from ingest.steps.audit.evidence import Reread

BATCH = 256


@dataclass(slots=True)
class Rereading:
    """What one thread has read at one destination."""

    destination_id: str
    files: int = 0
    size_bytes: int = 0
    until_utc: str = ""
    interrupted: bool = False
    differed: list[tuple[str, str]] = field(default_factory=list)
    unreadable: list[tuple[str, str]] = field(default_factory=list)
    read: dict[str, dict[str, tuple[int, dict[str, str]]]] = field(default_factory=dict)

    def done(self) -> Reread:
        return Reread(
            destination_id=self.destination_id, files=self.files, size_bytes=self.size_bytes,
            until_utc=self.until_utc, interrupted=self.interrupted, differed=tuple(self.differed),
            unreadable=tuple(self.unreadable),
        )


def reread(
    services: Services, destination: OpenDestination, copies: Sequence[CopyFact], outputs: Sequence[Output],
    folders: Mapping[str, str], stop: threading.Event, progress: Callable[[str], None], *, keep: bool = True,
    not_before: str = "",
) -> Rereading:
    """Every copy and own file read from the device; ``keep`` stores each reading of a copy as a fact, at no time before
    ``not_before``: the clock may have been ahead.

    It is interrupted where the disk is gone, or another one at its path: that says nothing of its files, and what was
    read since the disk was last seen there is no fact about the one that is there now.
    """
    reading = Rereading(destination_id=destination.id)
    buffer = Buffer()
    batch: list[tuple[CopyFact, str, str, str]] = []
    try:
        for n, copy in enumerate(copies):
            if stop.is_set():
                reading.interrupted = True
                break
            path = f"{folders[copy.card_id]}/{copy.stored_path}"
            digest, proof = _read(services, destination, path, buffer)
            if not digest and not answers(services.disk, destination):
                reading.interrupted = True
                break
            expected = copy.source_digest.rpartition(":")[2]
            _note(reading, copy.card_id, copy.stored_path, digest, expected, copy.size_bytes)
            if keep:
                batch.append((copy, digest, proof, max(services.clock.utc(), not_before)))
            if digest:
                found = (copy.size_bytes, {"xxh3_128": digest})
                reading.read.setdefault(copy.card_id, {})[copy.stored_path] = found
            if len(batch) >= BATCH:
                if not is_there(services.disk, destination):
                    reading.interrupted = True
                    break
                services.cards.record_reread(batch)
                batch = []
                progress(f"{destination.path}: {n + 1:,} of {len(copies):,} files read again")
        if is_there(services.disk, destination):
            services.cards.record_reread(batch)
        else:
            reading.interrupted = True
        if not (stop.is_set() or reading.interrupted):
            _own_files(services, destination, outputs, reading, buffer, stop)
    finally:
        buffer.close()
    reading.until_utc = services.clock.utc()
    return reading


def _own_files(
    services: Services, destination: OpenDestination, outputs: Sequence[Output], reading: Rereading, buffer: Buffer,
    stop: threading.Event,
) -> None:
    """Merged pictures and papers are read again every time: they are few."""
    for output in outputs:
        if stop.is_set():
            reading.interrupted = True
            return
        digest, _ = _read(services, destination, output.path, buffer)
        if not digest and not answers(services.disk, destination):
            reading.interrupted = True
            return
        _note(reading, "", output.path, digest, output.digest.rpartition(":")[2], output.size_bytes)
        services.work.set_output(replace(
            output, reread_utc=services.clock.utc(), reread_digest=f"xxh3_128:{digest}" if digest else ""
        ))


def _note(reading: Rereading, owner: str, path: str, digest: str, expected: str, size_bytes: int) -> None:
    reading.files += 1
    reading.size_bytes += size_bytes
    if not digest:
        reading.unreadable.append((owner, path))
    elif digest != expected:
        reading.differed.append((owner, path))


def _read(services: Services, destination: OpenDestination, path: str, buffer: Buffer) -> tuple[str, str]:
    """(digest, proof) as the device returns it now; ("", "") for missing or unreadable."""
    folder_path, _, name = path.rpartition("/")
    volume = destination.volume
    try:
        with destination.folders.hold(folder_path) as folder:
            digests, proof = read_from_device(
                services.disk, folder, name, filesystem=volume.filesystem, device=volume.device, buffer=buffer
            )
        return digests.digest, str(proof)
    except OSError as error:
        services.log.warning("cannot be read again", destination=destination.path, path=path, error=str(error))
        return "", ""
