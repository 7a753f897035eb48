"""Alarms in the recorder: restarts, kills and late readings; told once, never not at all."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import pytest
from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from tests.conftest import DATA, Mosquitto
from tests.ingest.alarms.test_delivery import Receiver, receiver
from tests.ingest.recorder.test_recorder import until
from tidetray.ingest.alarms.alarm_settings import AlarmSettings
from tidetray.ingest.alarms.book import AlarmBook
from tidetray.ingest.alarms.delivery import Delivery
from tidetray.ingest.alarms.keeper import AlarmKeeper, learn_anew
from tidetray.ingest.core.readings import Reading, to_ms
from tidetray.ingest.cycles.usual_times import expected_drain_s
from tidetray.ingest.files.trial_file import load_trial
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.recorder.cycle_upkeep import Upkeep
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store.recording import Store, open_store
from tidetray.ingest.wire import packs
from tidetray.ingest.wire.packs import Pack
from tidetray.ingest.wire.topics import data_topic

__all__ = ["receiver"]

T0 = to_ms(datetime(2026, 6, 1, 8, 30, tzinfo=UTC))
"""A flood of tray-1 is due then, by its schedule."""

GIVEN = AlarmSettings(mqtt=False, person=[{"name": "me", "urls": ["json://x"]}])
ROOT = Path(__file__).parents[3]


def flood(start_ms: int, *, drains: bool, seen_s: int = 400) -> list[Reading]:
    """Five minutes of flood to 40 mm; then dry within 10 s, or not at all."""

    def level(second: int) -> float:
        if second <= 300:
            return min(0.04, 0.04 * second / 25) if second > 0 else 0.0005
        return max(0.0005, 0.04 - 0.004 * (second - 300)) if drains else 0.04

    readings = []
    for second in range(-20, seen_s, 5):
        at = start_ms + 1000 * second
        readings.append(Reading("tray-1", "level", at, level(second)))
        readings.append(Reading("tray-1", "pump", at, 1.0 if 0 <= second < 300 else 0.0))
    return readings


@dataclass
class Node:
    """Records what a node sends, as the recorder does, with or without watching it."""

    store: Store
    seq: int = 0

    def send(self, readings: list[Reading], keeper: AlarmKeeper | None, *, received_ms: int | None = None) -> int:
        self.seq += 1
        received_ms = readings[-1].time_ms + 500 if received_ms is None else received_ms
        received = datetime.fromtimestamp(received_ms / 1000, UTC)
        pack = Pack("nursery", "bench-1", "a1", self.seq, None, received, tuple(readings), ())
        self.store.record([(pack, data_topic("nursery", "bench-1"), b"")])
        if keeper is not None:
            keeper.take([pack], [], now_ms=received_ms)
        return received_ms


def kinds(store: Store) -> list[str]:
    return [alarm.key.kind for alarm in AlarmBook(store).alarms()]


def messages(store: Store) -> int:
    return int(store.connection.execute("SELECT count(*) FROM outbox WHERE recipient = 'me'").fetchone()[0])


def test_a_failure_is_in_the_outbox_when_its_reading_is_committed(bench_store: Store) -> None:
    keeper = AlarmKeeper(bench_store, GIVEN, now_ms=T0 - 60_000)
    Node(bench_store).send(flood(T0, drains=False), keeper)
    assert kinds(bench_store) == ["did not drain"]
    assert messages(bench_store) == 1


@pytest.mark.parametrize("watched", [True, False], ids=["killed after the book", "killed before it"])
def test_after_a_restart_nothing_is_missed_and_nothing_twice(bench_store: Store, watched: bool) -> None:
    keeper = AlarmKeeper(bench_store, GIVEN, now_ms=T0 - 60_000)
    node = Node(bench_store)
    node.send(flood(T0, drains=False, seen_s=310), keeper)
    assert kinds(bench_store) == []
    rest = [reading for reading in flood(T0, drains=False) if reading.time_ms >= T0 + 310_000]
    now = node.send(rest, keeper if watched else None)
    for _ in range(3):  # killed again and again
        AlarmKeeper(bench_store, GIVEN, now_ms=now + 1000)
        assert kinds(bench_store) == ["did not drain"]
        assert messages(bench_store) == 1


def test_what_ended_while_nobody_watched_is_over_after_the_restart(bench_store: Store) -> None:
    keeper = AlarmKeeper(bench_store, GIVEN, now_ms=T0 - 60_000)
    node = Node(bench_store)
    node.send(flood(T0, drains=False), keeper)
    now = node.send(
        [Reading("tray-1", "level", T0 + 420_000, 0.0005), Reading("tray-1", "level", T0 + 430_000, 0.0005)], None
    )
    AlarmKeeper(bench_store, GIVEN, now_ms=now)
    (alarm,) = AlarmBook(bench_store).alarms()
    assert alarm.returned_ms is not None
    assert messages(bench_store) == 1, "not sent yet: one message will say both"


def test_the_history_of_a_home_raises_nothing(bench_store: Store) -> None:
    Node(bench_store).send(
        [*flood(T0, drains=False, seen_s=600), Reading("tray-1", "level", T0 + 700000, 0.0005)], None
    )
    AlarmKeeper(bench_store, GIVEN, now_ms=T0 + 900_000)
    assert kinds(bench_store) == []


def test_what_stands_when_a_home_is_first_watched_is_raised_with_what_happened(bench_store: Store) -> None:
    now = Node(bench_store).send(flood(T0, drains=False), None)
    AlarmKeeper(bench_store, GIVEN, now_ms=now)
    (alarm,) = AlarmBook(bench_store).alarms()
    assert (alarm.key.kind, alarm.since_ms) == ("did not drain", T0 + 300_000)
    assert alarm.detail.startswith("still 40 mm")


def test_readings_a_day_late_raise_nothing_and_hours_late_say_when_it_was(bench_store: Store) -> None:
    keeper = AlarmKeeper(bench_store, GIVEN, now_ms=T0 - 60_000)
    node = Node(bench_store)
    node.send(flood(T0, drains=False), keeper, received_ms=T0 + 30 * 3_600_000)
    assert kinds(bench_store) == []
    second = T0 + 86_400_000
    node.send(flood(second, drains=False), keeper, received_ms=second + 6 * 3_600_000)
    (alarm,) = AlarmBook(bench_store).alarms()
    assert alarm.since_ms == second + 300_000
    assert alarm.raised_ms == second + 6 * 3_600_000


def out_of_order(store: Store, monkeypatch: pytest.MonkeyPatch, settings: AlarmSettings) -> None:
    """A flood that did not drain, of which the readings come after later ones."""
    monkeypatch.setattr(time, "time_ns", lambda: (T0 + 7_300_000) * 1_000_000)
    keeper = AlarmKeeper(store, settings, now_ms=T0 - 60_000)
    node = Node(store)
    upkeep = Upkeep(store, on_cycles=keeper.on_cycles)
    node.send([Reading("tray-1", "level", T0 + 7_200_000 + 1000 * n, 0.0005) for n in range(5)], keeper)
    upkeep.run(now=True)
    late = [*flood(T0, drains=False, seen_s=600), Reading("tray-1", "level", T0 + 650_000, 0.0005)]
    node.send(late, keeper, received_ms=T0 + 7_300_000)
    for _ in range(2):
        upkeep.run(now=True)


def test_an_alarm_that_is_turned_off_is_not_told_late_either(
    bench_store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    out_of_order(bench_store, monkeypatch, GIVEN.model_copy(update={"off": ("did not drain",)}))
    assert kinds(bench_store) == []


def test_readings_out_of_order_are_told_by_the_cycles(bench_store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    out_of_order(bench_store, monkeypatch, GIVEN)
    (alarm,) = AlarmBook(bench_store).alarms()
    assert (alarm.key.kind, alarm.since_ms) == ("did not drain", T0 + 300_000)
    assert alarm.returned_ms is not None
    assert "came late" in alarm.detail


def test_own_times_are_learned_and_forgotten(bench_store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    node = Node(bench_store)
    for n in range(17):
        node.send(flood(T0 + n * 3_600_000, drains=True), None)
    now = T0 + 17 * 3_600_000
    monkeypatch.setattr(time, "time_ns", lambda: now * 1_000_000)
    keeper = AlarmKeeper(bench_store, GIVEN, now_ms=now)
    Upkeep(bench_store, on_cycles=keeper.on_cycles).run(now=True)
    learned = {
        row[0]: row[1:] for row in bench_store.connection.execute("SELECT measure, factor, cycles FROM own_times")
    }
    # readings every 5 s: 20 mm after 5 s, 0.5 mm after 10 s, on a straight line 3 mm after 9.36 s
    ((tray, _lamp),) = Notebook(bench_store).trays("nursery")
    assert learned["drain"][0] == pytest.approx(9.359 / expected_drain_s(tray, 0.04), rel=0.001)
    assert learned["drain"][1] == 16
    learn_anew(bench_store, "nursery", "tray-1", now_ms=now)
    keeper.run(online=True, now_ms=now + 2000)
    assert bench_store.connection.execute("SELECT DISTINCT factor FROM own_times").fetchall() == [(None,)]


def test_killed_between_sending_and_noting_it_sends_once_more_at_most(bench_store: Store) -> None:
    keeper = AlarmKeeper(bench_store, GIVEN, now_ms=T0 - 60_000)
    now = Node(bench_store).send(flood(T0, drains=False), keeper)
    told: list[str] = []

    def send(title: str, body: str) -> str:
        told.append(title)
        return ""

    class KilledDelivery(Delivery):
        def _mark_sent(self, *_: object) -> int:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        KilledDelivery(bench_store, GIVEN, zone="UTC", senders={"me": send}).step(now)
    again = Delivery(bench_store, GIVEN, zone="UTC", senders={"me": send})
    assert [again.step(now + 1000 * n) for n in range(1, 4)] == [1, 0, 0]
    assert len(told) == 2


class Retained:
    """What stands on the retained topics."""

    def __init__(self, port: int) -> None:
        self.topics: dict[str, bytes] = {}
        ready = threading.Event()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2)
        self._client.on_message = lambda _c, _d, message: self.topics.__setitem__(message.topic, message.payload)
        self._client.on_subscribe = lambda *_: ready.set()
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        self._client.subscribe("tidetray/alarms/v1/#", 1)
        assert ready.wait(10)

    def publish(self, topic: str, payload: bytes) -> None:
        self._client.publish(topic, payload, qos=1).wait_for_publish(10)

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@pytest.fixture
def broker_side(mosquitto: Mosquitto) -> Iterator[Retained]:
    side = Retained(mosquitto.port)
    yield side
    side.close()


@contextmanager
def recorder(home: Path, port: int) -> Iterator[subprocess.Popen[bytes]]:
    process = subprocess.Popen(
        [sys.executable, "-m", "tidetray", "record", "--home", str(home)],
        cwd=ROOT,
        env={**os.environ, "TIDETRAY_BROKER__PORT": str(port)},
        stderr=subprocess.DEVNULL,
    )
    try:
        yield process
    finally:
        process.kill()
        process.wait()


def test_the_recorder_is_killed_between_raise_and_send(
    tmp_path: Path, mosquitto: Mosquitto, broker_side: Retained, receiver: Receiver
) -> None:
    (tmp_path / "tidetray.toml").write_text(
        '[alarms]\noff = ["flood outside the schedule", "missed flood", "clock '
        f'wrong"]\n[[alarms.person]]\nname = "me"\nurls = ["json://127.0.0.1:{receiver.port}/?rto=1&cto=1"]\n'
    )
    with open_store(tmp_path / RECORD_FILE) as store:
        Notebook(store).add_trial(load_trial(DATA / "trial.toml"))
        receiver.mode = "fail"
        with recorder(tmp_path, mosquitto.port):
            until(lambda: "tidetray/alarms/v1/recorder/here" in broker_side.topics)
            start_ms = time.time_ns() // 1_000_000 - 400_000
            payload = packs.encode_pack(flood(start_ms, drains=False), boot="a1", seq=1)
            broker_side.publish(data_topic("nursery", "bench-1"), payload)
            until(lambda: receiver.asked)
            assert kinds(store) == ["did not drain"]
        assert receiver.taken == []
        receiver.mode = "ok"
        with recorder(tmp_path, mosquitto.port) as process:
            until(lambda: receiver.taken)
            until(lambda: b"did not drain" in broker_side.topics.get("tidetray/alarms/v1/nursery/tray/tray-1", b""))
            time.sleep(2.5)
            process.send_signal(signal.SIGTERM)
            process.wait(20)
        assert len(receiver.taken) == 1
        assert kinds(store) == ["did not drain"]
        assert b'"recording": false' in broker_side.topics["tidetray/alarms/v1/recorder/here"]
