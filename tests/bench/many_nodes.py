"""Five hundred nodes at one recorder over a real Mosquitto: they come back after two hours without it, all at once, and
go on at their own pace. Run: python tests/bench/many_nodes.py [quick]

One process plays all nodes, each with a connection of its own that keeps at most IN_FLIGHT messages unacknowledged, as
firmware_notes/contract.md asks. A message has a reading of each of seven channels of the node's tray, one each 10 s.
`tidetray record` runs as a process of its own, in a home on the disk of this project.

`backlog_messages, backlog_s`: what the nodes held when they connected, and how long it took until receipts covered all
of it. Then, for `pace_s`: `receipt_p50_ms, receipt_p99_ms`: from handing a message to the broker until its node has the
receipt. `cores`: processor time of the recorder for each second. `write_bytes_per_reading`: what the kernel counted for
the recorder in that time, whatever was folded in it. `mib`: the most memory of the recorder. `lost, doubled`: by the
record, after the recorder has ended. `quick`: fifty nodes, ten minutes of backlog, 30 s.
"""

from __future__ import annotations

import json
import os
import selectors
import shutil
import socket
import sys
import tempfile
import time
from datetime import timedelta
from pathlib import Path

import numpy as np
import psutil
from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.bench.scale import CHANNELS, SITE, laid_out
from tests.conftest import Mosquitto
from tests.crash.fleet import recorder
from tidetray.ingest.core.readings import Reading, from_ms
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store import queries
from tidetray.ingest.store.recording import open_store
from tidetray.ingest.wire.packs import encode_pack
from tidetray.ingest.wire.topics import data_topic, here_topic, receipt_topic

ROOT = Path(__file__).parents[2]
QUICK = "quick" in sys.argv
NODES, BACKLOG_S, PACE_S = (50, 600, 30) if QUICK else (500, 7200, 300)
EVERY_S = 10
IN_FLIGHT = 20
MOST_S = 1200.0
"""The backlog is given up after this long."""


class Node:
    """A node that measures one message each EVERY_S, and sends what it holds in the order of its numbers."""

    def __init__(self, number: int, port: int, first_s: float) -> None:
        self.name, self._number, self._first_s = f"node-{number}", number, first_s
        self.made = self._sent = self._acknowledged = self.receipted = 0
        self.handed_over: dict[int, float] = {}
        self.timed_from = 0
        self.waits_ms: list[float] = []
        self.client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=self.name, clean_session=True)
        self.client.on_connect = self._connected
        self.client.on_message = self._receipted
        self.client.on_publish = self._published
        self.client.connect("127.0.0.1", port, keepalive=300)

    def _connected(self, *_: object) -> None:
        self.client.subscribe(receipt_topic(SITE, self.name), 1)
        self.client.publish(here_topic(SITE, self.name), json.dumps({"here": True, "boot": "a1"}), 1, retain=True)

    def _published(self, *_: object) -> None:
        self._acknowledged += 1

    def _receipted(self, _client: object, _data: object, message: mqtt.MQTTMessage) -> None:
        now = time.perf_counter()
        upto = int(json.loads(message.payload)["upto"])
        for number in range(self.receipted + 1, upto + 1):
            took_ms = 1000 * (now - self.handed_over.pop(number))
            if number > self.timed_from:  # what was measured in the storm waited behind it
                self.waits_ms.append(took_ms)
        self.receipted = max(self.receipted, upto)

    def send(self) -> None:
        """As much of what it holds as may be under way."""
        while self._sent < self.made and self._sent - self._acknowledged < IN_FLIGHT:
            self._sent += 1
            payload = encode_pack(self._readings(self._sent), boot="a1", seq=self._sent)
            self.handed_over[self._sent] = time.perf_counter()
            self.client.publish(data_topic(SITE, self.name), payload, qos=1)

    def _readings(self, seq: int) -> list[Reading]:
        at_ms = round(1000 * (self._first_s + EVERY_S * (seq - 1)))
        drift = 1 + 0.01 * ((seq + self._number) % 60) / 60
        return [
            Reading(f"tray-{self._number}", name, at_ms, round(drift * middle, 5)) for name, middle in CHANNELS.items()
        ]


class Fleet:
    """All nodes in one loop."""

    def __init__(self, port: int) -> None:
        self._selector = selectors.DefaultSelector()
        now_s = time.time()
        self.nodes = []
        for number in range(1, NODES + 1):
            node = Node(number, port, now_s - BACKLOG_S + EVERY_S * number / NODES)
            self._selector.register(node.client.socket(), selectors.EVENT_READ, node)
            self.nodes.append(node)
        self._held = BACKLOG_S // EVERY_S
        self._next = 0
        self._next_s = time.monotonic() + EVERY_S / NODES
        self._misc_s = 0.0
        for node in self.nodes:
            node.made = self._held

    def held(self) -> int:
        return self._held * NODES

    def has_receipts(self, upto: int) -> bool:
        return all(node.receipted >= upto for node in self.nodes)

    def turn(self) -> None:
        """What came; and what is measured meanwhile, evenly spread."""
        for key, _ in self._selector.select(max(0.0, min(self._next_s - time.monotonic(), 0.05))):
            key.data.client.loop_read(64)
            key.data.send()
        while time.monotonic() >= self._next_s:
            node = self.nodes[self._next]
            node.made += 1
            node.send()
            self._next, self._next_s = (self._next + 1) % NODES, self._next_s + EVERY_S / NODES
        for node in self.nodes:
            if node.client.want_write():
                node.client.loop_write()
        if time.monotonic() > self._misc_s:
            self._misc_s = time.monotonic() + 5
            for node in self.nodes:
                node.client.loop_misc()


def written(process: psutil.Process) -> int:
    lines = Path(f"/proc/{process.pid}/io").read_text(encoding="ascii").splitlines()
    return int(dict(line.split(": ") for line in lines)["write_bytes"])


def main() -> None:
    executable = shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin:/usr/bin") or sys.exit("needs mosquitto")
    with tempfile.TemporaryDirectory(dir=ROOT.parent) as folder:
        home = Path(folder)
        home.chmod(0o777)  # started by root, mosquitto goes on as its own user
        with open_store(home / RECORD_FILE) as store:
            laid_out(store, NODES, started=from_ms(round(1000 * time.time())) - timedelta(days=1))
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            broker = Mosquitto(executable, home, probe.getsockname()[1])
        broker.start()
        records = recorder(home, broker.port)
        records.start()
        try:
            until_connected(records.said)
            figures, receipted = played(broker.port, psutil.Process(records.process.pid))  # type: ignore[union-attr]
        finally:
            assert records.stop() == 0
            broker.stop()
        print(f"many_nodes nodes={NODES} {figures} {on_disk(home, receipted)} load={os.getloadavg()[0]:.1f}")


def until_connected(said: Path) -> None:
    for _ in range(1200):
        if "connected to" in said.read_text(encoding="utf-8"):
            time.sleep(1)  # and has subscribed
            return
        time.sleep(0.1)
    raise TimeoutError("the recorder does not connect")


def played(port: int, process: psutil.Process) -> tuple[str, dict[str, int]]:
    """Figures, and up to which number each node has receipts."""
    fleet = Fleet(port)
    begun, most_mib, told_s = time.monotonic(), 0.0, 0.0
    upto = BACKLOG_S // EVERY_S
    while not fleet.has_receipts(upto):
        fleet.turn()
        if time.monotonic() - told_s > 5:
            told_s = time.monotonic()
            most_mib = max(most_mib, process.memory_info().rss / 2**20)
            covered = sum(min(node.receipted, upto) for node in fleet.nodes)
            print(f"  {told_s - begun:.0f} s: receipts for {covered:,} of {fleet.held():,}", flush=True)
        if time.monotonic() - begun > MOST_S:
            sys.exit("given up")
    backlog_s = time.monotonic() - begun
    settled = time.monotonic() + 20  # what came meanwhile, too
    while time.monotonic() < settled:
        fleet.turn()
    for node in fleet.nodes:
        node.timed_from = node.made
        node.waits_ms.clear()
    before, cpu, pace = written(process), process.cpu_times(), time.monotonic()
    while time.monotonic() - pace < PACE_S:
        fleet.turn()
        most_mib = max(most_mib, process.memory_info().rss / 2**20)
    took, now = time.monotonic() - pace, process.cpu_times()
    waits = np.concatenate([node.waits_ms for node in fleet.nodes])
    each = (written(process) - before) / (len(waits) * len(CHANNELS))
    cores = (now.user + now.system - cpu.user - cpu.system) / took
    last = time.monotonic() + 30
    while time.monotonic() < last and not all(node.receipted == node.made for node in fleet.nodes):
        fleet.turn()
    p50, p99 = np.percentile(waits, [50, 99])
    return (
        f"backlog_messages={fleet.held()} backlog_s={backlog_s:.0f} pace_s={took:.0f} receipt_p50_ms={p50:.0f} "
        f"receipt_p99_ms={p99:.0f} receipt_most_ms={waits.max():.0f} cores={cores:.2f} "
        f"write_bytes_per_reading={each:.0f} mib={most_mib:.0f}",
        {node.name: node.receipted for node in fleet.nodes},
    )


def on_disk(home: Path, receipted: dict[str, int]) -> str:
    """What the record has of what was receipted."""
    with open_store(home / RECORD_FILE, read_only=True) as store:
        series: dict[str, list[int]] = {}
        for key in queries.all_series(store):
            series.setdefault(key.node, []).append(len(np.unique(store.raw.rows(key.id)["time_ms"])))
        counts = queries.counters(store)
        rows = store.raw.count()
    lost = sum(
        max(upto - held, 0) for node, upto in receipted.items() for held in series.get(node, [0] * len(CHANNELS))
    )
    distinct = sum(sum(held) for held in series.values())
    return f"readings={rows} lost={lost} doubled={rows - distinct} messages_twice={counts['doubled']}"


if __name__ == "__main__":
    main()
