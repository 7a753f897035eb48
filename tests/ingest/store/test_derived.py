"""What is worked out again and comes to the same is not written again."""

from __future__ import annotations

import pandas as pd

from tests.ingest.store.test_recording import T0, sent
from tidetray.ingest.core.readings import to_ms
from tidetray.ingest.recorder.cycle_upkeep import Upkeep
from tidetray.ingest.store import derived, queries
from tidetray.ingest.store.recording import Store


def rows_written(store: Store, work: object) -> int:
    """Rows that a call changed in any table."""
    assert callable(work)
    before = store.connection.total_changes
    work()
    return store.connection.total_changes - before


def flooded_twice(store: Store) -> pd.DataFrame:
    levels = [0.0005, 0.02, 0.03, 0.01, 0.0005, 0.0005] * 2
    store.record([sent(*(("level", 300 * at, level) for at, level in enumerate(levels)), seq=1)])
    Upkeep(store).run(now=True)
    return queries.cycles(store, "nursery", "tray-1")


def test_cycles_that_came_out_the_same_are_not_written_again(bench_store: Store) -> None:
    found = flooded_twice(bench_store)
    assert len(found) == 2
    put = lambda frame: derived.put_cycles(bench_store, "nursery", "tray-1", frame, keep=0)  # noqa: E731
    assert rows_written(bench_store, lambda: put(found)) == 0
    other = found.copy()
    other.loc[1, "peak_level_m"] = 0.031
    assert rows_written(bench_store, lambda: put(other)) == 2, "the row that changed: taken out, and put in"
    assert queries.cycles(bench_store, "nursery", "tray-1")["peak_level_m"].tolist() == [0.03, 0.031]
    assert rows_written(bench_store, lambda: put(other[:1])) == 1
    assert len(queries.cycles(bench_store, "nursery", "tray-1")) == 1
    assert rows_written(bench_store, lambda: put(other)) == 1
    pd.testing.assert_frame_equal(queries.cycles(bench_store, "nursery", "tray-1"), other)


def test_a_chart_stays_until_a_cycle_that_is_in_it_changes(bench_store: Store) -> None:
    found = flooded_twice(bench_store)

    def charts() -> list[int]:
        rows = bench_store.connection.execute("SELECT number FROM cycle_chart ORDER BY number").fetchall()
        return [number for (number,) in rows]

    for number in (0, 1):
        derived.put_chart(bench_store, "nursery", "tray-1", "drain", number=number, basis="b", chart="{}")
    derived.put_cycles(bench_store, "nursery", "tray-1", found, keep=0)
    assert charts() == [0, 1]
    other = found.copy()
    other.loc[1, "peak_level_m"] = 0.031
    derived.put_cycles(bench_store, "nursery", "tray-1", other, keep=0)
    assert charts() == [0]
    other.loc[0, "peak_level_m"] = 0.029
    derived.put_cycles(bench_store, "nursery", "tray-1", other, keep=0)
    assert charts() == []


def test_a_tray_that_is_due_already_is_written_again_only_from_an_earlier_time(bench_store: Store) -> None:
    bench_store.record([sent(("level", 100, 0.01), seq=1)])
    due = [("nursery", "tray-1", to_ms(T0) + 100_000)]
    assert derived.cycles_due(bench_store) == due

    def changes_of(table: str, second: int, seq: int) -> int:
        bench_store.connection.execute("CREATE TEMP TABLE IF NOT EXISTS seen (n)")
        bench_store.connection.execute("DELETE FROM seen")
        for what in ("INSERT", "UPDATE"):
            bench_store.connection.execute(
                f"CREATE TEMP TRIGGER IF NOT EXISTS seen_{what} AFTER {what} ON {table}"
                " BEGIN INSERT INTO seen VALUES (1); END"
            )
        bench_store.record([sent(("level", second, 0.01), seq=seq)])
        return int(bench_store.connection.execute("SELECT count(*) FROM seen").fetchone()[0])

    assert changes_of("cycles_due", 110, 2) == 0
    assert derived.cycles_due(bench_store) == due
    assert changes_of("cycles_due", 90, 3) == 1
    assert derived.cycles_due(bench_store) == [("nursery", "tray-1", to_ms(T0) + 90_000)]
