"""The simulated nursery's nodes: they speak only MQTT, keep a journal and wait for receipts.

In: a `Nursery` and the way to a broker. Out: its history, as fast as receipts allow, then live
readings, as firmware_notes/contract.md says. A broker's acknowledgement promises nothing
about the disk, and the demo's broker forgets what it could not deliver at once; so a node keeps
each message until the recorder's receipt covers it, and sends again what no receipt comes for.

When to send what is for `ingest/nursery/node_journal.py` to say; here are the lines and the clock.
Run as a program it takes its settings as one JSON object on standard input (see `main`).
"""

from __future__ import annotations

import json
import os
import queue
import secrets
import signal
import sys
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from tidetray.ingest.core.readings import TidetrayError
from tidetray.ingest.nursery.node_journal import WINDOW, MemoryJournal, Node
from tidetray.ingest.nursery.nursery import SITE, Nursery, make_nursery
from tidetray.ingest.nursery.sensors import LiveTray, NodeHistory
from tidetray.ingest.wire import receipts, topics
from tidetray.ingest.wire.senml import WireError

FAREWELL_S = 10.0
"""Time [s] given to receipts still under way when the nodes are to stop."""

PASS_ON_S = 0.3
LIVE_STEP_S = 1.0
REPORT_S = 0.5
CLOGGING_FLOOD_S, FIRST_FLOOD_S, BETWEEN_TRAYS_S = 0.2, 3.0, 6.0
"""The tray whose drain clogs is flooded first of all live floods, the others one after the other."""


class NotLetInError(TidetrayError):
    """The broker refused a node's user name or password, or its subscription."""


class Link:
    """A node's line to the broker. paho's thread only queues what happened; `turn` acts on it."""

    def __init__(
        self, node: Node, name: str, *, host: str, port: int, username: str, password: str, wake: threading.Event
    ) -> None:
        self._node = node
        self._wake = wake
        self._address = host, port
        self._happened: queue.SimpleQueue[tuple[str, Any]] = queue.SimpleQueue()
        self._unacknowledged = 0
        self._data, self._here, self._receipts = (
            topic(SITE, name) for topic in (topics.data_topic, topics.here_topic, topics.receipt_topic)
        )
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=f"{SITE}-{name}")
        self._client.username_pw_set(username, password)
        self._client.will_set(self._here, _here(None), qos=1, retain=True)
        self._client.reconnect_delay_set(1, 8)
        self._client.on_connect = self._on_connect
        self._client.on_disconnect = self._on_disconnect
        self._client.on_subscribe = self._on_subscribe
        self._client.on_publish = self._on_publish
        self._client.on_message = self._on_message

    def start(self) -> None:
        self._client.connect_async(*self._address, keepalive=20)
        self._client.loop_start()

    def turn(self, now_s: float) -> None:
        """Act on what happened and publish what is due. NotLetInError if the broker refused the node."""
        while not self._happened.empty():
            what, about = self._happened.get()
            if what == "receipt":
                self._node.receipt(about, now_s)
            elif what == "acknowledged":
                self._unacknowledged -= 1
            elif what == "disconnected":
                self._node.disconnected()
            elif what == "connected":
                self._client.subscribe(self._receipts, qos=1)
            elif what == "subscribed":
                self._publish(self._here, _here(self._node.boot), retain=True)
                self._node.connected()
            else:
                raise NotLetInError(
                    f"the broker does not let the nodes in: {about}",
                    where=f"{self._address[0]}:{self._address[1]}",
                    mend="Check user name, password and what the broker allows that user",
                )
        # paho keeps what is not acknowledged, over reconnects too; more on top would only queue up there.
        for payload in self._node.due(now_s, WINDOW - self._unacknowledged):
            self._publish(self._data, payload, retain=False)

    def take_leave(self) -> None:
        if self._client.is_connected():
            self._client.publish(self._here, _here(None), qos=1, retain=True).wait_for_publish(1.0)

    def stop(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def _publish(self, topic: str, payload: bytes, *, retain: bool) -> None:
        self._client.publish(topic, payload, qos=1, retain=retain)
        self._unacknowledged += 1

    def _tell(self, what: str, about: Any = None) -> None:
        self._happened.put((what, about))
        self._wake.set()

    def _on_connect(
        self,
        client: mqtt.Client,
        userdata: Any,
        flags: mqtt.ConnectFlags,
        reason: ReasonCode,
        properties: Properties | None,
    ) -> None:
        if not reason.is_failure:
            self._tell("connected")
        elif reason in ("Bad user name or password", "Not authorized"):
            self._tell("refused", str(reason).lower())

    def _on_disconnect(
        self,
        client: mqtt.Client,
        userdata: Any,
        flags: mqtt.DisconnectFlags,
        reason: ReasonCode,
        properties: Properties | None,
    ) -> None:
        self._tell("disconnected")

    def _on_subscribe(
        self, client: mqtt.Client, userdata: Any, mid: int, reasons: list[ReasonCode], properties: Properties
    ) -> None:
        if reasons[0].is_failure:
            self._tell("refused", "may not subscribe to receipts")
        else:
            self._tell("subscribed")

    def _on_publish(
        self, client: mqtt.Client, userdata: Any, mid: int, reason: ReasonCode, properties: Properties
    ) -> None:
        self._tell("acknowledged")

    def _on_message(self, client: mqtt.Client, userdata: Any, message: mqtt.MQTTMessage) -> None:
        # A broker may send retained messages of topics nobody asked for, and anyone junk.
        if message.topic == self._receipts:
            try:
                self._tell("receipt", receipts.decode_receipt(bytes(message.payload)))
            except WireError:
                return


def _here(boot: str | None) -> bytes:
    return json.dumps({"here": False} if boot is None else {"here": True, "boot": boot}).encode()


@dataclass(frozen=True, slots=True)
class NurseryReport:
    """How far the nodes are; `state` is history, live, finishing or done.

    Messages and readings sent count once, however often they are sent again. `readings_to_send`
    are the history's; `readings_lost` those of a silent node that kept no journal or whose
    journal was full; `messages_held` have no receipt yet.
    """

    state: str
    readings_to_send: int
    readings_sent: int
    readings_receipted: int
    readings_lost: int
    messages_sent: int
    messages_resent: int
    messages_held: int


class _Bench:
    """A node at work: its link, its journal, what it has still to tell of the past, its trays live."""

    def __init__(self, nursery: Nursery, name: str, join: Callable[[Node, str], Link]) -> None:
        past = NodeHistory(nursery, name)
        self.readings_to_send = past.readings_kept
        self.journal = MemoryJournal()
        self.node = Node(secrets.token_hex(4), self.journal)
        self.link = join(self.node, name)
        self.trays = nursery.nodes[name]
        self.live: list[LiveTray] = []
        self._packs = past.packs()

    def recall(self) -> bool:
        """Put more of the past into the journal while there is room; whether there is more still."""
        if not self.node.has_room:
            return True
        for pack, kept in self._packs:
            if kept:
                self.journal.add(pack)
            else:
                self.journal.miss(pack)
            if not self.node.has_room:
                return True
        return False

    def sample(self, now_s: float) -> None:
        readings = [reading for tray in self.live for reading in tray.step(now_s)]
        if readings:
            self.journal.add(readings)


def run_nursery(
    nursery: Nursery,
    *,
    host: str,
    port: int,
    username: str,
    password: str,
    live_s: float | None,
    clogging_tray: str | None,
    report: Callable[[NurseryReport], None],
    stop: threading.Event,
) -> NurseryReport:
    """All nodes of the nursery: their history, then `live_s` seconds live (None: until `stop`), then farewell.

    `report` is called twice a second. The drain of `clogging_tray` clogs in its first live flood.
    NotLetInError if the broker refuses user or password; a broker that is away is waited for.
    """
    wake = threading.Event()

    def join(node: Node, name: str) -> Link:
        return Link(node, name, host=host, port=port, username=username, password=password, wake=wake)

    benches = [_Bench(nursery, name, join) for name in nursery.nodes]
    next_report_s = 0.0

    def turn(state: str) -> None:
        nonlocal next_report_s
        wake.clear()
        now_s = time.monotonic()
        for bench in benches:
            bench.link.turn(now_s)
        if now_s >= next_report_s:
            report(_report(state, benches))
            next_report_s = now_s + REPORT_S
        wake.wait(0.05)

    try:
        # The demo's broker may lose what is on its way while somebody subscribes: one node after the other.
        for bench in benches:
            bench.link.start()
            while not stop.is_set() and not bench.node.is_connected:
                turn("history")
        # Counted, since `any` would pass over the nodes behind the first that has more to tell.
        while not stop.is_set() and sum(bench.recall() for bench in benches):
            turn("history")
        start_s = next_step_s = time.time()
        for bench in benches:
            bench.live = _live_trays(nursery, bench.trays, start_s, clogging_tray)
        while not stop.is_set() and (live_s is None or time.time() < start_s + live_s):
            if time.time() >= next_step_s:
                next_step_s = time.time() + LIVE_STEP_S
                for bench in benches:
                    bench.sample(time.time())
            turn("live")
        give_up_s = time.monotonic() + FAREWELL_S
        while any(len(bench.journal) for bench in benches) and time.monotonic() < give_up_s:
            turn("finishing")
    finally:
        for bench in benches:
            bench.link.take_leave()
        # The demo's broker acknowledges before it passes on, and forgets the rest at a disconnect.
        time.sleep(PASS_ON_S)
        for bench in benches:
            bench.link.stop()
    return _report("done", benches)


def _live_trays(nursery: Nursery, trays: Sequence[str], start_s: float, clogging_tray: str | None) -> list[LiveTray]:
    mixed = [plan.name for plan in nursery.plan.trays if nursery.treatment(plan.name).culture == "mixed"]
    first_flood_s = {tray: FIRST_FLOOD_S + BETWEEN_TRAYS_S * place for place, tray in enumerate(mixed)}
    if clogging_tray is not None:
        first_flood_s[clogging_tray] = CLOGGING_FLOOD_S
    return [
        LiveTray(nursery, tray, start_s, first_flood_s=first_flood_s.get(tray, 0.0), clogs=tray == clogging_tray)
        for tray in trays
    ]


def _report(state: str, benches: Sequence[_Bench]) -> NurseryReport:
    return NurseryReport(
        state=state,
        readings_to_send=sum(bench.readings_to_send for bench in benches),
        readings_sent=sum(bench.node.readings_sent for bench in benches),
        readings_receipted=sum(bench.node.readings_receipted for bench in benches),
        readings_lost=sum(bench.journal.readings_lost for bench in benches),
        messages_sent=sum(bench.node.messages_sent for bench in benches),
        messages_resent=sum(bench.node.messages_resent for bench in benches),
        messages_held=sum(len(bench.journal) for bench in benches),
    )


def main() -> None:
    """Run the nodes until SIGTERM, SIGINT, the end of the parent or of `live_s`; a JSON line per report.

    Settings, as one JSON object on standard input (arguments of a process are there for all to
    read): `host`, `port`, `username`, `password`, `until` (ISO 8601 with zone), and if wanted
    `seed`, `silence_kept`, `live_s`, `clogging_tray`.
    """
    asked = sys.stdin.readline()
    if not asked:  # who started this one ended before it asked
        return
    settings = json.loads(asked)
    stop = threading.Event()
    for signum in (signal.SIGTERM, signal.SIGINT):
        signal.signal(signum, lambda *_: stop.set())
    threading.Thread(target=_stop_without_parent, args=(stop,), daemon=True).start()
    nursery = make_nursery(
        datetime.fromisoformat(settings["until"]),
        seed=settings.get("seed", 7),
        silence_kept=settings.get("silence_kept", False),
    )
    _say(
        run_nursery(
            nursery,
            host=settings["host"],
            port=settings["port"],
            username=settings["username"],
            password=settings["password"],
            live_s=settings.get("live_s"),
            clogging_tray=settings.get("clogging_tray"),
            report=_say,
            stop=stop,
        )
    )


def _say(report: NurseryReport) -> None:
    sys.stdout.write(json.dumps(asdict(report)) + "\n")
    sys.stdout.flush()


def _stop_without_parent(stop: threading.Event) -> None:
    # A parent that was killed sends no signal; its children pass to another process.
    parent = os.getppid()
    while os.getppid() == parent:
        time.sleep(1.0)
    stop.set()


if __name__ == "__main__":
    main()
