"""How much room readings take, and how recording keeps its pace as the record grows. Run it as a script.

bytes_row     in the table `reading`, whose key is its index: whole pages, over the readings of the made-up nursery
              (nine trays, nine weeks) as its recorder leaves them
bytes_sealed  the same readings sealed, all files together
growth_ratio  readings per second into a record that holds 100 million, over the rate into one of 100 thousand: by
              `Store.record` (packs of five readings, hours and cycles due along with them, each batch with fsync),
              median of rounds in which the two take turns, batch by batch; processor time alone is printed beside it

Run: python tests/bench/ingest_disk.py [ROWS]. The large record takes some 2.5 GB in the folder for temporary files
while it is measured.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
import sys
import tempfile
import time
from contextlib import ExitStack, closing
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.made_home import make_home
from tests.nursery_faults import quiet_nursery
from tidetray.ingest.core.readings import Reading, from_ms
from tidetray.ingest.notebook.facts import TrayPlan, Trial, TrialPlan
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.nursery.nursery import TREATMENTS
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store.raw_readings import SealedError
from tidetray.ingest.store.recording import Store, open_store
from tidetray.ingest.store.sealing import seal
from tidetray.ingest.wire.packs import Pack

UNTIL = datetime(2026, 7, 1, tzinfo=UTC)
TRAYS = 20
CHANNELS = ("level", "pump", "water_temp", "air_temp", "humidity")
STEP_MS = 10_000
SMALL_ROWS = 100_000
BATCH_PACKS, BATCHES, ROUNDS = 200, 20, 15


def measure_disk() -> dict[str, float]:
    """`bytes_row`, `bytes_sealed` of the made-up nursery's readings."""
    with tempfile.TemporaryDirectory() as folder:
        make_home(Path(folder), UNTIL)
        with open_store(Path(folder) / RECORD_FILE) as store:
            rows = store.raw.count()
            in_table = _pages(store, "reading") / rows
            in_all = _pages(store, "%") / rows
            now_ms = time.time_ns() // 1_000_000
            done = list(seal(store, before_ms=now_ms, now_ms=now_ms))
            sealed_bytes = 0
            for each in done:
                if isinstance(each, SealedError):
                    raise each
                sealed_bytes += each.size_bytes
            left = store.connection.execute("SELECT count(*) FROM reading").fetchone()[0]
            if left or store.raw.count() != rows:
                raise SystemExit("not everything was sealed")
    print(
        f"{rows:,} readings in {len(done)} months: {in_table:.2f} bytes each in their table, "
        f"{sealed_bytes / rows:.2f} sealed; the whole record, with hours, cycles and notebook, {in_all:.2f}"
    )
    return {"bytes_row": in_table, "bytes_sealed": sealed_bytes / rows}


def measure_growth(rows: int = 100_000_000) -> dict[str, float]:
    """`growth_ratio` from SMALL_ROWS to `rows` stored readings."""
    ratios, processor, rates = [], [], []
    with tempfile.TemporaryDirectory() as folder:
        small, large = Path(folder) / "small" / RECORD_FILE, Path(folder) / "large" / RECORD_FILE
        begun = time.monotonic()
        for path, count in ((small, SMALL_ROWS), (large, rows)):
            _fill(path, count)
        print(
            f"filled in {time.monotonic() - begun:.0f} s; {large.stat().st_size / rows:.1f} bytes a reading", flush=True
        )
        for turn in range(ROUNDS):
            copied = Path(folder) / f"small-{turn}" / RECORD_FILE
            shutil.copytree(small.parent, copied.parent)
            few_s, many_s = _round((copied, SMALL_ROWS, 0), (large, rows, turn))
            shutil.rmtree(copied.parent)
            ratios.append(few_s[0] / many_s[0])
            processor.append(few_s[1] / many_s[1])
            rates.append(BATCHES * BATCH_PACKS * len(CHANNELS) / np.array([few_s[0], many_s[0]]))
        with open_store(large, read_only=True) as store:
            stored = store.raw.count()
        if stored != _each(rows) * len(CHANNELS) * TRAYS + ROUNDS * (BATCHES + 1) * BATCH_PACKS * len(CHANNELS):
            raise SystemExit(f"there are {stored} readings, not as many as were given")
    few, many = np.median(rates, axis=0)
    print(
        f"{few:,.0f} readings/s at {SMALL_ROWS:,}, {many:,.0f} at {rows:,} (medians of {ROUNDS} rounds; "
        f"ratios {min(ratios):.2f} to {max(ratios):.2f}; of the processor time alone {np.median(processor):.2f})"
    )
    return {"growth_ratio": float(np.median(ratios))}


def _pages(store: Store, table: str) -> int:
    (size,) = store.connection.execute("SELECT sum(pgsize) FROM dbstat WHERE name LIKE ?", (table,)).fetchone()
    return int(size)


def _each(rows: int) -> int:
    return rows // (TRAYS * len(CHANNELS))


def _begin_ms(rows: int) -> int:
    return int(UNTIL.timestamp()) * 1000 - _each(rows) * STEP_MS


def _fill(path: Path, rows: int) -> None:
    """A record of so many readings, each of `TRAYS` × `CHANNELS` series every STEP_MS up to UNTIL, and their hours."""
    first = quiet_nursery(datetime(2026, 6, 1, 12, tzinfo=UTC), days=1).plan.trays[0].tray
    trays = tuple(
        TrayPlan(replace(first, name=f"tray-{n}"), TREATMENTS[n % len(TREATMENTS)].name) for n in range(1, TRAYS + 1)
    )
    trial = Trial("load", "nursery", "UTC", datetime(2026, 1, 1, tzinfo=UTC), "Micranthemum sp.", "")
    with open_store(path) as store:
        Notebook(store).add_trial(TrialPlan(trial, TREATMENTS, trays, ()))
    with closing(sqlite3.connect(path, isolation_level=None)) as fast:
        fast.execute("PRAGMA journal_mode=OFF")
        fast.execute("PRAGMA synchronous=OFF")
        series = 0
        for tray in range(TRAYS):
            for channel in CHANNELS:
                series += 1
                key = (series, "nursery", f"tray-{tray + 1}", channel, f"bench-{tray}")
                fast.execute("INSERT INTO series (id, site, tray, channel, node) VALUES (?, ?, ?, ?, ?)", key)
                fast.execute("BEGIN")
                fast.execute(
                    "WITH RECURSIVE step (i) AS (SELECT 0 UNION ALL SELECT i + 1 FROM step WHERE i < ?1 - 1)"
                    " INSERT INTO reading SELECT ?2, ?3 + i * ?4, round(20 + i * 7919 % 400 / 100.0, 2), 1 FROM step",
                    (_each(rows), series, _begin_ms(rows), STEP_MS),
                )
                fast.execute(
                    "INSERT INTO hourly SELECT series, time_ms / 3600000, count(*), avg(value), min(value), max(value),"
                    " sum(value) * 10, 3600, NULL FROM reading WHERE series = ? GROUP BY 1, 2",
                    (series,),
                )
                fast.execute("COMMIT")
    with open_store(path) as store:  # back to the log that a record is written with
        store.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")


Sent = list[tuple[Pack, str, bytes]]


def _round(*records: tuple[Path, int, int]) -> list[tuple[float, float]]:
    """Seconds, and seconds of the processor, that each record (path, rows it began with, rounds before) takes for the
    same number of batches. The first batch is not counted: it looks up what the writer remembers from then on."""
    spent = [(0.0, 0.0)] * len(records)
    with ExitStack() as opened:
        stores = [opened.enter_context(open_store(path)) for path, _, _ in records]
        batches = [_batches(rows, turn) for _, rows, turn in records]
        for number in range(BATCHES + 1):
            order = range(len(records)) if number % 2 else reversed(range(len(records)))
            for each in order:
                begun, begun_cpu = time.perf_counter(), time.process_time()
                done = stores[each].record(batches[each][number])
                took, took_cpu = time.perf_counter() - begun, time.process_time() - begun_cpu
                if done.readings != BATCH_PACKS * len(CHANNELS):
                    raise SystemExit(f"{done.readings} readings recorded, not {BATCH_PACKS * len(CHANNELS)}")
                if number:
                    spent[each] = (spent[each][0] + took, spent[each][1] + took_cpu)
    return spent


def _batches(rows: int, turn: int) -> list[Sent]:
    """Packs of all trays in turn, each reading the next of its series."""
    steps = (BATCHES + 1) * BATCH_PACKS // TRAYS
    first = _each(rows) + turn * steps
    sent: Sent = []
    for step in range(first, first + steps):
        time_ms = _begin_ms(rows) + step * STEP_MS
        for tray in range(TRAYS):
            made = tuple(
                Reading(f"tray-{tray + 1}", channel, time_ms, round(0.01 * ((step + place) % 100), 2))
                for place, channel in enumerate(CHANNELS)
            )
            pack = Pack("nursery", f"bench-{tray}", "a1", step + 1, step + 1, from_ms(time_ms + 1000), made, ())
            sent.append((pack, "topic", b""))
    return [sent[at : at + BATCH_PACKS] for at in range(0, len(sent), BATCH_PACKS)]


if __name__ == "__main__":
    found = measure_disk() | measure_growth(*map(int, sys.argv[1:2]))
    print(
        "ingest_disk bytes_row={bytes_row:.2f} bytes_sealed={bytes_sealed:.2f} growth_ratio={growth_ratio:.2f}".format(
            **found
        )
        + f" load={os.getloadavg()[0]:.1f}"
    )
