"""A recorder that is killed at each step of folding its tail, or of bringing a home of before there was one up to date;
run by `test_fold_cuts.py` as a process of its own.

Usage: cut_fold.py fold|migrate HOME WORK, as `steps.killed_at_each`. A step is a statement that writes, or the begin or
end of a transaction. To fold, the child folds some of the tail, records a message in order and one with a late reading
meanwhile, and folds the rest.
"""

from __future__ import annotations

import sys
from pathlib import Path

from tests.crash.steps import READS, Steps, killed_at_each
from tests.ingest.store.test_tail import give
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store import recording
from tidetray.ingest.store.database import Database
from tidetray.ingest.store.recording import open_store

MEANWHILE = [[("level", 400, 0.5), ("light", 400, 5.0)], [("level", 7, 0.6), ("level", 401, 0.7)]]


def fold_in(place: Path, steps: Steps) -> None:
    recording.FOLDED_AT_ONCE = 5
    with open_store(place / "home" / RECORD_FILE) as store:
        store.connection.execute("PRAGMA synchronous=OFF")
        store.connection.set_trace_callback(lambda statement: None if statement.startswith(READS) else steps.step())
        assert store.fold_piece()
        for number, rows in enumerate(MEANWHILE, start=100):
            give(store, rows, seq=number)
        while store.fold_piece():
            pass


def migrate_in(place: Path, steps: Steps) -> None:
    migrate = Database.migrate

    def watched(store: Database) -> None:
        store.connection.set_trace_callback(lambda statement: None if statement.startswith(READS) else steps.step())
        migrate(store)

    Database.migrate = watched  # type: ignore[method-assign]
    open_store(place / "home" / RECORD_FILE).close()


if __name__ == "__main__":
    killed_at_each(Path(sys.argv[2]), Path(sys.argv[3]), fold_in if sys.argv[1] == "fold" else migrate_in)
