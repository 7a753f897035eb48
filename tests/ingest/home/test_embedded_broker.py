"""The demo's broker: whom it lets in, what it lets them do, and that it leaves nothing behind."""

from __future__ import annotations

import asyncio
import inspect
import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from queue import SimpleQueue
from typing import Any

import paho.mqtt.client as mqtt
import pytest
from amqtt.broker import Broker
from paho.mqtt.enums import CallbackAPIVersion

from tidetray.ingest.home import embedded_broker
from tidetray.ingest.home.broker_process import Access, BrokerStartError, Where, broker_process
from tidetray.ingest.home.broker_users import User
from tidetray.ingest.home.embedded_broker import _Handler, serve
from tidetray.ingest.wire.topics import data_topic, receipt_topic

ROOT = Path(__file__).parents[3]
DATA, RECEIPT = data_topic("nursery", "bench-1"), receipt_topic("nursery", "bench-1")


@pytest.fixture(scope="module")
def access() -> Iterator[Access]:
    with broker_process() as found:
        yield found


class Client:
    """A client that notes what it is told."""

    def __init__(self, access: Access, user: User | None, *, client_id: str = "") -> None:
        self.answers: list[str] = []
        self.granted: list[int] = []
        self.heard: list[tuple[str, bytes]] = []
        self.told = threading.Event()
        self.mqtt = mqtt.Client(
            CallbackAPIVersion.VERSION2, client_id=client_id, clean_session=not client_id, reconnect_on_failure=False
        )
        if user is not None:
            self.mqtt.username_pw_set(user.username, user.password)
        self.mqtt.on_connect = self._on_connect
        self.mqtt.on_subscribe = self._on_subscribe
        self.mqtt.on_message = self._on_message
        self.mqtt.connect(access.host, access.port)
        self.mqtt.loop_start()
        assert self.told.wait(10)

    def __enter__(self) -> Client:
        return self

    def __exit__(self, *_: object) -> None:
        self.mqtt.disconnect()
        self.mqtt.loop_stop()

    def subscribe(self, topic: str) -> int:
        self.told.clear()
        self.mqtt.subscribe(topic, qos=1)
        assert self.told.wait(10)
        return self.granted[-1]

    def publish(self, topic: str, payload: bytes) -> None:
        self.mqtt.publish(topic, payload, qos=1).wait_for_publish(10)

    def _on_connect(self, _client: Any, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        self.answers.append(str(reason))
        self.told.set()

    def _on_subscribe(self, _client: Any, _data: Any, _mid: int, reasons: Any, _properties: Any) -> None:
        self.granted += [reason.value for reason in reasons]
        self.told.set()

    def _on_message(self, _client: Any, _data: Any, message: mqtt.MQTTMessage) -> None:
        self.heard.append((message.topic, message.payload))
        self.told.set()


def test_it_listens_on_this_machine_only(access: Access) -> None:
    assert access.host == "127.0.0.1"
    with socket.socket() as other:
        # Another address of the same machine: nobody listens there.
        assert other.connect_ex(("127.0.0.2", access.port)) != 0


def test_users_have_long_passwords_of_their_own(access: Access) -> None:
    assert access.nodes.password != access.recorder.password
    assert min(len(access.nodes.password), len(access.recorder.password)) >= 32


@pytest.mark.parametrize("user", [None, User("nodes", "wrong"), User("recorder", ""), User("someone", "else")])
def test_nobody_else_is_let_in(access: Access, user: User | None) -> None:
    with Client(access, user) as client:
        assert client.answers == ["Not authorized"]


def test_what_nodes_say_reaches_the_recorder_and_receipts_the_nodes(access: Access) -> None:
    with Client(access, access.recorder) as recorder, Client(access, access.nodes) as node:
        assert recorder.subscribe("tidetray/v1/+/+/data") == 1
        assert node.subscribe(RECEIPT) == 1
        recorder.told.clear()
        node.publish(DATA, b"[]")
        assert recorder.told.wait(10)
        node.told.clear()
        recorder.publish(RECEIPT, b"{}")
        assert node.told.wait(10)
        assert (recorder.heard, node.heard) == ([(DATA, b"[]")], [(RECEIPT, b"{}")])


def test_nobody_speaks_or_hears_out_of_turn(access: Access) -> None:
    with Client(access, access.recorder) as recorder, Client(access, access.nodes) as node:
        assert node.subscribe("#") == 0x80
        assert node.subscribe("tidetray/v1/+/+/data") == 0x80
        assert recorder.subscribe("#") == 1
        recorder.told.clear()
        recorder.publish(DATA, b"forged")
        node.publish(RECEIPT, b"forged")
        node.publish("elsewhere", b"forged")
        node.publish(DATA, b"true")
        assert recorder.told.wait(10)
        assert recorder.heard == [(DATA, b"true")]


@contextmanager
def broker_here() -> Iterator[Access]:
    """The broker in a thread of this process, so that a test can slow down its steps."""
    listening: SimpleQueue[Access] = SimpleQueue()
    ended: SimpleQueue[Callable[[], object]] = SimpleQueue()

    async def run() -> None:
        stop = asyncio.Event()
        loop = asyncio.get_running_loop()
        ended.put(lambda: loop.call_soon_threadsafe(stop.set))
        await serve(stop, listening.put, Where())

    thread = threading.Thread(target=asyncio.run, args=(run(),))
    thread.start()
    try:
        yield listening.get(timeout=20)
    finally:
        ended.get(timeout=20)()
        thread.join(20)


def returned(access: Access, node: Client, first: Client) -> None:
    """The recorder leaves and is back at once; it hears what is said from then on."""
    line = first.mqtt.socket()
    first.mqtt.disconnect()
    first.mqtt.loop_stop()
    line.close()
    with Client(access, access.recorder, client_id="recorder") as again:
        node.publish(DATA, b"1")
        node.publish(DATA, b"2")
        deadline = time.monotonic() + 20
        while {payload for _, payload in again.heard} < {b"1", b"2"} and time.monotonic() < deadline:
            time.sleep(0.02)
        assert {payload for _, payload in again.heard} == {b"1", b"2"}


def test_a_client_that_returns_while_its_old_connection_is_closed_hears_again(monkeypatch: pytest.MonkeyPatch) -> None:
    """The library closes a connection and then marks the session, which by then may be that of the new connection."""
    stop_handler = Broker._stop_handler

    async def slowly(broker: Broker, handler: Any) -> None:
        await asyncio.sleep(0.5)
        await stop_handler(broker, handler)

    with broker_here() as access, Client(access, access.nodes) as node:
        first = Client(access, access.recorder, client_id="recorder")
        first.subscribe("tidetray/v1/#")
        monkeypatch.setattr(Broker, "_stop_handler", slowly)
        returned(access, node, first)


def test_a_client_whose_old_connection_ends_while_it_is_taken_over_hears_again(monkeypatch: pytest.MonkeyPatch) -> None:
    """The mark of the old connection, and all that follows it, may come while the library waits for its end to make
    room for the new one: that was then deaf, and looked connected to both sides."""
    stop, handle_disconnect = _Handler.stop, Broker._handle_disconnect
    taken, marked = threading.Event(), threading.Event()

    async def in_turn(handler: Any) -> None:
        within = {each.function for each in inspect.stack()}
        if "_handle_disconnect" in within:  # the old connection, at its own end
            await asyncio.to_thread(taken.wait, 1)
        elif "_handle_client_session" in within:  # the old connection, to make room
            taken.set()
            await asyncio.to_thread(marked.wait, 5)
        await stop(handler)

    async def then_marked(broker: Broker, *about: Any) -> None:
        await handle_disconnect(broker, *about)
        marked.set()

    with broker_here() as access, Client(access, access.nodes) as node:
        first = Client(access, access.recorder, client_id="recorder")
        first.subscribe("tidetray/v1/#")
        monkeypatch.setattr(_Handler, "stop", in_turn)
        monkeypatch.setattr(Broker, "_handle_disconnect", then_marked)
        returned(access, node, first)


def test_a_client_whose_old_connection_does_not_end_gets_a_new_session(monkeypatch: pytest.MonkeyPatch) -> None:
    stop_handler, let_go = Broker._stop_handler, threading.Event()

    async def late(broker: Broker, handler: Any) -> None:
        await asyncio.to_thread(let_go.wait, 20)
        await stop_handler(broker, handler)

    monkeypatch.setattr(embedded_broker, "STOP_S", 0.3)
    with broker_here() as access, Client(access, access.nodes) as node:
        first = Client(access, access.recorder, client_id="recorder")
        first.subscribe("tidetray/v1/#")
        with monkeypatch.context() as patched:
            patched.setattr(Broker, "_stop_handler", late)
            first.mqtt.disconnect()
            first.mqtt.loop_stop()
            again = Client(access, access.recorder, client_id="recorder")
        let_go.set()
        time.sleep(0.2)  # the old connection ends now
        again.subscribe("tidetray/v1/#")
        node.publish(DATA, b"1")
        assert again.told.wait(10)
        deadline = time.monotonic() + 20
        while (DATA, b"1") not in again.heard and time.monotonic() < deadline:
            time.sleep(0.02)
        assert (DATA, b"1") in again.heard
        again.mqtt.disconnect()
        again.mqtt.loop_stop()


def test_a_client_whose_old_connection_takes_nothing_any_more_is_let_in_again(access: Access) -> None:
    """Its machine lost power, and what was on its way fills all buffers."""
    with Client(access, access.nodes) as node, socket.socket() as dead:
        with Client(access, access.recorder, client_id="lost power") as before:
            before.subscribe("tidetray/v1/#")
        dead.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        dead.connect((access.host, access.port))
        dead.sendall(connect_packet("lost power", access.recorder))
        assert dead.recv(4)[3] == 0, "let in"
        for _ in range(150):
            node.mqtt.publish(DATA, bytes(100_000), qos=0)
        node.publish(DATA, b"the last")
        with Client(access, access.recorder, client_id="lost power") as again:
            node.publish(DATA, b"1")
            deadline = time.monotonic() + 20
            while (DATA, b"1") not in again.heard and time.monotonic() < deadline:
                time.sleep(0.02)
            assert (DATA, b"1") in again.heard


def connect_packet(client_id: str, user: User) -> bytes:
    """CONNECT of MQTT 3.1.1 (3.1), with a session that stays."""
    fields = b"".join(
        len(each.encode()).to_bytes(2, "big") + each.encode() for each in (client_id, user.username, user.password)
    )
    body = b"\x00\x04MQTT\x04\xc0\x00\x00" + fields
    return bytes([0x10, len(body)]) + body


@pytest.mark.parametrize("signum", [signal.SIGTERM, signal.SIGINT])
def test_it_stops_when_told_and_leaves_nothing_behind(tmp_path: Path, signum: int) -> None:
    with subprocess.Popen(
        [sys.executable, "-m", "tidetray.ingest.home.embedded_broker"],
        cwd=ROOT,
        env={**os.environ, "TMPDIR": str(tmp_path)},
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    ) as child:
        assert child.stdout is not None
        access = Access.from_json(child.stdout.readline())
        assert [path for path in tmp_path.rglob("*") if path.is_file()] == []  # no password, and no hash of one
        with Client(access, access.nodes):
            child.send_signal(signum)
            out, err = child.communicate(timeout=30)
    assert (child.returncode, out) == (0, "")
    assert access.nodes.password not in err
    assert list(tmp_path.iterdir()) == []


def test_it_ends_with_its_parent() -> None:
    parent = subprocess.run(
        [
            sys.executable,
            "-c",
            "import subprocess, sys, json\nchild = subprocess.Popen([sys.executable, '-m', "
            "'tidetray.ingest.home.embedded_broker'], stdout=subprocess.PIPE, "
            "text=True)\nprint(json.dumps([child.pid, json.loads(child.stdout.readline())['port']]), "
            "flush=True)\nimport os; os._exit(0)",
        ],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    )
    _, port = json.loads(parent.stdout)
    deadline = time.monotonic() + 30
    while True:
        with socket.socket() as probe:
            if probe.connect_ex(("127.0.0.1", port)) != 0:
                return
        assert time.monotonic() < deadline
        time.sleep(0.1)


def test_a_broker_that_cannot_start_is_an_error(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "executable", shutil.which("true"))
    with pytest.raises(BrokerStartError, match="did not start"), broker_process():
        pass
