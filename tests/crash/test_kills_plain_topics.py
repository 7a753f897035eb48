"""Kill -9 of the recorder while plain values with their own time come at QoS 1, without journal, number or receipt.

Nothing makes up here for an acknowledgement that came before the commit: what the broker was told is taken is gone.
The broker itself is not killed, since it is all that holds them. `pytest --long` kills 60 times instead of 12.
"""

from __future__ import annotations

import json
import random
import sqlite3
import threading
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

import pytest
from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from tests.conftest import Figures, Mosquitto
from tests.crash.aftermath import how_many, open_home, readings_of, rows, wait_until
from tests.crash.fleet import recorder
from tests.crash.stream import trial
from tests.ingest.recorder.test_recorder import until
from tidetray.ingest.settings.model import RECORD_FILE, SETTINGS_FILE

KILLS, KILLS_LONG = 6, 60
LONGEST_S = 0.5
"""A recorder lives so long at most from its first commit on."""

HELD_S = 0.2
"""The record is held so long before each kill: messages are received then, and their commit waits."""

RATE = 200
"""Values a second."""

PLAIN = """
[[plain]]
topic = "garden/{tray}/water"
site = "nursery"
node = "garden"
channel = "water_temp"
unit = "Cel"
member = "c"
time_member = "at"
"""


@contextmanager
def publishing(port: int) -> Iterator[dict[tuple[str, int], float]]:
    """Values of eight trays, RATE a second, until the end; gives (tray, time [ms]) -> value of what was sent."""
    sent: dict[tuple[str, int], float] = {}
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="garden")
    client.max_inflight_messages_set(1000)
    client.connect("127.0.0.1", port)
    client.loop_start()
    over = threading.Event()

    def publish() -> None:
        rng = random.Random(1)
        while not over.wait(1 / RATE):
            tray, at_ms = f"tray-{1 + len(sent) % 8}", time.time_ns() // 1_000_000
            if (tray, at_ms) not in sent:
                sent[tray, at_ms] = value = round(rng.uniform(18, 25), 2)
                client.publish(f"garden/{tray}/water", json.dumps({"at": at_ms / 1000, "c": value}), qos=1)

    thread = threading.Thread(target=publish)
    thread.start()
    try:
        yield sent
        over.set()
        thread.join(10)
        until(lambda: not client.want_write() and not client._out_messages)
    finally:
        over.set()
        thread.join(10)
        client.disconnect()
        client.loop_stop()


@contextmanager
def held(home: Path) -> Iterator[None]:
    """Another program holds the record: what comes meanwhile is received and cannot be committed."""
    with closing(sqlite3.connect(home / RECORD_FILE, isolation_level=None, timeout=5.0)) as other:
        other.execute("BEGIN IMMEDIATE")
        try:
            yield
        finally:
            other.execute("ROLLBACK")


@pytest.mark.timeout(600)
def test_what_the_broker_holds_is_recorded_once(
    tmp_path: Path, mosquitto: Mosquitto, long_form: bool, figures: Figures
) -> None:
    home = tmp_path / "home"
    open_home(home, trial())
    (home / SETTINGS_FILE).write_text(PLAIN)
    process = recorder(home, mosquitto.port)
    process.start()
    rng = random.Random(3)
    kills = KILLS_LONG if long_form else KILLS
    try:
        until(lambda: "connected to" in process.said.read_text())  # before that no broker keeps anything for it
        with publishing(mosquitto.port) as sent:
            for _ in range(kills):
                before = how_many(home)
                until(lambda before=before: how_many(home) > before)  # type: ignore[misc]
                time.sleep(rng.uniform(0, LONGEST_S))
                with held(home):
                    time.sleep(HELD_S)
                    process.kill()
                process.start()
        wait_until(lambda: how_many(home) >= len(sent), 60.0)
        ended = process.stop()
    finally:
        process.kill()
    expected = {("garden", tray, "water_temp", at_ms, value) for (tray, at_ms), value in sent.items()}
    count = how_many(home)
    lost, doubled = len(expected - readings_of(home)), count - len(expected & readings_of(home))
    figures(f"kills={kills} plain_values={len(sent)} lost={lost} doubled={doubled}")
    assert len(sent) > 50 * kills
    assert (lost, doubled) == (0, 0)
    assert rows(home, "SELECT kind, reason FROM quarantine") == []
    assert ended == 0
