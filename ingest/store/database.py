"""The database of a home: one SQLite file, opened, migrated and written in whole transactions.

WAL with synchronous=FULL: a receipt is a promise, and costs nothing at the recorder's batches.
What the tables hold is in `schema`; what goes into them in `recording` and `notebook`.
"""

from __future__ import annotations

import os
import sqlite3
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from itertools import chain
from pathlib import Path
from typing import Any, Self

from tidetray.ingest.core.readings import TidetrayError
from tidetray.ingest.store.quarantine import Quarantine
from tidetray.ingest.store.raw_readings import RawReadings
from tidetray.ingest.store.schema import MIGRATIONS

WRITERS_CACHE_KIB = 16 * 1024
"""Every series is written at its own end of the table, so a writer needs a path of pages for each of them at hand: some
800 series fit. With SQLite's own 2 MB, 100 series slow down by a fifth once there are millions of readings."""

CHECKPOINT_PAGES = 4000
"""A page is changed by every commit while its series grows, but goes into the record's file only as often as this."""

ROWS_AT_ONCE = 64


class StoreError(TidetrayError):
    """The database cannot be opened, read or written."""


_MEND = {
    sqlite3.SQLITE_FULL: "the disk is full: make room",
    sqlite3.SQLITE_IOERR: "the disk fails or is full: check it",
    sqlite3.SQLITE_READONLY: "it may be read only: check the rights, and whether the disk turned read-only",
    sqlite3.SQLITE_BUSY: "another program holds it: end that program",
    sqlite3.SQLITE_LOCKED: "another program holds it: end that program",
    sqlite3.SQLITE_CORRUPT: "it is damaged: stop the recorder and put a copy made by `tidetray backup` in its place",
    sqlite3.SQLITE_NOTADB: "it is damaged: stop the recorder and put a copy made by `tidetray backup` in its place",
}


_OF_THE_DATA = (sqlite3.IntegrityError, sqlite3.DataError, sqlite3.ProgrammingError, sqlite3.InterfaceError)


def is_of_the_disk(error: Exception) -> bool:
    """Whether a write failed for the disk, a lock or the memory, so that the same write may succeed later.

    What fails for what was to be written fails again, however often it is tried. A trigger that refuses is none of
    tidetray's: somebody holds writing off, and lets it go on later.
    """
    if not isinstance(error, sqlite3.Error):
        return False
    is_held_off = getattr(error, "sqlite_errorcode", 0) == sqlite3.SQLITE_CONSTRAINT_TRIGGER
    return is_held_off or not isinstance(error, _OF_THE_DATA)


def how_to_mend(error: sqlite3.Error) -> str:
    """What a person can do about it, as a clause."""
    code: int = getattr(error, "sqlite_errorcode", 0) & 0xFF  # the kind; the rest says more of where
    return _MEND.get(code, "check the disk and the rights")


class Database:
    """A connection with what every writer needs. Used by one thread at a time."""

    def __init__(self, connection: sqlite3.Connection, path: str) -> None:
        self.connection = connection
        self.path = path
        self.raw = RawReadings(connection, path)
        self.quarantine = Quarantine(connection)

    @classmethod
    def open(cls, path: Path | str, *, read_only: bool = False) -> Self:
        """Open the database at `path`, or ':memory:'; create it unless `read_only`, and bring its tables up to date.

        Raises StoreError saying what stands in the way.
        """
        try:
            if read_only:
                if not Path(path).is_file():
                    raise StoreError(
                        "there is no record yet",
                        where=str(path),
                        mend="Start `tidetray record` or `tidetray load` with the same home first",
                    )
                connection = sqlite3.connect(
                    f"{Path(path).absolute().as_uri()}?mode=ro", uri=True, isolation_level=None
                )
            else:
                if str(path) != ":memory:":
                    Path(path).parent.mkdir(parents=True, exist_ok=True)
                connection = sqlite3.connect(path, isolation_level=None, check_same_thread=False)
                # before there is a table, or it needs a VACUUM: what sealing frees can be given back bit by bit
                connection.execute("PRAGMA auto_vacuum=INCREMENTAL")
                connection.execute("PRAGMA journal_mode=WAL")
                connection.execute("PRAGMA synchronous=FULL")
                connection.execute(f"PRAGMA journal_size_limit={64 * 2**20}")
                connection.execute(f"PRAGMA cache_size={-WRITERS_CACHE_KIB}")
                connection.execute(f"PRAGMA wal_autocheckpoint={CHECKPOINT_PAGES}")
            connection.execute("PRAGMA busy_timeout=10000")
            connection.execute("PRAGMA foreign_keys=ON")
            opened = cls(connection, str(path))
            if not read_only:
                opened.migrate()
            elif opened._step() < len(MIGRATIONS):
                # Written by an older tidetray: brought up to date by whoever comes first, even to read.
                opened.close()
                cls.open(path).close()
                return cls.open(path, read_only=True)
        except (sqlite3.Error, OSError) as error:
            mend = how_to_mend(error) if isinstance(error, sqlite3.Error) else "check the disk and the rights"
            raise StoreError(
                f"cannot open the record: {error}", where=str(path), mend=mend[0].upper() + mend[1:]
            ) from error
        return opened

    def close(self) -> None:
        self.connection.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_exc: object) -> None:
        self.close()

    def forget(self) -> None:
        """Drop what was remembered of a transaction that did not come to its end."""

    @contextmanager
    def transaction(self) -> Iterator[sqlite3.Connection]:
        """BEGIN IMMEDIATE … COMMIT; rolled back on any exception. A deferred BEGIN could fail at its first write.

        Inside another one it is part of that: all of it, or nothing.
        """
        if self.connection.in_transaction:
            yield self.connection
            return
        self.connection.execute("BEGIN IMMEDIATE")
        try:
            yield self.connection
            self.connection.execute("COMMIT")
        except BaseException:
            self.forget()
            if self.connection.in_transaction:
                self.connection.execute("ROLLBACK")
            raise

    def damage(self) -> str:
        """What SQLite finds wrong with the file, in its words; empty if nothing. Takes seconds in a large one."""
        (verdict,) = self.connection.execute("PRAGMA quick_check(1)").fetchone()
        return "" if verdict == "ok" else str(verdict)

    def insert(self, table: str, rows: Sequence[tuple[Any, ...]]) -> None:
        """Whole rows, many in one step: after each step SQLite hands Python to the other thread, and waits for it."""
        if not rows:
            return
        row = f"({', '.join('?' * len(rows[0]))})"
        many = f"INSERT INTO {table} VALUES {', '.join([row] * ROWS_AT_ONCE)}"
        whole = len(rows) // ROWS_AT_ONCE * ROWS_AT_ONCE
        for at in range(0, whole, ROWS_AT_ONCE):
            self.connection.execute(many, [*chain.from_iterable(rows[at : at + ROWS_AT_ONCE])])
        self.connection.executemany(f"INSERT INTO {table} VALUES {row}", rows[whole:])

    def _step(self) -> int:
        (done,) = self.connection.execute("SELECT coalesce(max(number), 0) FROM migration").fetchone()
        return int(done)

    def migrate(self) -> None:
        self.connection.execute(
            "CREATE TABLE IF NOT EXISTS migration"
            " (number INTEGER PRIMARY KEY, name TEXT NOT NULL, applied_ms INTEGER NOT NULL) STRICT"
        )
        done = self._step()
        if done > len(MIGRATIONS):
            raise StoreError(
                (
                    f"the record was written by a newer tidetray (its tables are at step {done}, this one knows "
                    f"{len(MIGRATIONS)})"
                ),
                where=self.path,
                mend="Update tidetray",
            )
        for number, (name, script) in enumerate(MIGRATIONS[done:], start=done + 1):
            with self.transaction() as connection:
                if self._step() >= number:
                    continue  # another process was quicker
                for statement in _statements(script):
                    connection.execute(statement)
                connection.execute(
                    "INSERT INTO migration VALUES (?, ?, ?)", (number, name, time.time_ns() // 1_000_000)
                )


def _statements(script: str) -> Iterator[str]:
    """Split at ';': executescript would commit first and so tear a migration in two."""
    statement = ""
    for line in script.splitlines(keepends=True):
        statement += line
        if sqlite3.complete_statement(statement):
            yield statement
            statement = ""


def to_disk(path: Path) -> None:
    """Have a file, or the names in a folder, on disk and not only handed to the system. OSError where that fails."""
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
