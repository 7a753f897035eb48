"""Cycles of many trays: brought up to date in few commits, and none forgotten."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest

from tests.bench.scale import laid_out
from tests.ingest.store.test_recording import T0, sent
from tidetray.ingest.core.readings import Tray
from tidetray.ingest.recorder import cycle_upkeep
from tidetray.ingest.recorder.cycle_upkeep import Upkeep
from tidetray.ingest.store import derived, queries
from tidetray.ingest.store.recording import Store, open_store

TRAYS = [f"tray-{number}" for number in range(1, 13)]
LEVELS = [0.0005, 0.02, 0.03, 0.01, 0.0005, 0.0005]


@pytest.fixture
def many(tmp_path: Path) -> Iterator[Store]:
    """A record of many trays, each of which was flooded once, and is due."""
    with open_store(tmp_path / "record.sqlite") as store:
        laid_out(store, len(TRAYS), started=T0 - timedelta(days=1))
        for seq, tray in enumerate(TRAYS, start=1):
            store.record([sent(*(("level", 300 * at, m) for at, m in enumerate(LEVELS)), seq=seq, tray=tray)])
        assert len(derived.cycles_due(store)) == len(TRAYS)
        yield store


def with_cycles(store: Store) -> list[str]:
    return [tray for tray in TRAYS if len(queries.cycles(store, "nursery", tray))]


def test_one_commit_holds_the_cycles_of_many_trays(many: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """A commit writes whole pages: one for each tray wrote more than the readings themselves."""
    monkeypatch.setattr(cycle_upkeep, "SLICE_S", 60.0)
    statements: list[str] = []
    upkeep = Upkeep(many)
    many.connection.set_trace_callback(statements.append)
    assert upkeep.run(now=True) == len(TRAYS)
    many.connection.set_trace_callback(None)
    assert with_cycles(many) == TRAYS
    begun = [at for at, statement in enumerate(statements) if statement == "BEGIN IMMEDIATE"]
    rows = [at for at, each in enumerate(statements) if each.startswith("INSERT INTO cycle ")]
    assert len(rows) == len(TRAYS)
    assert sum(rows[0] < at < rows[-1] for at in begun) == 0


def test_a_slice_ends_by_the_clock_and_the_next_goes_on(many: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cycle_upkeep, "SLICE_S", 0.0)
    upkeep = Upkeep(many)
    for done in range(1, 4):
        upkeep._turn_s = 0.0
        assert upkeep.run() == 1
        assert len(with_cycles(many)) == done
    assert upkeep.run(now=True) == len(TRAYS) - 3, "all of it, whatever the clock says"


def test_a_watch_that_fails_for_one_tray_hears_of_the_others(many: Store) -> None:
    heard: list[str] = []

    def on_cycles(tray: Tray) -> None:
        heard.append(tray.name)
        if len(heard) == 1:
            raise RuntimeError("the watch")

    upkeep = Upkeep(many, on_cycles=on_cycles)
    with pytest.raises(RuntimeError, match="the watch"):
        upkeep.run(now=True)
    upkeep.run(now=True)
    assert sorted(heard) == sorted(TRAYS)
    assert with_cycles(many) == TRAYS


def test_what_is_worked_out_is_written_as_a_whole_or_stays_due(many: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    found = cycle_upkeep.detect_cycles
    calls = []

    def fails_third(*args: object, **kwargs: object) -> object:
        calls.append(1)
        if len(calls) == 3:
            raise OSError("the disk")
        return found(*args, **kwargs)  # type: ignore[arg-type]

    monkeypatch.setattr(cycle_upkeep, "SLICE_S", 60.0)
    monkeypatch.setattr(cycle_upkeep, "detect_cycles", fails_third)
    with pytest.raises(OSError, match="the disk"):
        Upkeep(many).run(now=True)
    due = {tray for _, tray, _ in derived.cycles_due(many)}
    assert due == set(TRAYS)
    assert with_cycles(many) == []
    Upkeep(many).run(now=True)
    assert with_cycles(many) == TRAYS
