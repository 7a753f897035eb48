"""What runs beside the recorder for the alarms: delivery to people, retained MQTT states, and the heartbeat.

In: a home, its settings, and whether the recorder is well. Out: messages, retained states, heartbeats. Three threads,
each with its own connection to the record, so that none waits for another and recording waits for none.

The heartbeat goes out only while recording works. Whoever waits for it elsewhere so learns of a dead machine, a
full disk or a lost network, which no alarm from here could tell.
"""

from __future__ import annotations

import json
import logging
import time
import urllib.request
from collections.abc import Callable, Mapping
from pathlib import Path

from tidetray.ingest.alarms.alarm_settings import AlarmSettings
from tidetray.ingest.alarms.delivery import Delivery, Sender, senders, senders_or_reasons
from tidetray.ingest.alarms.states import States, topic
from tidetray.ingest.core.clock import Clock
from tidetray.ingest.core.readings import TidetrayError
from tidetray.ingest.core.service import Service
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.recorder.retained import RetainedPublisher
from tidetray.ingest.settings.model import RECORD_FILE, Settings
from tidetray.ingest.store.recording import Store, open_store

log = logging.getLogger("tidetray.delivery")

STEP_S = 1.0
BEAT_WAIT_S = 10.0
UNTAKEN_LONGEST_S = 120.0
"""A connection that takes nothing for so long is made anew."""

RECORDER_TOPIC = topic("", "recorder", "here")


def senders_of(settings: AlarmSettings) -> dict[str, list[Sender]]:
    """The ways to each person. DeliveryError if one cannot be read."""
    return {person.name: senders(person) for person in settings.person}


def zones_of(store: Store) -> Mapping[str, str]:
    """The clock zone of each site, by the trials in the notebook."""
    return {trial.site: trial.zone for trial in Notebook(store).trials()}


class Heartbeat:
    """Asks for an address every so often while all is well."""

    def __init__(self, settings: AlarmSettings) -> None:
        self._url = None if settings.heartbeat_url is None else settings.heartbeat_url.get_secret_value()
        self._every_s = 60 * settings.heartbeat_minutes
        self._next_s = 0.0

    def step(self, now_s: float, *, is_well: bool) -> str:
        """Why the heartbeat could not be sent; empty if it was, or was not due."""
        if not is_well or now_s < self._next_s or self._url is None:
            return ""
        self._next_s = now_s + self._every_s
        try:
            with urllib.request.urlopen(self._url, timeout=BEAT_WAIT_S) as answer:
                answer.read(1)
        except (OSError, ValueError) as error:
            # its text may hold the address, which is a secret
            log.warning("the heartbeat was not taken: %s", type(error).__name__)
            self._next_s = now_s + min(60.0, self._every_s)
            return "the heartbeat's address did not answer"
        return ""


class DeliveryService(Service):
    """Sends the outbox to people."""

    def __init__(self, home: Path, settings: Settings, clock: Clock) -> None:
        super().__init__("delivery of alarms", every_s=STEP_S)
        self._home = home
        self._settings = settings.alarms
        self._clock = clock
        self._store: Store | None = None
        self._delivery: Delivery | None = None

    def open(self) -> None:
        store = self._store = open_store(self._home / RECORD_FILE)
        self._delivery = Delivery(
            store,
            self._settings,
            zone="UTC",
            zones=lambda: zones_of(store),
            senders={person.name: senders_or_reasons(person) for person in self._settings.person},
            step_wait_s=STEP_S,
        )

    def turn(self) -> None:
        if self._delivery is not None:
            self._delivery.step(self._clock.now_ms(), round(1000 * self._clock.steady_s()))

    last_turn = turn

    def close(self) -> None:
        if self._delivery is not None:
            self._delivery.close()
        if self._store is not None:
            self._store.close()
        self._delivery = self._store = None


class BrokerError(TidetrayError):
    """The broker does not take what is published."""


class StateService(Service):
    """Publishes retained states of alarms, and that the recorder records."""

    def __init__(
        self, home: Path, settings: Settings, clock: Clock, client_id: str, is_well: Callable[[], bool]
    ) -> None:
        super().__init__("MQTT states of alarms", every_s=STEP_S)
        self._home = home
        self._settings = settings
        self._clock = clock
        self._client_id = client_id
        self._is_well = is_well
        self._store: Store | None = None
        self._publisher: RetainedPublisher | None = None
        self._taken_s = self._next_s = 0.0
        self._connections = 0

    def open(self) -> None:
        self._connections = 0
        self._store = open_store(self._home / RECORD_FILE)
        self._publisher = RetainedPublisher(
            self._settings.broker,
            self._client_id,
            last=(RECORDER_TOPIC, json.dumps({"recording": False}).encode()),
        )
        self._taken_s = time.monotonic()

    def turn(self) -> None:
        if self._store is None or self._publisher is None:
            return
        error = ""

        def publish(topic: str, payload: bytes) -> str:
            nonlocal error
            error = error or (self._publisher(topic, payload) if self._publisher is not None else "")
            return error

        states = States(self._store, publish)
        connections = self._publisher.connections
        if connections != self._connections:
            # a broker that was restarted may have lost what it retained, or hold an older state, or our last will
            self._next_s = 0.0
            if not states.again():
                self._connections = connections
        states.step(self._clock.now_ms())
        if time.monotonic() >= self._next_s and self._is_well():
            state = {"recording": True, "at": time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime())}
            if not publish(RECORDER_TOPIC, json.dumps(state).encode()):
                self._next_s = time.monotonic() + 60 * self._settings.alarms.heartbeat_minutes
        if not error:
            self._taken_s = time.monotonic()
        elif time.monotonic() - self._taken_s > UNTAKEN_LONGEST_S:
            raise BrokerError(error, where=f"{self._settings.broker.host}:{self._settings.broker.port}")

    last_turn = turn

    def close(self) -> None:
        if self._publisher is not None:
            self._publisher.close()
        if self._store is not None:
            self._store.close()
        self._publisher = self._store = None


class HeartbeatService(Service):
    """Sends the heartbeat; `is_well` is asked before each. A thread of its own: an outside watch depends on it."""

    def __init__(self, settings: AlarmSettings, is_well: Callable[[], bool]) -> None:
        super().__init__("heartbeat", every_s=STEP_S)
        self._heartbeat = Heartbeat(settings)
        self._is_well = is_well

    def turn(self) -> None:
        self._heartbeat.step(time.monotonic(), is_well=self._is_well())


def alarm_services(
    home: Path, settings: Settings, clock: Clock, client_id: str, is_well: Callable[[], bool]
) -> list[Service]:
    """The threads that the alarms need beside a recorder.

    Parameters
    ----------
    home : Path
        The home folder.
    settings : Settings
        All of its settings.
    clock : Clock
        The recorder's clock.
    client_id : str
        The recorder's name at the broker; the states are published under one derived from it.
    is_well : callable
        Whether the recorder is well, asked before each heartbeat.
    """
    services: list[Service] = [DeliveryService(home, settings, clock)]
    if settings.alarms.mqtt:
        services.append(StateService(home, settings, clock, f"{client_id}-alarms", is_well))
    if settings.alarms.heartbeat_url is not None:
        services.append(HeartbeatService(settings.alarms, is_well))
    return services
