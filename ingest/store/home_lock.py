"""One recorder per home: the lock it holds, and whether one is at work."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

from tidetray.ingest.core.readings import TidetrayError

LOCK_FILE = "recorder.lock"
"""In the home; a database without tables, of which only the lock counts."""


class RecorderError(TidetrayError):
    """The recorder cannot start or go on."""


class RecorderLock:
    """One recorder per home. Held by the operating system, so a killed recorder leaves none behind.

    Raises
    ------
    RecorderError
        On entering: another recorder records into this home, or the home cannot be written.
    """

    def __init__(self, home: Path) -> None:
        self._path = home / LOCK_FILE

    def __enter__(self) -> RecorderLock:
        home = self._path.parent
        try:
            home.mkdir(parents=True, exist_ok=True)
            self._connection = sqlite3.connect(self._path, timeout=2.0, isolation_level=None)
            self._connection.execute("BEGIN EXCLUSIVE")
        except (OSError, sqlite3.Error) as error:
            if getattr(error, "sqlite_errorcode", 0) == sqlite3.SQLITE_BUSY:
                self._connection.close()
                raise RecorderError(
                    "another recorder is recording into this home",
                    where=str(home),
                    mend="Stop it, or name another --home",
                ) from error
            raise RecorderError(
                f"cannot write into the home: {error}", where=str(home), mend="Check the disk and the rights"
            ) from error
        return self

    def __exit__(self, *_exc: object) -> None:
        self._connection.close()


def is_recording(home: Path) -> bool:
    """Whether a recorder is at work in this home."""
    path = home / LOCK_FILE
    if not path.is_file():
        return False
    with closing(sqlite3.connect(path, timeout=0.0, isolation_level=None)) as connection:
        try:
            connection.execute("BEGIN IMMEDIATE")
        except sqlite3.OperationalError:
            return True
    return False
