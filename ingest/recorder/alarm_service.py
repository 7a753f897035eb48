"""What runs beside the recorder for the alarms: delivery from the outbox, and the heartbeat that others can check.

In: a home, its settings, and whether the recorder is well. Out: messages, retained MQTT states, heartbeats. A thread
with its own connection to the store, and its own to the broker; neither may hold up recording.

The heartbeat goes out only while recording works. Whoever waits for it elsewhere so learns of a dead machine, a
full disk or a lost network, which no alarm from here could tell.
"""

from __future__ import annotations

import json
import logging
import sqlite3
import threading
import time
import urllib.request
from collections.abc import Callable
from pathlib import Path

from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from tidetray.ingest.alarms.alarm_settings import AlarmSettings
from tidetray.ingest.alarms.delivery import Delivery, Sender, sender, topic
from tidetray.ingest.core.readings import TidetrayError
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.settings.model import RECORD_FILE, BrokerSettings, Settings
from tidetray.ingest.store.recording import open_store

log = logging.getLogger("tidetray.delivery")

STEP_S = 1.0
PUBLISH_WAIT_S = 5.0
BEAT_WAIT_S = 10.0
RECORDER_TOPIC = topic("", "recorder", "here")


def senders_of(settings: AlarmSettings) -> dict[str, Sender]:
    """The way to each person. DeliveryError if one cannot be read."""
    return {person.name: sender(person) for person in settings.person}


class StatePublisher:
    """Publishes retained states; connects when there is something to say."""

    def __init__(self, broker: BrokerSettings, client_id: str) -> None:
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=client_id)
        if broker.username is not None:
            self._client.username_pw_set(broker.username, broker.read_password())
        if broker.ca_file is not None:
            self._client.tls_set(ca_certs=str(broker.ca_file))
        self._client.will_set(RECORDER_TOPIC, json.dumps({"recording": False}), qos=1, retain=True)
        self._client.reconnect_delay_set(1, 60)
        self._client.connect_async(broker.host, broker.port, broker.keepalive_s)
        self._client.loop_start()

    def __call__(self, topic: str, payload: bytes) -> str:
        if not self._client.is_connected():
            return "there is no connection to the broker"
        sent = self._client.publish(topic, payload, qos=1, retain=True)
        try:
            sent.wait_for_publish(PUBLISH_WAIT_S)
        except (RuntimeError, ValueError) as error:
            return str(error)
        return "" if sent.is_published() else f"the broker did not take it within {PUBLISH_WAIT_S:.0f} s"

    def close(self) -> None:
        self(RECORDER_TOPIC, json.dumps({"recording": False}).encode())
        self._client.disconnect()
        self._client.loop_stop()


class Heartbeat:
    """Asks for an address, and publishes, every so often while all is well."""

    def __init__(self, settings: AlarmSettings, publish: Callable[[str, bytes], str] | None) -> None:
        self._url = None if settings.heartbeat_url is None else settings.heartbeat_url.get_secret_value()
        self._every_s = 60 * settings.heartbeat_minutes
        self._publish = publish
        self._next_s = 0.0

    def step(self, now_s: float, *, is_well: bool) -> str:
        """Why the heartbeat could not be sent; empty if it was, or was not due."""
        if not is_well or now_s < self._next_s:
            return ""
        self._next_s = now_s + self._every_s
        if self._publish is not None:
            state = {"recording": True, "at": time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime())}
            self._publish(RECORDER_TOPIC, json.dumps(state).encode())
        if self._url is None:
            return ""
        try:
            with urllib.request.urlopen(self._url, timeout=BEAT_WAIT_S) as answer:
                answer.read(1)
        except (OSError, ValueError) as error:
            # its text may hold the address, which is a secret
            log.warning("the heartbeat was not taken: %s", type(error).__name__)
            self._next_s = now_s + min(60.0, self._every_s)
            return "the heartbeat's address did not answer"
        return ""


class AlarmService:
    """Start it, stop it; `is_well` is asked before each heartbeat."""

    def __init__(self, home: Path, settings: Settings, is_well: Callable[[], bool]) -> None:
        self._home = home
        self._settings = settings
        self._is_well = is_well
        self._stop = threading.Event()
        self._senders = senders_of(settings.alarms)
        self._thread = threading.Thread(target=self._run, name="alarms", daemon=True)

    def start(self) -> None:
        self._thread.start()

    def stop(self) -> None:
        self._stop.set()
        self._thread.join(timeout=10.0)

    def _run(self) -> None:
        settings = self._settings.alarms
        publish: StatePublisher | None = None
        try:
            if settings.mqtt:
                publish = StatePublisher(self._settings.broker, f"{self._settings.record.client_id}-alarms")
            with open_store(self._home / RECORD_FILE) as store:
                zone = next((trial.zone for trial in Notebook(store).trials()), "UTC")
                delivery = Delivery(store, settings, zone=zone, senders=self._senders, publish=publish)
                heartbeat = Heartbeat(settings, publish)
                while not self._stop.wait(STEP_S):
                    self._step(delivery, heartbeat)
                self._step(delivery, heartbeat)
                delivery.close()
        except (TidetrayError, OSError, ValueError) as error:
            log.error("alarms are not delivered: %s", error)
        finally:
            if publish is not None:
                publish.close()

    def _step(self, delivery: Delivery, heartbeat: Heartbeat) -> None:
        try:
            delivery.step(time.time_ns() // 1_000_000)
        except sqlite3.Error as error:
            log.warning("the outbox cannot be read just now (%s); trying again", error)
        heartbeat.step(time.monotonic(), is_well=self._is_well())
