"""paho's client as a recorder needs it: many packets at one read, many acknowledgements at one write.

Comes in: a connection with QoS 1 at most and `manual_ack`. Goes out: `on_message` with an `Incoming` or, of a message
that came in pieces, paho's own object of the same attributes. Keeps to its thread: whatever is sent from another one is
queued and written by the thread that calls `loop`, for two that write at once could tear a packet in two.

paho reads a packet with three calls of the system or more, and each of them hands Python to the other thread. Here
whole PUBLISH packets are taken out of what one call has read; all else is left to paho. That rests on names of paho 2.2
that are not public; pyproject.toml allows no other paho, and tests/test_subscriber.py fails if one of them is gone.
"""

from __future__ import annotations

import struct
import time
from collections.abc import Iterable, Iterator
from contextlib import suppress
from typing import Any, NamedTuple

from paho.mqtt import client as mqtt
from paho.mqtt.enums import MQTTErrorCode

READ_BYTES = 256 * 1024
READS = 8
"""Before what waits to be written has its turn."""

_PUBLISH, _PUBACK = 0x30, 0x40
_PUBACK_PACKET = struct.Struct(">BBH")


class Incoming(NamedTuple):
    """A message that came whole. What of a topic is not UTF-8 stands as U+FFFD, so that it is nobody's topic."""

    mid: int
    qos: int
    topic: str
    payload: bytes
    retain: bool


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

    def take_messages(self) -> Iterator[Incoming]:
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
            yield Incoming(mid, qos, topic, held[payload_at:after], bool(first & 1))


class Subscriber(mqtt.Client):
    """Use `loop`, in one thread."""

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.on_socket_register_write = lambda *_: None  # with it paho queues, and writes in `loop` only

    def acknowledge(self, mids: Iterable[int]) -> None:
        """Messages of QoS 1, all with one write. Safe from any thread."""
        packets = b"".join(_PUBACK_PACKET.pack(_PUBACK, 2, mid) for mid in mids)
        if packets:
            self._packet_queue(_PUBACK, packets, 0, 0)

    def loop_read(self, max_packets: int = 1) -> MQTTErrorCode:
        for _ in range(READS):
            sock = self._sock
            if not isinstance(sock, _Buffered):
                return super().loop_read(max_packets)
            with suppress(OSError):  # paho meets it again, and does what is to be done
                sock.fill()
            on_message = self.on_message
            if self._in_packet["command"] == 0 and on_message is not None:
                for message in sock.take_messages():
                    on_message(self, None, message)  # type: ignore[arg-type]
                if not sock.pending():
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
