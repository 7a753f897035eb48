"""Retained messages published over a connection of their own, which is made in the background and made again.

In: topics and payloads. Out: the same at the broker, and why one of them is not there. For states of alarms and for
timetables; what comes from nodes has the session's connection.
"""

from __future__ import annotations

from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.reasoncodes import ReasonCode

from tidetray.ingest.settings.model import BrokerSettings

PUBLISH_WAIT_S = 5.0


class RetainedPublisher:
    """Publishes retained payloads, QoS 1.

    Parameters
    ----------
    broker : BrokerSettings
        Where to.
    client_id : str
        Its name at the broker.
    last : tuple of str and bytes, optional
        Topic and payload of what the broker keeps when this ends, in whatever way.
    """

    def __init__(self, broker: BrokerSettings, client_id: str, *, last: tuple[str, bytes] | None = None) -> None:
        self._last = last
        self.connections = 0
        """How many connections were made up to now."""
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=client_id)
        self._client.on_connect = self._connected
        broker.identify(self._client)
        if last is not None:
            self._client.will_set(*last, qos=1, retain=True)
        self._client.reconnect_delay_set(1, 60)
        self._client.connect_async(broker.host, broker.port, broker.keepalive_s)
        self._client.loop_start()

    def __call__(self, topic: str, payload: bytes) -> str:
        """Publish; why the broker did not take it, empty if it did."""
        if not self._client.is_connected():
            return "there is no connection to the broker"
        sent = self._client.publish(topic, payload, qos=1, retain=True)
        try:
            sent.wait_for_publish(PUBLISH_WAIT_S)
        except (RuntimeError, ValueError) as error:
            return str(error)
        return "" if sent.is_published() else f"the broker did not take it within {PUBLISH_WAIT_S:.0f} s"

    def close(self) -> None:
        """Leave the broker, with the last message in its place."""
        if self._last is not None:
            self(*self._last)
        self._client.disconnect()
        self._client.loop_stop()

    def _connected(self, _client: object, _data: object, _flags: object, reason: ReasonCode, _more: object) -> None:
        if not reason.is_failure:
            self.connections += 1
