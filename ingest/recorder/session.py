"""The recorder's session with the broker: its thread, its subscriptions, a bounded queue of what came, and its health.

In: a connection with QoS 1, made again whenever it ends. Out: batches of messages, as they came, for the thread that
commits; acknowledgements and receipts the other way. Decodes nothing.

Healthy is a session that hears: the broker has granted every subscription, and the session's own message comes back
through it. An answered ping shows only that somebody is there. Who else uses the session's name shows by the
connections that it ends.
"""

from __future__ import annotations

import logging
import queue
import threading
import time
from collections import deque
from collections.abc import Callable, Iterable
from datetime import datetime
from typing import Any

from paho.mqtt import client as mqtt
from paho.mqtt.enums import MQTTErrorCode

from tidetray.ingest.core.backoff import wait_s
from tidetray.ingest.recorder.mqtt_client import Message, Subscriber
from tidetray.ingest.settings.model import BrokerSettings

log = logging.getLogger("tidetray.recorder")

BATCH_MESSAGES = 1400
"""So that while these are written the next ones come: a broker sends no more than its window without
acknowledgements."""

BATCH_BYTES = 256 * 1024
"""A batch ends here too: decoded, a payload takes many times its size in memory."""

BATCH_S, QUIET_S = 0.05, 0.002
"""A batch ends after the one, or as soon as nothing came for the other: what a broker sends before it waits for
acknowledgements may be all that comes (Mosquitto: 20 messages, if it is not told otherwise)."""

CALM_MESSAGES, CALM_WITHIN_S = 150, 1.0
FEW_MESSAGES, FEW_S, FEW_QUIET_S = 75, 0.5, 0.05
"""Where fewer than CALM_MESSAGES came within that time, a batch may take as long as FEW_S, until nothing came for
FEW_QUIET_S, and until it has more than come in FEW_S then: each commit writes whole pages, so it writes less the more
messages it has. A broker that holds back 8 messages or more for want of acknowledgements sends faster than that even
so, and is then not waited for."""

QUEUE_MESSAGES, QUEUE_BYTES = 5000, 32 * 2**20
"""Held in memory at most; beyond this the connection's reading waits, and TCP makes the broker wait."""

MESSAGE_BYTES = 256 * 1024 + 1
"""Of a longer message only the beginning is held: what could ever be decoded, and a byte that shows it was longer."""

BREATH_S = 0.002
"""While there is enough to commit, listening waits so long between two reads: each takes Python from the other
thread."""

FIRST_WAIT_S, LONGEST_WAIT_S = 0.5, 60.0
"""Between two tries to connect."""

ECHO_S = 15.0
"""So often the session sends itself a message, if nothing else came meanwhile."""

DEAF_S = 40.0
"""A session that hears nothing for so long, though its own messages came back before, is deaf: it connects again."""

TAKEN_OVER, TAKEN_OVER_WITHIN_S = 5, 120.0
"""So many connections that end within this time are no bad luck: somebody else uses the session's name."""

BEFORE = "tidetray/v1/#"
"""What earlier versions subscribed to; it lives in the session at the broker until it is taken back."""


class MqttSession:
    """Start it, take batches from it, stop it.

    Parameters
    ----------
    broker : BrokerSettings
        The broker to connect to.
    client_id : str
        The session's name at the broker; nobody else may use it.
    subscriptions : sequence of (str, int)
        Filters with their QoS. A session of which one is refused is not healthy.
    now : callable, optional
        Gives the time a message is received at.

    Raises
    ------
    SettingsError
        If the broker's password or authority cannot be read.
    """

    def __init__(
        self,
        broker: BrokerSettings,
        client_id: str,
        subscriptions: Iterable[tuple[str, int]],
        *,
        now: Callable[[], datetime] | None = None,
    ) -> None:
        self._broker = broker
        self._client_id = client_id
        self._subscriptions = list(subscriptions)
        self._echo_topic = f"tidetray/recorder/v1/{client_id}"
        # no SimpleQueue: a signal that comes as its wait runs out lets it wait for ever (CPython 3.11)
        self._queue: queue.Queue[list[Message]] = queue.Queue()
        self._put = self._got = self._put_bytes = self._got_bytes = 0
        self._took: deque[tuple[float, int]] = deque()
        self._given_up = -1
        self._stop = threading.Event()
        self._refused = ""
        self._is_deaf = self._echo_works = self._left = self._was_kept = False
        self._heard_s = self._echoed_s = 0.0
        self._ended_s: deque[float] = deque(maxlen=TAKEN_OVER)
        self.connected = threading.Event()
        self.offline_since_s: float | None = time.monotonic()
        self.client = self._new_client(now)
        self._thread = threading.Thread(target=self._stay_connected, name="mqtt", daemon=True)

    # ---------------------------------------------------------------- for the thread that commits

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        """End the connection; what was not acknowledged stays with the broker."""
        self._stop.set()
        self.client.disconnect()
        if self._thread.is_alive():
            self._thread.join(timeout=5.0)
        self.client.close()

    def gather(self) -> list[Message]:
        """A batch: what comes within BATCH_S and without a pause, until it has BATCH_MESSAGES or BATCH_BYTES. While
        few messages come: what comes within FEW_S."""
        batch: list[Message] = []
        few, many = (FEW_MESSAGES, FEW_S, FEW_QUIET_S), (BATCH_MESSAGES, BATCH_S, QUIET_S)
        most, longest_s, quiet_s = few if self._is_calm() else many
        until, size = time.monotonic() + BATCH_S, 0
        while len(batch) < most and size < BATCH_BYTES and time.monotonic() < until:
            try:
                messages = self._queue.get(timeout=quiet_s if batch else BATCH_S)
            except queue.Empty:
                break
            if not batch:
                until = time.monotonic() + longest_s
            batch += messages
            size += _bytes(messages)
        self._got += len(batch)
        self._got_bytes += size
        if batch:
            self._took.append((time.monotonic(), len(batch)))
        return batch

    def _is_calm(self) -> bool:
        """Whether few messages came of late."""
        while self._took and self._took[0][0] < time.monotonic() - CALM_WITHIN_S:
            self._took.popleft()
        return sum(count for _, count in self._took) < CALM_MESSAGES

    def drop_all(self) -> None:
        """Forget what waits, and connect again: none of it was acknowledged, so all of it comes again."""
        while not self._queue.empty():
            messages = self._queue.get_nowait()
            self._got += len(messages)
            self._got_bytes += _bytes(messages)
        self._leave()

    @property
    def is_idle(self) -> bool:
        """Whether nothing waits to be committed."""
        return self._queue.empty()

    @property
    def backlog(self) -> int:
        """Messages received and not yet taken."""
        return self._put - self._got

    @property
    def trouble(self) -> str:
        """Why the session is not healthy though there is a connection, or how to get one; empty if it is."""
        if self._refused:
            return self._refused
        recent = [each for each in self._ended_s if time.monotonic() - each < TAKEN_OVER_WITHIN_S]
        if len(recent) >= TAKEN_OVER:
            return (
                f"the connection to the broker was ended {len(recent)} times within {TAKEN_OVER_WITHIN_S:.0f} s: "
                f"another program uses the client id '{self._client_id}'. Stop it, or name another client_id under "
                "[record]"
            )
        if self._is_deaf:
            return (
                "the broker delivers nothing, not even the recorder's own messages. Restart the broker, and check its "
                f"access rules: the recorder reads and writes {self._echo_topic}"
            )
        return ""

    def _leave(self) -> None:
        """End the connection, to make another one."""
        self._left = True
        self.client.disconnect()

    # ---------------------------------------------------------------- the network's thread

    def _new_client(self, now: Callable[[], datetime] | None) -> Subscriber:
        broker = self._broker
        client = Subscriber(self._take, client_id=self._client_id, now=now)
        broker.identify(client)
        client.max_queued_messages_set(0)
        client.on_connect = self._on_connect
        client.on_subscribe = self._on_subscribe
        client.on_disconnect = self._on_disconnect
        return client

    def _stay_connected(self) -> None:
        broker = self._broker
        failures = 0
        while not self._stop.is_set():
            self.connected.clear()
            self.offline_since_s = self.offline_since_s or time.monotonic()
            try:
                self.client.connect(broker.host, broker.port, broker.keepalive_s)
                while self.client.loop() == MQTTErrorCode.MQTT_ERR_SUCCESS:
                    self._listen_to_oneself()
                    if self._put - self._got >= BATCH_MESSAGES:
                        time.sleep(BREATH_S)
            except (OSError, ValueError) as error:
                log.warning("no connection to the broker at %s:%d: %s", broker.host, broker.port, error)
            except Exception:  # this thread must not die: the client would go on saying that it is connected
                log.exception("the connection failed in an unforeseen way: connecting again")
            if self._stop.is_set():
                return
            if self.connected.is_set() and not self._left:
                self._ended_s.append(time.monotonic())
            self._left = False
            failures = 0 if self.connected.is_set() else failures + 1
            self._stop.wait(wait_s(failures, first_s=FIRST_WAIT_S, longest_s=LONGEST_WAIT_S))

    def _on_connect(self, client: mqtt.Client, _data: Any, flags: Any, reason: Any, _properties: Any) -> None:
        if reason.is_failure:
            self._refused = f"the broker refused the recorder: {reason}. Check username and password under [broker]"
            log.warning("%s", self._refused)
            return
        if getattr(flags, "session_present", False):
            client.unsubscribe(BEFORE)
        elif self._was_kept:
            self._was_kept = False  # said once: until the subscriptions are granted again there is none to forget
            log.warning(
                "the broker at %s:%d forgot the recorder's session: it was restarted without what it had stored, or "
                "another program used the client id '%s'. The recorder subscribes again. Nodes with a journal send "
                "again what it missed; values of other firmware from this time are missing. Let the broker store "
                "sessions (Mosquitto: 'persistence true')",
                self._broker.host,
                self._broker.port,
                self._client_id,
            )
        client.subscribe([*self._subscriptions, (self._echo_topic, 0)])

    def _on_subscribe(self, client: mqtt.Client, _data: Any, _mid: int, reasons: Any, _properties: Any) -> None:
        *ours, echo = reasons
        refused = [filter_ for (filter_, _), reason in zip(self._subscriptions, ours, strict=True) if reason.is_failure]
        if refused:
            self._refused = (
                f"the broker refused the subscription to {', '.join(refused)}: nothing can be recorded. Check the "
                "broker's access rules for the recorder's user"
            )
            log.warning("%s", self._refused)
            self._leave()
            return
        if echo.is_failure:
            self._echo_works = False
        # only now does the broker keep what comes for us
        self._refused = ""
        self._was_kept = True
        self._heard_s, self._echoed_s = time.monotonic(), 0.0
        self.connected.set()
        self.offline_since_s = None
        log.info("connected to %s:%d", self._broker.host, self._broker.port)

    def _on_disconnect(self, _client: mqtt.Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if not self._stop.is_set():
            log.warning("the connection to the broker ended: %s", reason)

    def _listen_to_oneself(self) -> None:
        """Send a message to oneself when nothing came for a while; connect again when it does not come back.

        Where the access rules never let one come back, only the ping is left.
        """
        now_s = time.monotonic()
        if not self.connected.is_set() or now_s - max(self._heard_s, self._echoed_s) < ECHO_S:
            return
        if self._echo_works and now_s - self._heard_s >= DEAF_S:
            self._is_deaf = True
            log.warning("the broker delivers nothing: connecting again")
            self._leave()
            return
        self._echoed_s = now_s
        self.client.publish(self._echo_topic, b"here", qos=0)

    def _take(self, messages: list[Message]) -> None:
        self._heard_s, self._is_deaf = time.monotonic(), False
        if any(each.topic == self._echo_topic for each in messages):
            self._echo_works = True
            messages = [each for each in messages if each.topic != self._echo_topic]
            if not messages:
                return
        connection = messages[0].connection
        if self._given_up == connection:
            return  # not acknowledged: it comes again
        if self._is_full and not self._wait_for_room():
            log.warning("the disk is too slow for what arrives: connecting again, so that the broker sends again")
            self._given_up = connection
            self._leave()
            return
        messages = [_cut(each) if len(each.payload) > MESSAGE_BYTES else each for each in messages]
        self._put += len(messages)
        self._put_bytes += _bytes(messages)
        self._queue.put(messages)

    @property
    def _is_full(self) -> bool:
        return self._put - self._got >= QUEUE_MESSAGES or self._put_bytes - self._got_bytes >= QUEUE_BYTES

    def _wait_for_room(self) -> bool:
        """The broker's window is no bound: it goes on sending while only some is acknowledged."""
        # shorter than the keep-alive, or the broker would take us for dead
        until = time.monotonic() + self._broker.keepalive_s / 3
        while self._is_full:
            if time.monotonic() > until:
                return False
            time.sleep(0.005)
        return True


def _bytes(messages: list[Message]) -> int:
    return sum([len(message.payload) for message in messages])


def _cut(message: Message) -> Message:
    """The beginning of a message that is too long, with its whole length."""
    return message._replace(payload=message.payload[:MESSAGE_BYTES], length=len(message.payload))
