"""The tail of the record: what waits in it and what is folded are one record, at every moment and for every reader."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.conftest import DATA
from tests.ingest.store.test_raw_readings import seal_all
from tidetray.ingest.core.readings import Reading, from_ms
from tidetray.ingest.files.trial_file import load_trial
from tidetray.ingest.influx.queue import set_forwarding
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.settings.model import RECORD_FILE, InfluxSettings
from tidetray.ingest.store import queries, recording, tail_notes
from tidetray.ingest.store.backup import back_up
from tidetray.ingest.store.database import Database
from tidetray.ingest.store.recording import Recorded, Store, open_store
from tidetray.ingest.store.schema import MIGRATIONS
from tidetray.ingest.store.sealing import Sealed
from tidetray.ingest.store.tail import pack_rows, unpack_rows
from tidetray.ingest.store.tail_notes import Notes
from tidetray.ingest.wire.packs import Pack

T0 = 1_780_000_000_000 // 3_600_000 * 3_600_000
MINUTE = 60_000
CHANNELS = ("level", "flooded", "light")
Row = tuple[str, int, float]
"""Channel, minutes after T0, value."""


def give(
    store: Store, rows: list[Row], *, seq: int | None = None, received: int = 0, boot: str = "a1", node: str = "bench-1"
) -> Recorded:
    """Record one message, received so many minutes after T0."""
    made = tuple(Reading("tray-1", channel, T0 + MINUTE * at, value) for channel, at, value in rows)
    at = from_ms(T0 + MINUTE * max([received, *(at for _, at, _ in rows)]))
    pack = Pack("nursery", node, boot if seq else None, seq, None, at, made, ())
    return store.record([(pack, "topic", repr((seq, rows)).encode())])


def in_tail(store: Database) -> int:
    return store.raw.tail.count()


def in_table(store: Store) -> int:
    return int(store.connection.execute("SELECT count(*) FROM reading").fetchone()[0])


def opened(path: Path) -> Store:
    """Without waiting for the disk: nobody pulls the plug here."""
    store = open_store(path)
    store.connection.execute("PRAGMA synchronous=OFF")
    return store


@pytest.fixture(autouse=True)
def small_pieces(monkeypatch: pytest.MonkeyPatch) -> None:
    """A fold of many pieces, notes that are settled often, commits that are thick soon."""
    monkeypatch.setattr(recording, "FOLDED_AT_ONCE", 3)
    monkeypatch.setattr(recording, "NOTES_KEPT", 5)
    monkeypatch.setattr(recording, "THICK", 6)


# ---------------------------------------------------------------- as it is packed

some_rows = st.lists(
    st.tuples(
        st.integers(1, 2**31 - 1),
        st.integers(0, 2**43),
        st.floats(allow_nan=False) | st.sampled_from([0.0, -0.0, 5e-324, 0.1 + 0.2]),
        st.integers(0, 2**40),
    ),
    min_size=1,
    max_size=60,
)


@given(some_rows)
def test_any_readings_come_back_bit_for_bit(rows: list[tuple[int, int, float, int]]) -> None:
    found = unpack_rows(pack_rows(rows)).tolist()
    assert repr(found) == repr(rows)  # tells 0.0 from -0.0


names = st.text(min_size=1, max_size=5)
some_notes = st.builds(
    Notes,
    st.dictionaries(st.tuples(names, names), st.tuples(st.none() | names, st.integers(0, 2**43)), max_size=3),
    st.dictionaries(
        st.tuples(names, names, names),
        st.none() | st.lists(st.tuples(st.integers(1, 99), st.integers(100, 2**40)), max_size=3),
        max_size=3,
    ),
    st.dictionaries(st.sampled_from(["received", "readings"]), st.integers(0, 2**40)),
)


@given(some_notes)
def test_any_note_comes_back(notes: Notes) -> None:
    assert Notes.of(notes.packed()) == notes


# ---------------------------------------------------------------- against a plain model

minutes = st.integers(0, 400)
steps = st.lists(
    st.one_of(
        st.tuples(
            st.just("give"),
            st.lists(
                st.tuples(st.sampled_from(CHANNELS), minutes, st.sampled_from([0.0, 1.0])), min_size=1, max_size=9
            ),
        ),
        st.tuples(st.just("go on"), st.integers(1, 20)),
        st.tuples(st.just("piece"), st.none()),
        st.tuples(st.just("fold"), st.none()),
        st.tuples(st.just("start anew"), st.none()),
        st.tuples(st.just("forget"), st.none()),
        st.tuples(st.just("seal"), st.integers(0, 1)),
    ),
    min_size=1,
    max_size=25,
)


class Model:
    """What was recorded, as dictionaries. The first value of a time counts."""

    def __init__(self) -> None:
        self.values: dict[tuple[str, int], float] = {}
        self.doubled = self.contradicted = 0

    def take(self, rows: list[Row]) -> None:
        for channel, at, value in rows:
            if (channel, at) in self.values:
                self.doubled += 1
                self.contradicted += self.values[channel, at] != value
            else:
                self.values[channel, at] = value

    def going_on(self, after: int) -> list[Row]:
        """In order, as a node sends."""
        last = max((at for _, at in self.values), default=0)
        return [(channel, last + after, 1.0) for channel in CHANNELS]

    def of(self, channel: str) -> list[tuple[int, float]]:
        return sorted((T0 + MINUTE * at, value) for (name, at), value in self.values.items() if name == channel)


def check(store: Database, model: Model, asked: list[int]) -> None:
    series = {key.channel: key.id for key in queries.all_series(store)}
    assert store.raw.count() == store.raw.count("bench-1") == len(model.values)
    for channel, number in series.items():
        rows = model.of(channel)
        assert store.raw.rows(number)[["time_ms", "value"]].tolist() == rows
        assert store.raw.first_ms(number) == (rows[0][0] if rows else None)
        assert store.raw.last(number) == (rows[-1] if rows else None)
        counts: dict[int, int] = {}
        for time_ms, _ in rows:
            counts[time_ms // 3_600_000] = counts.get(time_ms // 3_600_000, 0) + 1
        assert dict(queries.readings_by_hour(store, number, 0)) == counts
        for at in asked:
            time_ms = T0 + MINUTE * at
            assert store.raw.at(number, time_ms) == dict(rows).get(time_ms)
            before = [row for row in rows if row[0] < time_ms]
            assert store.raw.last(number, time_ms) == (before[-1] if before else None)
            found = store.raw.rows(number, time_ms, time_ms + 90 * MINUTE)[["time_ms", "value"]].tolist()
            assert found == [row for row in rows if time_ms <= row[0] < time_ms + 90 * MINUTE]


def work_on(store: Store, what: str, more: Any) -> None:
    if what == "piece":
        store.fold_piece()
    elif what == "fold":
        store.fold()
        assert in_tail(store) == 0
    elif what == "forget":
        store.forget()
    else:
        before_ms = T0 + 40 * 24 * 60 * MINUTE * more
        assert all(isinstance(each, Sealed) for each in seal_all(store, now_ms=before_ms, before_ms=before_ms))


def plain_hours(model: Model, path: Path, monkeypatch: pytest.MonkeyPatch) -> list[pd.DataFrame]:
    """Of the model's readings in one commit, straight into the tables."""
    with open_store(path) as store, monkeypatch.context() as never:
        never.setattr(recording, "THICK", 0)
        Notebook(store).add_trial(load_trial(DATA / "trial.toml"))
        if model.values:
            give(store, [(channel, at, value) for (channel, at), value in sorted(model.values.items())])
        assert in_tail(store) == 0
        return hours_of(store)


def hours_of(store: Store) -> list[pd.DataFrame]:
    return [queries.hourly(store, "nursery", channel) for channel in CHANNELS]


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(steps=steps, asked=st.lists(st.integers(-1, 401), max_size=4))
def test_tail_and_tables_are_one_record(
    tmp_path_factory: pytest.TempPathFactory,
    monkeypatch: pytest.MonkeyPatch,
    steps: list[tuple[str, Any]],
    asked: list[int],
) -> None:
    """Readings in any order, late, doubled and contradicting, by few and by many, folded and sealed in between, the
    recorder started anew; a reader that stays open sees the same at each moment."""
    folder = tmp_path_factory.mktemp("home")
    model = Model()
    store = opened(folder / RECORD_FILE)
    reader = open_store(folder / RECORD_FILE, read_only=True)
    try:
        Notebook(store).add_trial(load_trial(DATA / "trial.toml"))
        doubled = 0
        for what, more in steps:
            if what in ("give", "go on"):
                rows = more if what == "give" else model.going_on(more)
                doubled += give(store, rows).doubled_readings
                model.take(rows)
            elif what == "start anew":
                store.close()
                store = opened(folder / RECORD_FILE)
            else:
                work_on(store, what, more)
            for each in (store, reader):
                check(each, model, asked)
        assert doubled == model.doubled
        kept = store.quarantine.messages(limit=-1)
        assert sum(message.times * message.reasons[0].records for message in kept) == model.contradicted
        assert queries.counters(reader)["readings"] == len(model.values)
        want = plain_hours(model, folder / "plain.sqlite", monkeypatch)
        for each in (store, reader):
            for found, wanted in zip(hours_of(each), want, strict=True):
                pd.testing.assert_frame_equal(found, wanted, rtol=1e-9)
        before = hours_of(reader)
        store.fold()
        assert store.connection.execute("SELECT count(*) FROM tail").fetchone() == (0,)
        for found, wanted in zip(hours_of(reader), before, strict=True):
            pd.testing.assert_frame_equal(found, wanted, check_exact=True)
        assert in_table(store) + sum(
            file[0] for file in store.connection.execute("SELECT rows FROM sealed WHERE state = 'sealed'")
        ) == len(model.values)
        check(reader, model, asked)
    finally:
        reader.close()
        store.close()


# ---------------------------------------------------------------- which readings wait in it


def test_what_a_node_sends_in_order_waits_and_is_folded_when_it_is_much(
    bench_store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(recording, "FOLDED_A_SERIES", 10)
    for at in range(9):
        give(bench_store, [(channel, at, 0.01) for channel in CHANNELS])
        assert not bench_store.is_to_be_folded()
    assert (in_tail(bench_store), in_table(bench_store)) == (27, 0)
    give(bench_store, [(channel, 9, 0.01) for channel in CHANNELS])
    assert bench_store.is_to_be_folded()
    assert bench_store.fold_piece()
    assert bench_store.is_to_be_folded(), "it is under way"
    assert (in_tail(bench_store), in_table(bench_store)) == (20, 10), "a piece is a whole series"
    give(bench_store, [("level", 10, 0.01), ("level", 11, 0.01)])
    while bench_store.fold_piece():
        pass
    assert not bench_store.is_to_be_folded()
    assert in_tail(bench_store) + in_table(bench_store) == 32


def test_a_day_in_the_tail_is_folded_however_little_it_is(bench_store: Store) -> None:
    give(bench_store, [("level", 0, 0.01)])
    give(bench_store, [("level", 24 * 60 - 1, 0.01)])
    assert not bench_store.is_to_be_folded()
    give(bench_store, [("level", 24 * 60, 0.01)])
    assert bench_store.is_to_be_folded()


def test_many_of_a_series_at_once_and_late_ones_go_into_the_table(bench_store: Store) -> None:
    give(bench_store, [("level", 5, 0.01), ("light", 5, 90.0)])
    assert in_tail(bench_store) == 2
    give(bench_store, [("level", 3, 0.02)])  # late: its series leaves the tail, the other one stays
    assert (in_tail(bench_store), in_table(bench_store)) == (1, 2)
    give(bench_store, [("light", at, 90.0) for at in range(6, 20)])
    assert (in_tail(bench_store), in_table(bench_store)) == (0, 17)


def test_a_value_that_comes_again_does_not_fold_its_series(bench_store: Store) -> None:
    give(bench_store, [("level", 5, 0.01)])
    assert give(bench_store, [("level", 5, 0.01)]).doubled_readings == 1
    done = give(bench_store, [("level", 5, 0.02), ("level", 6, 0.03), ("level", 6, 0.03)])
    assert (done.readings, done.doubled_readings, done.quarantined) == (1, 2, 1)
    assert in_tail(bench_store) == 2


def test_the_tail_is_bounded_though_nobody_folds_it(bench_store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(recording, "MOST_IN_TAIL", 100)
    monkeypatch.setattr(recording, "LOOKS_AFTER", 4)
    longest = 0
    for at in range(400):
        give(bench_store, [(channel, at, 0.01) for channel in CHANNELS])
        longest = max(longest, in_tail(bench_store))
    assert 100 < longest < 200
    assert bench_store.raw.count() == 1200


def test_a_commit_writes_few_pages_however_many_series_it_has(bench_store: Store) -> None:
    """By the length of the write-ahead log: with a page of two tables for each series it was 2 * 60 and more."""
    channels = ("level", "water_temp", "air_temp")
    trays = [f"tray-{n}" for n in range(1, 21)]
    with bench_store.transaction() as connection:
        row = connection.execute("SELECT * FROM tray WHERE name = 'tray-1'").fetchone()
        names = [each[1] for each in connection.execute("PRAGMA table_info(tray)").fetchall()]
        for tray in trays[1:]:
            changed = [tray if name == "name" else value for name, value in zip(names, row, strict=True)]
            connection.execute(f"INSERT INTO tray VALUES ({', '.join('?' * len(row))})", changed)

    def record(seq: int) -> None:
        packs = []
        for tray in trays:
            rows = tuple(Reading(tray, channel, T0 + 10_000 * seq, 0.01 + seq / 7) for channel in channels)
            pack = Pack("nursery", f"node-{tray}", "a1", seq, 1, from_ms(T0 + 10_000 * seq), rows, ())
            packs.append((pack, "t", b""))
        assert bench_store.record(packs).readings == 60

    def pages() -> int:
        return bench_store.connection.execute("PRAGMA wal_checkpoint(PASSIVE)").fetchone()[1]

    for seq in range(1, 4):
        record(seq)
    bench_store.fold()
    bench_store.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    before = pages()
    seq = 4
    for _ in range(8):
        record(seq)
        seq += 1
    # a new log begins where an earlier one was copied whole: so the pages are those of the last commit at least
    assert pages() - before <= 8 * 5


# ---------------------------------------------------------------- what a commit says beside its readings


def told(store: Store) -> list[Any]:
    (node,) = queries.nodes(store, "nursery")
    return [node, queries.counters(store), queries.newest_received_ms(store), queries.nodes_heard(store)]


def test_nodes_numbers_and_counts_are_those_of_the_last_commit(bench_store: Store) -> None:
    """Before and after notes are settled, in order, with gaps, with more gaps than a note takes, and of a new boot."""
    with open_store(bench_store.path, read_only=True) as reader:
        came: set[int] = set()
        for received, seq in enumerate([1, 2, 5, 4, 9, 3, 11, 13, 15, 17, 19, 21, 16, 18, 12, 10, 6, 7, 8, 14, 20]):
            came.add(seq)
            upto = next(n for n in range(1, 30) if n not in came) - 1
            done = give(bench_store, [("level", received, 0.01)], seq=seq, received=received)
            assert done.receipts == {("nursery", "bench-1", "a1"): upto}
            node, counts, newest_ms, heard = told(reader)
            assert (node.boot, node.missing) == ("a1", max(came) - len(came))
            assert node.boots[0].upto == upto
            assert newest_ms == T0 + MINUTE * received
            assert heard == [("nursery", "bench-1", from_ms(newest_ms))]
            assert node.last_message == from_ms(newest_ms)
            assert (counts["received"], counts["readings"]) == (received + 1, received + 1)
            if received % 3 == 0:
                bench_store.forget()
        before = told(reader)
        bench_store.fold()
        assert told(reader) == before
        give(bench_store, [("level", 30, 0.01)], seq=1, received=30, boot="b2")
        node, *_ = told(reader)
        assert node.boot == "b2"
        again = give(bench_store, [("level", 5, 0.01)], seq=5, received=31)
        assert (again.doubled_messages, again.receipts) == (1, {("nursery", "bench-1", "a1"): 21})


def test_notes_are_few(bench_store: Store) -> None:
    for seq in range(1, 40):
        give(bench_store, [("level", seq, 0.01)], seq=seq)
        (waiting,) = bench_store.connection.execute(
            "SELECT count(*) FROM tail WHERE id > (SELECT noted FROM tail_state)"
        ).fetchone()
        assert waiting <= recording.NOTES_KEPT
    assert bench_store.connection.execute("SELECT last_seq FROM message_range").fetchone()[0] > 30
    assert tail_notes.notes_of(bench_store.connection).counts.get("readings", 0) < 5


# ---------------------------------------------------------------- who else rests on it


def queued(store: Store) -> list[tuple[int, int, float]]:
    return store.connection.execute("SELECT series, time_ms, value FROM forward_queue ORDER BY id").fetchall()


def hours_queued(store: Store) -> list[tuple[int, int]]:
    return store.connection.execute("SELECT series, hour FROM forward_hour ORDER BY series, hour").fetchall()


def test_influxdb_gets_each_reading_and_each_hour_at_its_commit_and_none_by_folding(bench_store: Store) -> None:
    give(bench_store, [("level", 50, 0.01)])
    set_forwarding(bench_store, InfluxSettings(url="http://127.0.0.1:1", org="o", bucket="b", token_file="t"))
    hour = T0 // 3_600_000
    assert (queued(bench_store), hours_queued(bench_store)) == ([], [(1, hour)])
    bench_store.connection.execute("DELETE FROM forward_hour")
    give(bench_store, [("level", 61, 0.02)])  # within 15 minutes: it changes the hour before, too
    assert queued(bench_store) == [(1, T0 + 61 * MINUTE, 0.02)]
    assert hours_queued(bench_store) == [(1, hour), (1, hour + 1)]
    whole = queries.hours_of(bench_store, hours_queued(bench_store))
    walked = queries.hours_after(bench_store, 0, 0, most=10)
    assert (len(whole), walked) == (2, []), "the walk takes what the table has"
    bench_store.fold()
    assert (len(queued(bench_store)), len(hours_queued(bench_store))) == (1, 2)
    assert queries.hours_of(bench_store, hours_queued(bench_store)) == whole
    assert queries.hours_after(bench_store, 0, 0, most=10) == whole
    give(bench_store, [("level", 62, 0.03)])
    last = queries.hours_of(bench_store, [(1, hour + 1)])
    assert queries.hours_after(bench_store, 0, 0, most=10) == [whole[0], *last], "as of the last commit"
    give(bench_store, [("level", 55, 0.03)])  # late: straight into the table
    assert len(queued(bench_store)) == 3


def test_a_copy_has_what_waits_in_the_tail(bench_store: Store, tmp_path: Path) -> None:
    give(bench_store, [("level", 5, 0.01)])
    made = back_up(Path(bench_store.path), tmp_path / "copy.sqlite")
    assert made.readings == 1
    with open_store(made.path) as copy:
        assert copy.raw.rows(1)["value"].tolist() == [0.01]
        assert give(copy, [("level", 5, 0.01)]).doubled_readings == 1


def test_answers_that_rest_on_hours_are_worked_out_again_after_a_commit(bench_store: Store) -> None:
    seen = [queries.measured_until(bench_store, None)]
    for at in (5, 6):
        give(bench_store, [("level", at, 0.01)])
        seen.append(queries.measured_until(bench_store, None))
    assert len({str(each) for each in seen}) == 3
    assert queries.measured_until(bench_store, T0 - 3_600_000) == queries.measured_until(bench_store, T0 - 7_200_000)


def test_a_transaction_that_fails_leaves_nothing_in_memory(bench_store: Store) -> None:
    give(bench_store, [("level", 5, 0.01)])

    def fail() -> None:
        with bench_store.transaction():
            bench_store.fold_series([1])
            assert in_tail(bench_store) == 0
            raise RuntimeError("half way")

    with pytest.raises(RuntimeError, match="half way"):
        fail()
    assert (in_tail(bench_store), in_table(bench_store)) == (1, 0)
    assert bench_store.raw.rows(1)["value"].tolist() == [0.01]


def test_a_home_of_before_there_was_a_tail_goes_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its triggers too: readings that a late one puts into the table are queued as before."""
    names = [name for name, _ in MIGRATIONS]
    path = tmp_path / RECORD_FILE
    with monkeypatch.context() as older:
        older.setattr("tidetray.ingest.store.database.MIGRATIONS", MIGRATIONS[: names.index("tail")])
        with Database.open(path) as store:
            execute = store.connection.execute
            execute("INSERT INTO series VALUES (1, 'nursery', 'bench-1', 'tray-1', 'level')")
            execute("INSERT INTO reading VALUES (1, ?, 0.01, 0)", (T0,))
            execute("INSERT INTO hourly VALUES (1, ?, 1, 0.01, 0.01, 0.01, 0, 0, NULL)", (T0 // 3_600_000,))
            execute("INSERT INTO message_range VALUES ('nursery', 'bench-1', 'a1', 1, 7)")
            execute(
                "INSERT INTO node (site, node, boot, last_message_ms) VALUES ('nursery', 'bench-1', 'a1', ?)", (T0,)
            )
    with open_store(path) as store:
        Notebook(store).add_trial(load_trial(DATA / "trial.toml"))
        assert give(store, [("level", 5, 0.02)], seq=8).receipts == {("nursery", "bench-1", "a1"): 8}
        assert give(store, [("level", 6, 0.02)], seq=7).doubled_messages == 1
        assert store.raw.rows(1)["value"].tolist() == [0.01, 0.02]
        (hour,) = queries.hours_of(store, [(1, T0 // 3_600_000)])
        assert hour[2:4] == (2, pytest.approx(0.015))
        assert hour[7] == 300, "joined to the last reading of before"
        before = queries.hourly(store, "nursery", "level")
        store.fold()
        pd.testing.assert_frame_equal(queries.hourly(store, "nursery", "level"), before, check_exact=True)
        assert np.all(before["n"] == 2)
