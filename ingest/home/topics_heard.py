"""What is on the air: topics of other firmware that a broker carries, for some seconds, and the values in them.

In: the settings of a broker. Out: topic -> its last payload; of a payload every value with the way to it, as a mapping
(`[[plain]]`) has it. Records nothing.
"""

from __future__ import annotations

import json
import time
from collections.abc import Iterator
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from tidetray.ingest.core.readings import TidetrayError
from tidetray.ingest.settings.model import BrokerSettings, SettingsError

MOST_TOPICS, MOST_BYTES = 300, 4096
"""More topics than a person looks through, or longer payloads, are left out."""

_OWN = "tidetray/"


def listen(broker: BrokerSettings, seconds: float, *, pattern: str = "#") -> dict[str, bytes]:
    """The topics that speak within some seconds, retained ones too, without tidetray's own. SettingsError if the broker
    cannot be reached."""
    heard: dict[str, bytes] = {}
    refused: list[str] = []

    def on_connect(client: mqtt.Client, _data: Any, _flags: Any, reason: Any, _properties: Any) -> None:
        if reason.is_failure:
            refused.append(str(reason))
        else:
            client.subscribe(pattern, qos=0)

    def on_message(_client: mqtt.Client, _data: Any, message: mqtt.MQTTMessage) -> None:
        own = message.topic.startswith((_OWN, "$"))
        if not own and len(message.payload) <= MOST_BYTES and (len(heard) < MOST_TOPICS or message.topic in heard):
            heard[message.topic] = bytes(message.payload)

    client = mqtt.Client(CallbackAPIVersion.VERSION2, reconnect_on_failure=False)
    client.on_connect, client.on_message = on_connect, on_message
    try:
        broker.identify(client)
        client.connect(broker.host, broker.port)
    except (OSError, ValueError, TidetrayError) as error:
        raise SettingsError(
            f"no connection to the broker at {broker.host}:{broker.port}: {error}", mend="Check Set-up, Broker"
        ) from error
    client.loop_start()
    until_s = time.monotonic() + seconds
    while time.monotonic() < until_s and not refused:
        time.sleep(0.05)
    client.disconnect()
    client.loop_stop()
    if refused:
        raise SettingsError(f"the broker refused: {refused[0]}", mend="Check Set-up, Broker")
    return dict(sorted(heard.items()))


def values_in(payload: bytes) -> list[tuple[str, str]]:
    """The values of a payload that can be recorded: the way to each (empty for the payload itself), and the value."""
    try:
        text = payload.decode("utf-8")
        parsed = json.loads(text)
    except (ValueError, RecursionError):
        return [("", shown)] if (shown := _text(payload)) else []
    if isinstance(parsed, dict):
        return list(_members("", parsed))
    return [("", text.strip())] if not isinstance(parsed, list) else []


def _members(way: str, table: dict[str, Any]) -> Iterator[tuple[str, str]]:
    for name, value in table.items():
        path = f"{way}.{name}" if way else name
        if isinstance(value, dict):
            yield from _members(path, value)
        elif isinstance(value, bool | int | float | str):
            yield path, json.dumps(value) if isinstance(value, bool) else str(value)


def _text(payload: bytes) -> str:
    text = payload.decode("utf-8", errors="replace").strip()
    return text if text and text.isprintable() and len(text) <= 40 else ""
