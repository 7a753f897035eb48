"""The files that a recorder stands on: its lock, and whether somebody removes them under it.

In: a home. Out: the lock of the one recorder that may record there; a fault in words when the lock, the record or its
write-ahead log is removed or replaced while they are open. The system lets programs do that (clean-up tools, programs
that synchronise folders), and what is written goes to a file that no longer has a name: readers fail, and after a kill
what had been receipted would be gone.
"""

from __future__ import annotations

import sqlite3
import time
from contextlib import closing
from pathlib import Path

from tidetray.ingest.core.readings import TidetrayError
from tidetray.ingest.settings.model import LOCK_FILE

LOOK_EVERY_S = 2.0


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


class FileWatch:
    """Looks every LOOK_EVERY_S whether the files are still those that were there at the start.

    Parameters
    ----------
    record : Path
        The record; the lock is looked for beside it.
    """

    def __init__(self, record: Path) -> None:
        self._paths = [record, Path(f"{record}-wal"), Path(f"{record}-shm"), record.parent / LOCK_FILE]
        self._known: dict[Path, tuple[int, int]] = {}
        self._next_s = 0.0
        self.fault = ""

    def look(self) -> str:
        """What was removed or replaced, in words; empty if nothing was. A fault lasts until the recorder's restart."""
        if time.monotonic() < self._next_s:
            return self.fault
        self._next_s = time.monotonic() + LOOK_EVERY_S
        gone = []
        for path in self._paths:
            try:
                found = path.stat()
            except OSError:
                if path in self._known:
                    gone.append(path.name)
                continue
            inode = (found.st_dev, found.st_ino)
            if self._known.setdefault(path, inode) != inode:
                gone.append(path.name)
        if gone:
            self.fault = (
                f"{', '.join(gone)} in {self._paths[0].parent} was removed or replaced while the recorder has it open. "
                "Stop the recorder cleanly and start it again, and keep other programs out of that folder"
            )
        return self.fault
