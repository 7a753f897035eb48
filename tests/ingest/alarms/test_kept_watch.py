"""A start of the watch: from what was kept, from the readings since, and beside recording that goes on."""

from __future__ import annotations

import itertools
import pickle
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from tests.ingest.alarms.test_keeper import GIVEN, T0, Node, flood, kinds, messages
from tidetray.ingest.alarms import kept_watch, look_back
from tidetray.ingest.alarms.keeper import AlarmKeeper, WatchStart
from tidetray.ingest.alarms.kept_watch import packed, put_back, unpacked
from tidetray.ingest.core.readings import Reading
from tidetray.ingest.store import queries
from tidetray.ingest.store.recording import Store


def looked_at(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """Counts the readings that are looked through again."""
    seen: list[int] = []
    take = look_back.measured

    def counted(*given: object) -> Iterator[tuple[int, str, str, list[Reading]]]:
        for each in take(*given):  # type: ignore[arg-type]
            seen.append(len(each[3]))
            yield each

    monkeypatch.setattr("tidetray.ingest.alarms.keeper.measured", counted)
    return seen


def test_a_start_reads_what_came_since_the_state_was_kept(bench_store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    keeper, node = AlarmKeeper(bench_store, GIVEN, now_ms=T0 - 60_000), Node(bench_store)
    now = node.send(flood(T0, drains=False, seen_s=310), keeper)
    keeper.keep(now)
    seen = looked_at(monkeypatch)
    AlarmKeeper(bench_store, GIVEN, now_ms=now + 1000)
    assert seen == []
    rest = [reading for reading in flood(T0, drains=False) if reading.time_ms >= T0 + 310_000]
    now = node.send(rest, None)  # committed, and killed before it was watched
    AlarmKeeper(bench_store, GIVEN, now_ms=now + 1000)
    assert sum(seen) == len(rest)
    assert kinds(bench_store) == ["did not drain"]
    assert messages(bench_store) == 1


def test_a_kept_state_and_all_readings_again_tell_the_same(bench_store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """Kept at any moment of a flood that does not drain, a start finds it once, with the same beginning."""
    readings = flood(T0, drains=False, seen_s=500)
    for cut in range(0, len(readings), 17):
        bench_store.fold()
        with bench_store.transaction() as connection:
            for table in ("alarm_event", "outbox", "alarm", "alarm_mark", "alarm_watch", "reading", "message_range"):
                connection.execute(f"DELETE FROM {table}")
        bench_store.forget()
        keeper, node = AlarmKeeper(bench_store, GIVEN, now_ms=T0 - 60_000), Node(bench_store)
        now = T0
        if cut:
            now = node.send(readings[:cut], keeper)
        keeper.keep(now)
        now = node.send(readings[cut:], None)
        AlarmKeeper(bench_store, GIVEN, now_ms=now)
        rows = bench_store.connection.execute("SELECT kind, since_ms FROM alarm").fetchall()
        assert rows == [("did not drain", T0 + 300_000)], f"kept after {cut} readings"


def test_a_tray_whose_plan_changed_begins_again(bench_store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    keeper, node = AlarmKeeper(bench_store, GIVEN, now_ms=T0 - 60_000), Node(bench_store)
    now = node.send(flood(T0, drains=True), keeper)
    keeper.keep(now)
    with bench_store.transaction() as connection:
        connection.execute("UPDATE tray SET dry_mark_m = 0.002 WHERE name = 'tray-1'")
    seen = looked_at(monkeypatch)
    again = AlarmKeeper(bench_store, GIVEN, now_ms=now + 1000)
    assert sum(seen) == len(flood(T0, drains=True))
    assert again._watch.trays["nursery", "tray-1"].plan.tray.dry_mark_m == 0.002


@pytest.mark.parametrize("state", [b"", b"junk", pickle.dumps(("other rules", 0, {}, {}))])
def test_a_state_that_cannot_be_used_is_none(state: bytes) -> None:
    assert unpacked(state) is None


def test_nothing_is_called_that_a_record_names(bench_store: Store, tmp_path: Path) -> None:
    class Evil:
        def __reduce__(self) -> tuple[object, tuple[str, ...]]:
            return Path.touch, (str(tmp_path / "made"),)

    keeper = AlarmKeeper(bench_store, GIVEN, now_ms=T0)
    state = kept_watch.zlib.compress(pickle.dumps((kept_watch.rules(), T0, {}, Evil())))
    assert unpacked(state) is None
    assert not (tmp_path / "made").exists()
    kept = unpacked(packed(keeper._watch, {}, now_ms=T0))
    assert kept is not None
    assert ("nursery", "tray", "tray-1") in put_back(kept, keeper._watch)


def test_readings_come_in_the_order_of_their_times_node_by_node(bench_store: Store) -> None:
    rng = np.random.default_rng(3)
    sent: list[tuple[int, str, str, float]] = []
    nodes = [Node(bench_store), Node(bench_store)]
    for number, node in enumerate(nodes):
        node.seq = 100 * number
        times = sorted({T0 + 500 * int(n) for n in rng.integers(0, 4000, 60)})
        readings = [
            Reading("tray-1", channel, at + number, float(n))
            for n, (at, channel) in enumerate(itertools.product(times, ("level", "water_temp")))
        ]
        node.send(sorted(readings, key=lambda each: each.time_ms), None)
        sent += [(each.time_ms // 1000, "bench-1", each.channel, each.value) for each in readings]
    series = {each.id: each for each in queries.all_series(bench_store)}
    stretches = dict.fromkeys(series, (T0, T0 + 4_000_000))
    found = list(look_back.measured(bench_store, series, stretches))
    seconds = [readings[0].time_ms // 1000 for _, _, _, readings in found]
    assert seconds == sorted(seconds)
    assert all(len({each.time_ms // 1000 for each in readings}) == 1 for _, _, _, readings in found)
    assert all(
        [each.time_ms for each in readings] == sorted(each.time_ms for each in readings) for _, _, _, readings in found
    )
    flat = [
        (each.time_ms // 1000, node, each.channel, each.value) for _, _, node, readings in found for each in readings
    ]
    assert sorted(flat) == sorted(sent)


def test_of_much_a_part_is_looked_through_but_all_that_nobody_saw(
    bench_store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    node = Node(bench_store)
    readings = [Reading("tray-1", "level", T0 + 10_000 * n, 0.001) for n in range(1000)]
    now = node.send(readings, None)
    series = {each.id: each for each in queries.all_series(bench_store)}
    monkeypatch.setattr(look_back, "LOOKED_BACK_READINGS", 300)
    from_ms = look_back.far_back_ms(bench_store, series, now_ms=now, mark_ms=now)
    left = sum(each.time_ms >= from_ms for each in readings)
    assert 250 <= left <= 350
    assert look_back.far_back_ms(bench_store, series, now_ms=now, mark_ms=T0 + 5000) == T0 + 5000
    monkeypatch.setattr(look_back, "LOOKED_BACK_READINGS", 3000)
    assert look_back.far_back_ms(bench_store, series, now_ms=now, mark_ms=now) == now - look_back.LOOKED_BACK_MS


def test_a_start_knows_nothing_of_what_is_committed_after_it(bench_store: Store) -> None:
    node = Node(bench_store)
    now = node.send(flood(T0, drains=False, seen_s=310), None)
    start = WatchStart(bench_store, GIVEN, now_ms=now)
    rest = [reading for reading in flood(T0, drains=False) if reading.time_ms >= T0 + 310_000]
    node.send(rest, None)
    start.look_back(bench_store)
    keeper = AlarmKeeper(bench_store, GIVEN, now_ms=now, start=start)
    assert kinds(bench_store) == []
    keeper.take([], [], now_ms=now)
