"""What each user of a broker can do on each topic, tried out from outside: publish, leave retained, will, subscribe.

Everything is tried by real connections. Whether a message got through is what somebody else received of it.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping, Sequence
from typing import Any

from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

Connect = Callable[[mqtt.Client, str], None]
"""Gives a client the credentials of a user, and connects it."""

SETTLE_S = 1.5
"""What was refused cannot be waited for: so long after the last message that did come [s]."""


class Client:
    """A client that notes what it is told."""

    def __init__(self, connect: Connect, user: str, *, will: tuple[str, bytes, bool] | None = None, **how: Any) -> None:
        self.received: list[tuple[str, bytes, bool]] = []
        self.granted: dict[int, int] = {}
        self._answer: list[bool] = []
        self._told = threading.Condition()
        self.mqtt = mqtt.Client(CallbackAPIVersion.VERSION2, reconnect_on_failure=False, **how)
        if will is not None:
            self.mqtt.will_set(will[0], will[1], qos=1, retain=will[2])
        self.mqtt.on_connect = lambda _c, _d, _f, reason, _p: self._note(self._answer.append, not reason.is_failure)
        self.mqtt.on_subscribe = lambda _c, _d, mid, reasons, _p: self._note(
            self.granted.update, {mid: reasons[0].value}
        )
        self.mqtt.on_message = lambda _c, _d, m: self._note(self.received.append, (m.topic, m.payload, m.retain))
        connect(self.mqtt, user)
        self.mqtt.loop_start()
        self.wait(lambda: bool(self._answer))

    @property
    def is_let_in(self) -> bool:
        assert self._answer, "the broker did not answer"
        return self._answer[0]

    def _note(self, keep: Callable[[Any], object], value: object) -> None:
        with self._told:
            keep(value)
            self._told.notify_all()

    def wait(self, fact: Callable[[], bool], within_s: float = 20.0) -> bool:
        with self._told:
            return self._told.wait_for(fact, within_s)

    def publish(self, topic: str, payload: bytes, *, retain: bool = False) -> None:
        self.mqtt.publish(topic, payload, qos=1, retain=retain).wait_for_publish(20)

    def subscribe(self, topic: str) -> bool:
        _, mid = self.mqtt.subscribe(topic, qos=1)
        assert mid is not None
        assert self.wait(lambda: mid in self.granted)
        return self.granted[mid] < 0x80

    def vanish(self) -> None:
        """End without a word, so that the will is sent."""
        line = self.mqtt.socket()
        self.mqtt.loop_stop()
        if line is not None:
            line.close()

    def close(self) -> None:
        self.mqtt.disconnect()
        self.mqtt.loop_stop()


class Rights:
    """The matrix of a broker.

    Parameters
    ----------
    connect : Connect
    listening : Mapping[str, Sequence[str]]
        Who listens where while messages are tried, so that each topic has somebody who may read it.
    """

    def __init__(self, connect: Connect, listening: Mapping[str, Sequence[str]]) -> None:
        self._connect, self._listening = connect, listening
        self.tried = self.refused = 0

    def matrix(self, users: Sequence[str], topics: Sequence[str]) -> str:
        """A line per user and topic: p(ublish), r(etain), w(ill), s(ubscribe), or a dash."""
        done = {action: getattr(self, f"_{action}")(users, topics) for action in ("publish", "retain", "will", "read")}
        letters = {"publish": "p", "retain": "r", "will": "w", "read": "s"}
        lines = []
        for user in users:
            for topic in topics:
                marks = "".join(mark if (user, topic) in done[action] else "-" for action, mark in letters.items())
                lines.append(f"{user:<9} {topic:<46} {marks}")
        cells = len(users) * len(topics) * len(letters)
        self.tried += cells
        self.refused += cells - sum(map(len, done.values()))
        return "\n".join(lines)

    def _listeners(self) -> list[Client]:
        listeners = []
        for user, filters in self._listening.items():
            client = Client(self._connect, user)
            for each in filters:
                assert client.subscribe(each)
            listeners.append(client)
        return listeners

    def _seen(self, listeners: Sequence[Client], act: Callable[[], None]) -> set[tuple[str, str]]:
        """What got through of what `act` sends: payloads name who sent them and where to."""
        act()
        last = -1
        deadline = time.monotonic() + 20
        while time.monotonic() < deadline:
            now = sum(len(client.received) for client in listeners)
            if now == last:
                break
            last = now
            time.sleep(SETTLE_S)
        seen = {tuple(payload.decode().split(" ")) for client in listeners for _, payload, _ in client.received}
        for client in listeners:
            client.close()
        return seen  # type: ignore[return-value]

    def _publish(self, users: Sequence[str], topics: Sequence[str]) -> set[tuple[str, str]]:
        def act() -> None:
            for user in users:
                sender = Client(self._connect, user)
                for topic in topics:
                    sender.publish(topic, f"{user} {topic}".encode())
                sender.close()

        return self._seen(self._listeners(), act)

    def _retain(self, users: Sequence[str], topics: Sequence[str]) -> set[tuple[str, str]]:
        """One after the other, since a topic keeps one message only."""
        kept = set()
        for user in users:
            sender = Client(self._connect, user)
            for topic in topics:
                sender.publish(topic, f"{user} {topic}".encode(), retain=True)
            later = self._listeners()
            got = self._seen(later, lambda: None)
            kept |= {each for each in got if each[0] == user}
            sweeper = Client(self._connect, user)
            for topic in topics:
                sweeper.publish(topic, b"", retain=True)
            sweeper.close()
            sender.close()
        return kept

    def _will(self, users: Sequence[str], topics: Sequence[str]) -> set[tuple[str, str]]:
        def act() -> None:
            dying = [
                Client(self._connect, user, will=(topic, f"{user} {topic}".encode(), False))
                for user in users
                for topic in topics
            ]
            for client in dying:
                client.vanish()

        return self._seen(self._listeners(), act)

    def _read(self, users: Sequence[str], topics: Sequence[str]) -> set[tuple[str, str]]:
        """Whether messages come, not only whether the subscription is granted."""
        readers = {(user, topic): Client(self._connect, user) for user in users for topic in topics}
        for (_, topic), client in readers.items():
            client.subscribe(topic)
        senders = {user: Client(self._connect, user) for user in self._listening}
        for user, client in senders.items():
            for topic in topics:
                client.publish(topic, f"{user} {topic}".encode())
        time.sleep(SETTLE_S)
        found = {place for place, client in readers.items() if client.received}
        for client in (*readers.values(), *senders.values()):
            client.close()
        return found
