"""The session with the broker: what is no health, what is nobody's, what is held in memory."""

from __future__ import annotations

import json
import logging
import os
import pwd
import queue
import socket
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import closing, contextmanager
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from tests.conftest import DATA, Mosquitto
from tests.ingest.recorder.test_recorder import WAIT_S, NodeSide, levels, node, pack, recording, until
from tidetray.ingest.alarms.delivery import post_test
from tidetray.ingest.core.clock import Clock
from tidetray.ingest.files.trial_file import load_trial
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.recorder import session as session_module
from tidetray.ingest.recorder.alarm_service import alarm_services
from tidetray.ingest.recorder.mqtt_client import Message
from tidetray.ingest.recorder.recorder import Recorder
from tidetray.ingest.recorder.session import MESSAGE_BYTES, MqttSession
from tidetray.ingest.settings.model import BrokerSettings, Settings
from tidetray.ingest.store.raw_readings import RawReadings
from tidetray.ingest.store.recording import Store, open_store
from tidetray.ingest.wire import topics

__all__ = ["node"]
NOW = datetime(2026, 6, 1, 8, tzinfo=UTC)


class TinyBroker:
    """Answers CONNECT, SUBSCRIBE and PINGREQ; grants what `grants` says, and delivers own messages while `echoes`."""

    def __init__(self, *, grants: int = 1, echoes: bool = True) -> None:
        self.grants, self.echoes = grants, echoes
        self.connections = 0
        self._ends = threading.Event()
        self._server = socket.create_server(("127.0.0.1", 0))
        self._server.settimeout(0.05)
        self.port = self._server.getsockname()[1]
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._thread.start()

    def close(self) -> None:
        self._stop.set()
        self._thread.join(10)
        self._server.close()

    def end_connection(self) -> None:
        self._ends.set()

    def _serve(self) -> None:
        while not self._stop.is_set():
            try:
                connection, _ = self._server.accept()
            except TimeoutError:
                continue
            self.connections += 1
            with connection:
                connection.settimeout(0.05)
                self._talk(connection)

    def _talk(self, connection: socket.socket) -> None:
        held = b""
        while not self._stop.is_set():
            if self._ends.is_set():
                self._ends.clear()
                return
            try:
                came = connection.recv(4096)
            except TimeoutError:
                continue
            except OSError:
                return
            if not came:
                return
            held += came
            while len(held) >= 2 and len(held) >= 2 + held[1]:
                packet, held = held[: 2 + held[1]], held[2 + held[1] :]
                kind = packet[0] >> 4
                if kind == 1:
                    connection.sendall(b"\x20\x02\x00\x00")
                elif kind == 8:
                    asked = sum(1 for _ in filters(packet))
                    connection.sendall(
                        bytes([0x90, 2 + asked]) + packet[2:4] + bytes([self.grants] * (asked - 1) + [0])
                    )
                elif kind == 12:
                    connection.sendall(b"\xd0\x00")
                elif kind == 3 and self.echoes:
                    connection.sendall(packet)


def filters(packet: bytes) -> Iterator[bytes]:
    at = 4
    while at < len(packet):
        length = packet[at] << 8 | packet[at + 1]
        yield packet[at + 2 : at + 2 + length]
        at += 3 + length


@contextmanager
def running(port: int, store: Store, **more: object) -> Iterator[Recorder]:
    recorder = Recorder(store, Settings(broker=BrokerSettings(port=port, keepalive_s=5), **more))
    thread = threading.Thread(target=recorder.run)
    thread.start()
    try:
        yield recorder
    finally:
        recorder.stop()
        thread.join(WAIT_S)


def test_a_refused_subscription_is_no_health(bench_store: Store) -> None:
    """Before, it counted as connected and well, the heartbeat went out, and nothing was ever recorded."""
    with closing(TinyBroker(grants=0x80)) as broker, running(broker.port, bench_store) as recorder:
        until(lambda: recorder.state().trouble)
        assert "refused the subscription to tidetray/v1/+/+/data" in recorder.state().sentence
        assert not recorder.connected.is_set()
        assert not recorder.is_well()
        broker.grants = 1
        until(recorder.is_well)


def test_access_rules_that_change_while_recording_show(bench_store: Store) -> None:
    """A broker ends the connections that its new rules do not let be, and refuses at the next subscription."""
    with closing(TinyBroker()) as broker, running(broker.port, bench_store) as recorder:
        until(recorder.is_well)
        broker.grants = 0x80
        broker.end_connection()
        until(lambda: "refused the subscription" in recorder.state().trouble)
        assert not recorder.is_well()
        broker.grants = 1
        until(recorder.is_well)


def forget(mosquitto: Mosquitto) -> None:
    """Restarted without what it had stored."""
    mosquitto.stop()
    (mosquitto.folder / "mosquitto.db").unlink(missing_ok=True)
    mosquitto.start()


def test_a_broker_that_forgot_the_session_is_subscribed_to_again_and_this_is_logged_once(
    mosquitto: Mosquitto, node: NodeSide, bench_store: Store, caplog: pytest.LogCaptureFixture
) -> None:
    caplog.set_level(logging.INFO, logger="tidetray.recorder")

    def forgotten() -> int:
        return sum("forgot the recorder's session" in each.getMessage() for each in caplog.records)

    def receipted(seq: int) -> bool:
        """As a node does: it subscribes anew, and sends again what has no receipt."""
        node._client.subscribe(topics.receipt_topic("nursery", "bench-1"), 1)
        node._client.publish(topics.data_topic("nursery", "bench-1"), pack(seq), qos=1)
        time.sleep(0.2)
        return node.upto() == seq

    # started by root it goes on as a user of its own, who cannot reach pytest's folders: then nothing is stored
    config = f"{mosquitto.config()}user {pwd.getpwuid(os.getuid()).pw_name}\n"
    mosquitto.config = lambda: config  # type: ignore[method-assign]
    mosquitto.stop()
    mosquitto.start()
    with recording(bench_store.path, mosquitto.port) as recorder:
        until(lambda: receipted(1))
        assert forgotten() == 0, "a first connection has nothing to be forgotten"
        mosquitto.stop()
        mosquitto.start()
        until(recorder.is_well)
        until(lambda: receipted(2))
        assert forgotten() == 0, "the broker stored it"
        for time_ in (1, 2):
            forget(mosquitto)
            until(lambda time_=time_: receipted(2 + time_))  # type: ignore[misc]
            until(recorder.is_well)
            assert forgotten() == time_
    assert levels(bench_store.path) == [seq / 1000 for seq in range(1, 5)]


def test_another_program_with_a_clean_session_makes_the_broker_forget_too(
    mosquitto: Mosquitto, node: NodeSide, bench_store: Store, caplog: pytest.LogCaptureFixture
) -> None:
    with recording(bench_store.path, mosquitto.port) as recorder:
        node.send(pack(1))
        until(lambda: node.upto() == 1)
        thief = mqtt.Client(
            CallbackAPIVersion.VERSION2, client_id=recorder.client_id, clean_session=True, reconnect_on_failure=False
        )
        thief.connect("127.0.0.1", mosquitto.port)
        thief.loop_start()
        until(lambda: recorder._session._ended_s)  # it may be connected again at once
        thief.disconnect()
        thief.loop_stop()

        def sent_again() -> bool:
            node.send(pack(2))  # what came while there was no session is with its node
            return node.upto() == 2

        until(sent_again)
        until(recorder.is_well)
    assert "forgot the recorder's session" in caplog.text
    assert levels(bench_store.path) == [1 / 1000, 2 / 1000]


def test_a_session_that_hears_nothing_is_deaf_though_pings_are_answered(
    bench_store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """After a take-over the embedded broker of the library delivered nothing, and the state said connected."""
    monkeypatch.setattr(session_module, "ECHO_S", 0.2)
    monkeypatch.setattr(session_module, "DEAF_S", 4.0)
    with closing(TinyBroker()) as broker, running(broker.port, bench_store) as recorder:
        until(recorder.is_well)
        until(lambda: recorder._session._echo_works)
        broker.echoes = False
        until(lambda: "delivers nothing" in recorder.state().trouble)
        assert not recorder.is_well()
        until(lambda: broker.connections >= 2)
        broker.echoes = True
        until(recorder.is_well)


def test_a_broker_whose_rules_never_let_an_own_message_back_is_not_held_to_it(
    bench_store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(session_module, "ECHO_S", 0.1)
    monkeypatch.setattr(session_module, "DEAF_S", 0.3)
    with closing(TinyBroker(echoes=False)) as broker, running(broker.port, bench_store) as recorder:
        until(recorder.is_well)
        time.sleep(1.5)
        assert recorder.is_well()
        assert broker.connections == 1


def test_a_name_that_others_use_shows(mosquitto: Mosquitto, bench_store: Store) -> None:
    with recording(bench_store.path, mosquitto.port) as recorder:
        thief = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=recorder.client_id, clean_session=False)
        thief.connect("127.0.0.1", mosquitto.port)
        thief.loop_start()
        try:
            until(lambda: "another program uses the client id" in recorder.state().trouble)
            assert not recorder.is_well()
        finally:
            thief.disconnect()
            thief.loop_stop()


def test_two_homes_have_two_names_and_a_home_keeps_its_own(tmp_path: Path) -> None:
    """Before, both were called alike at one broker, shared a session, and receipted each other's messages."""
    names = []
    for home in ("a", "b", "a"):
        with open_store(tmp_path / home / "tidetray.sqlite") as store:
            names.append(Recorder(store, Settings()).client_id)
    assert names[0] == names[2] != names[1]


def test_messages_of_other_sites_are_neither_kept_nor_receipted(
    mosquitto: Mosquitto, node: NodeSide, bench_store: Store
) -> None:
    with recording(bench_store.path, mosquitto.port):
        pass  # of all sites once: the subscription lives in the session
    south: list[bytes] = []
    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.on_message = lambda _c, _d, message: south.append(message.payload)
    client.connect("127.0.0.1", mosquitto.port)
    client.loop_start()
    client.subscribe(topics.receipt_topic("south", "bench-1"), 1)
    with recording(bench_store.path, mosquitto.port, record={"site": ["nursery", "north"]}) as recorder:
        node.send(pack(1), topics.data_topic("south", "bench-1"))
        node.send(pack(1))
        until(lambda: node.upto() == 1)
        until(lambda: recorder.state().foreign == 1)
        assert bench_store.quarantine.messages(limit=10) == []
    client.disconnect()
    client.loop_stop()
    assert south == []


def test_a_receipt_names_its_home_and_does_not_come_back(
    mosquitto: Mosquitto, node: NodeSide, bench_store: Store
) -> None:
    said: list[dict[str, object]] = []
    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.on_message = lambda _c, _d, message: said.append(json.loads(message.payload))
    client.connect("127.0.0.1", mosquitto.port)
    client.loop_start()
    client.subscribe(topics.receipt_topic("nursery", "bench-1"), 1)
    took: list[Message] = []
    with recording(bench_store.path, mosquitto.port) as recorder:
        real = recorder._client.take
        recorder._client.take = lambda messages: (took.extend(messages), real(messages))  # type: ignore[assignment]
        node.send(pack(1))
        until(lambda: said)
        node.send(pack(2))
        until(lambda: node.upto() == 2)
    client.disconnect()
    client.loop_stop()
    assert said[0] == {"boot": "a1", "upto": 1, "home": bench_store.home_id()}
    assert {topics.parse_topic(each.topic).kind for each in took if each.topic.startswith("tidetray/v1")} == {"data"}


def test_retained_data_is_taken_up_at_no_start(mosquitto: Mosquitto, node: NodeSide, bench_store: Store) -> None:
    """Before, a malformed one went into quarantine, and one without times was recorded, at every start."""
    node.send(b'[{"n":"tray-1/level","u":"m","v":0.01}]', retain=True)
    node.send(b"not json", topics.data_topic("nursery", "bench-2"), retain=True)
    for seq in (1, 2):
        with recording(bench_store.path, mosquitto.port, record={"client_id": f"start-{seq}"}):
            node.send(pack(seq))
            until(lambda seq=seq: node.upto() == seq)  # type: ignore[misc]
    assert levels(bench_store.path) == [1 / 1000, 2 / 1000]
    assert bench_store.quarantine.messages(limit=10) == []


def test_the_queue_is_bounded_in_bytes_and_a_long_message_is_cut_as_it_is_taken() -> None:
    """Before, 400 messages of 4 MiB took 1.8 GiB."""
    session = MqttSession(BrokerSettings(keepalive_s=5), "x", [])
    given_up = False
    held = 0
    session._wait_for_room = lambda: False  # type: ignore[method-assign]
    for n in range(1000):
        session._take([Message(1, n, 1, "tidetray/v1/a/b/data", b"x" * 4_000_000, NOW)])
        given_up = given_up or session._given_up == 1
        held = session._put_bytes - session._got_bytes
    assert given_up
    assert held <= session_module.QUEUE_BYTES + MESSAGE_BYTES
    (message, *_) = session.gather()
    assert (len(message.payload), message.length) == (MESSAGE_BYTES, 4_000_000)
    session.client.close()


def test_how_long_a_message_was_is_kept(mosquitto: Mosquitto, node: NodeSide, bench_store: Store) -> None:
    with recording(bench_store.path, mosquitto.port):
        node.send(b"x" * 3_000_000)
        until(lambda: bench_store.quarantine.messages(limit=10))
    (message,) = bench_store.quarantine.messages(limit=10)
    assert "3000000 bytes" in message.reason
    assert message.payload_bytes == MESSAGE_BYTES


@pytest.mark.parametrize("name", ["tidetray.sqlite-wal", "tidetray.sqlite-shm", "recorder.lock"])
def test_files_removed_under_the_recorder_are_noticed_and_what_is_receipted_is_saved(
    mosquitto: Mosquitto, node: NodeSide, tmp_path: Path, name: str, caplog: pytest.LogCaptureFixture
) -> None:
    """Before, receipts went on, health was well, and a kill lost 1,672 receipted readings."""
    caplog.set_level(logging.CRITICAL)
    home = tmp_path / "home"
    with open_store(home / "tidetray.sqlite") as store:
        Notebook(store).add_trial(load_trial(DATA / "trial.toml"))
    (home / "recorder.lock").touch()
    with recording(str(home / "tidetray.sqlite"), mosquitto.port) as recorder:
        node.send(pack(1))
        until(lambda: node.upto() == 1)
        until(recorder.is_well)
        (home / name).unlink()
        begun = time.monotonic()
        until(lambda: name in recorder.state().trouble)
        assert time.monotonic() - begun < 15
        assert not recorder.is_well()
        node.send(pack(2))
        until(lambda: node.upto() == 2)
        # as after a kill: the file alone, without what only the recorder's process holds
        copy = tmp_path / "copy.sqlite"
        copy.write_bytes((home / "tidetray.sqlite").read_bytes())
        assert levels(str(copy)) == [1 / 1000, 2 / 1000]


def test_a_person_whose_addresses_cannot_be_read_stands_in_the_way_of_nobody(
    mosquitto: Mosquitto, bench_store: Store
) -> None:
    """Before, `tidetray record` ended with 1. It is tried again with each message."""
    home = Path(bench_store.path).parent
    missing = home / "addresses"
    given = Settings(
        broker=BrokerSettings(port=mosquitto.port),
        alarms={"mqtt": False, "person": [{"name": "me", "urls_file": str(missing)}]},
    )
    (service,) = alarm_services(home, given, Clock(), "x", lambda: True)
    numbers = post_test(bench_store, ["me"], now_ms=time.time_ns() // 1_000_000)
    service.start()
    try:
        until(lambda: bench_store.connection.execute("SELECT error FROM outbox").fetchone()[0])
        assert service.health().is_well
    finally:
        service.stop()
    (error,) = bench_store.connection.execute("SELECT error FROM outbox WHERE id = ?", numbers).fetchone()
    assert "cannot read the addresses of me" in error


def test_a_damaged_page_of_old_readings_stands_in_the_way_of_no_recording(
    mosquitto: Mosquitto, node: NodeSide, bench_store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Before, a recorder that was started again ended with 'disk image is malformed'."""
    real = RawReadings.rows

    def rows(raw: RawReadings, series: int, start_ms: int = 0, end_ms: int = 1 << 62) -> Any:
        if series == 1:
            raise sqlite3.DatabaseError("database disk image is malformed")
        return real(raw, series, start_ms, end_ms)

    with recording(bench_store.path, mosquitto.port):
        node.send(pack(1))
        until(lambda: node.upto() == 1)
    monkeypatch.setattr(RawReadings, "rows", rows)
    with recording(bench_store.path, mosquitto.port):
        node.send(pack(2))
        until(lambda: node.upto() == 2)


LATE_SIGNAL = """
import signal, time
from tidetray.ingest.recorder.session import BATCH_S, MqttSession
from tidetray.ingest.settings.model import BrokerSettings

came = []
signal.signal(signal.SIGALRM, lambda *_: (came.append(1), time.sleep(2 * BATCH_S)))
session = MqttSession(BrokerSettings(), "late", [])
signal.setitimer(signal.ITIMER_REAL, BATCH_S / 2)
print(session.gather(), came)
"""


def test_a_signal_that_holds_up_the_wait_for_messages_does_not_make_it_endless() -> None:
    """A recorder told to stop, on a busy machine, waited for a message that no broker was there to send."""
    done = subprocess.run(
        [sys.executable, "-c", LATE_SIGNAL], capture_output=True, text=True, timeout=WAIT_S, check=True
    )
    assert done.stdout == "[] [1]\n"


class MadeUpArrivals:
    """The session's queue and clock: messages come at given times, or some at once after each batch that was taken, as
    from a broker that holds the others back until those are acknowledged."""

    def __init__(self, times_s: list[float], *, held_back: tuple[int, int] | None = None) -> None:
        self.now_s = 100.0
        self._times_s = [100.0 + each for each in times_s]
        self._window, self._left = held_back or (0, 0)

    def acknowledged(self) -> None:
        come = min(self._window, self._left)
        self._left -= come
        self._times_s += [self.now_s + 0.001] * come

    def monotonic(self) -> float:
        return self.now_s

    def get(self, timeout: float) -> list[Message]:
        if not self._times_s or self._times_s[0] > self.now_s + timeout:
            self.now_s += timeout
            raise queue.Empty
        self.now_s = max(self.now_s, self._times_s.pop(0))
        return [Message(1, 1, 1, "tidetray/v1/a/b/data", b"{}", NOW)]

    def batches(self, monkeypatch: pytest.MonkeyPatch, until_s: float) -> list[tuple[float, int]]:
        """When each batch was taken, from the beginning, and how many messages it had."""
        monkeypatch.setattr(session_module, "time", self)
        session = MqttSession(BrokerSettings(), "x", [])
        session._queue = self  # type: ignore[assignment]
        found = []
        while self.now_s < 100 + until_s:
            if batch := session.gather():
                found.append((self.now_s - 100, len(batch)))
            self.acknowledged()
        session.client.close()
        return found


def test_while_few_messages_come_a_commit_takes_those_of_half_a_second(monkeypatch: pytest.MonkeyPatch) -> None:
    found = MadeUpArrivals([0.02 * n for n in range(500)]).batches(monkeypatch, 10)
    assert sum(count for _, count in found) == 500
    assert 18 <= len(found) <= 22
    assert all(count >= 20 for _, count in found[:-1])


def test_one_message_waits_no_longer_than_for_a_pause(monkeypatch: pytest.MonkeyPatch) -> None:
    found = MadeUpArrivals([1.0, 2.0, 3.0]).batches(monkeypatch, 4)
    assert [count for _, count in found] == [1, 1, 1]
    assert [at for at, _ in found] == pytest.approx([1 + session_module.FEW_QUIET_S + n for n in range(3)])


@pytest.mark.parametrize("window", [8, 10, 20, 100])
def test_a_broker_that_waits_for_acknowledgements_is_not_waited_for(
    window: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Twenty thousand messages held back, of which so many come after each commit."""
    arrivals = MadeUpArrivals([], held_back=(window, 20_000))
    found = arrivals.batches(monkeypatch, 20_000 / window * 0.005 + 5)
    assert sum(count for _, count in found) == 20_000
    slow = [at for (before, _), (at, _) in pairwise(found) if at - before > 0.01]
    assert len(slow) <= session_module.CALM_MESSAGES / window + 1
    assert max(slow, default=0.0) <= 1.1


def test_after_a_storm_commits_are_few_again(monkeypatch: pytest.MonkeyPatch) -> None:
    times_s = [0.001 * n for n in range(2000)] + [2 + 0.02 * n for n in range(500)]
    found = MadeUpArrivals(times_s).batches(monkeypatch, 12)
    assert sum(count for _, count in found) == 2500
    assert len([at for at, _ in found if at > 4]) <= 18
