"""The simulated nodes on real brokers: the demo's own and mosquitto. Receipts get lost, recorders and brokers
restart."""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from paho.mqtt.enums import CallbackAPIVersion

from tests.conftest import Mosquitto
from tidetray.ingest.core.readings import Reading
from tidetray.ingest.home.broker_process import broker_process
from tidetray.ingest.nursery import node_journal
from tidetray.ingest.nursery import simulated_nodes as nodes_module
from tidetray.ingest.nursery.node_journal import WINDOW
from tidetray.ingest.nursery.nursery import SITE, Nursery, make_nursery
from tidetray.ingest.nursery.sensors import NodeHistory
from tidetray.ingest.nursery.simulated_nodes import NotLetInError, NurseryReport, run_nursery
from tidetray.ingest.wire import packs as wire
from tidetray.ingest.wire import receipts, topics

ROOT = Path(__file__).parents[3]
UNTIL = datetime(2024, 6, 1, 15, 0, tzinfo=UTC)
"""Long past, so that live readings can be told from the history."""

WAIT_S = 100.0


@pytest.fixture(autouse=True)
def hasty(monkeypatch: pytest.MonkeyPatch) -> None:
    """Sent again soon, and no farewell before all is receipted: how long things take on this machine is not
    the point."""
    monkeypatch.setattr(node_journal, "RESEND_S", 1.0)
    monkeypatch.setattr(nodes_module, "FAREWELL_S", WAIT_S)


def short_nursery(*, silence_kept: bool = False, hours: int = 40) -> Nursery:
    """The end of a nursery's history, with the silence in it."""
    made = make_nursery(UNTIL, silence_kept=silence_kept)
    start = UNTIL - timedelta(hours=hours / 2)
    silence = replace(made.silence, start=start, end=start + timedelta(hours=5))
    return replace(made, started=UNTIL - timedelta(hours=hours), silence=silence)


@dataclass
class Way:
    host: str
    port: int
    username: str = "anyone"
    password: str = "anything"


@dataclass
class Disk:
    """What a recorder has committed; outlives the recorder."""

    packs: dict[tuple[str, str], dict[int, wire.Pack]] = field(default_factory=dict)
    gone_below: dict[tuple[str, str], int] = field(default_factory=dict)
    heres: dict[str, list[receipts.Here]] = field(default_factory=dict)
    arrived: int = 0

    def commit(self, pack: wire.Pack) -> tuple[str, str, int]:
        key = pack.node, pack.boot or ""
        held = self.packs.setdefault(key, {})
        held.setdefault(pack.seq or 0, pack)
        upto = self.gone_below[key] = max(self.gone_below.get(key, 0), (pack.oldest or 1) - 1)
        while upto + 1 in held:
            upto += 1
        self.arrived += 1
        return *key, upto

    def readings(self) -> list[Reading]:
        return sorted(reading for packs in self.packs.values() for pack in packs.values() for reading in pack.readings)


@contextmanager
def recorder(way: Way, disk: Disk, *, loses: Callable[[int], bool] = lambda _: False) -> Iterator[None]:
    """A tiny recorder: a receipt for every message, but for the arrivals that `loses`."""
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="tiny-recorder", clean_session=False)
    client.username_pw_set(way.username, way.password)
    subscribed = threading.Event()

    def on_connect(*_: Any) -> None:
        client.subscribe([(each, 1) for each in topics.subscriptions(SITE)])

    def on_message(_client: mqtt.Client, _userdata: Any, message: mqtt.MQTTMessage) -> None:
        topic = topics.parse_topic(message.topic)
        if topic.kind == "here":
            disk.heres.setdefault(topic.node, []).append(receipts.decode_here(message.payload))
        elif topic.kind == "data":
            if loses(disk.arrived):
                disk.arrived += 1
                return
            pack = wire.decode(message.topic, message.payload, UNTIL + timedelta(days=3650))
            node, boot, upto = disk.commit(pack)
            client.publish(topics.receipt_topic(SITE, node), receipts.encode_receipt(boot, upto), qos=1)

    client.on_connect = on_connect
    client.on_message = on_message
    client.on_subscribe = lambda *_: subscribed.set()
    client.connect(way.host, way.port)
    client.loop_start()
    try:
        assert subscribed.wait(WAIT_S)
        yield
    finally:
        client.disconnect()
        client.loop_stop()


@dataclass
class Nodes:
    """Nodes at work in a thread."""

    nursery: Nursery
    way: Way
    live_s: float | None = 0.0
    reports: list[NurseryReport] = field(default_factory=list)
    stop: threading.Event = field(default_factory=threading.Event)
    final: NurseryReport | None = None

    def __enter__(self) -> Nodes:
        self._thread = threading.Thread(target=self._run)
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.stop.set()
        self._thread.join(WAIT_S)
        assert not self._thread.is_alive()

    def _run(self) -> None:
        self.final = run_nursery(
            self.nursery,
            host=self.way.host,
            port=self.way.port,
            username=self.way.username,
            password=self.way.password,
            live_s=self.live_s,
            clogging_tray=None,
            report=self.reports.append,
            stop=self.stop,
        )

    def finish(self) -> NurseryReport:
        self._thread.join(WAIT_S)
        assert self.final is not None, "the nodes must end by themselves"
        return self.final


def until(holds: Callable[[], bool]) -> None:
    deadline = time.monotonic() + WAIT_S
    while not holds():
        assert time.monotonic() < deadline
        time.sleep(0.01)


def kept(nursery: Nursery) -> list[Reading]:
    return sorted(
        reading
        for node in nursery.nodes
        for pack, was_kept in NodeHistory(nursery, node).packs()
        if was_kept
        for reading in pack
    )


def assert_complete(final: NurseryReport, disk: Disk, nursery: Nursery) -> None:
    assert disk.readings() == kept(nursery)
    assert final.readings_sent == final.readings_receipted == final.readings_to_send == len(disk.readings())
    assert final.messages_held == 0
    assert final.state == "done"


@pytest.fixture(params=["amqtt", "mosquitto"])
def ways(request: pytest.FixtureRequest) -> Iterator[tuple[Way, Way]]:
    """The way of the nodes and the way of the recorder."""
    if request.param == "mosquitto":
        broker = request.getfixturevalue("mosquitto")
        yield Way("127.0.0.1", broker.port), Way("127.0.0.1", broker.port)
        return
    with broker_process() as access:
        yield (
            Way(access.host, access.port, access.nodes.username, access.nodes.password),
            Way(access.host, access.port, access.recorder.username, access.recorder.password),
        )


def test_the_history_arrives_once_and_the_journals_empty(ways: tuple[Way, Way]) -> None:
    nursery, disk = short_nursery(), Disk()
    with recorder(ways[1], disk), Nodes(nursery, ways[0]) as nodes:
        assert_complete(nodes.finish(), disk, nursery)
    boots = {key[0]: key[1] for key in disk.packs}
    assert set(boots) == set(nursery.nodes) == set(disk.heres)
    assert all(receipts.Here(True, boots[node]) in heres for node, heres in disk.heres.items())
    assert nodes.reports[0].state == "history"


def test_nodes_take_leave(mosquitto: Mosquitto) -> None:
    # Not with the demo's broker, which may forget what comes just before a disconnect.
    way, disk = Way("127.0.0.1", mosquitto.port), Disk()
    with recorder(way, disk), Nodes(short_nursery(hours=1), way) as nodes:
        nodes.finish()
        until(lambda: [heres[-1] for heres in disk.heres.values()] == [receipts.Here(False)] * 3)


def test_numbers_lost_in_a_silence_are_told_by_oldest(ways: tuple[Way, Way]) -> None:
    nursery, disk = short_nursery(), Disk()
    with recorder(ways[1], disk), Nodes(nursery, ways[0]) as nodes:
        final = nodes.finish()
    assert final.readings_lost > 1000
    for (node, boot), packs in disk.packs.items():
        missing = set(range(1, max(packs) + 1)) - set(packs)
        assert bool(missing) == (node == nursery.silence.node)
        assert all(number <= disk.gone_below[node, boot] for number in missing)
        assert all((pack.oldest or 0) <= (pack.seq or 0) for pack in packs.values())


def test_what_is_lost_on_the_way_is_sent_again(ways: tuple[Way, Way]) -> None:
    # Lost at random: every seventh would be the same message of each repeated window of fourteen, for ever.
    nursery, disk, luck = short_nursery(silence_kept=True, hours=20), Disk(), random.Random(3)
    with (
        recorder(ways[1], disk, loses=lambda n: luck.random() < 1 / 7 or 20 < n < 50),
        Nodes(nursery, ways[0]) as nodes,
    ):
        final = nodes.finish()
    assert_complete(final, disk, nursery)
    assert final.messages_resent > 0
    assert final.readings_lost == 0


def test_a_recorder_that_restarts_gets_the_rest(ways: tuple[Way, Way]) -> None:
    nursery, disk = short_nursery(), Disk()
    with Nodes(nursery, ways[0]) as nodes:
        # Until 40 messages came, none counts: as if this recorder was killed before it could commit.
        with recorder(ways[1], disk, loses=lambda n: n < 40):
            until(lambda: disk.arrived >= 60)
        with recorder(ways[1], disk):
            assert_complete(nodes.finish(), disk, nursery)


def test_without_a_recorder_the_broker_is_not_flooded(ways: tuple[Way, Way]) -> None:
    nursery = short_nursery(silence_kept=True, hours=70)
    with Nodes(nursery, ways[0], live_s=None) as nodes:
        until(lambda: bool(nodes.reports) and nodes.reports[-1].messages_sent == 3 * WINDOW)
        until(lambda: nodes.reports[-1].messages_resent > 0)
        assert nodes.reports[-1].messages_sent == 3 * WINDOW, "a window for each of three nodes"
        disk = Disk()
        with recorder(ways[1], disk):
            until(lambda: nodes.reports[-1].state == "live")
            nodes.stop.set()
            final = nodes.finish()
    live = [reading for reading in disk.readings() if reading.time_ms > UNTIL.timestamp() * 1000]
    assert len(live) > 0
    assert len(disk.readings()) - len(live) == final.readings_to_send
    assert final.messages_held == 0


def test_a_broker_that_restarts_is_found_again(mosquitto: Mosquitto) -> None:
    way, nursery, disk = Way("127.0.0.1", mosquitto.port), short_nursery(hours=100), Disk()
    with recorder(way, disk), Nodes(nursery, way) as nodes:
        until(lambda: disk.arrived > 100)
        mosquitto.stop()
        time.sleep(0.2)
        mosquitto.start()
        assert_complete(nodes.finish(), disk, nursery)


def test_a_node_that_is_not_let_in_says_so() -> None:
    with broker_process() as access:
        way = Way(access.host, access.port, "nodes", "wrong")
        with pytest.raises(NotLetInError, match="not authorized"):
            run_nursery(
                short_nursery(hours=1),
                host=way.host,
                port=way.port,
                username=way.username,
                password=way.password,
                live_s=0.0,
                clogging_tray=None,
                report=lambda _: None,
                stop=threading.Event(),
            )


@contextmanager
def program(way: Way, **settings: Any) -> Iterator[subprocess.Popen[str]]:
    child = subprocess.Popen(
        [sys.executable, "-m", "tidetray.ingest.nursery.simulated_nodes"],
        cwd=ROOT,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    with child:
        assert child.stdin is not None
        child.stdin.write(json.dumps({**vars(way), "until": UNTIL.isoformat(), **settings}) + "\n")
        child.stdin.flush()
        try:
            yield child
        finally:
            child.kill()


@pytest.mark.parametrize("signum", [signal.SIGTERM, signal.SIGINT])
def test_the_program_tells_how_far_it_is_and_stops_when_told(mosquitto: Mosquitto, signum: int) -> None:
    way, disk = Way("127.0.0.1", mosquitto.port), Disk()
    with recorder(way, disk), program(way) as child:
        assert child.stdout is not None
        lines = iter(child.stdout.readline, "")
        until(lambda: json.loads(next(lines))["readings_receipted"] > 1000)
        os.kill(child.pid, signum)
        *_, last = (json.loads(line) for line in lines)
        assert child.wait(WAIT_S) == 0
    assert last["state"] == "done"
    assert last["messages_held"] == 0
    assert last["readings_sent"] == last["readings_receipted"] == len(disk.readings()) < last["readings_to_send"]
