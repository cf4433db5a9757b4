"""The ledger's facts about cards: sightings, files, readings, plans, copies and troubles.

Order of facts in a file's life: ``files`` (seen) -> ``plans`` (before a temporary file is made) ->
``readings`` and ``copies`` together with the plan's end (last, after the folder entry is on disk).
A stop between any two leaves a plan whose temporary file is removed, or a finished file without its
fact, which is read again and not believed.
"""

from __future__ import annotations

import contextlib
import itertools
import json
import os
import sqlite3
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from ingest.machinery.clock import utc_text
from ingest.machinery.ledger.evidence import count
from ingest.machinery.ledger.store import Store
from ingest.records.cards import (
    CardFile,
    CardRecord,
    CopyFact,
    DestinationRecord,
    FileKind,
    FileRecord,
    LeftOut,
    Proof,
)
from ingest.records.evidence import CardEvidence
from ingest.records.findings import Finding, Severity
from ingest.records.names import check_text, shown


@dataclass(frozen=True, kw_only=True, slots=True)
class Sighting:
    """One stay of a card in this machine (see the schema)."""

    n: int
    card_id: str
    presence: str
    mount: str
    filesystem: str
    read_only: bool | None
    generation: int
    first_utc: str
    last_utc: str
    whole: bool
    ended: bool | None
    gone: bool
    samples: Mapping[str, str] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True, slots=True)
class Planned:
    """A temporary file that may lie at a destination; ``folder`` is relative to its root."""

    destination_id: str
    temp: str
    folder: str


@dataclass(frozen=True, kw_only=True, slots=True)
class Reading:
    """One whole reading of a card's file.  ``n`` counts from 1; the first is what copies are held to."""

    row: int
    n: int
    utc: str
    digests: Mapping[str, str]
    proof: Proof
    sighting: int


@dataclass(frozen=True, kw_only=True, slots=True)
class HeldFile:
    """A file of a card that was read whole, its content (``xxh3_128:<hex>``) and its verified copies: (destination
    id, stored path).  ``folder`` is its card's."""

    card_id: str
    folder: str
    path: str
    digest: str
    copies: tuple[tuple[str, str], ...]


@dataclass(frozen=True, kw_only=True, slots=True)
class Trouble:
    """What a person should know; the key is (kind, card, path, destination)."""

    kind: str
    card_id: str = ""
    path: str = ""
    destination_id: str = ""
    severity: Severity = Severity.PERSON
    what: str = ""
    next: str = ""


@dataclass(frozen=True, kw_only=True, slots=True)
class Landed:
    """The last fact of a file at a destination, with the plan that it ends ("" if there was none)."""

    row: int
    destination_id: str
    stored_path: str
    source_digest: str
    back_digest: str
    proof: Proof
    read_back_utc: str
    folder_synced: bool
    temp: str = ""


_FOUND = "found again "
_MARK = "mark of "
SOUND_ENDS = ("wav", "bwf", "rf64", "aif", "aiff")
_CARDS = """
SELECT c.id, c.label, c.roll, c.day, c.folder, c.volume_id, c.first_seen_utc,
       coalesce(s.last_utc, c.first_seen_utc), coalesce(s.generation, 1), coalesce(s.whole, 0), s.ended,
       s.read_only, CASE WHEN s.gone_utc IS NULL THEN s.mount END
FROM cards c LEFT JOIN sightings s ON s.n = (SELECT max(n) FROM sightings WHERE card_id = c.id)
"""
_FILES = """
SELECT f.id, f.card_id, f.path, f.size_bytes, f.mtime_ns, f.kind, f.generation,
       r.digests, r.utc, s.digests, s.utc, t.what
FROM files f
LEFT JOIN readings r ON r.file_id = f.id AND r.n = 1
LEFT JOIN readings s ON s.file_id = f.id AND s.n = (SELECT max(n) FROM readings WHERE file_id = f.id AND n > 1)
LEFT JOIN troubles t ON t.kind = 'not read' AND t.card_id = f.card_id AND t.path = f.path AND t.destination_id = ''
"""
_COPIES = """
SELECT f.card_id, f.path, k.destination_id, k.stored_path, f.size_bytes, k.source_digest, k.back_digest, k.proof,
       k.read_back_utc, k.folder_synced, coalesce(a.utc, ''), coalesce(a.digest, ''), coalesce(a.proof, ''),
       f.generation
FROM copies k JOIN files f ON f.id = k.file_id
LEFT JOIN rereads a ON a.file_id = k.file_id AND a.destination_id = k.destination_id
"""
_HELD = """
SELECT f.id, f.card_id, c.folder, f.path, json_extract(r.digests, '$.xxh3_128'), k.destination_id, k.stored_path
FROM readings r JOIN files f ON f.id = r.file_id JOIN cards c ON c.id = f.card_id
LEFT JOIN copies k ON k.file_id = f.id
WHERE r.n = 1 AND {} ORDER BY c.rowid, f.id, k.destination_id
"""


class CardLedger:
    """Reads and writes the facts about cards.  Every writing method is one durable transaction."""

    def __init__(self, store: Store) -> None:
        self._store = store

    # -- destinations

    def destinations(self, *, lost: bool = False) -> tuple[DestinationRecord, ...]:
        """Destinations in the order they were added; ``present``, file system and free room are not the
        ledger's to know.  ``lost`` adds those declared lost, and those replaced, which have no duty any more."""
        unread = self.found_again()
        rows = self._store.query(
            "SELECT id, path, required AND replaced_by IS NULL, one_disk, coalesce(lost_utc, '') FROM destinations "
            + ("" if lost else "WHERE lost_utc IS NULL AND replaced_by IS NULL ") + "ORDER BY rowid"
        )
        return tuple(
            DestinationRecord(
                id=r[0], path=r[1], required=bool(r[2]), present=False, one_disk=bool(r[3]), lost_utc=r[4],
                unread_since=unread.get(r[0], ""),
            )
            for r in rows
        )

    def add_destination(self, record: DestinationRecord, utc: str, *, replaces: str = "") -> None:
        """Add one, or renew its path and duty; ``replaces`` is the id whose duty it takes over."""
        with self._store.transaction() as db:
            db.execute(
                "INSERT INTO destinations(id, path, required, one_disk, added_utc) VALUES(?,?,?,?,?) "
                "ON CONFLICT(id) DO UPDATE SET path=excluded.path, required=excluded.required,"
                " one_disk=excluded.one_disk",
                (record.id, record.path, record.required, record.one_disk, utc),
            )
            if replaces:
                db.execute("UPDATE destinations SET replaced_by=? WHERE id=?", (record.id, replaces))

    def declare_lost(self, destination_id: str, utc: str) -> None:
        with self._store.transaction() as db:
            db.execute("UPDATE destinations SET lost_utc=? WHERE id=?", (utc, destination_id))

    def find_again(self, destination_id: str, utc: str) -> None:
        """A disk that was declared lost is here again; it counts once all its copies were read after this moment."""
        with self._store.transaction() as db:
            since = _after_all(db, destination_id, utc)
            db.execute("INSERT OR IGNORE INTO settings(key, value) VALUES(?,?)", (f"{_FOUND}{destination_id}", since))

    def find_other(self, destination_id: str, mark: str, utc: str) -> None:
        """Another volume carries its identity; that one counts once all copies were read after this moment, whatever
        was read of the one before."""
        with self._store.transaction() as db:
            since = _after_all(db, destination_id, utc)
            db.execute("INSERT OR REPLACE INTO settings(key, value) VALUES(?,?)", (f"{_FOUND}{destination_id}", since))
            db.execute("INSERT OR REPLACE INTO settings(key, value) VALUES(?,?)", (f"{_MARK}{destination_id}", mark))

    def found_again(self) -> dict[str, str]:
        """Destination ids -> since when, of such disks whose copies were not all read yet."""
        rows = self._store.query("SELECT key, value FROM settings WHERE key GLOB ?", (f"{_FOUND}*",))
        return {key[len(_FOUND):]: utc for key, utc in rows}

    def counts_again(self, destination_id: str, since_utc: str) -> bool:
        """Every copy claimed at a disk found again was read; it is a destination like the others.  False, and nothing
        is stored, where it was exchanged meanwhile."""
        with self._store.transaction() as db:
            key = (f"{_FOUND}{destination_id}", since_utc)
            if not db.execute("DELETE FROM settings WHERE key=? AND value=?", key).rowcount:
                return False
            db.execute("UPDATE destinations SET lost_utc=NULL, replaced_by=NULL WHERE id=?", (destination_id,))
        return True

    def marks(self) -> dict[str, str]:
        """Destination ids -> the mark (see ``DestinationRecord``) of what was read and written there last."""
        rows = self._store.query("SELECT key, value FROM settings WHERE key GLOB ?", (f"{_MARK}*",))
        return {key[len(_MARK):]: mark for key, mark in rows}

    def put_mark(self, destination_id: str, mark: str) -> None:
        with self._store.transaction() as db:
            db.execute("INSERT OR REPLACE INTO settings(key, value) VALUES(?,?)", (f"{_MARK}{destination_id}", mark))

    # -- cards and sightings

    def cards(self) -> tuple[CardRecord, ...]:
        return tuple(_card(r) for r in self._store.query(_CARDS + "ORDER BY c.rowid"))

    def card(self, card_id: str) -> CardRecord | None:
        rows = self._store.query(_CARDS + "WHERE c.id=?", (card_id,))
        return _card(rows[0]) if rows else None

    def add_card(self, *, id: str, label: str, day: str, folder: str, volume_id: str, utc: str, roll: str = "") -> None:
        with self._store.transaction() as db:
            db.execute(
                "INSERT OR IGNORE INTO cards(id, label, roll, day, folder, volume_id, first_seen_utc) "
                "VALUES(?,?,?,?,?,?,?)",
                (id, label, roll, day, folder, volume_id, utc),
            )

    def cards_holding(self, volume_id: str, files: Iterable[CardFile]) -> tuple[str, ...]:
        """Cards of this volume identity that hold any of these (path and size), newest first."""
        found: dict[str, None] = {}
        for f in files:
            rows = self._store.query(
                "SELECT DISTINCT c.id FROM files f JOIN cards c ON c.id = f.card_id "
                "WHERE f.path=? AND f.size_bytes=? AND c.volume_id=? ORDER BY c.rowid DESC",
                (os.fsencode(f.path), f.size_bytes, volume_id),
            )
            found.update((r[0], None) for r in rows)
        return tuple(found)

    def name_roll(self, card_id: str, roll: str) -> None:
        """What a person calls the card; its folder stays.  UsageError for words that are no text."""
        check_text(roll)
        with self._store.transaction() as db:
            db.execute("UPDATE cards SET roll=? WHERE id=?", (roll, card_id))

    def sightings(self, card_id: str = "") -> tuple[Sighting, ...]:
        """Sightings oldest first, of one card or of all."""
        rows = self._store.query(
            "SELECT n, card_id, presence, mount, filesystem, read_only, generation, first_utc, last_utc, whole, ended,"
            " gone_utc, samples FROM sightings " + ("WHERE card_id=? " if card_id else "") + "ORDER BY n",
            (card_id,) if card_id else (),
        )
        return tuple(_sighting(r) for r in rows)

    def last_sighting(self, card_id: str) -> Sighting | None:
        found = self.sightings(card_id)
        return found[-1] if found else None

    def record_sighting(
        self, *, card_id: str, presence: str, mount: str, filesystem: str, read_only: bool | None, generation: int,
        whole: bool, samples: Mapping[str, str], files: Iterable[tuple[CardFile, FileKind, int]],
        left_out: Iterable[LeftOut], empty_folders: Iterable[str], utc: str,
    ) -> int:
        """A stay begins, or goes on with something new on the card; answers its number.

        ``files`` are those not known yet, with kind and generation.
        """
        with self._store.transaction() as db:
            last = db.execute(
                "SELECT n, presence, gone_utc FROM sightings WHERE card_id=? ORDER BY n DESC LIMIT 1", (card_id,)
            ).fetchone()
            new = list(files)
            if last and last[1] == presence and last[2] is None:
                n = int(last[0])
                db.execute(
                    "UPDATE sightings SET mount=?, read_only=?, generation=?, last_utc=?, whole=?, samples=? WHERE n=?",
                    (mount, read_only, generation, utc, whole, json.dumps(dict(samples)), n),
                )
                if new:  # what was compared at the end is not what is there now
                    db.execute("UPDATE sightings SET ended=NULL WHERE n=?", (n,))
            else:
                db.execute("UPDATE sightings SET gone_utc=? WHERE card_id=? AND gone_utc IS NULL", (utc, card_id))
                n = int(
                    db.execute(
                        "INSERT INTO sightings(card_id, presence, mount, filesystem, read_only, generation, first_utc,"
                        " last_utc,"
                        " whole, samples) VALUES(?,?,?,?,?,?,?,?,?,?)",
                        (
                            card_id,
                            presence,
                            mount,
                            filesystem,
                            read_only,
                            generation,
                            utc,
                            utc,
                            whole,
                            json.dumps(dict(samples)),
                        ),
                    ).lastrowid
                    or 0
                )
            db.executemany(
                "INSERT INTO files(card_id, path, generation, size_bytes, mtime_ns, kind) VALUES(?,?,?,?,?,?) "
                "ON CONFLICT DO UPDATE SET size_bytes=excluded.size_bytes, mtime_ns=excluded.mtime_ns "
                "WHERE NOT EXISTS(SELECT 1 FROM readings WHERE file_id=files.id)",
                ((card_id, os.fsencode(f.path), g, f.size_bytes, f.mtime_ns, str(kind)) for f, kind, g in new),
            )
            db.executemany(
                "INSERT OR REPLACE INTO left_out VALUES(?,?,?)",
                ((card_id, os.fsencode(x.path), x.reason) for x in left_out),
            )
            db.executemany(
                "INSERT OR IGNORE INTO empty_folders VALUES(?,?)", ((card_id, os.fsencode(p)) for p in empty_folders)
            )
        return n

    def end_sighting(self, n: int, *, ended: bool | None, utc: str, whole: bool | None = None) -> None:
        """The listing after the copies: equal (True), changed (False), or to be made anew (None)."""
        with self._store.transaction() as db:
            db.execute("UPDATE sightings SET ended=?, last_utc=? WHERE n=?", (ended, utc, n))
            if whole is not None:
                db.execute("UPDATE sightings SET whole=? WHERE n=?", (whole, n))

    def gone(self, card_ids: Iterable[str], utc: str) -> None:
        """These cards are no longer in the machine."""
        with self._store.transaction() as db:
            db.executemany(
                "UPDATE sightings SET gone_utc=? WHERE card_id=? AND gone_utc IS NULL", ((utc, c) for c in card_ids)
            )

    # -- files

    def files(self, card_id: str) -> tuple[FileRecord, ...]:
        """The card's files to be kept, every generation, in the order they were listed."""
        return tuple(_file(r) for r in self._store.query(_FILES + "WHERE f.card_id=? ORDER BY f.id", (card_id,)))

    def held(self, *, kind: FileKind | None = None, digest: str = "") -> Iterator[HeldFile]:
        """Files that were read whole, with their copies, of a kind or of one content (xxh3_128 hex), in card order."""
        if digest:
            rows = self._store.query(_HELD.format("json_extract(r.digests, '$.xxh3_128') = ?"), (digest,))
        else:
            rows = self._store.query(_HELD.format("f.kind = ?"), (str(kind),))
        for _, group in itertools.groupby(rows, key=lambda r: r[0]):
            same = list(group)
            _, card_id, folder, path, content = same[0][:5]
            yield HeldFile(
                card_id=card_id, folder=folder, path=os.fsdecode(path), digest=f"xxh3_128:{content}",
                copies=tuple((r[5], os.fsdecode(r[6])) for r in same if r[5] is not None),
            )

    def kept(self, card_id: str) -> tuple[int, int]:
        """(files to keep, their bytes) without reading each of them."""
        row = self._store.query("SELECT count(*), coalesce(sum(size_bytes), 0) FROM files WHERE card_id=?", (card_id,))
        return int(row[0][0]), int(row[0][1])

    def evidence(self, card_id: str) -> CardEvidence:
        """What is held about the card's files and copies, counted without a record for each."""
        return count(self._store, card_id)

    def kinds(self, card_id: str) -> tuple[str, ...]:
        """Which kinds of files it holds, sorted; ``sound`` where one is a recorder's."""
        rows = self._store.query("SELECT DISTINCT kind FROM files WHERE card_id=?", (card_id,))
        ends = " OR ".join(f"lower(CAST(path AS TEXT)) LIKE '%.{end}'" for end in SOUND_ENDS)
        heard = self._store.query(f"SELECT 1 FROM files WHERE card_id=? AND ({ends}) LIMIT 1", (card_id,))
        return tuple(sorted({str(r[0]) for r in rows} | ({"sound"} if heard else set())))

    def left_out(self, card_id: str) -> tuple[LeftOut, ...]:
        rows = self._store.query("SELECT path, reason FROM left_out WHERE card_id=? ORDER BY path", (card_id,))
        return tuple(LeftOut(path=os.fsdecode(r[0]), reason=r[1]) for r in rows)

    def empty_folders(self, card_id: str) -> tuple[str, ...]:
        rows = self._store.query("SELECT path FROM empty_folders WHERE card_id=? ORDER BY path", (card_id,))
        return tuple(os.fsdecode(r[0]) for r in rows)

    def readings(self, card_id: str) -> tuple[Reading, ...]:
        rows = self._store.query(
            "SELECT r.file_id, r.n, r.utc, r.digests, r.proof, r.sighting "
            "FROM readings r JOIN files f ON f.id=r.file_id "
            "WHERE f.card_id=? ORDER BY r.file_id, r.n",
            (card_id,),
        )
        return tuple(
            Reading(row=r[0], n=r[1], utc=r[2], digests=json.loads(r[3]), proof=Proof(r[4]), sighting=r[5])
            for r in rows
        )

    def stamp(self, card_id: str) -> tuple[object, ...]:
        """Changes whenever a paper of this card would: cheap to ask for."""
        return tuple(
            self._store.query(
                "SELECT (SELECT count(*) FROM files WHERE card_id=:c), "
                "(SELECT count(*) || max(r.utc) FROM readings r JOIN files f ON f.id=r.file_id WHERE f.card_id=:c), "
                "(SELECT count(*) || max(k.read_back_utc) FROM copies k JOIN files f ON f.id=k.file_id"
                " WHERE f.card_id=:c), "
                "(SELECT count(*) || max(a.utc) FROM rereads a JOIN files f ON f.id=a.file_id WHERE f.card_id=:c), "
                "(SELECT count(*) FROM left_out WHERE card_id=:c), (SELECT count(*) FROM troubles WHERE card_id=:c), "
                "(SELECT roll FROM cards WHERE id=:c), (SELECT max(whole || coalesce(ended, '-')) FROM sightings WHERE "
                "n=(SELECT max(n) FROM sightings WHERE card_id=:c))",
                {"c": card_id},
            )[0]
        )

    def done(self, card_id: str) -> tuple[int, int, int, int]:
        """(files to keep, their bytes, files that have all copies they can have now, those files' bytes): the
        least advanced present destination counts, so a figure never runs ahead of the proof."""
        total, size = self._store.query(
            "SELECT count(*), coalesce(sum(size_bytes), 0) FROM files WHERE card_id=?", (card_id,)
        )[0]
        rows = self._store.query(
            "SELECT count(*), sum(f.size_bytes) FROM copies k JOIN files f ON f.id=k.file_id WHERE f.card_id=? "
            "GROUP BY k.destination_id", (card_id,)
        )
        files, bytes_ = min(((int(n), int(b)) for n, b in rows), default=(0, 0))
        return int(total), int(size), files, bytes_

    # -- the copier's facts

    def plan(self, planned: Iterable[Planned], utc: str) -> None:
        """Durable when this returns; only then may the temporary files be made."""
        with self._store.transaction() as db:
            db.executemany(
                "INSERT OR REPLACE INTO plans(destination_id, temp, folder, utc) VALUES(?,?,?,?)",
                ((p.destination_id, p.temp, os.fsencode(p.folder), utc) for p in planned),
            )

    def planned(self, destination_id: str) -> tuple[Planned, ...]:
        rows = self._store.query("SELECT temp, folder FROM plans WHERE destination_id=?", (destination_id,))
        return tuple(Planned(destination_id=destination_id, temp=r[0], folder=os.fsdecode(r[1])) for r in rows)

    def forget_plans(self, planned: Iterable[Planned]) -> None:
        """Their temporary files are gone for certain."""
        with self._store.transaction() as db:
            db.executemany(
                "DELETE FROM plans WHERE destination_id=? AND temp=?", ((p.destination_id, p.temp) for p in planned)
            )

    def record(self, *, readings: Sequence[Reading] = (), landed: Sequence[Landed] = ()) -> None:
        """Readings and finished copies, with the ends of their plans, in one transaction.

        A reading whose ``n`` is 0 gets the next free number; a first reading is never replaced.
        """
        with self._store.transaction() as db:
            for r in readings:
                n = (
                    r.n
                    or db.execute("SELECT coalesce(max(n), 0) + 1 FROM readings WHERE file_id=?", (r.row,)).fetchone()[
                        0
                    ]
                )
                db.execute(
                    "INSERT OR IGNORE INTO readings VALUES(?,?,?,?,?,?)",
                    (r.row, n, r.utc, json.dumps(dict(r.digests)), str(r.proof), r.sighting),
                )
            db.executemany(
                "INSERT OR REPLACE INTO copies VALUES(?,?,?,?,?,?,?,?)",
                ((x.row, x.destination_id, os.fsencode(x.stored_path), x.source_digest, x.back_digest, str(x.proof),
                  x.read_back_utc, x.folder_synced) for x in landed),
            )
            db.executemany(
                "DELETE FROM plans WHERE destination_id=? AND temp=?",
                ((x.destination_id, x.temp) for x in landed if x.temp),
            )

    def copies(self, card_id: str) -> tuple[CopyFact, ...]:
        return tuple(_copy(r) for r in self._store.query(_COPIES + "WHERE f.card_id=? ORDER BY f.id", (card_id,)))

    def copies_at(self, destination_id: str, *, newest: int = 0) -> tuple[CopyFact, ...]:
        """All copies at a destination, or the ``newest`` few."""
        tail = f"ORDER BY k.read_back_utc DESC LIMIT {int(newest)}" if newest else "ORDER BY f.id"
        return tuple(
            _copy(r) for r in self._store.query(_COPIES + "WHERE k.destination_id=? " + tail, (destination_id,))
        )

    def withdraw_copy(self, card_id: str, path: str, generation: int, destination_id: str) -> None:
        """The copy is gone or wrong (a person knows from the finding): it is owed again."""
        with self._store.transaction() as db:
            for table in ("copies", "rereads"):
                db.execute(
                    f"DELETE FROM {table} WHERE destination_id=? AND file_id="
                    "(SELECT id FROM files WHERE card_id=? AND path=? AND generation=?)",
                    (destination_id, card_id, os.fsencode(path), generation),
                )

    def record_reread(self, rereads: Iterable[tuple[CopyFact, str, str, str]]) -> None:
        """What the audit read: (copy, digest hex or "" for missing, proof, UTC).  What was withdrawn or copied anew
        since it was read is left out: the reading says nothing of that."""
        with self._store.transaction() as db:
            db.executemany(
                "INSERT OR REPLACE INTO rereads(file_id, destination_id, utc, digest, proof) "
                "SELECT f.id, k.destination_id, ?, ?, ? FROM files f JOIN copies k ON k.file_id = f.id "
                "WHERE f.card_id=? AND f.path=? AND f.generation=? AND k.destination_id=? AND k.read_back_utc=?",
                ((utc, digest, proof, c.card_id, os.fsencode(c.path), c.generation, c.destination_id, c.read_back_utc)
                 for c, digest, proof, utc in rereads),
            )

    # -- troubles

    def trouble(self, troubles: Iterable[Trouble], utc: str) -> None:
        """Add or renew; the first time stays.  Words may quote names from a card: they are stored as a person may
        read them, and as the ledger can hold them."""
        with self._store.transaction() as db:
            db.executemany(
                "INSERT INTO troubles VALUES(?,?,?,?,?,?,?,?) ON CONFLICT DO UPDATE SET severity=excluded.severity,"
                " what=excluded.what, next=excluded.next",
                ((t.kind, t.card_id, os.fsencode(t.path), t.destination_id, str(t.severity), shown(t.what),
                  shown(t.next), utc) for t in troubles),
            )

    def no_trouble(self, keys: Iterable[Trouble]) -> None:
        """These no longer hold (only their keys are looked at)."""
        with self._store.transaction() as db:
            db.executemany(
                "DELETE FROM troubles WHERE kind=? AND card_id=? AND path=? AND destination_id=?",
                ((t.kind, t.card_id, os.fsencode(t.path), t.destination_id) for t in keys),
            )

    def in_trouble(self, kinds: Iterable[str]) -> frozenset[tuple[str, str]]:
        """Cards and destinations ("" for none) that troubles of these kinds stand for."""
        wanted = tuple(kinds)
        marks = ",".join("?" * len(wanted))
        rows = self._store.query(
            f"SELECT DISTINCT card_id, destination_id FROM troubles WHERE kind IN ({marks})", wanted
        )
        return frozenset((str(r[0]), str(r[1])) for r in rows)

    def troubles(self, card_id: str | None = None) -> tuple[Trouble, ...]:
        rows = self._store.query(
            "SELECT kind, card_id, path, destination_id, severity, what, next FROM troubles "
            + ("" if card_id is None else "WHERE card_id=? ") + "ORDER BY card_id, path, kind",
            () if card_id is None else (card_id,),
        )
        return tuple(
            Trouble(kind=r[0], card_id=r[1], path=os.fsdecode(r[2]), destination_id=r[3], severity=Severity(r[4]),
                    what=r[5], next=r[6])
            for r in rows
        )

    def findings(self) -> tuple[Finding, ...]:
        """Every standing trouble as a finding; the item names card, file and destination."""
        names = {c.id: c.roll or c.label or c.folder.rsplit("/", 1)[-1] for c in self.cards()}
        paths = {d.id: d.path for d in self.destinations(lost=True)}
        found = []
        for t in self.troubles():
            parts = [names.get(t.card_id, t.card_id), shown(t.path)]
            item = "/".join(p for p in parts if p)
            where = paths.get(t.destination_id, t.destination_id)
            more = {k: v for k, v in (("card", t.card_id), ("path", shown(t.path)), ("destination", where)) if v}
            if where:
                item = f"{item} at {where}" if item else where
            found.append(Finding(kind=t.kind, item=item, severity=t.severity, what=t.what, next=t.next, more=more))
        return tuple(found)


def _after_all(db: sqlite3.Connection, destination_id: str, utc: str) -> str:
    """This moment, or one later than all that was stored of a destination while the clock was ahead."""
    (newest,) = db.execute(
        "SELECT max(max(k.read_back_utc), max(coalesce(a.utc, ''))) FROM copies k LEFT JOIN rereads a"
        " ON a.file_id = k.file_id AND a.destination_id = k.destination_id WHERE k.destination_id=?", (destination_id,)
    ).fetchone()
    with contextlib.suppress(ValueError):  # no time that was ever written by this clock
        if newest:
            return max(utc, utc_text(datetime.fromisoformat(newest) + timedelta(milliseconds=1)))
    return utc


def _card(r: Sequence[Any]) -> CardRecord:
    return CardRecord(
        id=r[0], label=r[1], roll=r[2], day=r[3], folder=r[4], volume_id=r[5], first_seen_utc=r[6], last_seen_utc=r[7],
        generation=r[8], listing_whole=bool(r[9]) and bool(r[10]), read_only=None if r[11] is None else bool(r[11]),
        mount=r[12],
    )


def _sighting(r: Sequence[Any]) -> Sighting:
    return Sighting(
        n=r[0],
        card_id=r[1],
        presence=r[2],
        mount=r[3],
        filesystem=r[4],
        read_only=None if r[5] is None else bool(r[5]),
        generation=r[6],
        first_utc=r[7],
        last_utc=r[8],
        whole=bool(r[9]),
        ended=None if r[10] is None else bool(r[10]),
        gone=r[11] is not None,
        samples=json.loads(r[12]),
    )


def _file(r: Sequence[Any]) -> FileRecord:
    second = json.loads(r[9]).get("xxh3_128", "") if r[9] else ""
    return FileRecord(
        row=r[0], card_id=r[1], path=os.fsdecode(r[2]), size_bytes=r[3], mtime_ns=r[4], kind=FileKind(r[5]),
        generation=r[6], digests=json.loads(r[7]) if r[7] else {}, read_utc=r[8] or "", second_digest=second,
        second_read_utc=r[10] or "", trouble=r[11] or "",
    )


def _copy(r: Sequence[Any]) -> CopyFact:
    return CopyFact(
        card_id=r[0], path=os.fsdecode(r[1]), destination_id=r[2], stored_path=os.fsdecode(r[3]), size_bytes=r[4],
        source_digest=r[5], back_digest=r[6], proof=Proof(r[7]), read_back_utc=r[8], folder_synced=bool(r[9]),
        reread_utc=r[10], reread_digest=r[11], reread_proof=r[12], generation=r[13],
    )
