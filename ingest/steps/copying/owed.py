"""What is owed to which destination, and where it can be had from.

A copy is owed while a file to be kept has no fact at a destination.  It comes from the card while that
is in, else from another verified copy, which is read again on the way: nothing is named before its
digest equals that of the card's first reading.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass

from ingest.records.cards import CardFile, CopyFact, FileKind, FileRecord, Inventory, Proof
from ingest.steps.cards.identity import same_listing
from ingest.steps.cards.inventory import perishable_first
from ingest.steps.copying.plan import Twice


@dataclass(frozen=True, kw_only=True, slots=True)
class Owed:
    """One file and the destinations that lack it."""

    file: FileRecord
    destinations: tuple[str, ...]


def owed(files: Sequence[FileRecord], copies: Iterable[CopyFact], destinations: Sequence[str]) -> tuple[Owed, ...]:
    """Perishables first.  ``destinations`` are ids; the answer keeps their order."""
    have = {(c.path, c.generation, c.destination_id) for c in copies}
    lacking = {
        f.row: tuple(d for d in destinations if (f.path, f.generation, d) not in have) for f in files
    }
    return tuple(Owed(file=f, destinations=lacking[f.row]) for f in in_order(files) if lacking[f.row])


def still_to_try(
    jobs: Iterable[Owed], tries: Mapping[tuple[int, str], int], reads: Mapping[int, int], limit: int
) -> tuple[Owed, ...]:
    """Those not tried too often: ``tries`` counts by (file's row, destination), ``reads`` failed readings by row."""
    open_to = (
        Owed(file=j.file, destinations=tuple(d for d in j.destinations if tries.get((j.file.row, d), 0) < limit))
        for j in jobs if reads.get(j.file.row, 0) < limit
    )
    return tuple(j for j in open_to if j.destinations)


def from_copies(
    jobs: Iterable[Owed], copies: Sequence[CopyFact], present: Sequence[str], bad: Mapping[int, int]
) -> dict[str, list[tuple[Owed, CopyFact]]]:
    """By destination to read from: each file with the copy to take.  ``bad`` counts, by row, the best copies of a
    file that did not read as they were proven: the next best is taken."""
    out: dict[str, list[tuple[Owed, CopyFact]]] = {}
    for job in jobs:
        found = sources(job.file, copies, present)
        n = bad.get(job.file.row, 0)
        if n < len(found):
            out.setdefault(found[n].destination_id, []).append((job, found[n]))
    return out


def in_order(files: Sequence[FileRecord]) -> tuple[FileRecord, ...]:
    """Perishables first; of one path the older generation first."""
    by_path: dict[str, list[FileRecord]] = {}
    for file in files:
        by_path.setdefault(file.path, []).append(file)
    paths = perishable_first(
        [CardFile(path=p, size_bytes=fs[-1].size_bytes, mtime_ns=0) for p, fs in by_path.items()]
    )
    return tuple(f for p in paths for f in sorted(by_path[p.path], key=lambda f: f.generation))


def on_card(files: Sequence[FileRecord], inventory: Inventory) -> tuple[FileRecord, ...]:
    """Those that the card holds now: the listing shows the same size and time."""
    there = {f.path: f for f in inventory.files}
    newest: dict[str, FileRecord] = {}
    for file in files:
        seen = there.get(file.path)
        if seen is not None and seen.size_bytes == file.size_bytes and same_listing(seen, _as_listed(file)):
            before = newest.get(file.path)
            if before is None or before.generation < file.generation:
                newest[file.path] = file
    return tuple(f for f in files if newest.get(f.path) is f)


def gone_unread(files: Sequence[FileRecord], inventory: Inventory) -> tuple[FileRecord, ...]:
    """Those that were listed once, were never read whole under any generation, and are not on the card now."""
    there = {f.path for f in inventory.files}
    read = {f.path for f in files if f.digests}
    return tuple(f for f in files if f.path not in there and f.path not in read)


def _as_listed(file: FileRecord) -> CardFile:
    return CardFile(path=file.path, size_bytes=file.size_bytes, mtime_ns=file.mtime_ns)


def second_readings(
    files: Sequence[FileRecord], which: Twice, read_in: Mapping[int, Collection[int]], sighting: int
) -> tuple[FileRecord, ...]:
    """Files the card must be read for once more: the policy's second reading, and the confirmation of what
    is held of a card that came back.  ``read_in`` maps a file's row to the sightings it was read in."""
    out = []
    for file in in_order(files):
        if not file.digests:
            continue
        twice = which is Twice.ALL or (which is Twice.STILLS and file.kind is FileKind.STILL)
        if (twice and not file.second_digest) or sighting not in read_in.get(file.row, ()):
            out.append(file)
    return tuple(out)


def sources(file: FileRecord, copies: Iterable[CopyFact], present: Sequence[str]) -> tuple[CopyFact, ...]:
    """Verified copies to read from, best proof first, of destinations that are here."""
    rank = {Proof.DEVICE: 0, Proof.CACHE_DROPPED: 1, Proof.NOT_PROVABLE: 2}
    usable = [
        c for c in copies
        if c.path == file.path and c.generation == file.generation and c.destination_id in present
        and c.reread_digest in ("", c.source_digest)
    ]
    return tuple(sorted(usable, key=lambda c: (rank[c.proof], present.index(c.destination_id))))


def stills_settled(
    files: Iterable[FileRecord], copied: Collection[tuple[str, int]], failed: Collection[tuple[str, int]]
) -> bool:
    """Whether every still is verified somewhere or has failed; keys are (path, generation)."""
    return all(
        (f.path, f.generation) in copied or (f.path, f.generation) in failed for f in files if f.kind is FileKind.STILL
    )
