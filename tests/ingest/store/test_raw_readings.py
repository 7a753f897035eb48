"""Old readings in sealed files: bit for bit the same, read as before, once each, whatever comes late or breaks."""

from __future__ import annotations

import json
import shutil
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pyarrow import parquet as pq

from tests.conftest import DATA
from tests.ui.cli.test_main import home, run
from tidetray.ingest.core.readings import Reading, from_ms, to_ms
from tidetray.ingest.files.trial_file import load_trial
from tidetray.ingest.home.health import examine
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.recorder.cycle_upkeep import Upkeep
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store import parquet_file, queries, raw_readings, sealing
from tidetray.ingest.store.parquet_file import ROW, FileDamagedError, Rows
from tidetray.ingest.store.raw_readings import SealedError
from tidetray.ingest.store.recording import Recorded, Store, open_store
from tidetray.ingest.store.sealing import Sealed, seal
from tidetray.ingest.wire.packs import Pack

__all__ = ["home"]

MARCH = to_ms(datetime(2026, 3, 1, tzinfo=UTC))
HOUR = 3_600_000
DAY = 24 * HOUR
NOW = to_ms(datetime(2026, 9, 1, tzinfo=UTC))
NAMES = ("bench-1", "tray-1", "level")


def give(store: Store, rows: list[tuple[int, float]], channel: str = "level", *, tray: str = "tray-1") -> Recorded:
    """Record (time_ms, value) as one message without a number."""
    made = tuple(Reading(tray, channel, time_ms, value) for time_ms, value in rows)
    received = from_ms(max(time_ms for time_ms, _ in rows) + 30_000)
    return store.record(
        [(Pack("nursery", "bench-1", None, None, None, received, made, ()), "topic", repr(rows).encode())]
    )


def seal_all(store: Store, now_ms: int = NOW, before_ms: int = NOW) -> list[Sealed | SealedError]:
    return list(seal(store, before_ms=before_ms, now_ms=now_ms))


def levels(store: Store) -> list[tuple[int, float]]:
    frame = queries.readings(store, "nursery", "tray-1", ["level"])
    return list(zip((frame["time"].astype("int64")).tolist(), frame["value"].tolist(), strict=True))


def table(store: Store) -> int:
    return int(store.connection.execute("SELECT count(*) FROM reading").fetchone()[0])


def folder(store: Store) -> Path:
    return Path(store.path).with_name("tidetray.sealed")


def files(store: Store) -> list[str]:
    return sorted(path.name for path in folder(store).glob("*.parquet*"))


def spring(store: Store) -> list[tuple[int, float]]:
    """A level every two hours from 1 March to 10 May 2026, recorded day by day."""
    rows = [(MARCH + at, 0.001 * (at // HOUR % 31)) for at in range(0, 70 * DAY, 2 * HOUR)]
    for first in range(0, len(rows), 12):
        give(store, rows[first : first + 12])
    return rows


# ---------------------------------------------------------------- the file

some_rows = st.lists(
    st.tuples(
        st.integers(0, 2**43),
        st.floats(allow_nan=False) | st.sampled_from([0.0, -0.0, 5e-324, 0.1 + 0.2]),
        st.integers(0, 2**40),
    ),
    min_size=1,
    max_size=60,
    unique_by=lambda row: row[0],
).map(lambda rows: np.array(sorted(rows), ROW))


def written(path: Path, *several: Rows) -> parquet_file.Written:
    series = [(number, ("bench-1", f"tray-{number}", "level"), rows) for number, rows in enumerate(several, start=1)]
    return parquet_file.write(path, "nursery", "2026-03", series)


@given(st.lists(some_rows, min_size=1, max_size=3))
def test_any_readings_come_back_bit_for_bit(tmp_path_factory: pytest.TempPathFactory, several: list[Rows]) -> None:
    path = tmp_path_factory.mktemp("sealed") / "x.parquet"
    made = written(path, *several)
    assert made.rows == sum(map(len, several))
    for part, rows in zip(made.parts, several, strict=True):
        back = parquet_file.read(path, part.place, size_bytes=made.size_bytes, sha256=made.sha256)
        assert back.tobytes() == rows.tobytes()
        assert (part.first_ms, part.last_ms, part.last_value) == (rows[0][0], rows[-1][0], rows[-1][1])


def test_any_reader_of_the_format_finds_names_times_and_values(tmp_path: Path) -> None:
    rows = np.array([(MARCH, 0.03, 4), (MARCH + 10_000, 0.0301, 5)], ROW)
    written(tmp_path / "x.parquet", rows, rows[:1])
    frame = pd.read_parquet(tmp_path / "x.parquet")
    assert frame.columns.tolist() == ["node", "tray", "channel", "time", "value", "delay_s"]
    assert frame["tray"].tolist() == ["tray-1", "tray-1", "tray-2"]
    assert frame["time"].tolist() == [pd.Timestamp(ms, unit="ms", tz="UTC") for ms in (MARCH, MARCH + 10_000, MARCH)]
    assert frame["value"].tolist() == [0.03, 0.0301, 0.03]
    column = pq.ParquetFile(tmp_path / "x.parquet").metadata.row_group(0).column(3)
    assert "DELTA_BINARY_PACKED" in column.encodings


@settings(max_examples=60)
@given(st.data())
def test_a_file_with_any_byte_changed_or_lost_is_refused(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    path = tmp_path_factory.mktemp("sealed") / "x.parquet"
    made = written(path, np.array([(MARCH + 1000 * at, at / 7, 0) for at in range(50)], ROW))
    whole = path.read_bytes()
    place = data.draw(st.integers(0, len(whole) - 1))
    torn = data.draw(st.booleans())
    path.write_bytes(whole[:place] if torn else whole[:place] + bytes([whole[place] ^ 0x10]) + whole[place + 1 :])
    with pytest.raises(FileDamagedError, match=r"it has \d+ bytes, not \d+|its content is not what was written"):
        parquet_file.check(path, size_bytes=made.size_bytes, sha256=made.sha256)
    with pytest.raises(FileDamagedError):
        parquet_file.read(path, 0, size_bytes=made.size_bytes, sha256=made.sha256)


def test_a_file_that_does_not_hold_the_rows_is_found_when_it_is_read_back(tmp_path: Path) -> None:
    rows = np.array([(MARCH, 0.03, 4), (MARCH + 10_000, 0.0301, 5)], ROW)
    parts = written(tmp_path / "x.parquet", rows).parts
    for other in (rows[:1], np.array([(MARCH, 0.03, 4), (MARCH + 10_000, 0.0301, 6)], ROW)):
        other_path = tmp_path / f"{len(other)}-{other[-1][2]}.parquet"
        written(other_path, other)
        with pytest.raises(FileDamagedError, match="bench-1/tray-1/level in it are not those that were written"):
            parquet_file.verify(other_path, parts)
    with pytest.raises(FileDamagedError, match="it holds 1 series, not 2"):
        parquet_file.verify(tmp_path / "x.parquet", parts * 2)


# ---------------------------------------------------------------- sealed and not, as one

steps = st.lists(
    st.one_of(
        st.lists(st.tuples(st.integers(0, 200), st.sampled_from([0.01, 0.02])), min_size=1, max_size=12),
        st.integers(0, 4),  # seal all months before this one
    ),
    max_size=12,
)


@settings(max_examples=60)
@given(steps=steps, asked=st.lists(st.tuples(st.integers(-1, 201), st.integers(-1, 201)), max_size=4))
def test_what_is_sealed_and_what_is_not_is_all_there_is(
    tmp_path_factory: pytest.TempPathFactory, steps: list[Any], asked: list[tuple[int, int]]
) -> None:
    """Against a dictionary: readings in any order and twice over, sealing in between; half a day is one step
    of time."""
    truth: dict[int, float] = {}
    contradicted = 0
    doubled = 0
    with open_store(tmp_path_factory.mktemp("home") / RECORD_FILE) as store:
        Notebook(store).add_trial(load_trial(DATA / "trial.toml"))
        for step in steps:
            if isinstance(step, int):
                before_ms = to_ms(datetime(2026, 3 + step, 1, tzinfo=UTC))
                assert not [error for error in seal_all(store, before_ms=before_ms) if isinstance(error, SealedError)]
                assert not sealing.due(store, before_ms=before_ms)
                continue
            rows = [(MARCH + at * DAY // 2, value) for at, value in step]
            doubled += give(store, rows).doubled_readings
            for time_ms, value in rows:
                contradicted += truth.setdefault(time_ms, value) != value
        assert levels(store) == sorted(truth.items())
        assert store.raw.count() == store.raw.count("bench-1") == len(truth)
        assert queries.counters(store)["readings"] == len(truth)
        assert doubled == sum(len(step) for step in steps if not isinstance(step, int)) - len(truth)
        kept = store.quarantine.messages(limit=-1)
        assert sum(message.times * message.reasons[0].records for message in kept) == contradicted
        series = [number for (number,) in store.connection.execute("SELECT id FROM series").fetchall()]
        for start, end in asked if series else []:
            start_ms, end_ms = (MARCH + at * DAY // 2 for at in (start, end))
            want = [(time_ms, value) for time_ms, value in sorted(truth.items()) if start_ms <= time_ms < end_ms]
            assert store.raw.rows(series[0], start_ms, end_ms)[["time_ms", "value"]].tolist() == want
            before = [row for row in sorted(truth.items()) if row[0] < start_ms]
            assert store.raw.last(series[0], start_ms) == (before[-1] if before else None)
            assert store.raw.at(series[0], start_ms) == truth.get(start_ms)
        if series:
            assert store.raw.first_ms(series[0]) == min(truth)
            assert store.raw.last(series[0]) == max(truth.items())


def everything(store: Store) -> dict[str, Any]:
    """What the read functions give, as plain values."""
    start_ms = MARCH + 20 * DAY + 1
    channels = ["level", "flooded", "pump"]
    frames = {
        "readings": queries.readings(store, "nursery", "tray-1", channels),
        "lead": queries.readings(
            store, "nursery", "tray-1", channels, start_ms=start_ms, end_ms=MARCH + 40 * DAY, lead=True
        ),
        "latest": queries.latest(store, "nursery"),
        "hourly": queries.hourly(store, "nursery", "level"),
        "cycles": queries.cycles(store, "nursery", "tray-1"),
    }
    plain = {name: frame.astype(object).where(frame.notna(), None).to_dict("list") for name, frame in frames.items()}
    return plain | {
        "span": queries.evidence_span_ms(store, "nursery", "tray-1", channels),
        "before": queries.last_before_ms(store, "nursery", "tray-1", channels, start_ms),
        "nodes": queries.node_of_trays(store, "nursery"),
        "count": store.raw.count(),
    }


def test_readers_do_not_notice(bench_store: Store) -> None:
    spring(bench_store)
    give(bench_store, [(MARCH + 3 * DAY + at * 60_000, at % 2) for at in range(20)], "pump")
    before = everything(bench_store)
    assert before["span"] is not None
    done = seal_all(bench_store, before_ms=MARCH + 61 * DAY)  # March and April
    assert [(each.month, each.readings) for each in done if isinstance(each, Sealed)] == [
        ("2026-03", 31 * 12 + 20),
        ("2026-04", 30 * 12),
    ]
    assert files(bench_store) == ["nursery.2026-03.parquet", "nursery.2026-04.parquet"]
    assert table(bench_store) == 9 * 12
    assert everything(bench_store) == before
    with open_store(bench_store.path, read_only=True) as other:
        assert everything(other) == before
    seal_all(bench_store)  # May, too: the table is empty
    assert table(bench_store) == 0
    assert everything(bench_store) == before


def test_what_is_held_of_sealed_files_is_bounded(bench_store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    """372, 360 and 108 readings in three months: two of them fit."""
    rows = spring(bench_store)
    seal_all(bench_store)
    bench_store.raw.forget()
    monkeypatch.setattr(raw_readings, "HELD_ROWS", 500)
    for _ in range(2):
        assert levels(bench_store) == rows
        assert [len(part) for part in bench_store.raw._held.values()] == [360, 108]


def test_cycles_are_worked_out_again_from_sealed_readings(bench_store: Store) -> None:
    story = [(at, 0.0 if at % 120 < 60 else 0.03) for at in range(0, 480, 2)]
    give(bench_store, [(MARCH + DAY + at * 60_000, level) for at, level in story])
    Upkeep(bench_store).run(now=True)
    before = queries.cycles(bench_store, "nursery", "tray-1")
    assert len(before) >= 3
    seal_all(bench_store)
    bench_store.connection.execute("DELETE FROM cycle")
    bench_store.connection.execute("INSERT INTO cycles_due VALUES ('nursery', 'tray-1', 0)")
    Upkeep(bench_store).run(now=True)
    pd.testing.assert_frame_equal(queries.cycles(bench_store, "nursery", "tray-1"), before)


def test_commands_print_the_same_after_sealing(home: Path) -> None:
    calls = [
        ("cycles", "--json"),
        ("exposure", "--json"),
        ("exposure", "--environment", "--json"),
        ("growth", "--json"),
    ]
    before = [run(*call, "--home", home) for call in calls]
    made = json.loads(run("seal", "--home", home, "--older-than", "1", "--json"))
    assert [row["month"] for row in made] == ["2026-06"]
    assert [run(*call, "--home", home) for call in calls] == before
    with open_store(home / RECORD_FILE) as store:
        assert table(store) == 0
        store.connection.execute("UPDATE cycle SET outcome = 'unknown'")
        store.connection.execute("INSERT INTO cycles_due VALUES ('nursery', 'tray-1', 0)")
        Upkeep(store).run(now=True)
    assert [run(*call, "--home", home) for call in calls] == before


# ---------------------------------------------------------------- late readings


def test_late_readings_of_a_sealed_month_are_told_from_doubled_ones_and_wait_beside_the_file(
    bench_store: Store,
) -> None:
    rows = spring(bench_store)
    seal_all(bench_store)
    assert give(bench_store, rows[5:9]).doubled_readings == 4
    assert table(bench_store) == 0
    at, value = rows[5]
    done = give(bench_store, [(at, value + 0.5)])
    assert (done.readings, done.doubled_readings, done.quarantined) == (0, 1, 1)
    (aside,) = bench_store.quarantine.messages()
    assert f"{value + 0.5!r} came after {value!r} for the same time" in aside.reason
    late = [(at + 60_000, 0.7), (at + 120_000, 0.8)]
    assert give(bench_store, late).readings == 2
    assert give(bench_store, late).doubled_readings == 2
    assert table(bench_store) == 2
    assert levels(bench_store) == sorted(rows + late)
    hours = queries.hourly(bench_store, "nursery", "level").set_index("time")
    assert hours.loc[pd.Timestamp(at, unit="ms", tz="UTC"), "n"] == 3

    again = seal_all(bench_store, now_ms=NOW + 1)
    assert [(each.month, each.readings, each.new) for each in again if isinstance(each, Sealed)] == [
        ("2026-03", 31 * 12 + 2, 2)
    ]
    assert table(bench_store) == 0
    assert levels(bench_store) == sorted(rows + late)
    # the file before it is kept for those who are reading it, and goes with a later sealing
    assert "nursery.2026-03.parquet" in files(bench_store)
    seal_all(bench_store, now_ms=NOW + 1 + sealing.REPLACED_KEPT_MS)
    assert files(bench_store) == ["nursery.2026-03.2.parquet", "nursery.2026-04.parquet", "nursery.2026-05.parquet"]
    assert levels(bench_store) == sorted(rows + late)


def test_a_journal_of_months_sent_again_changes_nothing(bench_store: Store) -> None:
    rows = spring(bench_store)
    seal_all(bench_store)
    for first in range(0, len(rows), 40):
        done = give(bench_store, rows[first : first + 40])
        assert (done.readings, done.quarantined) == (0, 0)
    assert table(bench_store) == 0


def test_hours_go_on_from_the_last_sealed_reading(bench_store: Store, tmp_path: Path) -> None:
    """The first reading after a sealed month is joined to the last one in the file, as without sealing."""
    april = MARCH + 31 * DAY
    first, then = [(april - 600_000, 0.02), (april - 300_000, 0.03)], [(april + 300_000, 0.01)]
    with open_store(tmp_path / "plain" / RECORD_FILE) as plain:
        Notebook(plain).add_trial(load_trial(DATA / "trial.toml"))
        for store in (plain, bench_store):
            give(store, first)
            if store is bench_store:
                seal_all(store)
            give(store, then)
        want = queries.hourly(plain, "nursery", "level")
    pd.testing.assert_frame_equal(queries.hourly(bench_store, "nursery", "level"), want)
    assert want["covered_s"].tolist() == [600, 300]


# ---------------------------------------------------------------- what breaks


def test_a_missing_file_is_named_with_its_mend_and_everything_else_works(bench_store: Store, tmp_path: Path) -> None:
    rows = spring(bench_store)
    seal_all(bench_store, before_ms=MARCH + 61 * DAY)
    gone = folder(bench_store) / "nursery.2026-03.parquet"
    aside = tmp_path / "kept.parquet"
    shutil.move(gone, aside)
    store = open_store(bench_store.path)
    message = (
        rf"^{gone}: the readings of nursery of 2026-03 are sealed in this file, and it is not there\. "
        r"Put the file back from a backup made after 2026-09-01 00:00 UTC; everything else still works$"
    )
    with store:
        with pytest.raises(SealedError, match=message):
            queries.readings(store, "nursery", "tray-1", ["level"])
        april = queries.readings(store, "nursery", "tray-1", ["level"], start_ms=MARCH + 31 * DAY)
        assert len(april) == len(rows) - 31 * 12
        assert len(queries.hourly(store, "nursery", "level")) == len(rows)
        assert queries.latest(store, "nursery")["value"].tolist() == [rows[-1][1]]
        assert queries.evidence_span_ms(store, "nursery", "tray-1", ["level"]) == (rows[0][0], rows[-1][0])
        findings = [finding for finding in examine(Path(store.path).parent) if finding.subject == "sealed readings"]
        assert [finding.ok for finding in findings] == [False, True]
        assert "it is not there" in findings[0].text
        # What comes late is kept though nobody can say whether it is here: doubled, contradicting, and new.
        doubled, (at, value) = rows[7], rows[8]
        late = (at + 60_000, 0.9)
        assert give(store, [doubled, (at, value + 0.25), late]).readings == 3
        # the cycles that hang on it stay due, and those of another tray do not wait for them
        store.connection.execute("CREATE TEMP TABLE other AS SELECT * FROM tray")
        store.connection.execute("UPDATE other SET name = 'tray-2'")
        store.connection.execute("INSERT INTO tray SELECT * FROM other")
        give(store, [(rows[-1][0], 0.0)], tray="tray-2")
        Upkeep(store).run(now=True)
        assert store.connection.execute("SELECT tray FROM cycles_due").fetchall() == [("tray-1",)]
        failed, may = seal_all(store, now_ms=NOW + 1)
        assert "it is not there" in str(failed)
        assert isinstance(may, Sealed)
        with pytest.raises(SealedError):
            levels(store)
        shutil.move(aside, gone)
        assert levels(store) == sorted([*rows, late])
        assert store.raw.count() == len(rows) + 4  # until the next sealing compares
        (again,) = seal_all(store, now_ms=NOW + 2)
        assert isinstance(again, Sealed)
        assert again.readings == 31 * 12 + 1
        assert levels(store) == sorted([*rows, late])
        assert store.raw.count() == len(rows) + 2  # the late one, and the one of tray-2
        (contradiction,) = store.quarantine.messages()
        assert f"{value + 0.25!r} came after {value!r} for the same time" in contradiction.reason
        hours = queries.hourly(store, "nursery", "level").set_index("time")["n"]
        assert hours[pd.Timestamp(at, unit="ms", tz="UTC")] == 2


def test_a_record_that_is_damaged_in_its_newest_file_still_takes_readings(bench_store: Store) -> None:
    """The writer goes on from the last reading, which the tables know without the file."""
    rows = spring(bench_store)
    seal_all(bench_store)
    for path in folder(bench_store).glob("*.parquet"):
        path.write_bytes(path.read_bytes()[:-1])
    new = (rows[-1][0] + 600_000, 0.02)
    with open_store(bench_store.path) as store:
        assert give(store, [new]).readings == 1
        assert queries.latest(store, "nursery")["value"].tolist() == [0.02]
        assert queries.readings(store, "nursery", "tray-1", ["level"], start_ms=new[0])["value"].tolist() == [0.02]
        hours = queries.hourly(store, "nursery", "level")
        assert hours["covered_s"].tolist()[-1] == 600
        with pytest.raises(SealedError, match=r"it has \d+ bytes, not \d+"):
            levels(store)


def test_a_numbered_message_that_comes_again_after_its_month_was_sealed_is_a_copy(bench_store: Store) -> None:
    made = tuple(Reading("tray-1", "level", MARCH + at * HOUR, 0.01) for at in range(4))
    pack = Pack("nursery", "bench-1", "7f3a", 1, None, from_ms(MARCH + 4 * HOUR), made, ())
    bench_store.record([(pack, "topic", b"")])
    seal_all(bench_store)
    assert table(bench_store) == 0
    again = bench_store.record([(pack, "topic", b"")])
    assert (again.doubled_messages, again.quarantined) == (1, 0)
    other = pack._replace(readings=tuple(each._replace(time_ms=each.time_ms + 60_000) for each in made))
    assert bench_store.record([(other, "topic", b"")]).quarantined == 1, "another message under a known number is kept"
