"""Sealing at work: beside a recorder, by command, stopped by a full disk; what it frees, and what a backup takes along."""

from __future__ import annotations

import json
import threading
import time
from datetime import UTC, datetime
from pathlib import Path

import pytest

from ingest import database, lookup, sealed_file, sealing
from ingest.database import StoreError
from ingest.migrations import MIGRATIONS
from ingest.notebook import Notebook
from ingest.readings import to_ms
from ingest.sealed import SealedError
from ingest.sealing import Sealed, SealingService, month_of, seal
from ingest.settings import RECORD_FILE, Settings
from ingest.store import Store, open_store
from ingest.trial_file import load_trial
from tests.conftest import DATA
from tests.test_cli import run
from tests.test_sealed import DAY, MARCH, NOW, files, folder, give, levels, seal_all, spring, table


def test_a_record_from_before_there_was_sealing_is_read_sealed_and_made_smaller(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / RECORD_FILE
    before = [name for name, _ in MIGRATIONS].index("sealed readings")
    with monkeypatch.context() as older:
        older.setattr(database, "MIGRATIONS", MIGRATIONS[:before])
        database.Database.open(path).close()
    with database.Database.open(path) as old:
        old.connection.execute("PRAGMA auto_vacuum=NONE")
        old.connection.execute("VACUUM")
    with open_store(path) as store:
        Notebook(store).add_trial(load_trial(DATA / "trial.toml"))
        rows = [(MARCH + at * 1000, at / 7) for at in range(60_000)]
        give(store, rows)
        store.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        assert store.connection.execute("PRAGMA auto_vacuum").fetchone() == (0,)
        large = path.stat().st_size
        (done,) = seal(store, before_ms=NOW, now_ms=NOW, rebuild=True)
        assert isinstance(done, Sealed)
        store.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        assert path.stat().st_size < large / 3
        assert store.connection.execute("PRAGMA auto_vacuum").fetchone() == (2,)
        assert levels(store) == rows


def test_what_sealing_frees_is_given_back_bit_by_bit(bench_store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    rows = [(MARCH + at * 1000, at / 7) for at in range(60_000)]
    give(bench_store, rows)
    bench_store.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    large = Path(bench_store.path).stat().st_size
    monkeypatch.setattr(sealing, "PAGES_AT_ONCE", 20)
    seal_all(bench_store)
    bench_store.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    assert Path(bench_store.path).stat().st_size < large / 2
    (pages,) = bench_store.connection.execute("PRAGMA page_count").fetchone()
    (free,) = bench_store.connection.execute("PRAGMA freelist_count").fetchone()
    assert free <= sealing.FREE_SHARE * pages + 20
    assert levels(bench_store) == rows


# ---------------------------------------------------------------- beside a recorder, and by command


def test_recording_goes_on_while_another_connection_seals(bench_store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    rows = spring(bench_store)
    monkeypatch.setattr(sealing, "ROWS_AT_ONCE", 20)
    done: list[Sealed | SealedError] = []
    begun, over = threading.Event(), threading.Event()

    def pause(_took_s: float) -> None:
        begun.set()
        time.sleep(0.002)

    def work() -> None:
        with open_store(bench_store.path) as other:
            done.extend(seal(other, before_ms=NOW, now_ms=NOW, pause=pause))
        over.set()

    worker = threading.Thread(target=work)
    worker.start()
    begun.wait(10)
    new: list[tuple[int, float]] = []
    while not over.is_set():
        at = rows[-1][0] + 1000 * (len(new) + 1)
        late = (rows[len(new) % len(rows)][0] + 30_000 + len(new), 0.5)
        new += [(at, 0.25), late]
        assert give(bench_store, [(at, 0.25), late, rows[3]]).readings == 2
        with open_store(bench_store.path, read_only=True) as reader:
            assert levels(reader) == sorted(rows + new)
    worker.join()
    assert len(new) > 4
    assert len(done) == 3
    seal_all(bench_store)
    assert levels(bench_store) == sorted(rows + new)
    assert bench_store.raw.count() == len(rows + new)
    assert not lookup.set_aside(bench_store)


def test_one_at_a_time(bench_store: Store) -> None:
    spring(bench_store)
    first = seal(bench_store, before_ms=NOW, now_ms=NOW)
    assert isinstance(next(first), Sealed)
    with open_store(bench_store.path) as other, pytest.raises(StoreError, match="sealing is under way already"):
        seal_all(other)
    assert len(list(first)) == 2


def test_a_full_disk_loses_nothing(bench_store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    rows = spring(bench_store)

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as broken:
        broken.setattr(sealed_file.os, "fsync", full)
        with pytest.raises(StoreError, match=r"sealing stopped: .*No space left on device.*Nothing is lost"):
            seal_all(bench_store)
    assert levels(bench_store) == rows
    assert len(seal_all(bench_store)) == 3
    assert files(bench_store) == [f"nursery.2026-0{month}.parquet" for month in (3, 4, 5)]
    assert levels(bench_store) == rows


def test_nothing_is_taken_from_the_table_while_it_is_walked_through(bench_store: Store) -> None:
    rows = spring(bench_store)
    bench_store.connection.execute("CREATE TABLE forwarding (reading_series INTEGER)")
    bench_store.connection.execute("INSERT INTO forwarding VALUES (1)")
    assert seal_all(bench_store) == []
    assert table(bench_store) == len(rows)
    said = run("seal", "--home", Path(bench_store.path).parent)
    assert said == "Nothing is sealed now: readings that were recorded earlier are being passed on.\n"
    bench_store.connection.execute("UPDATE forwarding SET reading_series = NULL")
    assert len(seal_all(bench_store)) == 3


def test_the_command_says_first_what_it_would_do(bench_store: Store) -> None:
    rows = spring(bench_store)
    place = Path(bench_store.path).parent
    would = run("seal", "--home", place, "--dry-run", "--older-than", "30").splitlines()
    assert would == [
        "nursery 2026-03: 372 readings would be sealed.",
        "nursery 2026-04: 360 readings would be sealed.",
        "nursery 2026-05: 108 readings would be sealed.",
    ]
    assert table(bench_store) == len(rows)
    assert not folder(bench_store).exists()
    assert run("seal", "--home", place, "--older-than", "36500", "--dry-run") == (
        "No month that ended more than 36500 days ago has readings to be sealed.\n"
    )
    said = run("seal", "--home", place, "--older-than", "30").splitlines()
    assert said[0].startswith(
        f"nursery 2026-03: 372 readings sealed, 372 in {folder(bench_store)}/nursery.2026-03.parquet"
    )
    give(bench_store, [(rows[0][0] + 1000, 0.5)])
    assert json.loads(run("seal", "--home", place, "--dry-run", "--json")) == [
        {"site": "nursery", "month": "2026-03", "readings": 1, "late": True}
    ]
    (place / "tidetray.toml").write_text("[record]\nseal_after_days = 0\n")
    assert "give --older-than DAYS" in run("seal", "--home", place, expect=2)


def test_the_recorder_seals_by_itself_unless_told_not_to(bench_store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    rows = spring(bench_store)
    monkeypatch.setattr(sealing, "FIRST_S", 0.01)
    place = Path(bench_store.path).parent
    for days, sealed in ((0, 0), (30, 3)):
        service = SealingService(place, Settings(record={"seal_after_days": days}))
        service.start()
        until = time.monotonic() + (30 if sealed else 0.3)
        while time.monotonic() < until and (not sealed or table(bench_store)):
            time.sleep(0.02)
        service.stop()
        assert len(files(bench_store) if folder(bench_store).exists() else []) == sealed
    assert levels(bench_store) == rows


def test_months_are_of_utc() -> None:
    for at in (datetime(2026, 12, 31, 23, 59, 59, 999000, UTC), datetime(2026, 12, 1, tzinfo=UTC)):
        assert month_of(to_ms(at)) == (
            "2026-12",
            to_ms(datetime(2026, 12, 1, tzinfo=UTC)),
            to_ms(datetime(2027, 1, 1, tzinfo=UTC)),
        )
    assert all(month_of(end)[1] == end for _, _, end in (month_of(MARCH + day * DAY) for day in range(400)))
