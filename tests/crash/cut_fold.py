"""A recorder that is killed at each step of folding its tail, or of bringing a home of before there was one up to date;
run by `test_fold_cuts.py` as a process of its own.

Usage: cut_fold.py fold|migrate HOME WORK. For every k it copies HOME to WORK/k and works there in a child, which kills
itself (SIGKILL) at the k-th step; prints how many there were. A step is a statement that writes, or the begin or end of
a transaction. To fold, the child folds some of the tail, records a message in order and one with a late reading
meanwhile, and folds the rest.
"""

from __future__ import annotations

import os
import shutil
import signal
import sys
from pathlib import Path

from tests.crash.cut_sealing import READS, Steps
from tests.ingest.store.test_tail import give
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store import recording
from tidetray.ingest.store.database import Database
from tidetray.ingest.store.recording import open_store

MEANWHILE = [[("level", 400, 0.5), ("light", 400, 5.0)], [("level", 7, 0.6), ("level", 401, 0.7)]]


def fold_in(home: Path, steps: Steps) -> None:
    recording.FOLDED_AT_ONCE = 5
    with open_store(home / RECORD_FILE) as store:
        store.connection.execute("PRAGMA synchronous=OFF")
        store.connection.set_trace_callback(lambda statement: None if statement.startswith(READS) else steps.step())
        assert store.fold_piece()
        for number, rows in enumerate(MEANWHILE, start=100):
            give(store, rows, seq=number)
        while store.fold_piece():
            pass


def migrate_in(home: Path, steps: Steps) -> None:
    migrate = Database.migrate

    def watched(store: Database) -> None:
        store.connection.set_trace_callback(lambda statement: None if statement.startswith(READS) else steps.step())
        migrate(store)

    Database.migrate = watched  # type: ignore[method-assign]
    open_store(home / RECORD_FILE).close()


def main(what: str, home: Path, work: Path) -> None:
    for k in range(1, 10_000):
        shutil.copytree(home, work / str(k))
        child = os.fork()
        if child == 0:
            (fold_in if what == "fold" else migrate_in)(work / str(k), Steps(k))
            os._exit(0)
        _, status = os.waitpid(child, 0)
        if os.WIFEXITED(status) and os.WEXITSTATUS(status) == 0:
            print(k - 1)
            return
        if not os.WIFSIGNALED(status) or os.WTERMSIG(status) != signal.SIGKILL:
            sys.exit(f"step {k}: the child ended with {status}")


if __name__ == "__main__":
    main(sys.argv[1], Path(sys.argv[2]), Path(sys.argv[3]))
