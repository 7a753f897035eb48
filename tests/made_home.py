"""A home with the made-up nursery's history in it, recorded without a broker: for tests and benches."""

from __future__ import annotations

import atexit
import shutil
import tempfile
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path

from tidetray.ingest.core.readings import Reading, from_ms, to_ms
from tidetray.ingest.notebook.light_surveys import add_light_survey
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.nursery.nursery import SITE, Nursery, make_nursery
from tidetray.ingest.nursery.sensors import LiveTray, NodeHistory, light_survey
from tidetray.ingest.recorder.cycle_upkeep import Upkeep
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store.recording import Store, open_store
from tidetray.ingest.wire.packs import Pack
from tidetray.ingest.wire.receipts import Here
from tidetray.ingest.wire.topics import data_topic

BATCH = 500
BOOT = "7f3a"
LIVE_S = 240


def make_home(
    path: Path, until: datetime, *, readings_of: timedelta | None = None, clogged_tray: str | None = None, seed: int = 7
) -> Path:
    """The home at `path`: nine trays, nine weeks of readings and weigh-ins up to `until`, cycles worked out.

    `readings_of` records only the last so long of the readings: much faster, with the time before unknown.
    `clogged_tray` (a flooded one) floods four minutes before `until` and does not drain.
    """
    nursery = make_nursery(until - timedelta(seconds=LIVE_S if clogged_tray else 0), seed=seed)
    since_ms = 0 if readings_of is None else to_ms(until - readings_of)
    with open_store(path / RECORD_FILE) as store:
        notebook = Notebook(store)
        notebook.add_trial(nursery.plan)
        add_light_survey(store, nursery.plan.trial.site, light_survey(nursery))
        notebook.add_weigh_ins(nursery.plan.trial.name, nursery.weigh_ins, now=until)
        for node in nursery.nodes:
            numbers = _record(store, nursery, node, since_ms)
            if clogged_tray in nursery.nodes[node]:
                live = LiveTray(nursery, clogged_tray, nursery.until.timestamp(), clogs=True).step(until.timestamp())
                store.record([_pack(node, numbers + 1, live)])
            store.note_here(SITE, node, Here(True), at_ms=to_ms(until))
        Upkeep(store).run(now=True)
    return path


@cache
def _made(until: datetime, readings_of: timedelta | None) -> Path:
    folder = Path(tempfile.mkdtemp(prefix="tidetray-made-"))
    atexit.register(shutil.rmtree, folder, ignore_errors=True)
    return make_home(folder, until, readings_of=readings_of)


def copied_home(path: Path, until: datetime, *, readings_of: timedelta | None = None) -> Path:
    """As `make_home`; what was made once in this process is copied."""
    shutil.copytree(_made(until, readings_of), path, dirs_exist_ok=True)
    return path


def _record(store: Store, nursery: Nursery, node: str, since_ms: int) -> int:
    """All packs of a node; the number of its last message."""
    batch: list[tuple[Pack, str, bytes]] = []
    number = 0
    for readings, kept in NodeHistory(nursery, node).packs():
        if readings[-1].time_ms < since_ms:
            continue
        number += 1
        if not kept:
            continue  # measured, numbered, and lost before it could be sent
        batch.append(_pack(node, number, readings))
        if len(batch) == BATCH:
            store.record(batch)
            batch = []
    store.record(batch)
    return number


def _pack(node: str, number: int, readings: list[Reading]) -> tuple[Pack, str, bytes]:
    received = from_ms(max(reading.time_ms for reading in readings)).astimezone(UTC)
    return Pack(SITE, node, BOOT, number, None, received, tuple(readings), ()), data_topic(SITE, node), b""
