"""What passing on to InfluxDB costs and takes; run as `python tests/bench/influx.py`, with a server as the tests have
it.

days            of the made-up nursery's nine trays, recorded before and passed on from the first to the last
series          of readings on the server
points_per_s    readings passed on, from the record on disk to the server
bytes_per_point on the server's disk, hourly summaries included, after it has packed its files
mib_tray_year   the same, of one tray in a year
sqlite_bytes    per reading in the record on disk, for comparison
off_per_s       readings recorded without passing on, in packs of ten, in the recorder's batches
queue_per_s     the same, with each reading put into the queue
beside_per_s    the same, while the forwarder catches up on another million beside it
slowest_ms      of one transaction of the recorder (1000 readings): without passing on, and then
read_s          63 days of one tray's level, asked of the server
"""

from __future__ import annotations

import os
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from itertools import count
from pathlib import Path

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT))

from tests.conftest import DATA  # noqa: E402
from tests.influx.server import Server, executable  # noqa: E402
from tests.made_home import make_home  # noqa: E402
from tidetray.ingest.core.readings import Reading, to_ms  # noqa: E402
from tidetray.ingest.files.trial_file import load_trial  # noqa: E402
from tidetray.ingest.influx import thread  # noqa: E402
from tidetray.ingest.influx.client import Influx  # noqa: E402
from tidetray.ingest.influx.queue import forwarding_of, set_forwarding  # noqa: E402
from tidetray.ingest.influx.reader import InfluxReader  # noqa: E402
from tidetray.ingest.influx.sender import Forwarder  # noqa: E402
from tidetray.ingest.influx.setup import prepare_influx  # noqa: E402
from tidetray.ingest.notebook.notebook import Notebook  # noqa: E402
from tidetray.ingest.nursery.nursery import SITE  # noqa: E402
from tidetray.ingest.settings.model import RECORD_FILE, InfluxSettings  # noqa: E402
from tidetray.ingest.store import queries  # noqa: E402
from tidetray.ingest.store.database import Database  # noqa: E402
from tidetray.ingest.store.recording import Store, open_store  # noqa: E402
from tidetray.ingest.wire.packs import Pack  # noqa: E402

UNTIL = datetime(2026, 6, 1, 8, tzinfo=UTC)
SOON_AT_REST = (
    "--storage-cache-snapshot-write-cold-duration",
    "3s",
    "--storage-compact-full-write-cold-duration",
    "10s",
)
"""Else it writes out its log after ten minutes, and packs its files after four hours."""

BATCHES = 60
REST_S = 30.0
PACKS = 100
IN_PACK = 10


def size(folder: Path) -> int:
    """What it takes of the disk: the server reserves 64 MiB of index by name only."""
    return sum(path.stat().st_blocks * 512 for path in folder.rglob("*") if path.is_file())


def passed_on(server: Server, home: Path) -> str:
    with open_store(home / RECORD_FILE) as store:
        readings = queries.counters(store)["readings"]
        (first, last) = store.connection.execute("SELECT min(time_ms), max(time_ms) FROM reading").fetchone()
        (series,) = store.connection.execute("SELECT count(*) FROM series").fetchone()
        (trays,) = store.connection.execute("SELECT count(DISTINCT tray) FROM series WHERE tray != ''").fetchone()
    settings = server.settings(home, timeout_s=60)
    list(prepare_influx(settings))
    empty = size(server.folder / "engine")
    begun = time.monotonic()
    with Database.open(home / RECORD_FILE) as store, Influx(settings) as influx:
        set_forwarding(store, settings)
        Forwarder(store, influx, settings).drain()
    took_s = time.monotonic() - begun
    time.sleep(REST_S)
    server.stop()
    server.start()
    days = (last - first) / 86_400_000
    used = size(server.folder / "engine") - empty
    with Influx(settings) as influx:
        begun = time.monotonic()
        level = InfluxReader(influx).readings(SITE, "tray-1", ["level"])
        read_s = time.monotonic() - begun
    print(f"{len(level)} readings of level read", file=sys.stderr)
    return (
        f"days={days:.1f} readings={readings} series={series} points_per_s={readings / took_s:.0f}"
        f" bytes_per_point={used / readings:.1f} mib_tray_year={used / 2**20 / trays / days * 365.25:.1f}"
        f" sqlite_bytes={(home / RECORD_FILE).stat().st_size / readings:.1f} read_s={read_s:.2f}"
    )


def record_some(store: Store, numbers: count[int]) -> tuple[float, float]:
    """Readings a second, and the longest transaction [s]."""
    slowest = 0.0
    begun = time.monotonic()
    for _ in range(BATCHES):
        batch = []
        for _ in range(PACKS):
            number = next(numbers)
            at_ms = to_ms(UNTIL) + number * 10_000 * IN_PACK
            readings = tuple(Reading("tray-1", "level", at_ms + k * 10_000, k / 1000) for k in range(IN_PACK))
            batch.append(
                (Pack("nursery", "bench-1", "a1", number, None, UNTIL + timedelta(days=9000), readings, ()), "", b"")
            )
        before = time.monotonic()
        store.record(batch)
        slowest = max(slowest, time.monotonic() - before)
    return BATCHES * PACKS * IN_PACK / (time.monotonic() - begun), slowest


def recording(server: Server, folder: Path) -> str:
    settings: InfluxSettings = server.settings(folder, "recording", timeout_s=60)
    list(prepare_influx(settings))
    numbers = count(1)
    with open_store(folder / RECORD_FILE) as store:
        Notebook(store).add_trial(load_trial(DATA / "trial.toml"))
        record_some(store, numbers)
        off, slowest_off = record_some(store, numbers)
        set_forwarding(store, settings)
        queue, _ = record_some(store, numbers)
        for _ in range(16):
            record_some(store, numbers)
        thread.STATE_EVERY_S = 0.2
        service = thread.ForwardService(folder, settings)
        service.start()
        while (state := service.state()) is None or not 0 < state.waiting < 1_000_000:
            time.sleep(0.05)
        beside, slowest = record_some(store, numbers)
        left = forwarding_of(store)
        print(f"{left.waiting if left else 0} readings still waited at the end of it", file=sys.stderr)
        service.stop()
    return (
        f"off_per_s={off:.0f} queue_per_s={queue:.0f} beside_per_s={beside:.0f} "
        f"slowest_ms={slowest_off * 1000:.0f},{slowest * 1000:.0f}"
    )


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        server = Server(executable(), Path(folder) / "influxd", options=SOON_AT_REST)
        server.start()
        try:
            parts = [passed_on(server, make_home(Path(folder) / "home", UNTIL)), recording(server, Path(folder))]
        finally:
            server.stop()
        print(f"influx {' '.join(parts)} load={os.getloadavg()[0]:.1f}")


if __name__ == "__main__":
    main()
