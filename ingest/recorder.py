"""The recorder: MQTT in, readings on disk, acknowledgements and receipts out. The one user of paho.

Order for every message: decode, commit, acknowledge to the broker, receipt to the node. A message
that cannot be decoded is set aside with its reason and acknowledged; when the store fails nothing is
acknowledged and the connection is made anew, so that the broker (and behind it the nodes) send again.

Two threads: paho's, which only puts messages into a bounded queue, and the caller's, which commits.
"""

from __future__ import annotations

import logging
import queue
import random
import sqlite3
import ssl
import threading
import time
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NamedTuple

from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from ingest import wire
from ingest.alarm_keeper import AlarmKeeper
from ingest.aside import Aside
from ingest.forwarding import Forwarding
from ingest.plain_topics import PlainTopics
from ingest.readings import TidetrayError, to_ms
from ingest.settings import LOCK_FILE, Settings
from ingest.store import Recorded, Store
from ingest.supervision import RecorderState, Watch
from ingest.upkeep import Upkeep

log = logging.getLogger("tidetray.recorder")

BATCH_MESSAGES = 1000
BATCH_BYTES = 128 * 1024
"""A batch ends here too: decoded, a payload takes many times its size in memory."""

BATCH_S = 0.05
QUEUE_MESSAGES = 5000
"""Held in memory at most; beyond this the connection's reading waits, and TCP makes the broker wait."""

LAST_CALL_S = 5.0
"""Given on a stop to what has been received; what is not committed by then stays with the broker."""

WELL_S = 60.0
"""A recorder that has not turned for so long is not well."""

LONGEST_WAIT_S = 60.0
"""Between two tries to connect, at most."""


class RecorderError(TidetrayError):
    """The recorder cannot start or go on."""


class Message(NamedTuple):
    """A message as it came: `connection` numbers the connection, since packet ids start anew with each."""

    connection: int
    mid: int
    qos: int
    topic: str
    payload: bytes
    received_at: datetime
    retained: bool = False


@dataclass(slots=True)
class Totals:
    """Since this recorder was started."""

    received: int = 0
    committed: int = 0
    messages: int = 0
    readings: int = 0
    doubled: int = 0
    set_aside: int = 0
    store_failures: int = 0

    def add(self, done: Recorded) -> None:
        self.messages += done.messages
        self.readings += done.readings
        self.doubled += done.doubled_messages
        self.set_aside += done.set_aside


class RecorderLock:
    """One recorder per home. Held by the operating system, so a killed recorder leaves none behind."""

    def __init__(self, home: Path) -> None:
        home.mkdir(parents=True, exist_ok=True)
        self._path = home / LOCK_FILE
        self._connection = sqlite3.connect(self._path, timeout=2.0, isolation_level=None)

    def __enter__(self) -> RecorderLock:
        try:
            self._connection.execute("BEGIN EXCLUSIVE")
        except sqlite3.OperationalError as error:
            self._connection.close()
            raise RecorderError(
                "another recorder is recording into this home",
                where=str(self._path.parent),
                mend="Stop it, or name another --home",
            ) from error
        return self

    def __exit__(self, *_exc: object) -> None:
        self._connection.close()


def is_recording(home: Path) -> bool:
    """Whether a recorder is at work in this home."""
    path = home / LOCK_FILE
    if not path.is_file():
        return False
    with closing(sqlite3.connect(path, timeout=0.0, isolation_level=None)) as connection:
        try:
            connection.execute("BEGIN IMMEDIATE")
        except sqlite3.OperationalError:
            return True
    return False


class Recorder:
    """Records until told to stop."""

    def __init__(
        self, store: Store, settings: Settings, forwarding: Callable[[], Forwarding | None] = lambda: None
    ) -> None:
        self._store = store
        self._forwarding = forwarding
        self._settings = settings
        self._queue: queue.Queue[Message] = queue.Queue(QUEUE_MESSAGES)
        self._connection = 0
        self._connection_lock = threading.Lock()
        self._failures_in_a_row = 0
        self._stop = threading.Event()
        self._alarms = AlarmKeeper(store, settings.alarms, now_ms=_now_ms())
        self._plain = PlainTopics(settings.plain)
        self._upkeep = Upkeep(store, decode=self._decode, on_cycles=self._alarms.on_cycles)
        self._turned_s = time.monotonic()
        self._voice = Watch(Path(store.path).parent)
        self._lag_s = 0.0
        self._client = self._new_client()
        self.connected = threading.Event()
        self.totals = Totals()

    def stop(self) -> None:
        """Ask for a clean stop: what has been received is committed and acknowledged first. Safe in a signal handler."""
        self._stop.set()

    def is_well(self) -> bool:
        """Whether it records: it turns, commits, and hears the broker. Safe from any thread."""
        turns = time.monotonic() - self._turned_s < WELL_S
        return turns and self._failures_in_a_row == 0 and self.connected.is_set()

    def run(self) -> Totals:
        """Record until `stop`. Raises RecorderError only for what trying again cannot mend."""
        network = threading.Thread(target=self._stay_connected, name="mqtt", daemon=True)
        network.start()
        try:
            while not self._stop.is_set():
                self._commit(self._gather())
                self._keep_up()
                self._turned_s = time.monotonic()
                self._voice.tell(self.state())
            last_call = time.monotonic() + LAST_CALL_S
            while not self._queue.empty() and time.monotonic() < last_call:
                self._commit(self._gather())
            self._keep_up(now=True)
        finally:
            self._stop.set()
            self._client.disconnect()
            network.join(timeout=5.0)
            self._voice.end()
        return self.totals

    def state(self) -> RecorderState:
        """How it stands at this moment."""
        forwarding = self._forwarding()
        return RecorderState(
            at_ms=to_ms(datetime.now(UTC)),
            connected=self.connected.is_set(),
            received=self.totals.received,
            committed=self.totals.committed,
            readings=self.totals.readings,
            doubled=self.totals.doubled,
            quarantined=self.totals.set_aside,
            backlog=self._queue.qsize(),
            lag_s=self._lag_s,
            failures_in_a_row=self._failures_in_a_row,
            influx_waiting=0 if forwarding is None else forwarding.waiting,
            influx_trouble="" if forwarding is None else forwarding.trouble,
        )

    # ---------------------------------------------------------------- the network's thread

    def _new_client(self) -> mqtt.Client:
        broker, record = self._settings.broker, self._settings.record
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=record.client_id,
            clean_session=False,
            manual_ack=True,
            reconnect_on_failure=False,  # _stay_connected does, with random waits
        )
        if broker.username is not None:
            client.username_pw_set(broker.username, broker.read_password())
        if broker.ca_file is not None:
            try:
                client.tls_set(ca_certs=str(broker.ca_file), cert_reqs=ssl.CERT_REQUIRED)
            except OSError as error:
                raise RecorderError(
                    f"cannot use the broker's authority: {error}",
                    where=str(broker.ca_file),
                    mend="Mend `ca_file` under [broker]",
                ) from error
        client.max_queued_messages_set(0)
        client.on_connect = self._on_connect
        client.on_subscribe = self._on_subscribe
        client.on_disconnect = self._on_disconnect
        client.on_message = self._on_message
        return client

    def _stay_connected(self) -> None:
        broker = self._settings.broker
        failures = 0
        while not self._stop.is_set():
            with self._connection_lock:
                self._connection += 1
            self.connected.clear()
            try:
                self._client.connect(broker.host, broker.port, broker.keepalive_s)
                self._client.loop_forever(retry_first_connection=False)
            except (OSError, ValueError) as error:
                log.warning("no connection to the broker at %s:%d: %s", broker.host, broker.port, error)
            except Exception:  # this thread must not die: the client would go on saying that it is connected
                log.exception("the connection failed in a way that nobody foresaw: connecting anew")
            if self._stop.is_set():
                return
            failures = 0 if self.connected.is_set() else failures + 1
            longest = min(LONGEST_WAIT_S, 0.5 * 2.0**failures)
            # a random wait keeps many clients from returning at once
            self._stop.wait(random.uniform(longest / 4, longest))

    def _on_connect(self, client: mqtt.Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if reason.is_failure:
            log.warning("the broker refused the recorder: %s. Check username and password under [broker]", reason)
            return
        ours = (wire.subscription(self._settings.record.site or None), 1)
        client.subscribe([ours, *self._plain.subscriptions()])

    def _on_subscribe(self, _client: mqtt.Client, _data: Any, _mid: int, _reasons: Any, _properties: Any) -> None:
        # only now does the broker keep what comes for us
        self.connected.set()
        log.info("connected to %s:%d", self._settings.broker.host, self._settings.broker.port)

    def _on_disconnect(self, _client: mqtt.Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if not self._stop.is_set():
            log.warning("the connection to the broker ended: %s", reason)

    def _on_message(self, client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = "a topic that is not UTF-8"
        entry = Message(
            self._connection, message.mid, message.qos, topic, bytes(message.payload), datetime.now(UTC), message.retain
        )
        try:
            # shorter than the keep-alive, or the broker would take us for dead
            self._queue.put(entry, timeout=self._settings.broker.keepalive_s / 3)
        except queue.Full:
            log.warning("the disk is too slow for what arrives: connecting anew, so that the broker sends again")
            client.disconnect()

    # ---------------------------------------------------------------- the caller's thread

    def _gather(self) -> list[Message]:
        """A batch: what comes within BATCH_S of the first message, at most BATCH_MESSAGES or some BATCH_BYTES."""
        try:
            batch = [self._queue.get(timeout=BATCH_S)]
        except queue.Empty:
            return []
        until = time.monotonic() + BATCH_S
        size = len(batch[0].payload)
        while len(batch) < BATCH_MESSAGES and size < BATCH_BYTES:
            try:
                batch.append(self._queue.get(timeout=max(0.0, until - time.monotonic())))
            except queue.Empty:
                break
            size += len(batch[-1].payload)
        return batch

    def _commit(self, batch: list[Message]) -> None:
        if not batch:
            return
        packs: list[tuple[wire.Pack, str, bytes]] = []
        aside: list[Aside] = []
        heres: list[tuple[str, str, wire.Here, int]] = []
        for message in batch:
            received_ms = to_ms(message.received_at)
            try:
                topic = None if message.topic in self._plain else wire.parse_topic(message.topic)
                if topic is None and message.retained and not self._plain.is_dated(message.topic):
                    log.info("a kept value on '%s' is not recorded: nobody can say of when it is", message.topic)
                elif topic is None or topic.kind == "data":
                    pack = self._decode(message.topic, message.payload, message.received_at)
                    packs.append((pack, message.topic, message.payload))
                elif topic.kind == "here" and message.payload:  # without: a retained one that was cleared
                    heres.append((topic.site, topic.node, wire.decode_here(message.payload), received_ms))
            except wire.AllBadError as error:
                # kept for its message number: without a receipt the node would send it for ever
                log.warning("set aside: %s", error)
                packs.append((error.pack, message.topic, message.payload))
            except wire.WireError as error:
                log.warning("set aside: %s", error)
                aside.append(Aside(received_ms, message.topic, message.payload, error.kind, str(error)))
        ours = len(packs) + len(aside) + len(heres)  # the recorder's own receipts come back to it, too
        self.totals.received += ours
        try:
            done = self._store.record(packs, aside)
            for site, node, here, at_ms in heres:
                self._store.note_here(site, node, here, at_ms=at_ms)
        except sqlite3.Error as error:
            self._store_failed(error)
            return
        self._failures_in_a_row = 0
        self.totals.committed += ours
        self._lag_s = (datetime.now(UTC) - batch[0].received_at).total_seconds()
        for message in batch:
            self._acknowledge(message)
        for (site, node, boot), upto in done.receipts.items():
            self._client.publish(wire.receipt_topic(site, node), wire.encode_receipt(boot, upto), qos=1, retain=True)
        self.totals.add(done)
        self._watch(done.fresh, [(site, node, here) for site, node, here, _ in heres])

    def _watch(self, packs: list[wire.Pack], heres: list[tuple[str, str, wire.Here]]) -> None:
        try:
            self._alarms.take(packs, heres, now_ms=_now_ms())
        except Exception:  # whatever goes wrong with an alarm, recording goes on; after a restart it is found again
            log.exception("cannot watch for alarms")

    def _decode(self, topic: str, payload: bytes, received_at: datetime) -> wire.Pack:
        return (self._plain if topic in self._plain else wire).decode(topic, payload, received_at)

    def _keep_up(self, *, now: bool = False) -> None:
        try:
            self._alarms.run(online=self.connected.is_set(), now_ms=_now_ms())
            self._upkeep.run(now=now)
        except Exception:  # whatever goes wrong with what is derived, recording goes on; what is due stays noted
            log.exception("cannot bring cycles and alarms up to date; trying again")

    def _acknowledge(self, message: Message) -> None:
        # a late acknowledgement of an older connection would confirm another, uncommitted message
        with self._connection_lock:
            if message.connection == self._connection:
                self._client.ack(message.mid, message.qos)

    def _store_failed(self, error: sqlite3.Error) -> None:
        self.totals.store_failures += 1
        self._failures_in_a_row += 1
        log.error(
            "cannot record (%s): nothing was acknowledged; trying again. Check the disk at %s", error, self._store.path
        )
        while not self._queue.empty():
            self._queue.get_nowait()
        self._client.disconnect()
        self._voice.tell(self.state(), now=True)
        self._stop.wait(min(LONGEST_WAIT_S, 2.0**self._failures_in_a_row * random.uniform(0.25, 0.5)))


def _now_ms() -> int:
    return time.time_ns() // 1_000_000
