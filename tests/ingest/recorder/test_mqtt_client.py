"""Many packets at one read: every message as it was sent, in order, once; acknowledgements of their own connection
only."""

from __future__ import annotations

import random
import socket
import threading
import time
from collections.abc import Iterator
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st
from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode

from tests.conftest import Mosquitto
from tests.ingest.recorder.test_recorder import until
from tidetray.ingest.recorder.mqtt_client import READ_BYTES, Message, Subscriber, _Buffered

NOW = datetime(2026, 6, 1, tzinfo=UTC)


class Listening:
    """A subscriber in its thread, without a recorder behind it."""

    def __init__(self, port: int, *, acknowledges: bool) -> None:
        self.came: list[Message] = []
        self.subscribed = 0
        self._acknowledges = acknowledges
        self._port = port
        self._stop = threading.Event()
        self.client = Subscriber(self._take, client_id="listening")
        self.client.on_connect = lambda client, *_: client.subscribe("#", 1)
        self.client.on_subscribe = self._on_subscribe
        self.thread = threading.Thread(target=self._run)
        self.thread.start()

    def _take(self, messages: list[Message]) -> None:
        self.came += messages
        if self._acknowledges:
            self.client.acknowledge(messages)

    def _on_subscribe(self, *_: object) -> None:
        self.subscribed += 1

    def _run(self) -> None:
        while not self._stop.is_set():
            try:
                self.client.connect("127.0.0.1", self._port)
                while self.client.loop(timeout=0.2) == MQTTErrorCode.MQTT_ERR_SUCCESS and not self._stop.is_set():
                    pass
            except OSError:
                time.sleep(0.05)

    def close(self) -> None:
        self._stop.set()
        self.client.disconnect()
        self.thread.join(10)
        self.client.close()


@pytest.fixture
def sender(mosquitto: Mosquitto) -> Iterator[mqtt.Client]:
    client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="sender")
    client.connect("127.0.0.1", mosquitto.port)
    client.loop_start()
    yield client
    client.disconnect()
    client.loop_stop()


@pytest.fixture
def listening(mosquitto: Mosquitto) -> Iterator[Listening]:
    one = Listening(mosquitto.port, acknowledges=True)
    until(lambda: one.subscribed)
    yield one
    one.close()


def test_every_message_comes_as_it_was_sent_in_order_and_once(listening: Listening, sender: mqtt.Client) -> None:
    rng = random.Random(5)
    sizes = [0, 1, 120, 127, 128, 129, 16_383, 16_384, READ_BYTES - 5, READ_BYTES, 5 * READ_BYTES + 3]
    sent = [(f"a/{n}", rng.randbytes(rng.choice(sizes) if n % 50 == 0 else n % 400), n % 7 > 0) for n in range(3000)]
    for topic, payload, at_least_once in sent:
        sender.publish(topic, payload, qos=int(at_least_once))
    until(lambda: len(listening.came) >= len(sent))
    came = [(each.topic, each.payload, each.qos > 0) for each in listening.came]
    for at_least_once in (True, False):  # QoS 0 may overtake QoS 1 at the sender's
        assert [one for one in came if one[2] is at_least_once] == [one for one in sent if one[2] is at_least_once]


def test_kept_messages_are_told_from_live_ones(mosquitto: Mosquitto, sender: mqtt.Client) -> None:
    sender.publish("kept", b"x", qos=1, retain=True).wait_for_publish(10)
    one = Listening(mosquitto.port, acknowledges=True)
    until(lambda: one.came)
    sender.publish("live", b"y", qos=1)
    until(lambda: len(one.came) == 2)
    one.close()
    assert [(each.topic, each.retained) for each in one.came] == [("kept", True), ("live", False)]


def test_a_late_acknowledgement_does_not_confirm_a_message_of_the_next_connection(mosquitto: Mosquitto) -> None:
    """A broker that lost its sessions numbers from 1 again: acknowledged by number alone, the new message were lost."""
    one = Listening(mosquitto.port, acknowledges=False)

    def send(payload: bytes) -> None:
        client = mqtt.Client(CallbackAPIVersion.VERSION2)
        client.connect("127.0.0.1", mosquitto.port)
        client.loop_start()
        client.publish("a", payload, qos=1).wait_for_publish(10)
        client.disconnect()
        client.loop_stop()

    def again() -> None:
        """The line breaks, and the broker keeps its sessions."""
        subscribed = one.subscribed
        one.client.disconnect()
        until(lambda: one.subscribed > subscribed)

    try:
        until(lambda: one.subscribed == 1)
        send(b"old")
        until(lambda: one.came)
        old = one.came[0]
        assert mosquitto.process is not None
        mosquitto.process.kill()  # with nothing saved
        mosquitto.process.wait(10)
        for file in mosquitto.folder.glob("*.db"):
            file.unlink()
        mosquitto.start()
        until(lambda: one.subscribed == 2)
        send(b"new")
        until(lambda: len(one.came) == 2)
        new = one.came[1]
        assert (old.mid, new.mid) == (1, 1)
        one.client.acknowledge([old])
        time.sleep(0.5)
        again()
        until(lambda: [each.payload for each in one.came] == [b"old", b"new", b"new"])
        one.client.acknowledge([one.came[2]])
        time.sleep(0.5)
        again()
        time.sleep(0.5)
        assert len(one.came) == 3, "acknowledged on its own connection, it is done"
    finally:
        one.close()


# -------------------------------------------------------------------- packets by hand


class Pieces:
    """A socket that gives bytes in pieces of given sizes, then nothing for now."""

    def __init__(self, content: bytes, sizes: list[int]) -> None:
        self._content, self._sizes = content, sizes

    def recv(self, size: int) -> bytes:
        if not self._content:
            raise BlockingIOError
        size = min(size, self._sizes.pop(0) if self._sizes else len(self._content))
        part, self._content = self._content[:size], self._content[size:]
        return part


def packet(topic: bytes, payload: bytes, mid: int, qos: int) -> bytes:
    """MQTT 3.1.1 section 3.3: PUBLISH; the length in groups of seven bits (section 2.2.3)."""
    body = len(topic).to_bytes(2, "big") + topic + (mid.to_bytes(2, "big") if qos else b"") + payload
    length, left = b"", len(body)
    while True:
        left, low = divmod(left, 128)
        length += bytes([low | (0x80 if left else 0)])
        if not left:
            return bytes([0x30 | qos << 1]) + length + body


@given(
    st.lists(st.tuples(st.binary(max_size=300), st.integers(1, 65535), st.integers(0, 1)), max_size=20),
    st.lists(st.integers(1, 400), max_size=60),
)
def test_however_the_bytes_come_the_messages_are_the_same(
    messages: list[tuple[bytes, int, int]], sizes: list[int]
) -> None:
    came: list[Message] = []
    client = Subscriber(came.extend, client_id="x")
    content = b"".join(packet(b"t", payload, mid, qos) for payload, mid, qos in messages)
    client._sock = _Buffered(Pieces(content, sizes))  # type: ignore[assignment]
    for _ in range(len(content) + 2):
        assert client.loop_read() == MQTTErrorCode.MQTT_ERR_SUCCESS
    client._sock = None
    assert [(each.payload, each.mid if each.qos else None, each.qos) for each in came] == [
        (payload, mid if qos else None, qos) for payload, mid, qos in messages
    ]


def test_what_is_no_message_is_left_to_paho() -> None:
    whole = packet(b"t", b"x" * 10, 7, 1)
    for content in (b"\x40\x02\x00\x01", packet(b"t", b"", 1, 1)[:-1], b"\x34" + whole[1:], b"\x32\x01\x00", b"\x32"):
        buffered = _Buffered(Pieces(content, []))
        buffered.fill()
        assert list(buffered.take_messages(1, datetime.now(UTC))) == []
        assert buffered.pending() == len(content)


def test_writes_are_left_to_the_thread_that_reads(listening: Listening, sender: mqtt.Client) -> None:
    """Two threads that write at once tear packets, and a TLS connection: paho would write from any thread."""
    writers: set[int | None] = set()
    real = listening.client._packet_write

    def noted() -> MQTTErrorCode:
        writers.add(threading.current_thread().ident)
        return real()

    listening.client._packet_write = noted  # type: ignore[method-assign]
    for n in range(50):
        listening.client.publish("from-here", str(n), qos=1)
    until(lambda: len(listening.came) >= 50)
    assert writers == {listening.thread.ident}


def test_receipts_wait_for_no_acknowledgement_of_each_other() -> None:
    """A broker acknowledges them behind all that it has under way to us: here never."""
    came = bytearray()

    def broker(listener: socket.socket) -> None:
        connection, _ = listener.accept()
        with connection:
            connection.recv(1000)
            connection.sendall(b"\x20\x02\x00\x00")  # CONNACK
            connection.settimeout(20)
            while came.count(b"receipt") < 500 and (read := connection.recv(65536)):
                came.extend(read)

    with socket.create_server(("127.0.0.1", 0)) as listener:
        thread = threading.Thread(target=broker, args=(listener,))
        thread.start()
        client = Subscriber(lambda _messages: None, client_id="listening")
        try:
            client.connect("127.0.0.1", listener.getsockname()[1])
            until(lambda: client.loop(0.1) == MQTTErrorCode.MQTT_ERR_SUCCESS and client.is_connected())
            for node in range(500):
                client.publish(f"{node}/receipt", b"{}", qos=1)
            until(lambda: client.loop(0.1) != MQTTErrorCode.MQTT_ERR_SUCCESS or not thread.is_alive())
        finally:
            client.close()
            thread.join()
    assert came.count(b"receipt") == 500
