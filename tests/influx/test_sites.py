"""Recorders as processes, each with its own site, and one InfluxDB that all of them are read from."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path

import pytest

from tests.conftest import DATA, Mosquitto
from tests.influx.server import Server
from tests.influx.test_influx_setup import as_toml
from tests.ingest.recorder.test_recorder import NodeSide, node, pack, until
from tests.ingest.store.test_recording import T0
from tests.ui.cli.test_main import run
from tidetray.ingest.core.readings import Reading, to_ms
from tidetray.ingest.files.trial_file import load_trial
from tidetray.ingest.influx.client import Influx
from tidetray.ingest.influx.reader import InfluxReader
from tidetray.ingest.influx.setup import prepare_influx
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.recorder.status import read_state
from tidetray.ingest.settings.model import RECORD_FILE, InfluxSettings
from tidetray.ingest.store import queries
from tidetray.ingest.store.recording import open_store
from tidetray.ingest.wire import packs, topics

__all__ = ["node"]

ROOT = Path(__file__).parent.parent.parent


def make_site(folder: Path, site: str, port: int, influx: InfluxSettings) -> Path:
    """A home of that site, with one tray."""
    folder.mkdir()
    trial = folder / "trial.toml"
    text = (DATA / "trial.toml").read_text().replace('site = "nursery"', f'site = "{site}"')
    trial.write_text(text)
    with open_store(folder / RECORD_FILE) as store:
        Notebook(store).add_trial(load_trial(trial))
    record = f'[broker]\nport = {port}\n[record]\nsite = "{site}"\nclient_id = "recorder-{site}"\n'
    (folder / "tidetray.toml").write_text(record + as_toml(influx))
    return folder


@contextmanager
def recorder(home: Path) -> Iterator[subprocess.Popen[bytes]]:
    """`tidetray record`, once it listens."""
    with (home / "log").open("ab") as log:
        process = subprocess.Popen(
            [sys.executable, "-m", "tidetray", "record", "--home", str(home)],
            stdout=log,
            stderr=log,
            cwd=ROOT,
            env={**os.environ, "PYTHONPATH": str(ROOT)},
        )
    try:
        until(lambda: (state := read_state(home)) is not None and state.connected)
        yield process
    finally:
        process.terminate()
        process.wait(20)


def values(settings: InfluxSettings, site: str) -> list[float]:
    with Influx(settings) as influx:
        return [float(value) for value in InfluxReader(influx).readings(site, "tray-1", ["level"])["value"]]


def test_a_recorder_killed_and_a_server_away_lose_nothing(
    own_server: Server, mosquitto: Mosquitto, node: NodeSide, tmp_path: Path
) -> None:
    settings = own_server.settings(tmp_path)
    list(prepare_influx(settings))
    home = make_site(tmp_path / "home", "nursery", mosquitto.port, settings)
    with recorder(home) as process:
        for seq in range(1, 101):
            node.send(pack(seq))
        process.kill()
    (home / "recorder.json").unlink()
    own_server.stop()
    for seq in range(101, 151):
        node.send(pack(seq))
    with recorder(home):
        until(lambda: node.upto() == 150)  # receipts do not wait for InfluxDB
        until(lambda: (state := read_state(home)) is not None and "nothing answers there" in state.influx_trouble)
        told = json.loads(run("status", "--home", home, "--json"))
        assert told["influx"]["waiting"] >= 50
        assert told["recorder"]["influx_waiting"] >= 50
        assert "nothing answers there" in told["influx"]["trouble"]
        assert "readings wait; http://" in run("status", "--home", home)
        ok = json.loads(run("check", "--recorder", "--home", home, "--json"))
        assert ok[0]["ok"]  # it records: a health check has nothing to mend
        own_server.start()
        until(
            lambda: (state := read_state(home)) is not None and state.influx_waiting == 0 and not state.influx_trouble
        )
    with open_store(home / RECORD_FILE, read_only=True) as store:
        here = [float(v) for v in queries.readings(store, "nursery", "tray-1", ["level"])["value"]]
    assert here == [seq / 1000 for seq in range(1, 151)]
    assert values(settings, "nursery") == here


def test_two_recorders_write_and_one_home_reads_all_sites(
    server: Server, mosquitto: Mosquitto, node: NodeSide, tmp_path: Path, buckets: Callable[..., InfluxSettings]
) -> None:
    first = buckets()
    list(prepare_influx(first))
    second = first.model_copy(update={"token_file": tmp_path / "second-token"})
    list(prepare_influx(second))
    assert first.read_token() != second.read_token()
    homes = [
        make_site(tmp_path / site, site, mosquitto.port, settings)
        for site, settings in (("nursery", first), ("hillside", second))
    ]
    topic = topics.data_topic("hillside", "hill-1")
    with recorder(homes[0]), recorder(homes[1]):
        for seq in range(1, 31):
            node.send(pack(seq))
            reading = Reading("tray-1", "level", to_ms(T0 + timedelta(seconds=seq)), 0.5 + seq / 1000)
            node.send(packs.encode_pack([reading], boot="b1", seq=seq), topic)
        until(lambda: len(values(first, "nursery")) == 30 and len(values(first, "hillside")) == 30)
    assert values(first, "nursery") == [seq / 1000 for seq in range(1, 31)]
    assert values(first, "hillside") == pytest.approx([0.5 + seq / 1000 for seq in range(1, 31)], abs=0)
    reading_home = tmp_path / "office"
    reading_home.mkdir()
    reads = first.model_copy(update={"forward": False, "token_file": tmp_path / "office-token"})
    (reading_home / "tidetray.toml").write_text(as_toml(reads))
    run("check", "--prepare", "--home", reading_home, expect=1)  # it has no broker and no record, and needs none
    rows = json.loads(run("sites", "--home", reading_home, "--json"))["rows"]
    assert [(row["site"], row["tray"], row["channel"], row["value"]) for row in rows] == [
        ("hillside", "tray-1", "level", 0.53),
        ("nursery", "tray-1", "level", 0.03),
    ]
