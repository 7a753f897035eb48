"""Hours by column are a copy: with blocks or without, a record gives the same hours, however they change."""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.ingest.store.test_raw_readings import DAY, HOUR, MARCH, give, spring
from tidetray.ingest.recorder import sealing_service
from tidetray.ingest.recorder.sealing_service import SealingService
from tidetray.ingest.settings.model import Settings
from tidetray.ingest.store import queries
from tidetray.ingest.store.hour_blocks import BLOCK_HOURS, COLUMNS, SETTLED_HOURS, make_blocks, pack, unpack
from tidetray.ingest.store.recording import Store

a_number = st.floats(width=64) | st.sampled_from([0.0, -0.0, 3600.0, 0.1 + 0.2, 5e-324, float("nan")])


@given(
    hours=st.lists(st.integers(0, 10**6), min_size=1, max_size=60, unique=True).map(sorted)
    | st.integers(0, 10**6).map(lambda first: list(range(first, first + 40))),
    values=st.lists(st.lists(a_number, min_size=1, max_size=3), min_size=len(COLUMNS) - 1, max_size=len(COLUMNS) - 1),
)
def test_any_hours_come_back_bit_for_bit(hours: list[int], values: list[list[float]]) -> None:
    made = np.array([hours, *([own[at % len(own)] for at in range(len(hours))] for own in values)], dtype=np.float64)
    assert unpack(pack(made)).tobytes() == made.tobytes()


def test_an_hour_of_one_value_takes_no_room() -> None:
    hours = np.stack([np.arange(500.0), *(np.full(500, 1.5) for _ in COLUMNS[1:])])
    assert len(pack(hours)) < 100


def _blocks(store: Store) -> list[tuple[int, int]]:
    return store.connection.execute("SELECT series, block FROM hour_block ORDER BY series, block").fetchall()


def _hours(store: Store, **span: int) -> list[pd.DataFrame]:
    return [queries.hourly(store, "nursery", channel, **span) for channel in ("level", "light")]


def _same(one: list[pd.DataFrame], other: list[pd.DataFrame]) -> None:
    for first, second in zip(one, other, strict=True):
        pd.testing.assert_frame_equal(first, second, check_exact=True)


SPANS = (
    {},
    {"start_ms": MARCH + 3 * DAY},
    {"start_ms": MARCH + 30 * DAY + 1, "end_ms": MARCH + 31 * DAY},
    {"end_ms": MARCH + 40 * DAY + 7 * HOUR + 1},
    {"start_ms": MARCH + 400 * DAY},
    {"end_ms": MARCH},
)


def _recorded(store: Store) -> None:
    """Two series of ten weeks, one with a gap of three: no block at all lies in it."""
    spring(store)
    rows = [(MARCH + at, 100.0 * (at // HOUR % 24 > 7)) for at in range(0, 70 * DAY, HOUR)]
    for first in range(0, len(rows), 24):
        if not 14 * DAY < rows[first][0] - MARCH < 60 * DAY:
            give(store, rows[first : first + 24], "light")
    store.fold()


@pytest.mark.parametrize("span", SPANS, ids=str)
def test_a_record_with_blocks_gives_the_same_hours(bench_store: Store, span: dict[str, int]) -> None:
    _recorded(bench_store)
    before = _hours(bench_store, **span)
    assert make_blocks(bench_store) == len(_blocks(bench_store)) > 3
    _same(_hours(bench_store, **span), before)
    assert make_blocks(bench_store) == 0
    first, *_ = _blocks(bench_store)
    bench_store.connection.execute("DELETE FROM hour_block WHERE (series, block) = (?, ?)", first)
    _same(_hours(bench_store, **span), before)


def test_hours_are_read_from_blocks(bench_store: Store) -> None:
    """Else the tests beside this one would say nothing."""
    _recorded(bench_store)
    make_blocks(bench_store)
    packed = bench_store.connection.execute("SELECT series, block, hours FROM hour_block").fetchall()
    for series, block, hours in packed:
        changed = unpack(hours)
        changed[COLUMNS.index("mean")] = -7.0
        where = (pack(changed), series, block)
        bench_store.connection.execute("UPDATE hour_block SET hours = ? WHERE series = ? AND block = ?", where)
    level, _ = _hours(bench_store)
    assert (level["mean"] == -7.0).mean() > 0.5
    assert (level["mean"].tail(SETTLED_HOURS // 2) != -7.0).all(), "late readings may still come"


def test_a_late_reading_takes_its_block_away_and_the_next_turn_makes_it_anew(bench_store: Store) -> None:
    _recorded(bench_store)
    make_blocks(bench_store)
    every = _blocks(bench_store)
    late_ms = MARCH + 30 * DAY + 1000
    give(bench_store, [(late_ms, 0.5)])
    with_late = _hours(bench_store)
    gone = set(every) - set(_blocks(bench_store))
    assert {block for _, block in gone} == {late_ms // HOUR // BLOCK_HOURS}
    assert with_late[0]["max"].max() == 0.5
    assert make_blocks(bench_store) == 1
    assert _blocks(bench_store) == every
    _same(_hours(bench_store), with_late)


@pytest.mark.parametrize(
    "change",
    [
        "UPDATE hourly SET mean = 9.0 WHERE hour % 100 = 8",
        "DELETE FROM hourly WHERE hour % 100 = 8",
        "INSERT OR REPLACE INTO hourly SELECT series, hour, 1, 2, 3, 4, 5, 6, 7 FROM hourly WHERE hour % 100 = 8",
        "INSERT INTO hourly SELECT series, hour, 1, 2, 3, 4, 5, 6, 7 FROM hourly WHERE hour % 100 = 8"
        " ON CONFLICT DO UPDATE SET mean = mean + 1",
    ],
)
def test_whatever_changes_an_hour_a_reader_sees_it(bench_store: Store, change: str) -> None:
    _recorded(bench_store)
    make_blocks(bench_store)
    before = _hours(bench_store)
    bench_store.connection.execute(change)
    changed = _hours(bench_store)
    assert not all(a.equals(b) for a, b in zip(before, changed, strict=True))
    bench_store.connection.execute("DELETE FROM hour_block")
    _same(_hours(bench_store), changed)


@pytest.mark.parametrize("days", [0, 90], ids=["never sealed", "sealed"])
def test_a_recorder_makes_blocks_by_itself(bench_store: Store, monkeypatch: pytest.MonkeyPatch, days: int) -> None:
    _recorded(bench_store)
    monkeypatch.setattr(sealing_service, "FIRST_S", 0.01)
    service = SealingService(Path(bench_store.path).parent, Settings(record={"seal_after_days": days}))
    service.start()
    until = time.monotonic() + 30
    while time.monotonic() < until and not _blocks(bench_store):
        time.sleep(0.02)
    service.stop()
    assert _blocks(bench_store)
