"""The recorder: MQTT in, readings on disk, acknowledgements and receipts out. The one user of paho.

Order for every message: decode, commit, acknowledge to the broker, receipt to the node. A message
that cannot be decoded goes into quarantine with its reason and is acknowledged; when the store fails nothing is
acknowledged and the connection is made anew, so that the broker (and behind it the nodes) send again.

Two threads: paho's, which only puts messages into a bounded queue, and the caller's, which commits.
"""

from __future__ import annotations

import gc
import logging
import queue
import sqlite3
import ssl
import threading
import time
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from paho.mqtt import client as mqtt
from paho.mqtt.enums import MQTTErrorCode

from tidetray.ingest.alarms.keeper import AlarmKeeper
from tidetray.ingest.core.backoff import wait_s
from tidetray.ingest.core.clock import Clock
from tidetray.ingest.core.readings import TidetrayError, to_ms
from tidetray.ingest.core.service import Service
from tidetray.ingest.influx.queue import Forwarding
from tidetray.ingest.recorder.cycle_upkeep import Upkeep
from tidetray.ingest.recorder.mqtt_client import Message, Subscriber
from tidetray.ingest.recorder.status import RecorderState, StateTeller
from tidetray.ingest.settings.model import LOCK_FILE, Settings
from tidetray.ingest.store.database import how_to_mend
from tidetray.ingest.store.quarantine import Quarantined, fault_of_ours, refused
from tidetray.ingest.store.recording import Recorded, Store
from tidetray.ingest.wire import packs as wire
from tidetray.ingest.wire import receipts, topics
from tidetray.ingest.wire.plain_topics import PlainTopics
from tidetray.ingest.wire.senml import WireError

log = logging.getLogger("tidetray.recorder")

BATCH_MESSAGES = 1400
"""So that while these are written the next ones come: a broker sends no more than its window without
acknowledgements."""

BATCH_BYTES = 256 * 1024
"""A batch ends here too: decoded, a payload takes many times its size in memory."""

BATCH_S, QUIET_S = 0.05, 0.002
"""A batch ends after the one, or as soon as nothing came for the other: what a broker sends before it waits for
acknowledgements may be all that comes (Mosquitto: 20 messages, if it is not told otherwise)."""

QUEUE_MESSAGES = 5000
"""Held in memory at most; beyond this the connection's reading waits, and TCP makes the broker wait."""

WATCH_LATEST_S, WATCH_MESSAGES = 2.0, 10_000
"""While messages wait to be committed they go first: the watch for alarms is put off by so long, and so many,
at most."""

BREATH_S = 0.002
"""While there is enough to commit, listening waits so long between two reads: each takes Python from the other
thread."""

GARBAGE_OBJECTS = 20_000
"""Of Python's, between two looks for what nobody holds any more: a batch has thousands that go by themselves."""

LAST_CALL_S = 5.0
"""Given on a stop to what has been received; what is not committed by then stays with the broker."""

WELL_S = 60.0
"""A recorder that has not turned for so long is not well."""

FIRST_WAIT_S, LONGEST_WAIT_S = 0.5, 60.0
"""Between two tries to connect, or to write."""


class RecorderError(TidetrayError):
    """The recorder cannot start or go on."""


@dataclass(slots=True)
class Totals:
    """Since this recorder was started."""

    received: int = 0
    committed: int = 0
    messages: int = 0
    readings: int = 0
    doubled: int = 0
    quarantined: int = 0
    store_failures: int = 0

    def add(self, done: Recorded) -> None:
        self.messages += done.messages
        self.readings += done.readings
        self.doubled += done.doubled_messages
        self.quarantined += done.quarantined


class RecorderLock:
    """One recorder per home. Held by the operating system, so a killed recorder leaves none behind."""

    def __init__(self, home: Path) -> None:
        self._path = home / LOCK_FILE

    def __enter__(self) -> RecorderLock:
        home = self._path.parent
        try:
            home.mkdir(parents=True, exist_ok=True)
            self._connection = sqlite3.connect(self._path, timeout=2.0, isolation_level=None)
            self._connection.execute("BEGIN EXCLUSIVE")
        except (OSError, sqlite3.Error) as error:
            if getattr(error, "sqlite_errorcode", 0) == sqlite3.SQLITE_BUSY:
                self._connection.close()
                raise RecorderError(
                    "another recorder is recording into this home",
                    where=str(home),
                    mend="Stop it, or name another --home",
                ) from error
            raise RecorderError(
                f"cannot write into the home: {error}", where=str(home), mend="Check the disk and the rights"
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
        self._queue: queue.SimpleQueue[list[Message]] = queue.SimpleQueue()
        self._put = self._got = 0
        self._given_up = -1
        self._failures_in_a_row = self._derived_failures = 0
        self._derived_next_s = 0.0
        self._watch_anew = False
        self._offline_ms: int | None = _now_ms()
        self._stop = threading.Event()
        self.clock = Clock()
        self._alarms = AlarmKeeper(store, settings.alarms, now_ms=_now_ms())
        self._plain = PlainTopics(settings.plain)
        self._upkeep = Upkeep(store, decode=self._decode, on_cycles=self._alarms.on_cycles)
        self._unwatched: list[wire.Pack] = []
        self._unwatched_heres: list[tuple[str, str, receipts.Here]] = []
        self._turned_s = self._watched_s = time.monotonic()
        self._voice = StateTeller(Path(store.path).parent)
        self._lag_s = 0.0
        self._failing_since: datetime | None = None
        self._client = self._new_client()
        self.connected = threading.Event()
        self.totals = Totals()
        self.services: list[Service] = []

    def stop(self) -> None:
        """Ask for a clean stop: what has been received is committed and acknowledged first. Safe in a signal
        handler."""
        self._stop.set()

    def is_well(self) -> bool:
        """Whether it records: it turns, commits, and hears the broker. Safe from any thread."""
        turns = time.monotonic() - self._turned_s < WELL_S
        well = all(each.health().is_well for each in self.services)
        return turns and well and self._failures_in_a_row + self._derived_failures == 0 and self.connected.is_set()

    def run(self) -> Totals:
        """Record until `stop`. Raises RecorderError only for what trying again cannot mend."""
        network = threading.Thread(target=self._stay_connected, name="mqtt", daemon=True)
        network.start()
        gc.collect()
        gc.freeze()  # what is here stays: to look through it again and again would take a third of the time
        thresholds = gc.get_threshold()
        gc.set_threshold(GARBAGE_OBJECTS, *thresholds[1:])
        try:
            while not self._stop.is_set():
                self._commit(self._gather())
                self._keep_up()
                self._turned_s = time.monotonic()
                self._voice.tell(self.state(), alive=not any(each.health().is_stuck for each in self.services))
            last_call = time.monotonic() + LAST_CALL_S
            while not self._queue.empty() and time.monotonic() < last_call:
                self._commit(self._gather())
            self._keep_up(now=True)
        finally:
            gc.unfreeze()
            gc.set_threshold(*thresholds)
            self._stop.set()
            self._client.disconnect()
            network.join(timeout=5.0)
            self._client.close()
            self._voice.end()
        return self.totals

    def state(self) -> RecorderState:
        """How it stands at this moment."""
        forwarding = self._forwarding()
        now = datetime.now(UTC)
        lag_s = self._lag_s if self._failing_since is None else (now - self._failing_since).total_seconds()
        return RecorderState(
            at_ms=to_ms(now),
            connected=self.connected.is_set(),
            received=self.totals.received,
            committed=self.totals.committed,
            readings=self.totals.readings,
            doubled=self.totals.doubled,
            quarantined=self.totals.quarantined,
            backlog=self._put - self._got,
            lag_s=lag_s,
            failures_in_a_row=max(self._failures_in_a_row, self._derived_failures),
            offline_since_ms=self._offline_ms,
            services={h.name: h.sentence for each in self.services if not (h := each.health()).is_well},
            influx_waiting=0 if forwarding is None else forwarding.waiting,
            influx_trouble="" if forwarding is None else forwarding.trouble,
        )

    # ---------------------------------------------------------------- the network's thread

    def _new_client(self) -> Subscriber:
        broker, record = self._settings.broker, self._settings.record
        client = Subscriber(self._take, client_id=record.client_id)
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
        return client

    def _stay_connected(self) -> None:
        broker = self._settings.broker
        failures = 0
        while not self._stop.is_set():
            self.connected.clear()
            self._offline_ms = self._offline_ms or _now_ms()
            try:
                self._client.connect(broker.host, broker.port, broker.keepalive_s)
                while self._client.loop() == MQTTErrorCode.MQTT_ERR_SUCCESS:
                    if self._put - self._got >= BATCH_MESSAGES:
                        time.sleep(BREATH_S)
            except (OSError, ValueError) as error:
                log.warning("no connection to the broker at %s:%d: %s", broker.host, broker.port, error)
            except Exception:  # this thread must not die: the client would go on saying that it is connected
                log.exception("the connection failed in a way that nobody foresaw: connecting anew")
            if self._stop.is_set():
                return
            failures = 0 if self.connected.is_set() else failures + 1
            self._stop.wait(wait_s(failures, first_s=FIRST_WAIT_S, longest_s=LONGEST_WAIT_S))

    def _on_connect(self, client: mqtt.Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if reason.is_failure:
            log.warning("the broker refused the recorder: %s. Check username and password under [broker]", reason)
            return
        ours = (topics.subscription(self._settings.record.site or None), 1)
        client.subscribe([ours, *self._plain.subscriptions()])

    def _on_subscribe(self, _client: mqtt.Client, _data: Any, _mid: int, _reasons: Any, _properties: Any) -> None:
        # only now does the broker keep what comes for us
        self.connected.set()
        self._offline_ms = None
        log.info("connected to %s:%d", self._settings.broker.host, self._settings.broker.port)

    def _on_disconnect(self, _client: mqtt.Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if not self._stop.is_set():
            log.warning("the connection to the broker ended: %s", reason)

    def _take(self, messages: list[Message]) -> None:
        connection = messages[0].connection
        if self._given_up == connection:
            return  # not acknowledged: it comes again
        if self._put - self._got >= QUEUE_MESSAGES and not self._wait_for_room():
            log.warning("the disk is too slow for what arrives: connecting anew, so that the broker sends again")
            self._given_up = connection
            self._client.disconnect()
            return
        self._put += len(messages)
        self._queue.put(messages)

    def _wait_for_room(self) -> bool:
        """The broker's window is no bound: it goes on sending while only some is acknowledged."""
        # shorter than the keep-alive, or the broker would take us for dead
        until = time.monotonic() + self._settings.broker.keepalive_s / 3
        while self._put - self._got >= QUEUE_MESSAGES:
            if time.monotonic() > until:
                return False
            time.sleep(0.005)
        return True

    # ---------------------------------------------------------------- the caller's thread

    def _gather(self) -> list[Message]:
        """A batch: what comes within BATCH_S and without a pause, until it has BATCH_MESSAGES or BATCH_BYTES."""
        batch: list[Message] = []
        until = time.monotonic() + BATCH_S
        size = 0
        while len(batch) < BATCH_MESSAGES and size < BATCH_BYTES and time.monotonic() < until:
            try:
                messages = self._queue.get(timeout=QUIET_S if batch else BATCH_S)
            except queue.Empty:
                break
            batch += messages
            size += sum([len(message.payload) for message in messages])
        self._got += len(batch)
        return batch

    def _commit(self, batch: list[Message]) -> None:
        if not batch:
            return
        packs: list[tuple[wire.Pack, str, bytes]] = []
        quarantined: list[Quarantined] = []
        heres: list[tuple[str, str, receipts.Here, int]] = []
        for message in batch:
            try:
                topic = None if message.topic in self._plain else topics.parse_topic(message.topic)
                if topic is None and message.retained and not self._plain.is_dated(message.topic):
                    log.info("a kept value on '%s' is not recorded: nobody can say of when it is", message.topic)
                elif topic is None or topic.kind == "data":
                    pack = self._decode(message.topic, message.payload, message.received_at)
                    packs.append((pack, message.topic, message.payload))
                elif topic.kind == "here" and message.payload:  # without: a retained one that was cleared
                    heres.append(
                        (topic.site, topic.node, receipts.decode_here(message.payload), to_ms(message.received_at))
                    )
            except wire.AllBadError as error:
                # kept for its message number: without a receipt the node would send it for ever
                log.warning("quarantine: %s", error)
                packs.append((error.pack, message.topic, message.payload))
            except WireError as error:
                log.warning("quarantine: %s", error)
                quarantined.append(refused(to_ms(message.received_at), message.topic, message.payload, error))
            except Exception as error:  # one message must not end the recording of all others, at each start anew
                log.exception("quarantine, for tidetray itself failed on it: a message to %s", message.topic)
                quarantined.append(fault_of_ours(to_ms(message.received_at), message.topic, message.payload, error))
        ours = len(packs) + len(quarantined) + len(heres)  # the recorder's own receipts come back to it, too
        self.totals.received += ours
        try:
            done = self._store.record_surely(packs, quarantined, heres)
        except sqlite3.Error as error:
            self._failing_since = self._failing_since or batch[0].received_at
            self._store_failed(error)
            return
        self._failures_in_a_row = 0
        self._failing_since = None
        self.totals.committed += ours
        self._lag_s = (datetime.now(UTC) - batch[0].received_at).total_seconds()
        self._client.acknowledge(batch)
        for (site, node, boot), upto in done.receipts.items():
            self._client.publish(
                topics.receipt_topic(site, node), receipts.encode_receipt(boot, upto), qos=1, retain=True
            )
        self.totals.add(done)
        self._unwatched += done.fresh
        self._unwatched_heres += [(site, node, here) for site, node, here, _ in heres]

    def _decode(
        self, topic: str, payload: bytes, received_at: datetime, *, judged_at: datetime | None = None
    ) -> wire.Pack:
        source = self._plain if topic in self._plain else wire
        return source.decode(topic, payload, received_at, judged_at=judged_at)

    def _keep_up(self, *, now: bool = False) -> None:
        """Watch what was committed, and bring cycles up to date. Before that nothing is marked as watched."""
        at_s, few = time.monotonic(), len(self._unwatched) < WATCH_MESSAGES
        if few and self._derived_failures and at_s < self._derived_next_s:
            return
        busy = not now and not self._queue.empty()
        if busy and few and at_s - self._watched_s < WATCH_LATEST_S:
            return
        self._watched_s = time.monotonic()
        packs, heres, self._unwatched, self._unwatched_heres = self._unwatched, self._unwatched_heres, [], []
        # whatever goes wrong here, recording goes on; it counts as a failure, so that status and health check tell it
        try:
            if self._watch_anew:
                self._alarms = AlarmKeeper(self._store, self._settings.alarms, now_ms=_now_ms())
                self._watch_anew = False
            self._alarms.take(packs, heres, now_ms=_now_ms())
            self._alarms.run(online=self.connected.is_set(), now_ms=_now_ms())
            self._upkeep.run(now=now, busy=busy)
        except sqlite3.Error as error:
            self._put_off()
            log.error("cannot write alarms and cycles (%s). Of %s: %s", error, self._store.path, how_to_mend(error))
        except Exception:  # a fault in what is derived must not end recording, nor leave the watch half way in a batch
            self._put_off()
            self._watch_anew = True  # from the record, as after a restart
            log.exception("cannot bring cycles and alarms up to date; the last day is looked through again")
        else:
            self._derived_failures = 0

    def _put_off(self) -> None:
        self._derived_failures += 1
        self._derived_next_s = time.monotonic() + _pause_s(self._derived_failures)

    def _store_failed(self, error: sqlite3.Error) -> None:
        self.totals.store_failures += 1
        self._failures_in_a_row += 1
        log.error(
            "cannot record (%s): nothing was acknowledged, and it will come again. Of %s: %s",
            error,
            self._store.path,
            how_to_mend(error),
        )
        while not self._queue.empty():
            self._got += len(self._queue.get_nowait())
        self._client.disconnect()
        self._voice.tell(self.state(), now=True)
        self._stop.wait(_pause_s(self._failures_in_a_row))


def _pause_s(failures: int) -> float:
    return wait_s(failures, first_s=FIRST_WAIT_S, longest_s=LONGEST_WAIT_S, at_least=0.5)


def _now_ms() -> int:
    return time.time_ns() // 1_000_000
