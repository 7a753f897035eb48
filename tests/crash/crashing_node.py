"""A simulated node as a process of its own, with its journal on disk, made to be killed at any moment.

Measures what `stream.measured` says, at an even rate by the clock, so that after a start it catches up. A message is on
disk before it is sent, and stays there until a receipt covers it. Each start is a new boot; what earlier boots left
goes out under their boot and number, as contract.md asks. When to send what is
`tidetray.ingest.nursery.node_journal.Node`'s, as it is for the demo's nodes.

Run: python -m tests.crash.crashing_node, with its settings as one JSON object in the first argument.
"""

from __future__ import annotations

import json
import secrets
import sqlite3
import sys
import threading
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from tests.crash.stream import PACK_READINGS, SITE, measured
from tidetray.ingest.core.readings import Reading
from tidetray.ingest.nursery.node_journal import Node
from tidetray.ingest.wire import receipts, topics

AT_ONCE = 40
"""Messages on their way from one node."""


class DiskJournal:
    """One boot's messages in a file that all boots share. A `node_journal.Journal`."""

    def __init__(self, connection: sqlite3.Connection, boot: str) -> None:
        self._connection, self._boot = connection, boot
        held = connection.execute("SELECT seq, readings FROM message WHERE boot = ? ORDER BY seq", (boot,)).fetchall()
        self._held = {seq: [Reading(*each) for each in json.loads(text)] for seq, text in held}
        self.last = max(self._held, default=0)

    @property
    def oldest(self) -> int:
        return next(iter(self._held), self.last + 1)

    def __len__(self) -> int:
        return len(self._held)

    def add(self, readings: Sequence[Reading]) -> int:
        """In one transaction with how far was measured: killed in between, it is measured again."""
        self.last += 1
        self._connection.execute("BEGIN IMMEDIATE")
        self._connection.execute("INSERT INTO message VALUES (?, ?, ?)", (self._boot, self.last, json.dumps(readings)))
        self._connection.execute("UPDATE progress SET measured = measured + ?", (len(readings),))
        self._connection.execute("COMMIT")
        self._held[self.last] = list(readings)
        return self.last

    def read(self, number: int) -> Sequence[Reading] | None:
        return self._held.get(number)

    def release(self, upto: int) -> int:
        self._connection.execute("DELETE FROM message WHERE boot = ? AND seq <= ?", (self._boot, upto))
        released = [number for number in self._held if number <= upto]
        return sum(len(self._held.pop(number)) for number in released)


def open_journal(path: Path) -> sqlite3.Connection:
    connection = sqlite3.connect(path, isolation_level=None)
    connection.execute("PRAGMA journal_mode=WAL")
    connection.execute("PRAGMA synchronous=FULL")
    connection.execute("CREATE TABLE IF NOT EXISTS message (boot, seq, readings, PRIMARY KEY (boot, seq))")
    connection.execute("CREATE TABLE IF NOT EXISTS progress AS SELECT 0 AS measured")
    return connection


class CrashingNode:
    def __init__(self, journal: Path, number: int, port: int) -> None:
        self._connection = open_journal(journal)
        earlier = [boot for (boot,) in self._connection.execute("SELECT DISTINCT boot FROM message").fetchall()]
        boot = secrets.token_hex(4)
        self._nodes = {each: Node(each, DiskJournal(self._connection, each)) for each in (*earlier, boot)}
        self._own = self._nodes[boot].journal
        self._events: list[tuple[str, Any]] = []
        self._lock = threading.Lock()
        name = f"bench-{number}"
        self._data, self._receipts = topics.data_topic(SITE, name), topics.receipt_topic(SITE, name)
        self._here = topics.here_topic(SITE, name)
        self._unacknowledged = 0
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=name)
        self._client.reconnect_delay_set(1, 1)
        self._client.will_set(self._here, b'{"here":false}', qos=1, retain=True)
        self._client.on_connect = lambda client, *_: client.subscribe(self._receipts, qos=1)
        self._client.on_subscribe = lambda *_: self._tell("up")
        self._client.on_disconnect = lambda *_: self._tell("down")
        self._client.on_publish = lambda *_: self._tell("published")
        self._client.on_message = lambda _c, _d, message: self._tell(
            "receipt", receipts.decode_receipt(message.payload)
        )
        self._client.connect_async("127.0.0.1", port, keepalive=20)
        self._client.loop_start()

    def _tell(self, what: str, about: Any = None) -> None:
        with self._lock:
            self._events.append((what, about))

    def measured_upto(self) -> int:
        (measured_upto,) = self._connection.execute("SELECT measured FROM progress").fetchone()
        return int(measured_upto)

    def turn(self) -> None:
        now_s = time.monotonic()
        with self._lock:
            events, self._events = self._events, []
        for what, about in events:
            if what == "receipt":
                if about.boot in self._nodes:
                    self._receipt(self._nodes[about.boot], about, now_s)
            elif what == "published":
                self._unacknowledged -= 1
            else:
                for node in self._nodes.values():
                    node.connected() if what == "up" else node.disconnected()
        for node in self._nodes.values():
            for payload in node.due(now_s, AT_ONCE - self._unacknowledged):
                self._client.publish(self._data, payload, qos=1)
                self._unacknowledged += 1

    def _receipt(self, node: Node, receipt: receipts.Receipt, now_s: float) -> None:
        if node.journal is self._own:
            node.receipt(receipt, now_s)
        else:  # of an earlier boot any number is taken: what it sent last is not known any more
            node.journal.release(receipt.upto)

    def measure(self, readings: Sequence[Reading]) -> None:
        self._own.add(readings)

    def held(self) -> int:
        return sum(len(node.journal) for node in self._nodes.values())


def main() -> None:
    settings = json.loads(sys.argv[1])
    readings = measured(settings["number"], settings["readings"], settings["start_s"])
    node = CrashingNode(Path(settings["journal"]), settings["number"], settings["port"])
    done = node.measured_upto()
    while True:
        due = min(len(readings), int((time.time() - settings["began_s"]) * settings["rate"]))
        while due - done >= PACK_READINGS or (due == len(readings) and done < due):
            pack = readings[done : done + PACK_READINGS]
            node.measure(pack)
            done += len(pack)
            node.turn()
        node.turn()
        time.sleep(0.02)


if __name__ == "__main__":
    main()
