"""The ledger's file: opening, locking, migrating, transactions.  The only importer of sqlite3.

WAL with ``synchronous=FULL``: with NORMAL a committed row may roll back after a power cut (SQLite
documentation, PRAGMA synchronous).  ``fullfsync`` makes macOS flush the drive's cache as well.  WAL
needs a local disk.  No connection crosses a fork: worker processes are spawned.

One transaction per fact, no long ones.  Every thread has its own connection.  Who writes as the
daemon holds an operating-system lock on ``ledger.lock``, which a crash cannot leave behind.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import sqlite3
import sys
import threading
import time
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any

from ingest.errors import LedgerBusy, LedgerUnusable
from ingest.machinery.ledger.schema import MIGRATIONS, NEWEST

NO_ROOM_BYTES = 256 << 10  # less is too little for the ledger's own log and shared memory


class Store:
    """One ledger file.  ``query`` reads, ``transaction`` writes; both raise LedgerUnusable on damage."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._local = threading.local()
        self._lock_file: int | None = None
        self._write_guard = threading.RLock()
        self._connections: list[tuple[threading.Thread, sqlite3.Connection]] = []
        fresh = not path.exists()
        try:
            self._migrate(fresh)
        except sqlite3.DatabaseError as error:
            raise self._damaged(error) from error

    def _connect(self) -> sqlite3.Connection:
        connection = getattr(self._local, "connection", None)
        if connection is None:
            connection = sqlite3.connect(self.path, timeout=60.0, isolation_level=None, check_same_thread=False)
            connection.execute("PRAGMA journal_mode=WAL")
            connection.execute("PRAGMA synchronous=FULL")
            connection.execute("PRAGMA fullfsync=1")
            connection.execute("PRAGMA foreign_keys=ON")
            self._local.connection = connection
            with self._write_guard:
                self._connections.append((threading.current_thread(), connection))
                self._close_orphans()
        assert isinstance(connection, sqlite3.Connection)
        return connection

    def _close_orphans(self) -> None:
        """Connections of threads that ended: a night of cards must not use up the file handles."""
        for thread, connection in [c for c in self._connections if not c[0].is_alive()]:
            with contextlib.suppress(sqlite3.Error):  # the operating system closes what SQLite will not
                connection.close()
            self._connections.remove((thread, connection))

    def _migrate(self, fresh: bool) -> None:
        connection = self._connect()
        version = int(connection.execute("PRAGMA user_version").fetchone()[0])
        if version > NEWEST:
            raise LedgerUnusable(
                f"the ledger was written by a newer Nightloader (version {version}, this one knows {NEWEST}).",
                item=str(self.path), next="Use the newer program.",
            )
        if version == NEWEST:
            return
        if not fresh and version > 0:
            connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
            shutil.copy2(self.path, self.path.with_name(f"{self.path.name}.before-{version + 1}"))
        connection.execute("BEGIN EXCLUSIVE")
        try:
            version = int(connection.execute("PRAGMA user_version").fetchone()[0])
            for number, script in MIGRATIONS:
                if number > version:
                    for statement in _statements(script):
                        connection.execute(statement)
                    connection.execute(f"PRAGMA user_version={number}")
            connection.execute("COMMIT")
        except BaseException:
            connection.execute("ROLLBACK")
            raise

    def lock(self, *, wait_s: float = 0.0) -> None:
        """Become the one writer of long work; raises LedgerBusy while another process is it, also after ``wait_s``:
        a decision that is just being carried out holds it for a moment."""
        until = time.monotonic() + wait_s
        while self._lock_file is None:
            handle = os.open(self.path.with_suffix(".lock"), os.O_RDWR | os.O_CREAT, 0o644)
            try:
                if sys.platform == "win32":
                    import msvcrt

                    msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
                else:
                    import fcntl

                    fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except OSError as error:
                os.close(handle)
                if time.monotonic() < until:
                    time.sleep(0.05)
                    continue
                raise LedgerBusy(
                    "another Nightloader is at work on this ledger.", item=str(self.path),
                    next="Let it work, or stop it first.", retry=True,
                ) from error
            self._lock_file = handle

    def unlock(self) -> None:
        if self._lock_file is not None:
            os.close(self._lock_file)  # closing releases the lock on every system
            self._lock_file = None

    def query(self, sql: str, args: Sequence[Any] | Mapping[str, Any] = ()) -> list[tuple[Any, ...]]:
        try:
            return self._connect().execute(sql, args).fetchall()
        except sqlite3.DatabaseError as error:
            raise self._damaged(error) from error

    @contextlib.contextmanager
    def transaction(self) -> Iterator[sqlite3.Connection]:
        """One durable change: all of it or nothing, on disk when the block ends."""
        with self._write_guard:
            try:
                connection = self._connect()
            except sqlite3.DatabaseError as error:
                raise self._damaged(error) from error
            if connection.in_transaction:  # a caller's own transaction goes on
                yield connection
                return
            try:
                connection.execute("BEGIN IMMEDIATE")
                yield connection
                connection.execute("COMMIT")
            except BaseException as error:
                with contextlib.suppress(sqlite3.Error):  # the first error is the one to tell
                    connection.execute("ROLLBACK")
                if isinstance(error, sqlite3.DatabaseError) and not isinstance(error, sqlite3.IntegrityError):
                    raise self._damaged(error) from error
                raise

    def foreign_changes(self) -> int:
        """A number that changes when another thread or process has committed (SQLite, PRAGMA data_version)."""
        return int(self.query("PRAGMA data_version")[0][0])

    def close(self) -> None:
        with self._write_guard:
            for _, connection in self._connections:
                with contextlib.suppress(sqlite3.Error):  # another thread's open cursor: the OS closes it
                    connection.close()
            self._connections.clear()
        self._local = threading.local()
        self.unlock()

    def _damaged(self, error: sqlite3.DatabaseError) -> LedgerUnusable:
        """A full disk mends with room: nobody is told to move a ledger aside that is not damaged."""
        code = getattr(error, "sqlite_errorcode", 0) & 0xFF  # the primary code, SQLite documentation, "Result Codes"
        if code in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB):
            next = "Move it aside (keep it) and run `nightloader adopt` on a destination to rebuild it."
        elif code == sqlite3.SQLITE_FULL or self._room() < NO_ROOM_BYTES:
            next = "The cart's own disk is full: make room on it and start again. The ledger stays where it is."
        else:
            next = ("Check the cart's own disk (errors, permissions, mounted read-only) and start again. If it is well "
                    "and this stays, move the ledger aside (keep it) and run `nightloader adopt`.")
        return LedgerUnusable(f"the ledger cannot be used ({error}).", item=str(self.path), next=next)

    def _room(self) -> int:
        try:
            return shutil.disk_usage(self.path.parent).free
        except OSError:
            return NO_ROOM_BYTES


def _statements(script: str) -> Iterator[str]:
    held = ""
    for line in script.splitlines():
        held += line + "\n"
        if sqlite3.complete_statement(held):
            if held.strip():
                yield held
            held = ""
