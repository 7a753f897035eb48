"""A day of messages at speed through the recorder's own process: memory, files and threads stay as they are.

Eight trays, four readings each every ten seconds of a simulated day. Every hour of it brings what days bring: a message
that cannot be read, one that comes twice, a node that starts anew every half a minute; every six hours the broker
restarts. Sampled after each hour, when all of it is committed.
"""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np
import psutil
import pytest

from tests.conftest import Figures, Mosquitto
from tests.crash import fleet
from tests.crash.stream import CHANNELS_A_STEP, NODES, STEP_S, TRAYS_A_NODE, measured, trial
from tests.ingest.recorder.test_recorder import NodeSide, until
from tidetray.ingest.core.readings import Reading
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store.recording import open_store
from tidetray.ingest.wire import packs, topics

HOURS, SETTLED_H = 24, 6
STEPS_AN_HOUR = 3600 // STEP_S
READINGS_A_STEP = TRAYS_A_NODE * CHANNELS_A_STEP
MOST_MIB_AN_HOUR = 0.5
"""With 11,520 readings an hour: more than 45 bytes kept for each of them would show."""

TRIES, AGAIN_S = 6, 20.0


def recorded(home: Path) -> int:
    with open_store(home / RECORD_FILE, read_only=True) as store:
        return store.raw.count()


@pytest.mark.timeout(400)
def test_a_day_leaves_memory_files_and_threads_as_they_were(
    tmp_path: Path, mosquitto: Mosquitto, figures: Figures
) -> None:
    home = tmp_path / "home"
    with open_store(home / RECORD_FILE) as store:
        Notebook(store).add_trial(trial())
    began = time.monotonic()
    start_s = int(time.time()) - HOURS * 3600 - 600
    days = [measured(node, HOURS * STEPS_AN_HOUR * READINGS_A_STEP, start_s) for node in range(NODES)]
    recorder = fleet.recorder(home, mosquitto.port)
    recorder.start()
    side = NodeSide(mosquitto.port)
    samples: list[tuple[float, int, int]] = []
    try:
        assert recorder.process is not None
        process = psutil.Process(recorder.process.pid)
        until(lambda: "connected to" in recorder.said.read_text())
        for hour in range(HOURS):
            if hour % 6 == 5:
                mosquitto.stop()
                mosquitto.start()
                said = recorder.said.read_text
                until(lambda: said().count("connected to") == hour // 6 + 2)  # noqa: B023
                until(side._client.is_connected)
            wanted = (hour + 1) * NODES * STEPS_AN_HOUR * READINGS_A_STEP
            send_until_recorded(side, hour, days, home, wanted)
            samples.append((process.memory_info().rss / 2**20, process.num_fds(), process.num_threads()))
        assert recorder.stop() == 0
    finally:
        side.close()
        recorder.kill()
    memory, files, threads = np.array(samples).T
    slope = np.polyfit(np.arange(SETTLED_H, HOURS), memory[SETTLED_H:], 1)[0]
    figures(
        f"soak hours={HOURS} readings={recorded(home)} rss_mib={memory[0]:.1f}..{memory[-1]:.1f} "
        f"mib_an_hour={slope:.3f} files={int(files.min())}..{int(files.max())} "
        f"threads={int(threads.min())}..{int(threads.max())} seconds={time.monotonic() - began:.0f}"
    )
    assert slope < MOST_MIB_AN_HOUR
    assert len(set(files[SETTLED_H:])) <= 2, "one may be open for a moment"
    assert files[-1] <= files[SETTLED_H] + 1
    assert len(set(threads[SETTLED_H:])) == 1  # at the start one may be at work that ends
    assert "Traceback" not in recorder.said.read_text()


def send_until_recorded(side: NodeSide, hour: int, days: list[list[Reading]], home: Path, wanted: int) -> None:
    """An hour, again and again as nodes do: a broker keeps a thousand messages for a recorder that is busy."""
    for _ in range(TRIES):
        send_hour(side, hour, days)
        deadline = time.monotonic() + AGAIN_S
        while time.monotonic() < deadline:
            if recorded(home) == wanted:
                return
            time.sleep(0.02)
    raise AssertionError(f"{recorded(home)} of {wanted} readings recorded")


def send_hour(side: NodeSide, hour: int, days: list[list[Reading]]) -> None:
    boot = f"boot-{hour // 8}"
    for step in range(STEPS_AN_HOUR):
        at = hour * STEPS_AN_HOUR + step
        seq = (hour % 8) * STEPS_AN_HOUR + step + 1
        for node in range(NODES):
            readings = days[node][at * READINGS_A_STEP : (at + 1) * READINGS_A_STEP]
            payload = packs.encode_pack(readings, boot=boot, seq=seq, oldest=max(1, seq - 3))
            side._client.publish(topics.data_topic("nursery", f"bench-{node}"), payload, qos=1)
            if step % 120 == 60:  # three an hour come twice
                side._client.publish(topics.data_topic("nursery", f"bench-{node}"), payload, qos=1)
        if step % 3 == 0:  # the same readings under a boot that is never heard of again
            again = packs.encode_pack(readings, boot=f"short-{hour}-{step}", seq=1, oldest=1)
            side._client.publish(topics.data_topic("nursery", f"bench-{NODES - 1}"), again, qos=1)
    side._client.publish(topics.data_topic("nursery", "bench-1"), b'[{"n":"tray-1/level","v":"wet"}]', qos=1)
    side._client.publish(topics.here_topic("nursery", "bench-1"), b'{"here":true,"boot":"a1"}', qos=1, retain=True)
