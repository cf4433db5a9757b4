"""Facts that come back from the papers at a destination after a ledger was lost.

What is here already is never replaced by a paper: the first account of a file counts, and only a card that
papers alone have told of so far is corrected by a better paper.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from ingest.machinery.ledger.store import Store
from ingest.machinery.ledger.work import ProbeFact
from ingest.records.cards import CardRecord, FileRecord, LeftOut, Proof

FROM_PAPERS = "papers"


def restore_card(
    store: Store, card: CardRecord, files: Iterable[FileRecord], *, samples: Mapping[str, str],
    left_out: Iterable[LeftOut], empty_folders: Iterable[str],
) -> bool:
    """A card with its files and what was read of them, in one transaction; False if its folder is another
    card's.  A card that was known by its folder alone (its manifest was gone) gets its name here.

    A reading from papers carries the proof "not provable": no paper says how the card itself was read.
    """
    with store.transaction() as db:
        row = db.execute("SELECT id FROM cards WHERE folder=? AND id<>?", (card.folder, card.id)).fetchone()
        if row is not None:
            if row[0] != card.folder:
                return False
            for table in ("cards", "files", "sightings", "left_out", "empty_folders", "troubles"):
                column = "id" if table == "cards" else "card_id"
                db.execute(f"UPDATE {table} SET {column}=? WHERE {column}=?", (card.id, row[0]))
        db.execute(
            "INSERT INTO cards(id, label, roll, day, folder, volume_id, first_seen_utc) VALUES(?,?,?,?,?,?,?) "
            "ON CONFLICT(id) DO UPDATE SET label=excluded.label, volume_id=excluded.volume_id, "
            "first_seen_utc=min(first_seen_utc, excluded.first_seen_utc), "
            "roll=CASE roll WHEN '' THEN excluded.roll ELSE roll END",
            (card.id, card.label, card.roll, card.day, card.folder, card.volume_id, card.first_seen_utc),
        )
        sighting = _sighting(db, card, samples)
        for file in files:
            _file(db, file, sighting)
        db.executemany(
            "INSERT OR REPLACE INTO left_out VALUES(?,?,?)",
            ((card.id, os.fsencode(x.path), x.reason) for x in left_out),
        )
        db.executemany(
            "INSERT OR IGNORE INTO empty_folders VALUES(?,?)", ((card.id, os.fsencode(p)) for p in empty_folders)
        )
    return True


def _sighting(db: Any, card: CardRecord, samples: Mapping[str, str]) -> int:
    """The stay that the papers tell of: over, and whole only if they say so."""
    last = db.execute(
        "SELECT n, presence FROM sightings WHERE card_id=? ORDER BY n DESC LIMIT 1", (card.id,)
    ).fetchone()
    whole = card.listing_whole
    facts = (card.read_only, card.generation, card.first_seen_utc, card.last_seen_utc, card.last_seen_utc, whole,
             whole or None, json.dumps(dict(samples)))
    if last is None:
        made = db.execute(
            "INSERT INTO sightings(card_id, presence, mount, filesystem, read_only, generation, first_utc, last_utc,"
            " gone_utc, whole, ended, samples) VALUES(?,?,'','',?,?,?,?,?,?,?,?)", (card.id, FROM_PAPERS, *facts),
        )
        return int(made.lastrowid or 0)
    if last[1] == FROM_PAPERS:
        db.execute(
            "UPDATE sightings SET read_only=?, generation=?, first_utc=?, last_utc=?, gone_utc=?, whole=?, ended=?,"
            " samples=? WHERE n=?", (*facts, last[0]),
        )
    return int(last[0])


def _file(db: Any, file: FileRecord, sighting: int) -> None:
    key = (file.card_id, os.fsencode(file.path), file.generation)
    db.execute(
        "INSERT INTO files(card_id, path, generation, size_bytes, mtime_ns, kind) VALUES(?,?,?,?,?,?) "
        "ON CONFLICT DO UPDATE SET mtime_ns=excluded.mtime_ns, kind=excluded.kind WHERE mtime_ns=0",
        (*key, file.size_bytes, file.mtime_ns, str(file.kind)),
    )
    row = db.execute("SELECT id FROM files WHERE card_id=? AND path=? AND generation=?", key).fetchone()[0]
    second = {"xxh3_128": file.second_digest} if file.second_digest else {}
    for n, utc, digests in ((1, file.read_utc, file.digests), (2, file.second_read_utc or file.read_utc, second)):
        if digests:
            db.execute(
                "INSERT OR IGNORE INTO readings VALUES(?,?,?,?,?,?)",
                (row, n, utc, json.dumps(dict(digests)), str(Proof.NOT_PROVABLE), sighting),
            )


def restore_probes(store: Store, facts: Sequence[ProbeFact], utc: str) -> None:
    """Versions of probes that are not known yet, and what their ids stood for; older ones are superseded."""
    newest: dict[str, ProbeFact] = {}
    for fact in facts:
        if fact.id not in newest or newest[fact.id].version < fact.version:
            newest[fact.id] = fact
    with store.transaction() as db:
        for fact in facts:
            later = None if newest[fact.id] is fact else newest[fact.id].merged_utc or utc
            db.execute(
                "INSERT OR IGNORE INTO probes(id, version, signature, frames, record, trouble, merged_utc,"
                " superseded_utc) VALUES(?,?,?,?,?,'',?,?)",
                (fact.id, fact.version, fact.signature, json.dumps(fact.frames), json.dumps(fact.record),
                 fact.merged_utc, later),
            )
        db.executemany(
            "INSERT OR IGNORE INTO lineage VALUES(?,?,?)",
            [(i, json.dumps(list(fact.frames)), utc) for i, fact in newest.items()],
        )


def restore_filings(store: Store, rows: Iterable[tuple[Any, ...]]) -> int:
    """Rows (item, version, folder, shot, setup, day, why, utc) in the log's order that are not known yet; answers
    the number up to which the log they came from holds everything the ledger does."""
    told = 0
    with store.transaction() as db:
        for row in rows:
            found = db.execute(
                "SELECT max(n) FROM filings WHERE item=? AND version=? AND folder=? AND shot=? AND setup=? AND day=?"
                " AND why=? AND utc=?", row,
            ).fetchone()[0]
            if found is None:
                found = db.execute(
                    "INSERT INTO filings(item, version, folder, shot, setup, day, why, utc) VALUES(?,?,?,?,?,?,?,?)",
                    row,
                ).lastrowid
            told = max(told, int(found or 0))
    return told


def restore_decisions(store: Store, rows: Iterable[tuple[str, str, str, str]]) -> int:
    """Decisions (kind, item, body as JSON, utc) likewise."""
    told = 0
    with store.transaction() as db:
        for row in rows:
            found = db.execute(
                "SELECT max(n) FROM decisions WHERE kind=? AND item=? AND body=? AND utc=?", row
            ).fetchone()[0]
            if found is None:
                found = db.execute("INSERT INTO decisions(kind, item, body, utc) VALUES(?,?,?,?)", row).lastrowid
            told = max(told, int(found or 0))
    return told


def keep_samples(store: Store, card_id: str, samples: Mapping[str, str]) -> None:
    """Samples of files that read as they should, for the stay that papers told of."""
    with store.transaction() as db:
        row = db.execute(
            "SELECT n, samples FROM sightings WHERE card_id=? AND presence=? ORDER BY n DESC LIMIT 1",
            (card_id, FROM_PAPERS),
        ).fetchone()
        if row is not None:
            merged = {**json.loads(row[1]), **samples}
            db.execute("UPDATE sightings SET samples=? WHERE n=?", (json.dumps(merged), row[0]))
