"""A consistent copy of a record, taken while it is being recorded into.

Comes in: the record and where the copy shall be. Goes out: one whole file, checked from end to end, or
StoreError and no file. The writer is not held up: SQLite's backup reads one moment of the write-ahead log.

Restoring is putting that file into a fresh home under the record's name (README). Not into a home that was
used: a leftover write-ahead log of the old record would be taken for part of the copy.
"""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from ingest.database import Database, StoreError


@dataclass(frozen=True, slots=True)
class Backup:
    """The copy at `path`: its size, and how many readings and weigh-ins are in it."""

    path: Path
    size_bytes: int
    readings: int
    weigh_ins: int


def back_up(record: Path, to: Path) -> Backup:
    """Copy the record at `record` to the new file `to`. StoreError if it cannot be done or the copy is not sound."""
    if to.exists():
        raise StoreError("there is such a file already", where=str(to), mend="Give the backup a name of its own")
    part = to.with_name(to.name + ".part")
    try:
        part.unlink(missing_ok=True)
        with Database.open(record, read_only=True) as source, closing(sqlite3.connect(part)) as copy:
            source.connection.backup(copy)  # all pages in one step: a copy in steps starts anew at every commit
            copy.execute("PRAGMA journal_mode=DELETE")  # one file, nothing beside it
            found = _checked(copy, part)
        _to_disk(part)
        part.rename(to)
        _to_disk(to.parent)
    except (sqlite3.Error, OSError) as error:
        raise StoreError(
            f"the backup failed: {error}", where=str(to), mend="Check room and rights there; no copy was made"
        ) from error
    finally:
        part.unlink(missing_ok=True)
    return Backup(to, to.stat().st_size, *found)


def _checked(copy: sqlite3.Connection, where: Path) -> tuple[int, int]:
    """Numbers of readings and weigh-ins of a sound copy."""
    (verdict,) = copy.execute("PRAGMA integrity_check(1)").fetchone()
    dangling = copy.execute("PRAGMA foreign_key_check").fetchone()
    if verdict != "ok" or dangling is not None:
        what = verdict if verdict != "ok" else f"a row of {dangling[0]} belongs to nothing"
        mend = "The record itself is damaged: keep older backups, and run `tidetray check`"
        raise StoreError(f"the copy is not sound: {what}", where=str(where), mend=mend)
    (readings,) = copy.execute("SELECT count(*) FROM reading").fetchone()
    (weigh_ins,) = copy.execute("SELECT count(*) FROM weigh_in").fetchone()
    return int(readings), int(weigh_ins)


def _to_disk(path: Path) -> None:
    handle = os.open(path, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
