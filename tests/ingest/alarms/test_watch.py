"""The watch at the edges: readings dated ahead, a clock that is moved, a float that chatters, a start that fails."""

from __future__ import annotations

import sqlite3
from typing import Any

import pytest

from tests.ingest.alarms.test_keeper import GIVEN, T0, Node, flood
from tidetray.ingest.alarms import keeper as keeper_module
from tidetray.ingest.alarms.alarm_settings import AlarmSettings
from tidetray.ingest.alarms.book import AlarmBook
from tidetray.ingest.alarms.keeper import AlarmKeeper, watch_plan
from tidetray.ingest.alarms.tray_rules import Change
from tidetray.ingest.alarms.watch import Watch
from tidetray.ingest.core.readings import Reading
from tidetray.ingest.store.recording import Store

MINUTE, HOUR = 60_000, 3_600_000


class Watched:
    """A watch with what it tells."""

    def __init__(self, store: Store, **given: Any) -> None:
        self.told: list[tuple[bool, str, str]] = []
        self.watch = Watch(watch_plan(store, AlarmSettings(**given)), self._tell)

    def _tell(self, _site: str, change: Change) -> None:
        self.told.append((change.begins, change.name, change.kind))

    def level(self, time_ms: int, level_m: float, received_ms: int | None = None) -> None:
        reading = Reading("tray-1", "level", time_ms, level_m)
        self.watch.take("nursery", "bench-1", [reading], time_ms if received_ms is None else received_ms)


def test_a_reading_dated_ahead_blinds_no_alarm(bench_store: Store) -> None:
    """Before, 20 hours of overflow after it raised nothing."""
    watched = Watched(bench_store)
    watched.level(T0, 0.0)
    watched.level(T0 + 24 * HOUR, 0.0)  # the recorder's clock was a day ahead as well
    watched.level(T0 + MINUTE, 0.0)
    for second in range(0, 60, 10):
        watched.level(T0 + 2 * MINUTE + second * 1000, 0.09)
    assert (True, "tray-1", "overflow") in watched.told


def test_a_signal_dated_ahead_blinds_no_limit(bench_store: Store) -> None:
    watched = Watched(bench_store)
    for time_ms in (T0, T0 + 24 * HOUR, *range(T0 + MINUTE, T0 + 5 * MINUTE, 10_000)):
        value = 45.0 if T0 + MINUTE < time_ms < T0 + 5 * MINUTE else 20.0
        watched.watch.take("nursery", "bench-1", [Reading("tray-1", "water_temp", time_ms, value)], time_ms)
    assert (True, "tray-1", "too high") in watched.told


def test_a_restart_does_not_watch_what_is_dated_ahead(bench_store: Store) -> None:
    node = Node(bench_store)
    node.send([Reading("tray-1", "level", T0 + 20 * HOUR, 0.0)], None, received_ms=T0 + 20 * HOUR)
    keeper = AlarmKeeper(bench_store, GIVEN, now_ms=T0 - MINUTE)
    node.send(flood(T0, drains=False), keeper)
    assert [alarm.key.kind for alarm in AlarmBook(bench_store).alarms()] == ["did not drain"]


@pytest.mark.parametrize("by_ms", [-2 * HOUR, 8 * HOUR])
def test_when_the_recorders_clock_is_moved_durations_go_on(bench_store: Store, by_ms: int) -> None:
    watched = Watched(bench_store, silent_minutes=15)
    watch = watched.watch
    watch.connection(online=True, now_ms=T0)
    for node in ("bench-1", "bench-2"):
        watch.take("nursery", node, [Reading("", "air_temp", T0, 20.0)], T0)
    watch.tick(T0 + 5 * MINUTE)
    watch.shift(by_ms)
    for minute in range(6, 15):
        now_ms = T0 + minute * MINUTE + by_ms
        watch.take("nursery", "bench-2", [Reading("", "air_temp", T0 + minute * MINUTE, 20.0)], now_ms, at_once=False)
        watch.tick(now_ms)
    assert watched.told == [], "no storm"
    watch.tick(T0 + 16 * MINUTE + by_ms)
    assert watched.told == [(True, "bench-1", "silent node")], "and no silence"


def test_a_float_that_chatters_is_an_alarm_and_a_usual_one_is_none(bench_store: Store) -> None:
    """720 changes in two hours beside a level of 0."""
    watched = Watched(bench_store)
    for n in range(720):
        at = T0 + n * 10_000
        pack = [Reading("tray-1", "flooded", at, float(n % 2)), Reading("tray-1", "level", at, 0.0)]
        watched.watch.take("nursery", "bench-1", pack, at)
    assert (True, "tray-1", "float chattering") in watched.told
    for n in range(80):
        at = T0 + 7_200_000 + n * 10_000
        pack = [Reading("tray-1", "flooded", at, 0.0), Reading("tray-1", "level", at, 0.0)]
        watched.watch.take("nursery", "bench-1", pack, at)
    assert (False, "tray-1", "float chattering") in watched.told


def test_an_interrupted_beginning_begins_again(bench_store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """Before, a locked record in the midst of it left alarms standing that are over, until a restart."""
    keeper = AlarmKeeper(bench_store, GIVEN, now_ms=T0 - MINUTE)
    real, failures = keeper_module.alarm_book, []

    def locked(*args: Any) -> AlarmBook:
        if not failures:
            failures.append(True)
            raise sqlite3.OperationalError("database is locked")
        return real(*args)

    monkeypatch.setattr(keeper_module, "alarm_book", locked)
    with bench_store.transaction() as connection:
        connection.execute("UPDATE tray SET flood_mark_m = 0.021")
    with pytest.raises(sqlite3.OperationalError):
        keeper.run(online=True, now_ms=T0)
    keeper.run(online=True, now_ms=T0 + 2000)
    assert failures
    assert keeper._watch.trays["nursery", "tray-1"].plan.tray.flood_mark_m == 0.021


def test_tray_settings_are_of_their_own_site(bench_store: Store) -> None:
    """`[alarms.tray."south/tray-1"]` is not for tray-1 of another site."""
    given = AlarmSettings(tray={"south/tray-1": {"off": ["overflow"]}, "tray-2": {"off": ["overflow"]}})
    assert given.own("south", "tray-1").off == ("overflow",)
    assert given.own("nursery", "tray-1").off == ()
    assert given.own("nursery", "tray-2").off == ("overflow",)
