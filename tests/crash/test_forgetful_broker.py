"""A broker that stores nothing, killed again and again while nodes go on: it forgets the recorder's session each time.

The recorder comes back later than the nodes. What they publish before it has subscribed again is acknowledged by the
broker and goes nowhere.
"""

from __future__ import annotations

import signal
import time
from pathlib import Path

import pytest

from tests.conftest import Figures, Mosquitto
from tests.crash import fleet
from tests.crash.aftermath import counted, how_many, open_home, readings_of, rows, undisturbed, wait_until
from tests.crash.stream import NODES, SITE, measured, trial
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store import queries
from tidetray.ingest.store.recording import open_store

KILLS, KILLS_LONG = 6, 40
READINGS_A_KILL = 800
EVERY_S = 6.0
AWAY_S = 2.5
"""So long the recorder stands still when the broker is back; nodes try again each second."""

PATIENCE_S = 150.0
"""A node sends again after 30 s without a receipt."""


@pytest.mark.timeout(600)
def test_a_broker_that_forgets_the_session_loses_nothing(
    tmp_path: Path, mosquitto: Mosquitto, long_form: bool, figures: Figures
) -> None:
    kills = KILLS_LONG if long_form else KILLS
    readings = READINGS_A_KILL * kills
    home, quiet_home, each = tmp_path / "home", tmp_path / "undisturbed", readings // NODES
    open_home(home, trial())
    port = mosquitto.port
    config = f"listener {port} 127.0.0.1\nallow_anonymous true\nmax_queued_messages 1000000\npersistence false\n"
    mosquitto.stop()
    mosquitto.config = lambda: config  # type: ignore[method-assign]
    mosquitto.start()
    began_s = time.time()
    start_s = int(began_s) - 60 * 3600  # older than what is watched for alarms again at each start
    broker, recorder = fleet.broker(mosquitto), fleet.recorder(home, port)
    nodes = fleet.nodes(tmp_path, port, readings=each, rate=each / (kills * EVERY_S), start_s=start_s, began_s=began_s)
    everything = [broker, recorder, *nodes]
    for process in everything:
        process.start()

    def missing() -> int:
        with open_store(home / RECORD_FILE, read_only=True) as store:
            return sum(node.missing for node in queries.nodes(store, SITE))

    dropped = []
    """After each kill: how many numbers were missing at once, at most."""

    def logged(words: str) -> int:
        return recorder.said.read_text().count(words) if recorder.said.exists() else 0

    try:
        wait_until(lambda: logged("connected to") == 1, PATIENCE_S)
        for number in range(1, kills + 1):
            time.sleep(max(0.0, began_s + EVERY_S * number - time.time()))
            assert recorder.process is not None
            recorder.process.send_signal(signal.SIGSTOP)
            broker.kill()
            broker.start()
            time.sleep(AWAY_S)
            recorder.process.send_signal(signal.SIGCONT)
            wait_until(lambda number=number: logged("connected to") == 1 + number, PATIENCE_S)  # type: ignore[misc]
            assert logged("forgot the recorder's session") == number
            dropped.append(0)
            looked_until = time.monotonic() + 1.5
            while time.monotonic() < looked_until:
                dropped[-1] = max(dropped[-1], missing())
                time.sleep(0.1)
        wait_until(lambda: how_many(home) >= readings, PATIENCE_S)
        assert recorder.stop() == 0
    finally:
        for process in everything:
            process.kill()
    undisturbed(quiet_home, trial(), [(f"bench-{n}", measured(n, each, start_s)) for n in range(NODES)])
    expected, recorded = readings_of(quiet_home), readings_of(home)
    count = how_many(home)
    lost, doubled = len(expected - recorded), count - len(recorded & expected)
    figures(
        f"kills={kills} readings={count} lost={lost} doubled={doubled} messages_twice={counted(home, 'doubled')} "
        f"dropped_by_broker={dropped} told={logged('forgot the recorder')} seconds={time.time() - began_s:.0f}"
    )
    assert len(expected) == readings
    assert (lost, doubled) == (0, 0)
    assert sum(count > 0 for count in dropped) > kills / 2, "what the broker drops is what this is about"
    assert rows(home, "SELECT kind, reason FROM quarantine") == []
    with open_store(home / RECORD_FILE, read_only=True) as store:
        assert [(node.missing, node.gone) for node in queries.nodes(store, SITE)] == [(0, 0)] * NODES
    assert "Traceback" not in recorder.said.read_text()
