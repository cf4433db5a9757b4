"""A ledger of an earlier release opens in this one with every fact it held."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest

from ingest.errors import LedgerUnusable
from ingest.machinery.ledger import store as module
from ingest.machinery.ledger.cards import CardLedger
from ingest.machinery.ledger.schema import MIGRATIONS, NEWEST
from ingest.machinery.ledger.store import Store
from ingest.machinery.ledger.work import WorkLedger

# Written by the first release: a destination, a card, a file with its reading and copy, a decision.
OLD = """
INSERT INTO destinations(id, path, required, added_utc) VALUES('d1', '/disk', 1, '2026-04-01T20:00:00Z');
INSERT INTO cards VALUES('c1', 'B007', '', '2026-04-01', 'cards/2026-04-01/B007', 'uuid:1', '2026-04-01T20:00:00Z');
INSERT INTO sightings(n, card_id, presence, mount, filesystem, read_only, generation, first_utc, last_utc, whole, ended,
  samples) VALUES(1, 'c1', 'p', '/card', 'exfat', 1, 1, '2026-04-01T20:00:00Z', '2026-04-01T20:01:00Z', 1, 1, '{}');
INSERT INTO files(id, card_id, path, generation, size_bytes, mtime_ns, kind)
  VALUES(7, 'c1', CAST('DCIM/A.JPG' AS BLOB), 1, 5, 0, 'still');
INSERT INTO readings VALUES(7, 1, '2026-04-01T20:00:30Z', '{"xxh3_128": "ab"}', 'not provable', 1);
INSERT INTO copies VALUES(7, 'd1', CAST('DCIM/A.JPG' AS BLOB), 'ab', 'ab', 'device', '2026-04-01T20:00:40Z', 1);
INSERT INTO plans VALUES('d1', '.nl-00.tmp', CAST('TIDE/cards' AS BLOB), '2026-04-01T20:00:00Z');
INSERT INTO decisions(kind, item, body, utc) VALUES('sign', 'c1', '{"by": "Tomas"}', '2026-04-01T22:00:00Z');
INSERT INTO settings VALUES('k', 'v');
"""


def old_ledger(path: Path, version: int) -> Path:
    """A file as the release with this schema left it."""
    with sqlite3.connect(path) as raw:
        for number, script in MIGRATIONS:
            if number <= version:
                raw.executescript(script)
        raw.executescript(OLD)
        raw.execute(f"PRAGMA user_version={version}")
    raw.close()
    return path


def test_every_earlier_version_opens_with_its_facts(tmp_path: Path) -> None:
    for version in range(1, NEWEST + 1):
        path = old_ledger(tmp_path / f"v{version}.sqlite", version)
        store = Store(path)
        assert store.query("PRAGMA user_version") == [(NEWEST,)]
        cards, work = CardLedger(store), WorkLedger(store)
        (card,), (file,), (copy,) = cards.cards(), cards.files("c1"), cards.copies("c1")
        assert (card.id, card.listing_whole, card.read_only) == ("c1", True, True)
        assert (file.path, file.digests) == ("DCIM/A.JPG", {"xxh3_128": "ab"})
        assert (copy.destination_id, copy.back_digest, copy.folder_synced) == ("d1", "ab", True)
        assert [p.temp for p in cards.planned("d1")] == [".nl-00.tmp"]
        assert work.decisions("sign")["c1"]["by"] == "Tomas" and work.recall("k") == "v"
        assert store.query("SELECT count(*) FROM sights") == [(0,)]  # what the later release added is there
        store.close()
        before = path.with_name(f"{path.name}.before-{version + 1}")
        assert before.is_file() is (version < NEWEST)
        if version < NEWEST:  # the file as it was is kept, and the older program could still use it
            with sqlite3.connect(before) as raw:
                assert raw.execute("PRAGMA user_version").fetchone() == (version,)
                assert raw.execute("SELECT id FROM cards").fetchall() == [("c1",)]
            raw.close()


def test_a_migration_that_fails_leaves_the_ledger_as_it_was(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = old_ledger(tmp_path / "old.sqlite", 1)
    with monkeypatch.context() as patch:
        patch.setattr(module, "MIGRATIONS", (*MIGRATIONS, (NEWEST + 1, "CREATE TABLE cards(x);")))
        patch.setattr(module, "NEWEST", NEWEST + 1)
        with pytest.raises(LedgerUnusable):
            Store(path)
    with sqlite3.connect(path) as raw:
        assert raw.execute("PRAGMA user_version").fetchone() == (1,)
    raw.close()
    store = Store(path)
    assert [c.id for c in CardLedger(store).cards()] == ["c1"]
