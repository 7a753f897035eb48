"""The watch for alarms starts beside recording: nothing waits for it, and it misses nothing of what came meanwhile."""

from __future__ import annotations

import sqlite3
import threading
import time
from datetime import UTC, datetime

import pytest

from tests.ingest.alarms.test_keeper import GIVEN, T0, flood, kinds, messages
from tests.ingest.recorder.test_recorder import until
from tidetray.ingest.alarms.keeper import WatchStart
from tidetray.ingest.core.clock import Clock
from tidetray.ingest.core.readings import Reading
from tidetray.ingest.recorder import watch_start
from tidetray.ingest.recorder.clock_judge import ClockJudge
from tidetray.ingest.recorder.intake import Decoder
from tidetray.ingest.recorder.recorder import Watching
from tidetray.ingest.settings.model import Settings
from tidetray.ingest.store.database import StoreError
from tidetray.ingest.store.recording import Store
from tidetray.ingest.wire.packs import Pack
from tidetray.ingest.wire.plain_topics import PlainTopics
from tidetray.ingest.wire.topics import data_topic


class Then(Clock):
    """The clock of the moment at which the flood's last reading came."""

    def now_ms(self) -> int:
        return T0 + 410_000


class Beside:
    """A recorder's watch, and messages committed beside it."""

    def __init__(self, store: Store) -> None:
        clock = Then()
        judge = ClockJudge(clock, None)
        self.watching = Watching(
            store, Settings(alarms=GIVEN), Decoder(PlainTopics(()), ["nursery"], judge), clock, judge
        )
        self._store = store
        self._number = 0

    def commit(self, readings: list[Reading]) -> None:
        self._number += 1
        received = datetime.fromtimestamp(readings[-1].time_ms / 1000, UTC)
        pack = Pack("nursery", "bench-1", "a1", self._number, None, received, tuple(readings), ())
        done = self._store.record([(pack, data_topic("nursery", "bench-1"), b"")])
        self.watching.add(done, [])

    def turn(self) -> bool:
        self.watching.keep_up(online=True, busy=False, fault="")
        return self.watching.is_watching


@pytest.fixture
def gate(monkeypatch: pytest.MonkeyPatch) -> threading.Event:
    """Holds the start back until it is set."""
    opened, look_back = threading.Event(), WatchStart.look_back

    def held(self: WatchStart, store: Store) -> None:
        assert opened.wait(30)
        look_back(self, store)

    monkeypatch.setattr(WatchStart, "look_back", held)
    monkeypatch.setattr(watch_start, "FIRST_WAIT_S", 0.0)
    return opened


def test_nothing_waits_for_a_start_and_what_comes_meanwhile_is_watched(
    bench_store: Store, gate: threading.Event
) -> None:
    readings = flood(T0, drains=False)
    beside = Beside(bench_store)
    beside.commit(readings[:100])
    for at in range(100, len(readings), 10):
        begun_s = time.monotonic()
        assert not beside.turn()
        assert time.monotonic() - begun_s < 5
        beside.commit(readings[at : at + 10])
    assert kinds(bench_store) == []
    gate.set()
    until(beside.turn)
    assert kinds(bench_store) == ["did not drain"]
    assert messages(bench_store) == 1


def test_another_plan_is_started_beside_the_old_one(bench_store: Store, gate: threading.Event) -> None:
    gate.set()
    beside = Beside(bench_store)
    until(beside.turn)
    first = beside.watching._alarms
    gate.clear()
    with bench_store.transaction() as connection:
        connection.execute("UPDATE tray SET dry_mark_m = 0.002")
    until(lambda: not beside.turn())
    beside.commit(flood(T0, drains=False))
    assert not beside.turn()
    gate.set()
    until(beside.turn)
    assert beside.watching._alarms is not first
    assert kinds(bench_store) == ["did not drain"]


def test_a_start_that_fails_is_begun_again(bench_store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    look_back, failures = WatchStart.look_back, [sqlite3.OperationalError("locked"), KeyError("a fault of ours")]

    def failing(self: WatchStart, store: Store) -> None:
        if failures:
            raise failures.pop()
        look_back(self, store)

    monkeypatch.setattr(WatchStart, "look_back", failing)
    beside = Beside(bench_store)
    beside.commit(flood(T0, drains=False))
    assert not beside.turn()
    assert beside.watching.failures == 1
    until(beside.turn)
    assert not failures
    assert kinds(bench_store) == ["did not drain"]


def test_a_start_that_cannot_open_the_record_says_why_without_a_traceback(
    bench_store: Store, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """The disk is full as the start opens its own connection."""
    opened, failures = watch_start.open_store, [1]

    def full(path: str) -> Store:
        if failures:
            failures.pop()
            raise StoreError("cannot open the record: database or disk is full", where=path, mend="Make room")
        return opened(path)

    monkeypatch.setattr(watch_start, "open_store", full)
    beside = Beside(bench_store)
    beside.commit(flood(T0, drains=False))
    assert not beside.turn()
    assert beside.watching.failures == 1
    (said,) = [each for each in caplog.records if each.levelname == "ERROR"]
    assert "disk is full. Make room" in said.getMessage()
    assert said.exc_info is None
    until(beside.turn)
    assert kinds(bench_store) == ["did not drain"]
