"""200 times kill -9, at random, of recorder, broker, InfluxDB and nodes while readings stream: none lost, none doubled.

To put another kind of process under fire, add it to `kinds` (and what of it is to be checked after the end).
"""

from __future__ import annotations

import json
import random
import sqlite3
import time
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pandas as pd
import pytest

from tests.conftest import Mosquitto
from tests.crash import fleet
from tests.crash.stream import NODES, PACK_READINGS, SITE, measured, trial
from tests.influx.server import Server, executable
from tidetray.ingest.core.readings import EVIDENCE, from_ms
from tidetray.ingest.influx.client import Influx
from tidetray.ingest.influx.queue import forwarding_of
from tidetray.ingest.influx.reader import InfluxReader
from tidetray.ingest.influx.setup import prepare_influx
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.recorder.cycle_upkeep import Upkeep
from tidetray.ingest.settings.model import RECORD_FILE, SETTINGS_FILE, InfluxSettings
from tidetray.ingest.store import queries
from tidetray.ingest.store.recording import open_store
from tidetray.ingest.wire.packs import Pack

SEED = 20
KILLS = 200
READINGS = 200_000
EVERY_S = 1.0
"""From one kill to the next on average; the stream lasts as long as the kills."""

PATIENCE_S = 150.0
"""For what is still under way when the killing is over."""


def open_home(home: Path) -> None:
    with open_store(home / RECORD_FILE) as store:
        Notebook(store).add_trial(trial())


def pass_on(home: Path, server: Server) -> InfluxSettings:
    """Have the home's recorder pass readings on to a server that runs."""
    settings = server.settings(home)
    list(prepare_influx(settings))
    lines = [f"{name} = {json.dumps(str(getattr(settings, name)))}" for name in ("url", "org", "bucket", "token_file")]
    (home / SETTINGS_FILE).write_text("\n".join(["[influx]", *lines]) + "\n")
    return settings


def waits_for_influx(home: Path) -> int:
    with open_store(home / RECORD_FILE, read_only=True) as store:
        forwarding = forwarding_of(store)
        assert forwarding is not None
        return forwarding.waiting


def passed_on(home: Path, settings: InfluxSettings) -> tuple[int, bool]:
    """How many readings the server has, and whether they are those of the record, each with its time and value."""
    count, equal = 0, True
    channels = [*EVIDENCE, "water_temp"]
    with open_store(home / RECORD_FILE, read_only=True) as store, Influx(settings) as influx:
        for plan in trial().trays:
            there = InfluxReader(influx).readings(SITE, plan.name, channels)
            here = queries.readings(store, SITE, plan.name, channels)
            count += len(there)
            equal = equal and there.astype({"channel": "str"}).equals(here.astype({"channel": "str"}))
    return count, equal


def undisturbed(home: Path, each: int, start_s: int) -> None:
    """The same readings put in without broker and without trouble."""
    open_home(home)
    with open_store(home / RECORD_FILE) as store:
        for node in range(NODES):
            readings = measured(node, each, start_s)
            packs = [readings[at : at + PACK_READINGS] for at in range(0, each, PACK_READINGS)]
            received_at = from_ms(1000 * start_s + 86_400_000)
            store.record(
                [
                    (Pack(SITE, f"bench-{node}", "a1", seq, 1, received_at, tuple(pack), ()), "t", b"")
                    for seq, pack in enumerate(packs, 1)
                ]
            )
        Upkeep(store).run(now=True)


def rows(home: Path, query: str) -> list[tuple[object, ...]]:
    with closing(sqlite3.connect(f"file:{home / RECORD_FILE}?mode=ro", uri=True)) as connection:
        return connection.execute(query).fetchall()


def readings_of(home: Path) -> set[tuple[object, ...]]:
    return set(
        rows(home, "SELECT node, tray, channel, time_ms, value FROM reading JOIN series ON series.id = reading.series")
    )


def hours_of(home: Path) -> pd.DataFrame:
    query = (
        "SELECT node, tray, channel, hour, n, mean, min, max, covered_s FROM hourly JOIN series ON series.id = "
        "hourly.series"
    )
    columns = ["node", "tray", "channel", "hour", "n", "mean", "min", "max", "covered_s"]
    return pd.DataFrame(rows(home, query), columns=columns).sort_values(columns[:4], ignore_index=True)


def cycles_of(home: Path) -> pd.DataFrame:
    with open_store(home / RECORD_FILE, read_only=True) as store:
        return queries.cycles(store, SITE)


def wait_until(condition: Callable[[], bool], patience_s: float) -> None:
    until = time.monotonic() + patience_s
    while not condition() and time.monotonic() < until:
        time.sleep(0.5)


@pytest.mark.timeout(900)
def test_nothing_is_lost_or_doubled_by_kills(tmp_path: Path, mosquitto: Mosquitto) -> None:
    home, quiet_home = tmp_path / "home", tmp_path / "undisturbed"
    each = READINGS // NODES
    open_home(home)
    influxd = Server(executable(), tmp_path / "influxd")
    influxd.start()
    influx = pass_on(home, influxd)
    began_s = time.time()
    start_s = int(began_s) - 60 * 3600  # older than what is watched for alarms again at each start
    kinds: dict[str, list[fleet.Killable | Server]] = {
        "influxd": [influxd],
        "recorder": [fleet.recorder(home, mosquitto.port)],
        "broker": [fleet.broker(mosquitto)],
        "node": fleet.nodes(
            tmp_path, mosquitto.port, readings=each, rate=each / (KILLS * EVERY_S), start_s=start_s, began_s=began_s
        ),
    }
    everything = [process for kind in kinds.values() for process in kind]
    for process in everything:
        if not isinstance(process, Server):
            process.start()
    rng = random.Random(SEED)
    killed = dict.fromkeys(kinds, 0)
    try:
        for number in range(KILLS):
            time.sleep(max(0.0, began_s + EVERY_S * (number + rng.uniform(0, 2)) - time.time()))
            kind = rng.choice(list(kinds))
            process = rng.choice(kinds[kind])
            process.kill()
            if isinstance(process, Server):
                process.launch()  # it may be killed before it is ready, too
            else:
                process.start()
            killed[kind] += 1
        assert rows(home, "SELECT count(*) FROM reading")[0][0] < READINGS, "the stream had ended before the kills did"
        wait_until(lambda: rows(home, "SELECT count(*) FROM reading")[0][0] >= READINGS, PATIENCE_S)
        influxd.wait_until_ready()
        wait_until(lambda: waits_for_influx(home) == 0, PATIENCE_S)
        forwarded, influx_equal = passed_on(home, influx)
    finally:
        ended = [process.stop() for process in kinds["recorder"]]
        for process in everything:
            process.kill()
    undisturbed(quiet_home, each, start_s)
    expected, recorded = readings_of(quiet_home), readings_of(home)
    count = rows(home, "SELECT count(*) FROM reading")[0][0]
    lost, doubled = len(expected - recorded), count - len(recorded & expected)
    cycles, wanted = cycles_of(home), cycles_of(quiet_home)
    print(
        f"\nkills={sum(killed.values())} readings={count} lost={lost} doubled={doubled} "
        f"cycles_equal={cycles.equals(wanted)} in_influx={forwarded} influx_equal={influx_equal} "
        f"seconds={time.time() - began_s:.0f} seed={SEED} cycles={len(wanted)} "
        f"messages_twice={dict(rows(home, 'SELECT name, value FROM counter')).get('doubled', 0)} "
        f"boots={len(rows(home, 'SELECT DISTINCT node, boot FROM message_range'))} killed={killed}"
    )
    assert len(expected) == READINGS
    assert (lost, doubled) == (0, 0)
    assert (forwarded, influx_equal) == (READINGS, True)
    assert len(wanted) > 100
    pd.testing.assert_frame_equal(cycles, wanted)
    pd.testing.assert_frame_equal(hours_of(home), hours_of(quiet_home))  # a reading counted twice would show here
    assert rows(home, "SELECT kind, reason FROM quarantine") == []
    with open_store(home / RECORD_FILE, read_only=True) as store:
        assert [(node.missing, node.gone) for node in queries.nodes(store, SITE)] == [(0, 0)] * NODES
    assert ended == [0]
    assert "Traceback" not in (home / "recorder.log").read_text()
    assert min(killed.values()) >= 3 * KILLS // (5 * len(kinds))
