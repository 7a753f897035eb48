"""A backup killed at every step, each time of a fresh copy of a home: python cut_backup.py HOME FOLDER.

A step is whatever changes a disk, before it and after it. FOLDER gets one home for each step, with a file `copy.sqlite`
beside it if the backup got so far. Prints the number of steps.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
import sys
from pathlib import Path
from typing import Any

from tests.crash.steps import Steps, killed_at_each
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store import backup


class WatchedConnection(sqlite3.Connection):
    """The copy's: each statement on it is a step."""

    steps: Steps

    def execute(self, *arguments: Any) -> sqlite3.Cursor:
        self.steps.step()
        return super().execute(*arguments)


def watch(steps: Steps) -> None:
    os.fsync = steps.around(lambda _handle: None)  # a killed process leaves to the system what it has written
    for name in ("rename", "unlink", "mkdir"):
        setattr(Path, name, steps.around(getattr(Path, name)))
    shutil.copyfile = steps.around(shutil.copyfile)
    shutil.rmtree = steps.around(shutil.rmtree)  # type: ignore[assignment]
    WatchedConnection.steps = steps
    connect = sqlite3.connect
    sqlite3.connect = lambda *a, **k: connect(*a, **{"factory": WatchedConnection, **k})  # type: ignore[assignment]


def back_up_in(place: Path, steps: Steps) -> None:
    watch(steps)
    backup.back_up(place / "home" / RECORD_FILE, place / "copy.sqlite")


if __name__ == "__main__":
    killed_at_each(Path(sys.argv[1]), Path(sys.argv[2]), back_up_in)
