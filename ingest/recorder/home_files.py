"""The files that a recorder stands on, and whether somebody removes them under it.

In: a home. Out: a fault in words when the lock, the record or its
write-ahead log is removed or replaced while they are open. The system lets programs do that (clean-up tools, programs
that synchronise folders), and what is written goes to a file that no longer has a name: readers fail, and after a kill
what had been receipted would be gone.
"""

from __future__ import annotations

import time
from pathlib import Path

from tidetray.ingest.store.home_lock import LOCK_FILE

LOOK_EVERY_S = 2.0


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
