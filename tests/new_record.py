"""New records for tests: the migrations make the tables of one in each process, and the others are copies of it.

The migrations take 30 ms of processor time, a copy 4, and a run of the tests makes thousands of records.
"""

from __future__ import annotations

import sqlite3
import threading
import time
from functools import cache

from tidetray.ingest.store import database, schema
from tidetray.ingest.store.database import Database

by_migrations = Database.migrate
_ONE_AT_A_TIME = threading.Lock()


@cache
def _made() -> sqlite3.Connection:
    connection = sqlite3.connect(":memory:", isolation_level=None, check_same_thread=False)
    connection.execute("PRAGMA auto_vacuum=INCREMENTAL")
    by_migrations(Database(connection, ":memory:"))
    return connection


def copied(store: Database) -> None:
    """In place of `Database.migrate`. What is no new record, or is to be one of an older tidetray, is migrated."""
    (tables,) = store.connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    if not tables and database.MIGRATIONS is schema.MIGRATIONS:
        with _ONE_AT_A_TIME:
            _made().backup(store.connection)
        store.connection.execute("UPDATE migration SET applied_ms = ?", (time.time_ns() // 1_000_000,))
    by_migrations(store)
