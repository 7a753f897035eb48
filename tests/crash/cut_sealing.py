"""A sealing that is killed at each of its steps; run by `test_sealing_cuts.py` as a process of its own.

Usage: cut_sealing.py HOME WORK NOW_MS. For every k it copies HOME to WORK/k and seals there in a child, which kills
itself (SIGKILL) at the k-th step; prints how many there were. A step is a statement that writes, or the begin or end
of a transaction; and a row group written, a sync, a rename or removal of a file, before it and after it.
"""

from __future__ import annotations

import os
import shutil
import signal
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

from pyarrow import parquet

from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store import sealing
from tidetray.ingest.store.recording import open_store

READS = ("SELECT", "PRAGMA")


class Steps:
    def __init__(self, kill_at: int) -> None:
        self.taken = 0
        self._kill_at = kill_at

    def step(self) -> None:
        self.taken += 1
        if self.taken == self._kill_at:
            os.kill(os.getpid(), signal.SIGKILL)

    def around(self, function: Callable[..., Any]) -> Callable[..., Any]:
        def watched(*args: Any, **more: Any) -> Any:
            self.step()
            result = function(*args, **more)
            self.step()
            return result

        return watched


def watch(steps: Steps) -> None:
    """Count, and be killed at, everything in this process that changes a disk."""
    os.fsync = steps.around(lambda _handle: None)  # a killed process leaves to the system what it has written
    Path.rename = steps.around(Path.rename)  # type: ignore[method-assign]
    Path.unlink = steps.around(Path.unlink)  # type: ignore[method-assign]
    parquet.ParquetWriter.write_table = steps.around(parquet.ParquetWriter.write_table)
    sealing.ROWS_AT_ONCE = 4
    sealing.HOURS_AT_ONCE = 2
    sealing.FREE_SHARE, sealing.PAGES_AT_ONCE = 0.0, 1


def seal_in(home: Path, now_ms: int, steps: Steps) -> None:
    with open_store(home / RECORD_FILE) as store:
        store.connection.execute("PRAGMA synchronous=OFF")
        store.connection.set_trace_callback(lambda statement: None if statement.startswith(READS) else steps.step())
        for _ in sealing.seal(store, before_ms=now_ms, now_ms=now_ms):
            pass


def main(home: Path, work: Path, now_ms: int) -> None:
    for k in range(1, 10_000):
        shutil.copytree(home, work / str(k))
        child = os.fork()
        if child == 0:
            steps = Steps(k)
            watch(steps)
            seal_in(work / str(k), now_ms, steps)
            os._exit(0)
        _, status = os.waitpid(child, 0)
        if os.WIFEXITED(status) and os.WEXITSTATUS(status) == 0:
            print(k - 1)
            return
        if not os.WIFSIGNALED(status) or os.WTERMSIG(status) != signal.SIGKILL:
            sys.exit(f"step {k}: the child ended with {status}")


if __name__ == "__main__":
    main(Path(sys.argv[1]), Path(sys.argv[2]), int(sys.argv[3]))
