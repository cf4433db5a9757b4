"""When a card's hash-list history gets its next list: pure, from what stands there and what is proven."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from ingest.records.cards import CopyFact, FileRecord


def is_whole(files: Sequence[FileRecord], copies: Iterable[CopyFact], destination_id: str) -> bool:
    """Whether every file to keep has its copy at this destination: a list is made of a whole card only."""
    have = {(c.path, c.generation) for c in copies if c.destination_id == destination_id}
    return bool(files) and all((f.path, f.generation) in have for f in files)


def began(files: Iterable[FileRecord], paths: Iterable[str], otherwise: str) -> str:
    """When the operation that gave these files began: their earliest reading, to the second, with Z."""
    wanted = set(paths)
    times = sorted(f.read_utc for f in files if f.path in wanted and f.read_utc)
    return (times[0] if times else otherwise)[:19] + "Z"
