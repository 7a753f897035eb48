"""Passing on at the edges: what is committed while it begins, and a sealed file that is damaged. Needs no server."""

from __future__ import annotations

import shutil
import sqlite3
from pathlib import Path
from typing import Any

import pytest

from tests.influx.passing import Notes, passing_on, record_levels
from tests.ingest.recorder.test_recorder import until
from tests.ingest.store.test_raw_readings import folder, levels, seal_all, spring
from tidetray.ingest.influx import queue
from tidetray.ingest.influx.queue import forwarding_of, send_refused_again
from tidetray.ingest.influx.thread import ForwardService
from tidetray.ingest.settings.model import InfluxSettings
from tidetray.ingest.store.database import Database
from tidetray.ingest.store.raw_readings import RawReadings
from tidetray.ingest.store.recording import Store, open_store
from tidetray.ingest.store.sealing import held_back

SETTINGS = InfluxSettings(url="http://127.0.0.1:9", token="x")


def sent_times(notes: Notes) -> list[int]:
    return sorted(int(n.rsplit(" ", 1)[1]) for n in notes.lines if " reading," in n and "channel=level" in n)


def test_what_is_committed_while_passing_on_begins_is_passed_on(
    bench_store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Before, the count said 0, a backlog came in between, and there was nothing to walk: 4 of 44 sent."""
    real, wanted = RawReadings.count, []

    def count(raw: RawReadings) -> int:
        found = real(raw)
        other.connection.execute("PRAGMA busy_timeout=50")
        try:
            record_levels(other, range(0, 400, 10))
        except sqlite3.OperationalError:
            wanted.append("later")  # the other waits for the transaction, and comes into the queue
        return found

    monkeypatch.setattr(queue.RawReadings, "count", count)
    notes = Notes()
    with open_store(bench_store.path) as other, passing_on(bench_store.path, SETTINGS, notes) as forwards:
        record_levels(bench_store, range(0, 400, 10))
        record_levels(bench_store, range(400, 440, 10))
        forwards.drain()
    assert wanted == ["later"]
    assert len(sent_times(notes)) == 44


def test_a_damaged_sealed_file_holds_up_its_own_month_only(bench_store: Store, tmp_path: Path) -> None:
    """Before, one missing file stopped hourly summaries and all sealing."""
    spring(bench_store)
    seal_all(bench_store)
    everything = levels(bench_store)
    damaged = next(folder(bench_store).glob("*2026-03*.parquet"))
    shutil.move(damaged, tmp_path / "away.parquet")
    notes = Notes()
    with passing_on(bench_store.path, SETTINGS, notes) as forwards:
        forwards.drain()
        sent = set(sent_times(notes))
        april = {time_ms for time_ms, _ in everything if time_ms >= 1_775_606_400_000}  # 8 April: a week later
        assert april <= sent
        assert any(" hourly," in line for line in notes.lines), "hours go on"
        assert held_back(bench_store.connection) == "", "and so does sealing"
        state = forwarding_of(bench_store)
        assert state is not None
        assert state.refused > 0, "it is not forgotten"
        shutil.move(tmp_path / "away.parquet", damaged)
        send_refused_again(bench_store)
        forwards.drain()
    assert set(sent_times(notes)) == {time_ms for time_ms, _ in everything}
    assert forwarding_of(bench_store).refused == 0  # type: ignore[union-attr]


def test_a_locked_record_at_the_start_does_not_end_passing_on(
    bench_store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Before, a passing lock at the start ended it till the next restart, and status showed no trouble."""
    real, failed = Database.open, []

    def opens(*args: Any, **more: Any) -> Database:
        if not failed:
            failed.append(True)
            raise sqlite3.OperationalError("database is locked")
        return real(*args, **more)  # type: ignore[return-value]

    monkeypatch.setattr(Database, "open", opens)
    service = ForwardService(Path(bench_store.path).parent, SETTINGS, first_wait_s=0.05)
    service.start()
    try:
        until(lambda: failed and service.state() is not None)
        record_levels(bench_store, [0])
        until(lambda: "nothing answers there" in service.state().trouble)  # type: ignore[union-attr]
        until(lambda: service.health().is_well)  # a server that is away is no failure of the thread
    finally:
        service.stop()
