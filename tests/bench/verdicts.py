"""How long a night's verdicts and papers take: ``python -m tests.bench.verdicts`` prints CPU seconds and ratios.

The yardstick is the plain floor of touching every record once (``sum(f.size_bytes for f in files)``).
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

from ingest.records.cards import CardRecord, CopyFact, DestinationRecord, FileKind, FileRecord, Proof
from ingest.steps.audit.verdict import CardVerdict, Policy, judge_card, tally
from ingest.steps.paperwork.checksums import card_logs
from ingest.steps.paperwork.manifest import card_manifest, parse_card_manifest
from tests.counting import counted

FILES, CARDS = 100_000, 200
CARD = CardRecord(
    id="c1", label="B007", roll="", day="2026-04-01", folder="cards/2026-04-01/B007", volume_id="v",
    first_seen_utc="2026-04-01T19:00:00Z", last_seen_utc="2026-04-01T19:00:00Z", generation=1,
    listing_whole=True, read_only=True, mount=None,
)  # fmt: skip
DISKS = tuple(DestinationRecord(id=d, path=f"/{d}", required=True, present=True) for d in "AB")


def timed(name: str, work: Callable[[], Any], floor: float | None = None) -> tuple[float, Any]:
    started = time.process_time()
    result = work()
    took = time.process_time() - started
    print(f"{name:58} {took:8.3f} s CPU" + (f"  {took / floor:8.0f} x floor" if floor else ""))
    return took, result


def main() -> None:
    files = [
        FileRecord(
            card_id="c1", path=f"DCIM/{n // 999:03}/F{n:06}.jpg", size_bytes=n, mtime_ns=n, kind=FileKind.STILL,
            generation=1, digests={"xxh3_128": f"{n:032x}"}, read_utc="2026-04-01T19:01:00Z",
        )
        for n in range(FILES)
    ]  # fmt: skip
    copies = [
        CopyFact(
            card_id="c1", path=f.path, destination_id=d, stored_path=f.path, size_bytes=f.size_bytes,
            source_digest=f.digests["xxh3_128"], back_digest=f.digests["xxh3_128"], proof=Proof.DEVICE,
            read_back_utc="2026-04-01T19:02:00Z", folder_synced=True,
        )
        for d in "AB"
        for f in files
    ]  # fmt: skip
    policy = Policy()

    def write() -> bytes:
        return card_manifest(
            CARD, files, show="TIDE", destination_id="A", copies=copies, software_version="0",
            written_utc="2026-04-02T00:00:00Z",
        )  # fmt: skip

    def judge() -> list[CardVerdict]:
        return [judge_card(CARD, tallied, DISKS, policy) for _ in range(CARDS)]

    floor, _ = timed(f"floor: sizes of {FILES:,} files", lambda: sum(f.size_bytes for f in files))
    tallied = tally(counted(files, copies), policy)  # the ledger's own counting: tests/bench/page.py
    timed(f"judging {CARDS} cards from counts", judge)
    _, paper = timed("manifest written", write, floor)
    print(f"{'':58} {len(paper) / 1e6:8.1f} MB")
    timed("manifest read", lambda: parse_card_manifest(paper), floor)
    timed("checksum log", lambda: card_logs(files, copies, destination_id="A"), floor)


if __name__ == "__main__":
    main()
