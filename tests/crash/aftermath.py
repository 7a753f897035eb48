"""What is looked at when the killing is over: record, cycles, hours and InfluxDB, beside an undisturbed twin.

All of it is read from outside the recorder's process, as another program would.
"""

from __future__ import annotations

import json
import sqlite3
import time
from collections.abc import Callable, Iterable, Sequence
from contextlib import closing
from pathlib import Path

import pandas as pd

from tests.influx.server import Server
from tidetray.ingest.core.readings import EVIDENCE, Reading, from_ms
from tidetray.ingest.influx.client import Influx
from tidetray.ingest.influx.queue import forwarding_of
from tidetray.ingest.influx.reader import InfluxReader
from tidetray.ingest.influx.setup import prepare_influx
from tidetray.ingest.notebook.facts import TrialPlan
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.recorder.cycle_upkeep import Upkeep
from tidetray.ingest.settings.model import RECORD_FILE, SETTINGS_FILE, InfluxSettings
from tidetray.ingest.store import queries
from tidetray.ingest.store.recording import open_store
from tidetray.ingest.wire.packs import Pack

PACK_READINGS = 16

Row = tuple[object, ...]


def open_home(home: Path, plan: TrialPlan) -> None:
    with open_store(home / RECORD_FILE) as store:
        Notebook(store).add_trial(plan)


def pass_on(home: Path, server: Server, more: str = "") -> InfluxSettings:
    """Have the home's recorder pass readings on to a server that runs; `more` is added to the home's settings."""
    settings = server.settings(home)
    list(prepare_influx(settings))
    lines = [f"{name} = {json.dumps(str(getattr(settings, name)))}" for name in ("url", "org", "bucket", "token_file")]
    (home / SETTINGS_FILE).write_text("\n".join(["[influx]", *lines, more]) + "\n")
    return settings


def waits_for_influx(home: Path) -> int:
    with open_store(home / RECORD_FILE, read_only=True) as store:
        forwarding = forwarding_of(store)
        assert forwarding is not None
        return forwarding.waiting


def passed_on(home: Path, settings: InfluxSettings, plan: TrialPlan) -> tuple[int, bool]:
    """How many readings the server has, and whether they are those of the record, each with its time and value."""
    count, equal = 0, True
    channels = [*EVIDENCE, "water_temp"]
    with open_store(home / RECORD_FILE, read_only=True) as store, Influx(settings) as influx:
        for tray in plan.trays:
            there = InfluxReader(influx).readings(plan.trial.site, tray.name, channels)
            here = queries.readings(store, plan.trial.site, tray.name, channels)
            count += len(there)
            equal = equal and there.astype({"channel": "str"}).equals(here.astype({"channel": "str"}))
    return count, equal


def undisturbed(home: Path, plan: TrialPlan, of_nodes: Iterable[tuple[str, Sequence[Reading]]]) -> None:
    """The same readings put in, node by node, without broker and without trouble."""
    open_home(home, plan)
    with open_store(home / RECORD_FILE) as store:
        for node, readings in of_nodes:
            packs = [readings[at : at + PACK_READINGS] for at in range(0, len(readings), PACK_READINGS)]
            received_at = from_ms(max(reading.time_ms for reading in readings) + 60_000)
            store.record(
                [
                    (Pack(plan.trial.site, node, "a1", seq, 1, received_at, tuple(pack), ()), "t", b"")
                    for seq, pack in enumerate(packs, 1)
                ]
            )
        Upkeep(store).run(now=True)


def rows(home: Path, query: str) -> list[Row]:
    with closing(sqlite3.connect(f"file:{home / RECORD_FILE}?mode=ro", uri=True)) as connection:
        return connection.execute(query).fetchall()


def counted(home: Path, name: str) -> int:
    """One of the record's own counters."""
    with open_store(home / RECORD_FILE, read_only=True) as store:
        return queries.counters(store)[name]


def how_many(home: Path) -> int:
    """Readings; one that is there twice counts twice."""
    with open_store(home / RECORD_FILE, read_only=True) as store:
        return store.raw.count()


def readings_of(home: Path) -> set[Row]:
    """Node, tray, channel, time [ms since 1970] and value of all."""
    with open_store(home / RECORD_FILE, read_only=True) as store:
        return {
            (key.node, key.tray, key.channel, *row)
            for key in queries.all_series(store)
            for row in store.raw.rows(key.id)[["time_ms", "value"]].tolist()
        }


def hours_of(home: Path) -> pd.DataFrame:
    """Every column of the hourly summaries: a reading that was counted twice shows in one of them."""
    columns = ["node", "tray", "channel", "hour", "n", "mean", "min", "max", "integral", "covered_s", "above_s"]
    with open_store(home / RECORD_FILE, read_only=True) as store:
        asked = sorted({(key.site, key.channel) for key in queries.all_series(store)})
        found = [queries.hourly(store, site, channel).assign(channel=channel) for site, channel in asked]
    frame = pd.concat(found).rename(columns={"time": "hour"})
    return frame[columns].sort_values(columns[:4], ignore_index=True)


def cycles_of(home: Path, site: str) -> pd.DataFrame:
    with open_store(home / RECORD_FILE, read_only=True) as store:
        return queries.cycles(store, site)


def wait_until(condition: Callable[[], bool], patience_s: float) -> None:
    """Until it holds, or patience is over: what is then missing is for the test to say."""
    until = time.monotonic() + patience_s
    while not condition() and time.monotonic() < until:
        time.sleep(0.5)
