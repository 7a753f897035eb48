"""Outages as a person sees them, and brokers that keep less, or send more, than they were asked to."""

from __future__ import annotations

import json
import logging
import sqlite3
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.conftest import Mosquitto
from tests.crash import fleet
from tests.crash.stream import NODES, trial
from tests.ingest.recorder.test_recorder import NodeSide, levels, pack, recording, until
from tests.ui.cli.test_main import run
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.recorder import session as session_module
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store.recording import Store, open_store

DATA_TOPIC = "tidetray/v1/nursery/bench-1/data"


@pytest.fixture
def node(mosquitto: Mosquitto) -> Iterator[NodeSide]:
    side = NodeSide(mosquitto.port)
    yield side
    side.close()


def status(home: Path) -> dict[str, Any]:
    shown: dict[str, Any] = json.loads(run("status", "--home", home, "--json"))
    return shown


def restart_with(mosquitto: Mosquitto, *lines: str) -> None:
    mosquitto.stop()
    config = "\n".join(
        [
            f"listener {mosquitto.port} 127.0.0.1",
            "allow_anonymous true",
            "persistence true",
            f"persistence_location {mosquitto.folder}/",
            *lines,
            "",
        ]
    )
    mosquitto.config = lambda: config  # type: ignore[method-assign]
    mosquitto.start()


def eventually(condition: Callable[[], bool], patience_s: float = 60.0) -> None:
    """For processes that have to start first, on a machine with other work."""
    deadline = time.monotonic() + patience_s
    while not condition():
        assert time.monotonic() < deadline, "waited too long"
        time.sleep(0.2)


def send(node: NodeSide, numbers: range) -> None:
    last = [node._client.publish(DATA_TOPIC, pack(seq), qos=1) for seq in numbers][-1]
    last.wait_for_publish(30)
    assert last.is_published()


def test_what_a_broker_dropped_silently_is_seen_and_comes_again(
    mosquitto: Mosquitto, node: NodeSide, bench_store: Store
) -> None:
    """Mosquitto as it comes keeps 1,000 messages for who is away, acknowledges all, and drops the rest without
    a word."""
    restart_with(mosquitto)
    until(node._client.is_connected)
    home = Path(bench_store.path).parent
    process = fleet.recorder(home, mosquitto.port)
    process.start()
    try:
        eventually(lambda: process.said.exists() and "connected to" in process.said.read_text())
        node._client.subscribe("tidetray/v1/nursery/bench-1/receipt", 1)
        send(node, range(1, 6))
        eventually(lambda: node.upto() == 5)
        process.kill()
        send(node, range(6, 3001))  # each with its acknowledgement
        shown = status(home)
        assert (shown["recording"], shown["recorder"]) == (False, None)
        process.start()
        eventually(lambda: node.upto() > 5)
        time.sleep(1)
        send(node, range(3001, 3002))
        eventually(lambda: status(home)["nodes"][0]["messages_missing"] > 0)
        (shown_node,) = status(home)["nodes"]
        (boot,) = shown_node["boots"]
        upto = boot["receipt_upto"]
        assert 900 < upto < 1100
        assert node.upto() == upto
        assert boot == {
            "boot": "a1",
            "receipt_upto": upto,
            "highest": 3001,
            "missing": [[upto + 1, 3000]],
            "outstanding": 3001 - upto,
        }
        assert (shown_node["messages_missing"], shown_node["messages_outstanding"]) == (3000 - upto, 3001 - upto)
        assert f"Node bench-1: no status message yet, {3000 - upto} messages missing" in run("status", "--home", home)
        for first in range(upto + 1, 3001, 500):  # as a node does when no receipt comes; fewer than the broker keeps
            after = min(first + 500, 3001)
            send(node, range(first, after))
            eventually(lambda after=after: node.upto() >= after - 1)  # type: ignore[misc]
        assert node.upto() == 3001
        (shown_node,) = status(home)["nodes"]
        assert (shown_node["messages_missing"], shown_node["messages_outstanding"]) == (0, 0)
    finally:
        process.kill()
    assert len(levels(bench_store.path)) == 3001


@pytest.mark.timeout(240)
def test_an_outage_shows_and_passes_while_nodes_measure(tmp_path: Path, mosquitto: Mosquitto) -> None:
    home = tmp_path / "home"
    with open_store(home / RECORD_FILE) as store:
        Notebook(store).add_trial(trial())
    each = 4000
    began_s = time.time()
    broker, recorder = fleet.broker(mosquitto), fleet.recorder(home, mosquitto.port)
    nodes = fleet.nodes(
        tmp_path, mosquitto.port, readings=each, rate=100, start_s=int(began_s) - 60 * 3600, began_s=began_s
    )
    everything = [broker, recorder, *nodes]
    for process in everything:
        process.start()

    def silences() -> list[float]:
        return [node["silent_s"] for node in status(home)["nodes"]]

    def is_calm(patience_s: float = 8.0) -> bool:
        shown = status(home)
        state = shown["recorder"]
        return (
            state is not None
            and state["connected"]
            and state["offline_since_ms"] is None
            and len(shown["nodes"]) == NODES
            and max(node["silent_s"] for node in shown["nodes"]) < patience_s
        )

    try:
        eventually(is_calm)
        broker.kill()
        eventually(lambda: (state := status(home)["recorder"]) is not None and not state["connected"])
        state = status(home)["recorder"]
        assert 0 < time.time() - state["offline_since_ms"] / 1000 < 60
        eventually(lambda: min(silences()) > 5)
        broker.start()
        eventually(is_calm)
        recorder.kill()
        assert status(home)["recording"] is False
        eventually(lambda: min(silences()) > 5)
        recorder.start()
        deadline = time.monotonic() + 100
        while True:
            shown = status(home)
            if shown["counts"]["readings"] == NODES * each:
                break
            assert time.monotonic() < deadline, shown
            time.sleep(0.5)
        eventually(lambda: (state := status(home)["recorder"]) is not None and state["backlog"] == 0)
        shown = status(home)
    finally:
        for process in everything:
            process.kill()
    for shown_node in shown["nodes"]:
        assert (shown_node["messages_missing"], shown_node["messages_outstanding"], shown_node["messages_gone"]) == (
            0,
            0,
            0,
        )
    assert shown["recorder"]["lag_s"] < 10


def test_the_brokers_window_is_no_bound_but_the_recorders_queue_is(
    mosquitto: Mosquitto, node: NodeSide, bench_store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While some is acknowledged, Mosquitto sends on, whatever its max_inflight_messages: a slow disk must bound it."""
    restart_with(mosquitto, "max_queued_messages 100000", "max_inflight_messages 20000")
    until(node._client.is_connected)
    node._client.subscribe("tidetray/v1/nursery/bench-1/receipt", 1)
    monkeypatch.setattr(session_module, "QUEUE_MESSAGES", 200)
    with recording(bench_store.path, mosquitto.port):
        pass  # its session
    send(node, range(1, 5001))
    most: list[int] = []
    real = Store.record

    def slow(*batch: Any) -> Any:
        time.sleep(0.1)
        return real(*batch)

    monkeypatch.setattr(Store, "record", slow)  # before it connects: on a busy machine all could be recorded by then
    with recording(bench_store.path, mosquitto.port) as recorder:
        while node.upto() < 5000:
            most.append(recorder.state().backlog)
            time.sleep(0.01)
    one_read = 65_536 // 80
    assert 50 < max(most) <= 200 + one_read
    assert len(levels(bench_store.path)) == 5000


def test_a_disk_that_hangs_makes_the_recorder_connect_anew_and_nothing_is_lost(
    mosquitto: Mosquitto,
    node: NodeSide,
    bench_store: Store,
    monkeypatch: pytest.MonkeyPatch,
    caplog: pytest.LogCaptureFixture,
) -> None:
    """Waiting for room longer than the keep-alive allows, it would be taken for dead in the midst of a message."""
    restart_with(mosquitto, "max_queued_messages 100000", "max_inflight_messages 20000")
    until(node._client.is_connected)
    node._client.subscribe("tidetray/v1/nursery/bench-1/receipt", 1)
    monkeypatch.setattr(session_module, "QUEUE_MESSAGES", 100)
    with recording(bench_store.path, mosquitto.port, keepalive_s=5) as recorder:
        own = recorder._store
        real, hung = own.record, []

        def hangs_once(*batch: Any) -> Any:
            if not hung:
                hung.append(True)
                time.sleep(8)
            return real(*batch)

        monkeypatch.setattr(own, "record", hangs_once)
        send(node, range(1, 3001))
        eventually(lambda: node.upto() == 3000)
    assert "the disk is too slow for what arrives" in caplog.text
    assert not [record for record in caplog.records if record.levelno >= logging.ERROR]
    assert len(levels(bench_store.path)) == 3000
    with sqlite3.connect(bench_store.path) as connection:
        assert connection.execute("SELECT first_seq, last_seq FROM message_range").fetchall() == [(1, 3000)]
