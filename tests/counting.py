"""What the ledger counts in SQL, restated file by file from records: the two are held against each other."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from ingest.records.cards import CopyFact, FileRecord
from ingest.records.evidence import Again, CardEvidence, CopiesAlike, FilesAlike


def bare(digest: str) -> str:
    return digest.rpartition(":")[2]


def counted(files: Sequence[FileRecord], copies: Sequence[CopyFact]) -> CardEvidence:
    """One row a file and a copy: nothing here is put together, so nothing can be put together wrongly."""
    known = {(f.card_id, f.path, f.generation): f for f in files}
    assert len(known) == len(files)
    facts = [(known[c.card_id, c.path, c.generation], c) for c in copies if (c.card_id, c.path, c.generation) in known]
    assert not [k for k, n in Counter((f.path, f.generation, c.destination_id) for f, c in facts).items() if n > 1]
    return CardEvidence(
        files=tuple(
            FilesAlike(
                kind=f.kind, read=bool(f.digest), second=again(f, f.second_digest, bool(f.second_digest)),
                troubled=bool(f.trouble), files=1, size_bytes=f.size_bytes,
            )
            for f in files
        ),
        copies=tuple(
            CopiesAlike(
                destination_id=c.destination_id, proof=c.proof,
                source_equal=c.size_bytes == f.size_bytes and equal(f, c.source_digest),
                back_equal=equal(f, c.back_digest), read_back=bool(c.read_back_utc),
                reread=again(f, c.reread_digest, bool(c.reread_utc)), folder_synced=c.folder_synced, files=1,
                size_bytes=f.size_bytes, last_read_back_utc=c.read_back_utc, oldest_reread_utc=c.reread_utc,
            )
            for f, c in facts
        ),
    )


def equal(file: FileRecord, digest: str) -> bool:
    own = file.digests.get("xxh3_128", "")
    return bool(own) and bare(digest) == own


def again(file: FileRecord, digest: str, was_read: bool) -> Again:
    if not was_read:
        return Again.NONE
    return Again.EQUAL if equal(file, digest) else Again.DIFFERS
