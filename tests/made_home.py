"""A home with the made-up nursery's history in it, recorded without a broker: for tests and benches."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

from tests.made_once import made_once
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
MOST_AGE_S = 180.0
"""A home of this moment is copied for so long: a file of tests looks at its own for longer."""


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


def copied_home(path: Path, until: datetime, *, readings_of: timedelta) -> Path:
    """As `make_home`; what one process of this run has made is copied."""
    name = f"home-{to_ms(until)}-{readings_of.total_seconds():.0f}"
    return made_once(name, lambda folder: make_home(folder, until, readings_of=readings_of), path)


def present_home(path: Path, *, readings_of: timedelta, clogged: bool = False) -> Path:
    """As `make_home` of this moment; what one process of this run has made in the last minutes is copied.

    `clogged`: the first tray of short floods did not drain just now.
    """

    def make(folder: Path) -> None:
        until = datetime.now(UTC)
        trays = make_nursery(until).plan.trays
        tray = next(tray.name for tray in trays if tray.treatment == "short floods") if clogged else None
        make_home(folder, until, readings_of=readings_of, clogged_tray=tray)

    name = f"present-{readings_of.total_seconds():.0f}{'-clogged' if clogged else ''}"
    return made_once(name, make, path, most_age_s=MOST_AGE_S)


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
