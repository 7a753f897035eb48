"""A sealing that is killed at each of its steps; run by `test_sealing_cuts.py` as a process of its own.

Usage: cut_sealing.py HOME WORK NOW_MS, as `steps.killed_at_each`. A step is a statement that writes, or the begin or
end of a transaction; and a row group written, a sync, a rename or removal of a file, before it and after it.
"""

from __future__ import annotations

import os
import sys
from functools import partial
from pathlib import Path

from pyarrow import parquet

from tests.crash.steps import READS, Steps, killed_at_each
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store import sealing
from tidetray.ingest.store.recording import open_store


def watch(steps: Steps) -> None:
    """Count, and be killed at, everything in this process that changes a disk."""
    os.fsync = steps.around(lambda _handle: None)  # a killed process leaves to the system what it has written
    Path.rename = steps.around(Path.rename)  # type: ignore[method-assign]
    Path.unlink = steps.around(Path.unlink)  # type: ignore[method-assign]
    parquet.ParquetWriter.write_table = steps.around(parquet.ParquetWriter.write_table)
    sealing.ROWS_AT_ONCE = 4
    sealing.HOURS_AT_ONCE = 2
    sealing.FREE_SHARE, sealing.PAGES_AT_ONCE = 0.0, 1


def seal_in(place: Path, steps: Steps, now_ms: int) -> None:
    watch(steps)
    with open_store(place / "home" / RECORD_FILE) as store:
        store.connection.execute("PRAGMA synchronous=OFF")
        store.connection.set_trace_callback(lambda statement: None if statement.startswith(READS) else steps.step())
        for _ in sealing.seal(store, before_ms=now_ms, now_ms=now_ms):
            pass


if __name__ == "__main__":
    killed_at_each(Path(sys.argv[1]), Path(sys.argv[2]), partial(seal_in, now_ms=int(sys.argv[3])))
