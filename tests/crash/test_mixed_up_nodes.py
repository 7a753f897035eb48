"""The shipped node among names used twice, receipts of somebody else, a restored copy, and a message that fails.

Whatever is mixed up, what a node had on its flash is recorded once in the end, or in quarantine with its reason.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import time
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from paho.mqtt import client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from tests.conftest import Figures, Mosquitto
from tests.node.workbench import HERE, Kept, ask, finished, journaled, recorded, recording, settings, start, until
from tidetray.ingest.settings.model import BrokerSettings
from tidetray.ingest.store import backup, queries
from tidetray.ingest.store.recording import Store, open_store
from tidetray.ingest.wire import packs, topics

LEVEL = [{"kind": "pressure", "tray": "tray-1", "pin": 35, "full_pa": 2000, "every_ms": 20}]
LIGHT = [{"kind": "lux", "every_ms": 15}]


class Board:
    """One board: its process, and all that ever was on its flash."""

    def __init__(self, folder: Path, port: int, **changes: Any) -> None:
        given = settings(folder, port, **{"tick_ms": 2, "resend_s": 1, "longest_wait_ms": 100, **changes})
        self._given = {**given, "trace": str(folder / "trace")}
        self.folder = folder
        self.kept: set[Kept] = set()
        self._process: subprocess.Popen[str] | None = None

    def start(self, *, drain: bool = False) -> None:
        self._process = start(
            HERE / "cut_node.py", {**self._given, "drain": drain}, stdout=subprocess.PIPE, stderr=subprocess.STDOUT
        )

    def kill(self) -> None:
        if self._process is not None:
            self._process.kill()
            self._process.communicate()
            self._process = None
        self.kept.update(journaled(self.folder / "journal"))

    def drain(self) -> None:
        """Let it send all that it holds, and end."""
        self.start(drain=True)
        assert self._process is not None
        finished(self._process)
        self._process = None
        for line in (self.folder / "trace").read_text().splitlines(keepends=True):
            if line.endswith("\n"):
                _, _, name, time_ms, value = line.split()
                self.kept.add((name, int(time_ms), float(value)))

    def files(self) -> list[str]:
        return sorted(path.name for path in (self.folder / "journal").glob("*"))


def keep_at_broker(port: int, topic: str, payload: bytes) -> None:
    client = mqtt.Client(CallbackAPIVersion.VERSION2)
    client.connect("127.0.0.1", port)
    client.loop_start()
    client.publish(topic, payload, qos=1, retain=True).wait_for_publish(10)
    client.disconnect()
    client.loop_stop()


def without_trouble(path: str) -> None:
    assert ask(path, "SELECT kind, reason FROM quarantine") == []
    assert ask(path, "SELECT * FROM message_gap") == []


def test_two_boards_with_one_name_throw_each_other_out_and_lose_nothing(
    tmp_path: Path, mosquitto: Mosquitto, bench_store: Store
) -> None:
    """A broker lets one client of a name in at a time; each board gets receipts for the other's boot as well."""
    one = Board(tmp_path / "one", mosquitto.port, sensors=LEVEL)
    two = Board(tmp_path / "two", mosquitto.port, sensors=LIGHT)
    with recording(bench_store.path, BrokerSettings(port=mosquitto.port)):
        one.start()
        two.start()
        try:
            until(lambda: len({name for name, _, _ in recorded(bench_store.path, "bench-1")}) == 2)
            time.sleep(2)
        finally:
            one.kill()
            two.kill()
        one.drain()
        two.drain()
    assert sorted(recorded(bench_store.path, "bench-1")) == sorted(one.kept | two.kept)
    without_trouble(bench_store.path)


def test_two_sites_with_one_node_name_are_two_nodes(tmp_path: Path, mosquitto: Mosquitto, bench_store: Store) -> None:
    boards = {site: Board(tmp_path / site, mosquitto.port, site=site, sensors=LIGHT) for site in ("nursery", "south")}
    with recording(bench_store.path, BrokerSettings(port=mosquitto.port)):
        for board in boards.values():
            board.start()
        try:
            until(lambda: len(recorded(bench_store.path, "bench-1")) > 100)
        finally:
            for board in boards.values():
                board.kill()
        for board in boards.values():
            board.drain()
    for site, board in boards.items():
        there = [
            (key.channel, *row)
            for key in queries.all_series(bench_store)
            if key.site == site
            for row in bench_store.raw.rows(key.id)[["time_ms", "value"]].tolist()
        ]
        assert sorted(there) == sorted(board.kept)
    without_trouble(bench_store.path)


def test_receipts_that_the_broker_kept_delete_nothing(tmp_path: Path, mosquitto: Mosquitto, bench_store: Store) -> None:
    """An old home's, a guess, junk: for each boot on the flash, with numbers at hand and far too large."""
    board = Board(tmp_path / "one", mosquitto.port)
    mosquitto.stop()
    for _ in range(2):
        board.start()
        until(lambda: (board.folder / "trace").exists() and (board.folder / "trace").stat().st_size)
        time.sleep(1.5)
        board.kill()
    lines = (board.folder / "trace").read_text().splitlines()
    boots = list(dict.fromkeys(line.split()[0] for line in lines))
    mosquitto.start()
    held = board.files()
    topic = topics.receipt_topic("nursery", "bench-1")
    for boot in boots:
        for upto in (1, 3, 1_000_000):
            keep_at_broker(mosquitto.port, topic, json.dumps({"boot": boot, "upto": upto, "home": "5c1f"}).encode())
            board.start()
            time.sleep(1)
            board.kill()
            assert set(held) <= set(board.files()), (boot, upto)
    with recording(bench_store.path, BrokerSettings(port=mosquitto.port)):
        board.drain()
    assert len(boots) == 2
    assert sorted(recorded(bench_store.path, "bench-1")) == sorted(board.kept)
    without_trouble(bench_store.path)


def test_a_message_that_tidetray_itself_fails_on_does_not_stop_the_shipped_node(
    tmp_path: Path, mosquitto: Mosquitto, bench_store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With a window of 8 the node would stand still at a number that is never receipted."""
    poisoned: set[bytes] = set()
    decode = packs.decode

    def fails(topic: str, payload: bytes, received_at: datetime, **more: Any) -> packs.Pack:
        if b'"n":"seq","v":5}' in payload:
            poisoned.add(payload)
            raise RuntimeError("a fault of tidetray's own")
        return decode(topic, payload, received_at, **more)

    monkeypatch.setattr(packs, "decode", fails)
    board = Board(tmp_path / "one", mosquitto.port, sensors=LIGHT)
    with recording(bench_store.path, BrokerSettings(port=mosquitto.port)):
        board.start()
        try:
            until(lambda: any(boot.upto > 16 for node in queries.nodes(bench_store, "nursery") for boot in node.boots))
        finally:
            board.kill()
        board.drain()
    assert board.files() == []
    kept, there = sorted(board.kept), sorted(recorded(bench_store.path, "bench-1"))
    assert poisoned
    missing = set(kept) - set(there)
    assert 0 < len(missing) < 100
    assert set(there) < set(kept)
    found = {bytes(payload) for (payload,) in ask(bench_store.path, "SELECT payload FROM quarantine")}
    assert found == poisoned


def test_an_old_copy_of_the_record_put_back_while_nodes_run_says_what_it_lacks(
    tmp_path: Path, mosquitto: Mosquitto, bench_store: Store, figures: Figures
) -> None:
    """What was receipted after the copy was taken is on no node any more: the numbers say exactly what is gone."""
    path = Path(bench_store.path)
    copy, saved = tmp_path / "copy.sqlite", tmp_path / "whole.sqlite"
    board = Board(tmp_path / "one", mosquitto.port, sensors=LIGHT, longest_wait_ms=50)
    board.start()
    try:
        with recording(str(path), BrokerSettings(port=mosquitto.port)):
            until(lambda: len(recorded(path, "bench-1")) > 200)
            backup.back_up(path, copy)
            until(lambda: len(recorded(path, "bench-1")) > 600)
        bench_store.close()
        path.rename(saved)
        for ending in ("-wal", "-shm"):
            path.with_name(path.name + ending).unlink(missing_ok=True)
        shutil.copyfile(copy, path)
        before = len(recorded(path, "bench-1"))
        with recording(str(path), BrokerSettings(port=mosquitto.port)):
            until(lambda: len(recorded(path, "bench-1")) > before + 200)
            board.kill()
            board.drain()
    finally:
        board.kill()
    with open_store(saved) as whole:
        was_recorded = whole.raw.count()
    there, kept = recorded(path, "bench-1"), board.kept
    gone = ask(path, "SELECT sum(last_seq - first_seq + 1) FROM message_gap")
    figures(f"kept={len(kept)} copy={before} lost_record={was_recorded} now={len(there)} messages_gone={gone[0][0]}")
    assert len(there) == len(set(there))
    assert set(there) < kept
    assert 0 < len(kept - set(there)) <= was_recorded - before
    assert gone[0][0] > 0
    assert ask(path, "SELECT kind, reason FROM quarantine") == []
