"""Sealing at work: beside a recorder, by command, stopped by a full disk; what it frees, and what a backup
takes along."""

from __future__ import annotations

import json
import shutil
import threading
import time
from datetime import UTC, datetime
from pathlib import Path

import pytest

from tests.conftest import DATA
from tests.ingest.store.test_raw_readings import DAY, MARCH, NOW, files, folder, give, levels, seal_all, spring, table
from tests.ui.cli.test_main import run
from tidetray.ingest.core.readings import to_ms
from tidetray.ingest.files.trial_file import load_trial
from tidetray.ingest.influx.queue import set_forwarding
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.recorder import sealing_service
from tidetray.ingest.recorder.sealing_service import SealingService
from tidetray.ingest.settings.model import RECORD_FILE, InfluxSettings, Settings
from tidetray.ingest.store import database, parquet_file, queries, sealing
from tidetray.ingest.store.backup import back_up
from tidetray.ingest.store.database import StoreError
from tidetray.ingest.store.raw_readings import SealedError, sealed_folder
from tidetray.ingest.store.recording import Store, open_store
from tidetray.ingest.store.schema import MIGRATIONS
from tidetray.ingest.store.sealing import Sealed, month_of, seal


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
    try:
        while not over.is_set():
            at = rows[-1][0] + 1000 * (len(new) + 1)
            late = (rows[len(new) % len(rows)][0] + 30_000 + len(new), 0.5)
            new += [(at, 0.25), late]
            assert give(bench_store, [(at, 0.25), late, rows[3]]).readings == 2
            with open_store(bench_store.path, read_only=True) as reader:
                assert levels(reader) == sorted(rows + new)
    finally:
        worker.join()
    assert len(new) > 4
    assert len(done) == 3
    seal_all(bench_store)
    assert levels(bench_store) == sorted(rows + new)
    assert bench_store.raw.count() == len(rows + new)
    assert not bench_store.quarantine.messages()


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
        broken.setattr(parquet_file.os, "fsync", full)
        with pytest.raises(StoreError, match=r"sealing stopped: .*No space left on device.*Nothing is lost"):
            seal_all(bench_store)
    assert levels(bench_store) == rows
    assert len(seal_all(bench_store)) == 3
    assert files(bench_store) == [f"nursery.2026-0{month}.parquet" for month in (3, 4, 5)]
    assert levels(bench_store) == rows


def test_a_file_that_the_record_does_not_know_is_left_alone(bench_store: Store) -> None:
    """Somebody put it there, perhaps the only copy of something."""
    rows = spring(bench_store)
    folder(bench_store).mkdir()
    theirs = folder(bench_store) / "nursery.2026-03.parquet"
    theirs.write_text("dear")
    for now_ms in (NOW, NOW + 2 * sealing.REPLACED_KEPT_MS):
        seal_all(bench_store, now_ms=now_ms)
        assert files(bench_store)[:2] == ["nursery.2026-03.2.parquet", "nursery.2026-03.parquet"]
        assert theirs.read_text() == "dear"
        assert levels(bench_store) == rows


def test_nothing_is_taken_from_the_table_while_it_is_walked_through(bench_store: Store) -> None:
    rows = spring(bench_store)
    bench_store.fold()
    set_forwarding(bench_store, InfluxSettings(url="http://127.0.0.1:8086", org="nurseries", bucket="tidetray"))
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
    assert bench_store.raw.tail.count() == len(rows)
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
    bench_store.fold()
    monkeypatch.setattr(sealing_service, "FIRST_S", 0.01)
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


# ---------------------------------------------------------------- backups


def restored(copy: Path, to: Path) -> Path:
    """As README says it: the file and its folder under the record's name in a fresh home."""
    to.mkdir()
    shutil.copy(copy, to / RECORD_FILE)
    shutil.copytree(copy.with_suffix(".sealed"), to / "tidetray.sealed")
    return to / RECORD_FILE


def test_backups_in_one_folder_share_sealed_files_and_trust_none_that_is_damaged(bench_store: Store) -> None:
    rows = spring(bench_store)
    seal_all(bench_store)
    at_home = sealed_folder(bench_store.path)
    files = sorted(path.name for path in at_home.glob("*.parquet"))
    first, second = (back_up(Path(bench_store.path), at_home.parent / f"copy-{n}.sqlite").sealed for n in (1, 2))
    assert sorted(path.name for path in second.iterdir()) == files
    assert all((second / name).samefile(first / name) for name in files)
    assert not any((second / name).samefile(at_home / name) for name in files)
    # the first copy goes, as old ones do
    shutil.rmtree(first)
    damaged = second / files[0]
    content = damaged.read_bytes()
    damaged.write_bytes(content[:-1] + bytes([content[-1] ^ 1]))
    third = back_up(Path(bench_store.path), at_home.parent / "copy-3.sqlite").sealed
    assert (third / files[0]).read_bytes() == content
    assert not (third / files[0]).samefile(damaged)
    # lost at home: the next copy has it from an earlier one, and says what is wrong at home
    (at_home / files[0]).unlink()
    last = back_up(Path(bench_store.path), at_home.parent / "copy-4.sqlite")
    assert len(last.faults) == 1
    assert (last.sealed / files[0]).read_bytes() == content
    with open_store(last.path, read_only=True) as copy:
        assert levels(copy) == rows


def test_a_backup_takes_the_sealed_files_along(bench_store: Store, tmp_path: Path) -> None:
    rows = spring(bench_store)
    seal_all(bench_store, before_ms=MARCH + 61 * DAY)
    made = back_up(Path(bench_store.path), tmp_path / "copy.sqlite")
    assert (made.readings, made.faults) == (len(rows), ())
    assert made.sealed == tmp_path / "copy.sealed"
    assert sorted(path.name for path in made.sealed.iterdir()) == ["nursery.2026-03.parquet", "nursery.2026-04.parquet"]
    assert made.size_bytes == made.path.stat().st_size + sum(path.stat().st_size for path in made.sealed.iterdir())
    with open_store(made.path, read_only=True) as copy:  # it can be read where it lies
        assert levels(copy) == rows
    late = (rows[0][0] + 1000, 0.5)
    give(bench_store, [late])
    seal_all(bench_store)
    with open_store(restored(made.path, tmp_path / "again")) as store:
        assert levels(store) == rows
        assert give(store, [*rows[:5], late]).readings == 1  # and gone on with: nothing twice, nothing lost
        assert len(seal_all(store)) == 2
        assert levels(store) == sorted([*rows, late])
    with pytest.raises(StoreError, match="there is such a file already"):
        back_up(Path(bench_store.path), tmp_path / "copy.sqlite")


def test_backups_taken_while_sealing_and_recording_each_hold_what_was_recorded(
    bench_store: Store, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rows = spring(bench_store)
    monkeypatch.setattr(sealing, "ROWS_AT_ONCE", 20)
    monkeypatch.setattr(sealing, "REPLACED_KEPT_MS", 2000)
    stop, new = threading.Event(), list[tuple[int, float]]()
    errors: list[StoreError] = []
    ended: list[bool] = []

    def record() -> None:
        with open_store(bench_store.path) as store:
            while not stop.is_set():
                at = rows[len(new) % len(rows)][0] + 1000 * (1 + len(new) // len(rows))
                give(store, [(at, 0.5)])
                new.append((at, 0.5))
                time.sleep(0.01)

    def keep_sealing() -> None:
        try:
            with open_store(bench_store.path) as store:
                while not stop.is_set():
                    now_ms = time.time_ns() // 1_000_000
                    assert not [
                        done for done in seal(store, before_ms=NOW, now_ms=now_ms) if isinstance(done, SealedError)
                    ]
        except StoreError as error:
            errors.append(error)
        else:
            ended.append(True)

    workers = [threading.Thread(target=work) for work in (record, keep_sealing)]
    for worker in workers:
        worker.start()
    made = []
    try:
        until = time.monotonic() + 60
        while time.monotonic() < until and len(made) < 8:
            least = len(new)
            made.append((least, back_up(Path(bench_store.path), tmp_path / f"copy-{len(made)}.sqlite")))
            time.sleep(0.2)
    finally:
        stop.set()
        for worker in workers:
            worker.join()
    assert ended, errors
    assert len(made) == 8
    kinds = set()
    for turn, (least, backup) in enumerate(made):
        assert not backup.faults
        with open_store(restored(backup.path, tmp_path / f"home-{turn}")) as store:
            kinds.add((table(store) > 0, len(files(store))))
            got = levels(store)
            count = len(got) - len(rows)
            assert least <= count <= len(new)
            assert got == sorted(rows + new[:count])
            assert backup.readings == store.raw.count() == len(got)
            seal_all(store)
            assert levels(store) == got
    assert {(True, 3)} <= kinds  # some were taken with rows on their way
    assert levels(bench_store) == sorted(rows + new)


def test_a_backup_of_a_record_with_a_damaged_sealed_file_holds_all_else_and_says_so(
    bench_store: Store, tmp_path: Path
) -> None:
    rows = spring(bench_store)
    seal_all(bench_store)
    bad = folder(bench_store) / "nursery.2026-04.parquet"
    whole = bad.read_bytes()
    bad.write_bytes(b"PAR1" + whole[4:-4] + b"PAR2")
    said = run("backup", tmp_path / "copy.sqlite", "--home", Path(bench_store.path).parent, expect=1)
    assert (
        f"Not in the copy: {bad}: the readings of nursery of 2026-04 are sealed in this file, and its content" in said
    )
    place = restored(tmp_path / "copy.sqlite", tmp_path / "again")
    with open_store(place) as store:
        march = queries.readings(store, "nursery", "tray-1", ["level"], end_ms=MARCH + 31 * DAY)
        assert len(march) == 31 * 12
        with pytest.raises(SealedError, match=r"nursery\.2026-04\.parquet.* it is not there"):
            levels(store)
        (place.with_name("tidetray.sealed") / bad.name).write_bytes(whole)
        assert levels(store) == rows
