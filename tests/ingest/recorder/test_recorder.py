"""The recorder against a real Mosquitto: what it acknowledges is on disk, what it cannot read goes into quarantine."""

from __future__ import annotations

import json
import os
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from tests.conftest import DATA, Mosquitto
from tidetray.ingest.alarms.keeper import AlarmKeeper
from tidetray.ingest.core.readings import Reading, to_ms
from tidetray.ingest.files.trial_file import load_trial
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.recorder.mqtt_client import Message
from tidetray.ingest.recorder.recorder import Recorder
from tidetray.ingest.settings.model import BrokerSettings, Settings, SettingsError
from tidetray.ingest.store import queries
from tidetray.ingest.store.home_lock import RecorderError, RecorderLock, is_recording
from tidetray.ingest.store.recording import Store, open_store
from tidetray.ingest.wire import packs as wire
from tidetray.ingest.wire import receipts, topics

T0 = datetime(2026, 6, 1, 8, tzinfo=UTC)
TOPIC = topics.data_topic("nursery", "bench-1")
WAIT_S = 60.0


def until(condition: Callable[[], Any]) -> None:
    deadline = time.monotonic() + WAIT_S
    while not condition():
        assert time.monotonic() < deadline, "waited too long"
        time.sleep(0.02)


def pack(seq: int, *, boot: str = "a1") -> bytes:
    return wire.encode_pack(
        [Reading("tray-1", "level", to_ms(T0) + seq * 10_000, seq % 500 / 1000)], boot=boot, seq=seq
    )


class NodeSide:
    """A client that publishes like a node and keeps the receipts it gets."""

    def __init__(self, port: int) -> None:
        self.receipts: list[receipts.Receipt] = []
        self._ready = threading.Event()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="bench-1")
        self._client.on_message = lambda _c, _d, message: self.receipts.append(receipts.decode_receipt(message.payload))
        self._client.on_subscribe = lambda *_: self._ready.set()
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        self._client.subscribe(topics.receipt_topic("nursery", "bench-1"), 1)
        assert self._ready.wait(WAIT_S)

    def send(self, payload: bytes, topic: str = TOPIC, *, retain: bool = False) -> None:
        self._client.publish(topic, payload, qos=1, retain=retain).wait_for_publish(WAIT_S)

    def upto(self) -> int:
        return max((receipt.upto for receipt in self.receipts), default=0)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@pytest.fixture
def node(mosquitto: Mosquitto) -> Iterator[NodeSide]:
    side = NodeSide(mosquitto.port)
    yield side
    side.close()


@contextmanager
def recording(path: str, port: int, *, keepalive_s: int = 30, **more: Any) -> Iterator[Recorder]:
    with open_store(path) as store:
        recorder = Recorder(store, Settings(broker=BrokerSettings(port=port, keepalive_s=keepalive_s), **more))
        thread = threading.Thread(target=recorder.run)
        thread.start()
        try:
            assert recorder.connected.wait(WAIT_S)
            yield recorder
        finally:
            recorder.stop()
            thread.join(WAIT_S)
            assert not thread.is_alive()


def levels(path: str) -> list[float]:
    with open_store(path, read_only=True) as store:
        return queries.readings(store, "nursery", "tray-1", ["level"])["value"].tolist()


def test_commits_acknowledges_and_gives_receipts(mosquitto: Mosquitto, node: NodeSide, bench_store: Store) -> None:
    with recording(bench_store.path, mosquitto.port):
        for seq in range(1, 51):
            node.send(pack(seq))
        until(lambda: node.upto() == 50)
    assert levels(bench_store.path) == [seq / 1000 for seq in range(1, 51)]


def test_what_comes_while_the_recorder_is_away_is_recorded_later(
    mosquitto: Mosquitto, node: NodeSide, bench_store: Store
) -> None:
    with recording(bench_store.path, mosquitto.port):
        node.send(pack(1))
        until(lambda: node.upto() == 1)
    for seq in range(2, 2001):  # Mosquitto's default would keep a thousand
        node._client.publish(TOPIC, pack(seq), qos=1)
    node.send(pack(2001))
    with recording(bench_store.path, mosquitto.port):
        until(lambda: node.upto() == 2001)
    assert len(levels(bench_store.path)) == 2001


def test_a_message_that_cannot_be_read_goes_into_quarantine_and_recording_goes_on(
    mosquitto: Mosquitto, node: NodeSide, bench_store: Store
) -> None:
    bad = [
        (TOPIC, b"not json"),
        (TOPIC, b"[]"),
        (TOPIC, b"\xff\xfe"),
        (TOPIC, b"x" * 10_000_000),
        ("tidetray/v1/nursery/bench-1/extra/data", pack(1)),
        (topics.here_topic("nursery", "bench-1"), b"{"),
    ]
    with recording(bench_store.path, mosquitto.port) as recorder:
        for topic, payload in bad:
            node.send(payload, topic)
        node.send(pack(1))
        until(lambda: node.upto() == 1)
        until(lambda: recorder.totals.quarantined >= len(bad))
    assert levels(bench_store.path) == [0.001]
    with open_store(bench_store.path, read_only=True) as store:
        reasons = [message.reason for message in store.quarantine.messages()]
    assert len(reasons) == len(bad)
    assert all("\n" not in reason and reason for reason in reasons)


def test_a_failing_disk_acknowledges_nothing_and_is_made_up_for(
    mosquitto: Mosquitto, node: NodeSide, bench_store: Store
) -> None:
    with recording(bench_store.path, mosquitto.port) as recorder:
        node.send(pack(1))
        until(lambda: node.upto() == 1)
        with open_store(bench_store.path) as other:
            other.connection.execute(
                "CREATE TRIGGER full BEFORE INSERT ON tail BEGIN SELECT raise(ABORT, 'disk full'); END"
            )
            node.send(pack(2))
            until(lambda: recorder.totals.store_failures >= 1)
            assert node.upto() == 1
            other.connection.execute("DROP TRIGGER full")
        until(lambda: node.upto() == 2)
    assert levels(bench_store.path) == [0.001, 0.002]


def test_a_broker_that_comes_back_is_found_again(mosquitto: Mosquitto, node: NodeSide, bench_store: Store) -> None:
    with recording(bench_store.path, mosquitto.port) as recorder:
        mosquitto.stop()
        until(lambda: not recorder.connected.is_set())
        mosquitto.start()
        assert recorder.connected.wait(WAIT_S)
        until(node._client.is_connected)
        node.send(pack(1))
        until(lambda: levels(bench_store.path) == [0.001])


def test_an_acknowledgement_of_an_older_connection_is_not_sent(
    mosquitto: Mosquitto, node: NodeSide, bench_store: Store
) -> None:
    sent: list[bytes] = []
    with recording(bench_store.path, mosquitto.port) as recorder:
        client = recorder._client
        client._packet_queue = lambda _command, packets, *_: sent.append(packets)  # type: ignore[assignment]
        now, received = client.connection, datetime.now(UTC)
        client.acknowledge([Message(now - 1, 7, 1, TOPIC, b"", received), Message(now, 8, 1, TOPIC, b"", received)])
        client.acknowledge([Message(now - 1, 9, 1, TOPIC, b"", received), Message(now, 10, 0, TOPIC, b"", received)])
        del client._packet_queue
    assert sent == [b"\x40\x02\x00\x08"]


def test_hello_and_last_will_are_noted(mosquitto: Mosquitto, node: NodeSide, bench_store: Store) -> None:
    def here() -> bool | None:
        with open_store(bench_store.path, read_only=True) as store:
            states = queries.nodes(store, "nursery")
            return states[0].here if states else None

    with recording(bench_store.path, mosquitto.port):
        node.send(b'{"here": true, "boot": "a1"}', topics.here_topic("nursery", "bench-1"))
        until(lambda: here() is True)
        node.send(b'{"here": false}', topics.here_topic("nursery", "bench-1"))
        until(lambda: here() is False)


def test_what_waited_for_its_tray_is_recorded_as_soon_as_the_tray_is_there(
    mosquitto: Mosquitto, node: NodeSide, store: Store
) -> None:
    def recorded() -> int:
        with open_store(store.path, read_only=True) as reader:
            return len(queries.readings(reader, "nursery", "tray-1", ["level"]))

    with recording(store.path, mosquitto.port):
        node.send(pack(1))
        until(lambda: node.upto() == 1)
        assert recorded() == 0
        with open_store(store.path) as other:
            Notebook(other).add_trial(load_trial(DATA / "trial.toml"))
        until(lambda: recorded() == 1)


def test_an_authority_that_is_not_there_is_said(store: Store, tmp_path: Path) -> None:
    settings = Settings(broker=BrokerSettings(ca_file=tmp_path / "none.pem"))
    with pytest.raises(SettingsError, match=r"cannot use the broker's authority: .*Correct `ca_file` under \[broker\]"):
        Recorder(store, settings)


def test_one_recorder_per_home(tmp_path: Path) -> None:
    assert not is_recording(tmp_path)
    with RecorderLock(tmp_path):
        assert is_recording(tmp_path)
        with pytest.raises(RecorderError, match="another recorder is recording into this home"), RecorderLock(tmp_path):
            pass
    assert not is_recording(tmp_path)


def test_the_command_stops_cleanly_on_sigterm(mosquitto: Mosquitto, node: NodeSide, tmp_path: Path) -> None:
    home = tmp_path / "home"
    with open_store(home / "tidetray.sqlite") as store:
        Notebook(store).add_trial(load_trial(DATA / "trial.toml"))
    command = [sys.executable, "-m", "tidetray", "record", "--home", str(home)]
    process = subprocess.Popen(
        command, env={**os.environ, "TIDETRAY_BROKER__PORT": str(mosquitto.port)}, stderr=subprocess.PIPE, text=True
    )
    try:
        until(lambda: is_recording(home))
        assert process.stderr is not None
        while "connected to" not in process.stderr.readline():
            assert process.poll() is None
        node.send(pack(1))
        until(lambda: node.upto() == 1)
    finally:
        process.send_signal(signal.SIGTERM)
        _, said = process.communicate(timeout=WAIT_S)
    assert process.returncode == 0
    assert "1 readings in 1 messages recorded, 0 messages came twice, 0 in quarantine" in said
    assert "Traceback" not in said


def test_cycles_follow_the_readings(mosquitto: Mosquitto, bench_store: Store) -> None:
    side = NodeSide(mosquitto.port)
    with recording(bench_store.path, mosquitto.port):
        for path in sorted(DATA.glob("pack-*.json")):
            side.send(path.read_bytes())
        until(lambda: side.upto() == len(list(DATA.glob("pack-*.json"))))
    side.close()
    with open_store(bench_store.path, read_only=True) as store:
        outcomes = queries.cycles(store, "nursery", "tray-1")["outcome"].tolist()
    assert outcomes == ["complete", "did not drain"]
    assert json.loads((DATA / "pack-1.json").read_text())
    with sqlite3.connect(bench_store.path) as connection:
        assert connection.execute("SELECT count(*) FROM cycles_due").fetchone() == (0,)


def test_a_clock_zone_that_is_not_known_here_stops_no_recording(
    mosquitto: Mosquitto, node: NodeSide, bench_store: Store
) -> None:
    """Before, `tidetray record` ended with a traceback: floods and lamps are expected by that zone's clock."""
    bench_store.connection.execute("UPDATE trial SET zone = 'Mars/Base'")
    lamp = {"lamp": {"on": "07:00", "off": "21:00"}}
    with recording(bench_store.path, mosquitto.port, alarms=lamp):
        for seq in (1, 2):
            node.send(pack(seq))
            until(lambda seq=seq: node.upto() == seq)  # type: ignore[misc]
    assert levels(bench_store.path) == [1 / 1000, 2 / 1000]


def test_a_fault_in_the_watch_is_told_and_made_up_for(
    mosquitto: Mosquitto, node: NodeSide, bench_store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What was just committed is not watched when the watch throws: it begins anew from the record."""
    real, thrown = AlarmKeeper.take, 0

    def take(self: AlarmKeeper, packs: Any, heres: Any, *, now_ms: int, **more: Any) -> list[int]:
        nonlocal thrown
        if heres and not thrown:
            thrown += 1
            raise RuntimeError("a fault that nobody foresaw")
        return real(self, packs, heres, now_ms=now_ms, **more)

    def kinds() -> list[str]:
        return [kind for (kind,) in bench_store.connection.execute("SELECT kind FROM alarm").fetchall()]

    monkeypatch.setattr(AlarmKeeper, "take", take)
    with recording(bench_store.path, mosquitto.port) as recorder:
        node.send(b'{"here":true,"boot":"a1","faults":["timetable"]}', topics.here_topic("nursery", "bench-1"))
        until(lambda: recorder.state().failures_in_a_row == 1)
        node.send(pack(1))
        until(lambda: node.upto() == 1)
        until(lambda: kinds() == ["node stopped flooding"])
        until(lambda: recorder.state().failures_in_a_row == 0)
    assert thrown == 1


def test_what_tidetray_failed_on_is_recorded_by_a_version_that_does_not(
    mosquitto: Mosquitto, node: NodeSide, bench_store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as broken:
        broken.setattr(wire, "decode", lambda *_, **__: {}["a fault that nobody foresaw"])
        with recording(bench_store.path, mosquitto.port):
            node.send(pack(1))
            until(lambda: node.upto() == 1)
    assert levels(bench_store.path) == []
    with recording(bench_store.path, mosquitto.port):
        until(lambda: levels(bench_store.path) == [0.001])
    assert bench_store.quarantine.messages(open_only=True) == []


def test_words_of_nodes_are_committed_with_the_readings_of_their_batch_or_not_at_all(
    bench_store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Committed one by one, a disk that fills up in between would leave readings that no watch for alarms ever sees."""
    recorder = Recorder(bench_store, Settings(broker=BrokerSettings(port=1)))
    watched: list[Any] = []
    monkeypatch.setattr(recorder._watching, "add", lambda done, heres: watched.append((done.fresh, heres)))
    monkeypatch.setattr(recorder, "_store_failed", lambda error: watched.append(str(error)))
    monkeypatch.setattr(recorder._client, "acknowledge", lambda batch: None)
    batch = [
        Message(1, 1, 1, TOPIC, pack(1), T0),
        Message(1, 2, 1, topics.here_topic("nursery", "bench-1"), b'{"here":true,"boot":"a1"}', T0),
    ]
    bench_store.connection.execute(
        "CREATE TEMP TRIGGER full BEFORE INSERT ON node WHEN new.here IS NOT NULL"
        " BEGIN SELECT RAISE(ABORT, 'database or disk is full'); END"
    )
    recorder._commit(batch)
    assert watched == ["database or disk is full"]
    assert levels(bench_store.path) == []
    bench_store.connection.execute("DROP TRIGGER full")
    recorder._commit(batch)
    ((fresh, heres),) = watched[1:]
    assert [len(each.readings) for each in fresh] == [1]  # it is new to the watch, too
    assert len(heres) == 1
    assert levels(bench_store.path) == [0.001]


def test_a_message_that_tidetray_itself_fails_on_goes_into_quarantine_and_the_others_are_recorded(
    mosquitto: Mosquitto, node: NodeSide, bench_store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It would come again at each start, and end the recorder each time."""
    real = wire.decode

    def decode(topic: str, payload: bytes, received_at: datetime, **judged: Any) -> wire.Pack:
        if b'"v":2}' in payload:
            raise RuntimeError("a fault that nobody foresaw")
        return real(topic, payload, received_at, **judged)

    monkeypatch.setattr(wire, "decode", decode)
    with recording(bench_store.path, mosquitto.port) as recorder:
        for seq in (1, 2, 3):
            node.send(pack(seq))
        until(lambda: recorder.totals.messages == 2)
        until(lambda: node.upto() == 3)  # the one that is kept is receipted too, or the node would send it for ever
        for seq in (2, 3):  # and no receipt of theirs came to it
            node.send(pack(seq))
        until(lambda: recorder.totals.doubled == 2)
    (kept,) = bench_store.connection.execute("SELECT kind, payload, reason FROM quarantine").fetchall()
    assert kept[:2] == ("fault", pack(2))
    assert "RuntimeError: a fault that nobody foresaw" in kept[2]
