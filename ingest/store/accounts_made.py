"""Whether the pages of this record had accounts: kept with the record, so that a backup of it knows too.

Accounts are in a file of their own (`ingest/home/accounts.py`). When that is lost or not restored, this tells.
"""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

_NAME = "accounts_made"


def keep_accounts_made(record: Path, *, made: bool) -> None:
    """Keep it; nothing where there is no record yet. Raises sqlite3.Error."""
    if record.is_file():
        with closing(sqlite3.connect(record, timeout=10.0)) as db, db:
            db.execute("INSERT OR REPLACE INTO counter VALUES (?, ?)", (_NAME, int(made)))


def were_accounts_made(record: Path) -> bool:
    """Whether there were accounts, as this record knows. Raises sqlite3.Error."""
    if not record.is_file():
        return False
    with closing(sqlite3.connect(f"{record.absolute().as_uri()}?mode=ro", uri=True, timeout=10.0)) as db:
        if not db.execute("SELECT 1 FROM sqlite_master WHERE name = 'counter'").fetchone():
            return False  # a record that nothing was ever written into
        row = db.execute("SELECT value FROM counter WHERE name = ?", (_NAME,)).fetchone()
    return row is not None and row[0] > 0
