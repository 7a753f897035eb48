"""paho's client as a recorder needs it: many packets at one read, many acknowledgements at one write.

Comes in: a connection with QoS 1 at most. Goes out: lists of `Message`, as read; acknowledgements of the connection on
which a message came, and of no other. Keeps to its thread: whatever is sent from another one is queued and written by
the thread that calls `loop`, for two that write at once could tear a packet in two, or a TLS connection.

paho reads a packet with three calls of the system or more, and each of them hands Python to the other thread. Here
whole PUBLISH packets are taken out of what one call has read; all else is left to paho. That rests on names of paho 2.2
that are not public; pyproject.toml allows no other paho, and tests/ingest/recorder/test_mqtt_client.py fails if one of
them is gone.
"""

from __future__ import annotations

import struct
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from datetime import UTC, datetime
from typing import Any, NamedTuple

from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode

READ_BYTES = 64 * 1024
READS = 8
"""Before what waits to be written has its turn."""

_PUBLISH, _PUBACK = 0x30, 0x40
_PUBACK_PACKET = struct.Struct(">BBH")


class Message(NamedTuple):
    """A message as it came: `connection` numbers the connection, since packet ids start anew with each.

    What of a topic is not UTF-8 stands as U+FFFD, so that it is nobody's topic. `length`: of the whole message, where
    `payload` is only its beginning.
    """

    connection: int
    mid: int
    qos: int
    topic: str
    payload: bytes
    received_at: datetime
    retained: bool = False
    length: int | None = None


class _Buffered:
    """As much of a socket as paho uses, reading READ_BYTES at a time."""

    def __init__(self, sock: Any) -> None:
        self._sock = sock
        self._held = b""
        self._at = 0

    def __getattr__(self, name: str) -> Any:
        return getattr(self._sock, name)

    def fileno(self) -> int:
        return int(self._sock.fileno())

    def pending(self) -> int:
        """Bytes that are here already, for which there is no need to wait."""
        inside = getattr(self._sock, "pending", None)  # what TLS has deciphered
        return len(self._held) - self._at + (inside() if inside else 0)

    def fill(self) -> None:
        """Read if nothing is held. OSError as of the socket."""
        if self._at >= len(self._held):
            self._held, self._at = self._sock.recv(READ_BYTES), 0

    def recv(self, size: int) -> bytes:
        self.fill()
        part = self._held[self._at : self._at + size]
        self._at += len(part)
        return part

    def take_messages(self, connection: int, now: datetime) -> Iterator[Message]:
        """The whole PUBLISH packets (MQTT 3.1.1 section 3.3) of QoS 0 or 1 at the head of what is held."""
        held = self._held
        end = len(held)
        while (at := self._at) + 2 <= end:
            first = held[at]
            qos = first >> 1 & 3
            if first & 0xF0 != _PUBLISH or qos > 1:
                return
            length, at = held[at + 1], at + 2
            if length & 0x80:
                length, shift = length & 0x7F, 7
                while True:
                    if at >= end or shift > 21:
                        return
                    length |= (held[at] & 0x7F) << shift
                    at, shift = at + 1, shift + 7
                    if not held[at - 1] & 0x80:
                        break
            after = at + length
            if after > end or length < 2:
                return
            topic_end = at + 2 + (held[at] << 8 | held[at + 1])
            payload_at = topic_end + 2 * qos
            if payload_at > after:
                return  # paho says what is wrong with it
            mid = held[topic_end] << 8 | held[topic_end + 1] if qos else 0
            self._at = after
            topic = held[at + 2 : topic_end].decode(errors="replace")
            yield Message(connection, mid, qos, topic, held[payload_at:after], now, bool(first & 1))


def _utc_now() -> datetime:
    return datetime.now(UTC)


UNDER_WAY = 10_000
"""Receipts that wait for the broker's acknowledgement. It comes behind all messages that the broker has under way to
us: with paho's 20, hundreds of nodes that send for hours would get four receipts a second, and send all again."""


class Subscriber(mqtt.Client):
    """Use `loop`, in one thread. `take` is called there with the messages of each read."""

    def __init__(
        self,
        take: Callable[[list[Message]], None],
        *,
        client_id: str,
        now: Callable[[], datetime] | None = None,
    ) -> None:
        super().__init__(
            CallbackAPIVersion.VERSION2,
            client_id=client_id,
            clean_session=False,
            manual_ack=True,
            reconnect_on_failure=False,  # whoever calls `loop` does
        )
        self.take = take
        self._now = now or _utc_now
        self.connection = 0
        self._connection_lock = threading.Lock()
        self.on_message = self._take_one
        self.max_inflight_messages_set(UNDER_WAY)
        self.on_socket_register_write = lambda *_: None  # with it paho queues, and writes in `loop` only

    def acknowledge(self, batch: Iterable[Message]) -> None:
        """With one write, those of the present connection. Safe from any thread.

        A late acknowledgement of an older connection would confirm another message, which is not on disk.
        """
        with self._connection_lock:
            now = self.connection
            packets = b"".join(
                [_PUBACK_PACKET.pack(_PUBACK, 2, each.mid) for each in batch if each.qos and each.connection == now]
            )
            if packets:
                self._packet_queue(_PUBACK, packets, 0, 0)

    def close(self) -> None:
        """When `loop` is called no more."""
        self._reset_sockets()

    def reconnect(self) -> MQTTErrorCode:
        with self._connection_lock:  # before paho drops what was queued for the older connection
            self.connection += 1
        return super().reconnect()

    def loop_read(self, max_packets: int = 1) -> MQTTErrorCode:
        for _ in range(READS):
            sock = self._sock
            if not isinstance(sock, _Buffered):
                return super().loop_read(max_packets)
            with suppress(OSError):  # paho meets it again, and does what is to be done
                sock.fill()
            if self._in_packet["command"] == 0:
                messages = list(sock.take_messages(self.connection, self._now()))
                if messages:
                    self.take(messages)
                if messages and not sock.pending():
                    self._last_bytes_received = time.monotonic()  # for the keep-alive
                    break
            error = self._packet_read()
            if error == MQTTErrorCode.MQTT_ERR_AGAIN:
                break
            if error != MQTTErrorCode.MQTT_ERR_SUCCESS:
                return self._loop_rc_handle(error)
        return MQTTErrorCode.MQTT_ERR_SUCCESS

    def _create_socket(self) -> Any:
        return _Buffered(super()._create_socket())

    def _take_one(self, _client: Any, _data: Any, one: mqtt.MQTTMessage) -> None:
        """One that came in pieces, so that paho put it together."""
        topic = one._topic.decode(errors="replace")
        self.take([Message(self.connection, one.mid, one.qos, topic, bytes(one.payload), self._now(), one.retain)])
