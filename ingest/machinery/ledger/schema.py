"""The ledger's tables, as numbered migrations.

Facts are stored, judgements computed: there is no ``verified`` column anywhere.  Paths of cards are
stored as BLOBs (``os.fsencode``), since a name may be no UTF-8.  A released migration is never edited;
add a new one and a test that starts from the old file.
"""

from __future__ import annotations

CARDS = """
CREATE TABLE destinations(
  id TEXT PRIMARY KEY, path TEXT NOT NULL, required INTEGER NOT NULL, one_disk INTEGER NOT NULL DEFAULT 0,
  added_utc TEXT NOT NULL, replaced_by TEXT, lost_utc TEXT
);
CREATE TABLE cards(
  id TEXT PRIMARY KEY, label TEXT NOT NULL, roll TEXT NOT NULL DEFAULT '', day TEXT NOT NULL,
  folder TEXT NOT NULL UNIQUE, volume_id TEXT NOT NULL, first_seen_utc TEXT NOT NULL
);
-- One stay of a card in this machine.  presence: boot, mount and root folder; another value is another
-- stay.  whole: the listing read everything; ended: 1 if the listing after the copies equalled it.
-- samples: JSON, path (hex) -> digest of its head and tail.
CREATE TABLE sightings(
  n INTEGER PRIMARY KEY, card_id TEXT NOT NULL, presence TEXT NOT NULL, mount TEXT NOT NULL,
  filesystem TEXT NOT NULL, read_only INTEGER, generation INTEGER NOT NULL, first_utc TEXT NOT NULL,
  last_utc TEXT NOT NULL, gone_utc TEXT, whole INTEGER NOT NULL, ended INTEGER, samples TEXT NOT NULL
);
CREATE INDEX sightings_by_card ON sightings(card_id, n);
CREATE TABLE files(
  id INTEGER PRIMARY KEY, card_id TEXT NOT NULL, path BLOB NOT NULL, generation INTEGER NOT NULL,
  size_bytes INTEGER NOT NULL, mtime_ns INTEGER NOT NULL, kind TEXT NOT NULL, UNIQUE(card_id, path, generation)
);
CREATE INDEX files_by_path ON files(path, size_bytes);
CREATE TABLE left_out(
  card_id TEXT NOT NULL, path BLOB NOT NULL, reason TEXT NOT NULL, PRIMARY KEY(card_id, path)
) WITHOUT ROWID;
CREATE TABLE empty_folders(card_id TEXT NOT NULL, path BLOB NOT NULL, PRIMARY KEY(card_id, path)) WITHOUT ROWID;
-- Whole readings of a card's file.  n = 1 is the reading every copy is compared with.
CREATE TABLE readings(
  file_id INTEGER NOT NULL, n INTEGER NOT NULL, utc TEXT NOT NULL, digests TEXT NOT NULL, proof TEXT NOT NULL,
  sighting INTEGER NOT NULL, PRIMARY KEY(file_id, n)
) WITHOUT ROWID;
CREATE TABLE copies(
  file_id INTEGER NOT NULL, destination_id TEXT NOT NULL, stored_path BLOB NOT NULL, source_digest TEXT NOT NULL,
  back_digest TEXT NOT NULL, proof TEXT NOT NULL, read_back_utc TEXT NOT NULL, folder_synced INTEGER NOT NULL,
  PRIMARY KEY(file_id, destination_id)
) WITHOUT ROWID;
-- The last re-reading of a copy by the audit.
CREATE TABLE rereads(
  file_id INTEGER NOT NULL, destination_id TEXT NOT NULL, utc TEXT NOT NULL, digest TEXT NOT NULL,
  proof TEXT NOT NULL, PRIMARY KEY(file_id, destination_id)
) WITHOUT ROWID;
-- Temporary files that may lie at a destination: written here before they are made, deleted with the
-- fact that ends them.  folder is relative to the destination's root.
CREATE TABLE plans(
  destination_id TEXT NOT NULL, temp TEXT NOT NULL, folder BLOB NOT NULL, utc TEXT NOT NULL,
  PRIMARY KEY(destination_id, temp)
) WITHOUT ROWID;
-- What a person should know of a card, a file or a destination ('' where it is not about one), until it
-- no longer holds.
CREATE TABLE troubles(
  kind TEXT NOT NULL, card_id TEXT NOT NULL, path BLOB NOT NULL, destination_id TEXT NOT NULL,
  severity TEXT NOT NULL, what TEXT NOT NULL, next TEXT NOT NULL, utc TEXT NOT NULL,
  PRIMARY KEY(kind, card_id, path, destination_id)
) WITHOUT ROWID;
CREATE INDEX troubles_by_card ON troubles(card_id);
"""

WORK = """
-- What the header reader and the small decode said of content, by digest (xxh3_128:<hex>).
CREATE TABLE stills(
  digest TEXT PRIMARY KEY, header TEXT, look TEXT, trouble TEXT NOT NULL DEFAULT '', utc TEXT NOT NULL
);
CREATE TABLE clips(digest TEXT PRIMARY KEY, facts TEXT, trouble TEXT NOT NULL DEFAULT '', utc TEXT NOT NULL);
-- Codes of clocks and slates in content that was searched for them ('[]': none).
CREATE TABLE codes(
  digest TEXT PRIMARY KEY, found TEXT NOT NULL, trouble TEXT NOT NULL DEFAULT '', utc TEXT NOT NULL
);
-- A merged set: its frames' digests (signature), what was written and the record.  State is a fact of
-- history: 'current' until another version of the same probe supersedes it.
CREATE TABLE probes(
  id TEXT NOT NULL, version INTEGER NOT NULL, signature TEXT NOT NULL, frames TEXT NOT NULL,
  record TEXT, trouble TEXT NOT NULL DEFAULT '', superseded_utc TEXT, merged_utc TEXT,
  PRIMARY KEY(id, version)
);
CREATE INDEX probes_by_signature ON probes(signature);
-- The last grouping, whole: replaced in one transaction, computed again from the stills at will.
CREATE TABLE views(id TEXT PRIMARY KEY, body TEXT NOT NULL);
CREATE TABLE loose(digest TEXT PRIMARY KEY, what TEXT NOT NULL, why TEXT NOT NULL);
-- Which frames an id stood for, once and for all: lineage outlives a grouping.
CREATE TABLE lineage(id TEXT PRIMARY KEY, frames TEXT NOT NULL, utc TEXT NOT NULL);
-- Files of our own making at a destination: where, with which content.
CREATE TABLE outputs(
  destination_id TEXT NOT NULL, path TEXT NOT NULL, kind TEXT NOT NULL, owner TEXT NOT NULL,
  size_bytes INTEGER NOT NULL, digest TEXT NOT NULL, proof TEXT NOT NULL, written_utc TEXT NOT NULL,
  reread_utc TEXT NOT NULL DEFAULT '', reread_digest TEXT NOT NULL DEFAULT '',
  PRIMARY KEY(destination_id, path)
);
CREATE INDEX outputs_by_owner ON outputs(owner, kind);
-- What a person said: assign, review, waive, confirm, label, sign.  Newest row of (kind, item) counts.
CREATE TABLE decisions(
  n INTEGER PRIMARY KEY, kind TEXT NOT NULL, item TEXT NOT NULL, body TEXT NOT NULL, utc TEXT NOT NULL
);
CREATE INDEX decisions_by_item ON decisions(kind, item);
-- Findings that outlive the step that made them, by key; closed when the step no longer makes them.
CREATE TABLE findings(
  key TEXT NOT NULL, source TEXT NOT NULL, body TEXT NOT NULL, first_utc TEXT NOT NULL, last_utc TEXT NOT NULL,
  closed_utc TEXT, PRIMARY KEY(source, key)
);
-- Long commands handed to the daemon.
CREATE TABLE requests(
  n INTEGER PRIMARY KEY, kind TEXT NOT NULL, body TEXT NOT NULL, asked_utc TEXT NOT NULL,
  progress TEXT NOT NULL DEFAULT '', result TEXT, done_utc TEXT
);
CREATE TABLE settings(key TEXT PRIMARY KEY, value TEXT NOT NULL);
-- What was filed or moved where: the ledger's twin of the show's running log.
CREATE TABLE filings(
  n INTEGER PRIMARY KEY, item TEXT NOT NULL, version INTEGER NOT NULL DEFAULT 1, folder TEXT NOT NULL,
  shot TEXT NOT NULL, setup TEXT NOT NULL, day TEXT NOT NULL, why TEXT NOT NULL, utc TEXT NOT NULL
);
CREATE INDEX filings_by_item ON filings(item);
"""

# Charts and balls seen in content that was looked at ('[]': none), and what was measured in a confirmed one.
SIGHTS = """
CREATE TABLE sights(
  digest TEXT PRIMARY KEY, found TEXT NOT NULL, trouble TEXT NOT NULL DEFAULT '', measured TEXT, utc TEXT NOT NULL
);
"""

# Files are asked for by what is in them: no pass has to hold every file of the show to find a few.
CONTENTS = """
CREATE INDEX readings_by_digest ON readings(json_extract(digests, '$.xxh3_128')) WHERE n = 1;
"""

MIGRATIONS: tuple[tuple[int, str], ...] = ((1, CARDS + WORK), (2, SIGHTS), (3, CONTENTS))
NEWEST = MIGRATIONS[-1][0]
