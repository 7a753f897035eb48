"""Killed at any step of a sealing, a record gives every reading once, and the next sealing comes to the same end."""

from __future__ import annotations

import shutil
from collections import Counter
from pathlib import Path

from tests.crash.steps import in_a_process
from tests.ingest.store.test_raw_readings import MARCH, NOW, files, folder, give, levels, seal_all, table
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store import queries, sealing
from tidetray.ingest.store.recording import Store, open_store

LATER = NOW + sealing.REPLACED_KEPT_MS + 1
HOUR = 3_600_000


def prepare(store: Store) -> list[tuple[int, float]]:
    """Two sealed months: of one an older file waits to be removed, of both late readings stand in the table, one of
    them contradicting the file; and a month that was never sealed."""
    days = [(MARCH + at * 24 * HOUR, at / 100) for at in range(0, 75, 5)]
    rows = [*days, *((at + 60_000, value) for at, value in days)]
    for row in rows:
        give(store, [row])
    seal_all(store, before_ms=MARCH + 61 * 24 * HOUR)
    late = [(MARCH + 2 * HOUR, 0.5), (MARCH + 41 * 24 * HOUR + 2 * HOUR, 0.6)]
    give(store, [late[0]])
    seal_all(store, before_ms=MARCH + 61 * 24 * HOUR)
    march = folder(store) / "nursery.2026-03.2.parquet"
    march.rename(march.with_suffix(".away"))
    give(store, [(rows[1][0], 0.99), (rows[2][0] + 1000, 0.4)])
    march.with_suffix(".away").rename(march)
    give(store, [late[1]])
    return sorted([*rows, *late, (rows[2][0] + 1000, 0.4)])


def hours_of(rows: list[tuple[int, float]]) -> dict[int, int]:
    return dict(Counter(at // HOUR for at, _ in rows))


def test_killed_at_any_step_nothing_is_lost_and_nothing_comes_twice(bench_store: Store, tmp_path: Path) -> None:
    want = prepare(bench_store)
    home = Path(bench_store.path).parent
    assert files(bench_store) == ["nursery.2026-03.2.parquet", "nursery.2026-03.parquet", "nursery.2026-04.parquet"]
    bench_store.close()
    whole = tmp_path / "whole"
    shutil.copytree(home, whole)
    with open_store(whole / RECORD_FILE) as store:
        assert levels(store) == want
        seal_all(store, now_ms=LATER)
        in_the_end, hours = files(store), queries.hourly(store, "nursery", "level")
        assert dict(zip(hours["time"].astype("int64") // HOUR, hours["n"], strict=True)) == hours_of(want)
        assert [name.split(".")[1] for name in in_the_end] == ["2026-03", "2026-03", "2026-04", "2026-04", "2026-05"]

    work = tmp_path / "cut"
    work.mkdir()
    steps = in_a_process("cut_sealing.py", home, work, LATER)
    assert steps > 80
    seen: Counter[tuple[str, bool]] = Counter()
    for k in range(1, steps + 1):
        with open_store(work / str(k) / "home" / RECORD_FILE) as store:
            store.connection.execute("PRAGMA synchronous=OFF")
            seen.update(set(store.connection.execute("SELECT state, emptied_ms IS NOT NULL FROM sealed").fetchall()))
            with open_store(store.path, read_only=True) as reader:
                assert levels(reader) == want, k
            assert all(not isinstance(done, Exception) for done in seal_all(store, now_ms=LATER))
            assert levels(store) == want, k
            assert (table(store), store.raw.count()) == (0, len(want)), k
            (contradiction,) = store.quarantine.messages()
            assert "0.99 came after 0.05" in contradiction.reason
            # what was replaced is kept for an hour; after that nothing is there but the files that count
            seal_all(store, now_ms=LATER + sealing.REPLACED_KEPT_MS)
            counts = [f"nursery.2026-0{month}" for month in (3, 4, 5)]
            assert [name.removesuffix(".parquet")[: len(counts[0])] for name in files(store)] == counts, k
            assert levels(store) == want, k
            assert queries.hourly(store, "nursery", "level").equals(hours), k
    for state in (("writing", False), ("sealed", False), ("sealed", True), ("replaced", True)):
        assert seen[state] > 5, seen
