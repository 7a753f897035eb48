from __future__ import annotations

import random
import sqlite3
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.conftest import DATA
from tests.new_record import by_migrations
from tidetray.ingest.core.readings import Reading, to_ms
from tidetray.ingest.files.trial_file import load_trial
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.store import database, queries
from tidetray.ingest.store.database import Database, StoreError
from tidetray.ingest.store.message_numbers import MOST_GAPS, MOST_RANGES
from tidetray.ingest.store.quarantine import Quarantined, Reason
from tidetray.ingest.store.recording import Store, open_store
from tidetray.ingest.store.schema import MIGRATIONS
from tidetray.ingest.wire import packs, topics
from tidetray.ingest.wire.receipts import Here
from tidetray.ui import words

T0 = datetime(2026, 6, 1, 8, tzinfo=UTC)
TOPIC = topics.data_topic("nursery", "bench-1")
Sent = tuple[packs.Pack, str, bytes]


def sent(
    *readings: tuple[str, float, float],
    seq: int | None = None,
    boot: str = "a1",
    oldest: int | None = None,
    tray: str = "tray-1",
) -> Sent:
    """A pack of (channel, seconds after T0, value), received a minute after its last reading."""
    made = [Reading(tray, channel, to_ms(T0) + round(s * 1000), value) for channel, s, value in readings]
    payload = packs.encode_pack(made, boot=boot if seq is not None else None, seq=seq, oldest=oldest)
    received = T0 + timedelta(seconds=max((s for _, s, _ in readings), default=0) + 60)
    return packs.decode(TOPIC, payload, received), TOPIC, payload


def stored(store: Store, channel: str = "level") -> list[tuple[float, float]]:
    frame = queries.readings(store, "nursery", "tray-1", [channel])
    return [((time - T0).total_seconds(), value) for time, value in zip(frame["time"], frame["value"], strict=True)]


def test_what_is_recorded_is_on_disk_for_another_connection(bench_store: Store) -> None:
    done = bench_store.record([sent(("level", 0, 0.01), ("level", 10, 0.02), seq=1)])
    assert (done.messages, done.readings, done.receipts) == (1, 2, {("nursery", "bench-1", "a1"): 1})
    with open_store(bench_store.path, read_only=True) as other:
        assert stored(other) == [(0, 0.01), (10, 0.02)]


def test_a_message_that_comes_twice_changes_nothing_but_is_receipted_again(bench_store: Store) -> None:
    pack = sent(("level", 0, 0.01), seq=1)
    bench_store.record([pack])
    done = bench_store.record([pack, pack])
    assert (done.messages, done.doubled_messages, done.readings) == (0, 2, 0)
    assert done.receipts == {("nursery", "bench-1", "a1"): 1}
    assert stored(bench_store) == [(0, 0.01)]


def test_a_receipt_waits_for_a_missing_number(bench_store: Store) -> None:
    key = ("nursery", "bench-1", "a1")
    assert bench_store.record([sent(("level", 0, 0.01), seq=1), sent(("level", 20, 0.03), seq=3)]).receipts[key] == 1
    assert queries.nodes(bench_store, "nursery")[0].missing == 1
    assert bench_store.record([sent(("level", 10, 0.02), seq=2)]).receipts[key] == 3
    assert stored(bench_store) == [(0, 0.01), (10, 0.02), (20, 0.03)]
    assert queries.nodes(bench_store, "nursery")[0].missing == 0


def test_numbers_that_a_node_no_longer_holds_are_counted_and_passed(bench_store: Store) -> None:
    key = ("nursery", "bench-1", "a1")
    bench_store.record([sent(("level", 0, 0.01), seq=1)])
    assert bench_store.record([sent(("level", 50, 0.01), seq=6, oldest=5)]).receipts[key] == 4
    assert bench_store.record([sent(("level", 40, 0.01), seq=5, oldest=5)]).receipts[key] == 6
    state = queries.nodes(bench_store, "nursery")[0]
    assert (state.missing, state.gone) == (0, 3)


def test_numbers_that_are_gone_and_numbers_that_still_come_are_counted_apart(bench_store: Store) -> None:
    """1, 5 and 9 came; with the second the node said that it holds nothing before 4: 2 and 3 are gone, 4, 6, 7 and 8
    are still to come."""
    for seq, oldest in ((1, None), (5, 4), (9, 4)):
        bench_store.record([sent(("level", 10 * seq, 0.01), seq=seq, oldest=oldest)])
    (state,) = queries.nodes(bench_store, "nursery")
    assert (state.missing, state.gone) == (4, 2)
    assert state.boots[0].missing == ((4, 4), (6, 8))


def test_a_node_that_says_no_oldest_does_not_wait_for_ever_in_a_new_home(bench_store: Store) -> None:
    """A home that was replaced never had its first numbers. Within an hour they may still be under way."""
    receipts = []
    for minute in (0, 10, 59, 71, 72):
        again = [sent(("level", seq, 0.01), seq=seq) for seq in (41, 42)]
        now = T0 + timedelta(minutes=minute)
        done = bench_store.record([(pack._replace(received_at=now), topic, payload) for pack, topic, payload in again])
        receipts += done.receipts.values()
    assert receipts == [0, 0, 0, 42, 42]
    (node,) = queries.nodes(bench_store, "nursery")
    assert (node.missing, node.gone) == (0, 40)


def test_a_number_that_may_still_come_is_waited_for(bench_store: Store) -> None:
    """The lowest one that came is not what the node sends again: it holds others below."""
    for minute, seq in ((0, 41), (5, 41), (70, 30), (75, 41)):
        pack, topic, payload = sent(("level", seq, 0.01), seq=seq)
        now = T0 + timedelta(minutes=minute)
        done = bench_store.record([(pack._replace(received_at=now), topic, payload)])
        assert done.receipts == {("nursery", "bench-1", "a1"): 0}


def gaps_of(store: Store) -> tuple[int, int]:
    """(ranges of numbers that came, gaps that a node gave up) in the record."""
    return tuple(  # type: ignore[return-value]
        store.connection.execute(f"SELECT count(*) FROM {table}").fetchone()[0]
        for table in ("message_range", "message_gap")
    )


def test_of_gaps_without_end_the_oldest_are_a_count(bench_store: Store) -> None:
    """Every second number is given up. Before, each gap was kept for ever, and written again with every message."""
    last = 8 * MOST_GAPS + 1
    for first in range(1, last + 1, 100):
        numbers = range(first, min(first + 100, last + 1), 2)
        done = bench_store.record([sent(("level", seq, 0.01), seq=seq, oldest=seq) for seq in numbers])
        ranges, gaps = gaps_of(bench_store)
        assert gaps <= MOST_GAPS
        assert ranges <= MOST_GAPS + 1
    assert done.receipts == {("nursery", "bench-1", "a1"): last}
    bench_store.forget()  # as after a start
    (node,) = queries.nodes(bench_store, "nursery")
    assert (node.missing, node.gone) == (0, last // 2)
    assert len(stored(bench_store)) == last // 2 + 1


def test_what_comes_after_all_among_folded_gaps_is_recorded(bench_store: Store) -> None:
    """Of a node that gave them up, and of a broker that had them: one of them, then all of them."""
    last = 4 * MOST_GAPS + 1
    bench_store.record([sent(("level", seq, 0.01), seq=seq, oldest=seq) for seq in range(1, last + 1, 2)])
    assert gaps_of(bench_store)[1] <= MOST_GAPS
    for seq in (2, 1):
        bench_store.record([sent(("level", seq, 0.01), seq=seq, oldest=1)])
    assert len(stored(bench_store)) == last // 2 + 2
    for first in range(1, last + 1, 250):
        numbers = range(first, min(first + 250, last + 1))
        done = bench_store.record([sent(("level", seq, 0.01), seq=seq, oldest=1) for seq in reversed(numbers)])
    assert done.receipts == {("nursery", "bench-1", "a1"): last}
    assert stored(bench_store) == [(seq, 0.01) for seq in range(1, last + 1)]
    assert max(gaps_of(bench_store)) <= MOST_RANGES


def test_made_up_numbers_are_recorded_and_not_all_noted(bench_store: Store) -> None:
    """Each would be a range of its own. Nothing is receipted for them, and a message in order is none the worse."""
    numbers = random.Random(5).sample(range(2, 10**9), 3 * MOST_RANGES)
    for first in range(0, len(numbers), 500):
        done = bench_store.record(
            [sent(("level", at, 0.01), seq=seq) for at, seq in enumerate(numbers[first : first + 500], first)]
        )
    assert done.receipts == {("nursery", "bench-1", "a1"): 0}
    assert len(stored(bench_store)) == len(numbers)
    assert gaps_of(bench_store) == (MOST_RANGES, 0)
    assert bench_store.record([sent(("level", 10**6, 0.01), seq=1)]).readings == 1


def test_a_node_that_sends_its_newest_first_gets_all_its_receipts(bench_store: Store) -> None:
    """More gaps than are kept, all of which close: what was not noted has no receipt, and is sent again."""
    last = 4 * MOST_RANGES
    upto = 0
    backlog = [*range(last, 0, -2), *range(1, last + 1, 2)]
    for _ in range(4):
        for first in range(0, len(backlog), 500):
            batch = [seq for seq in backlog[first : first + 500] if seq > upto]
            done = bench_store.record([sent(("level", seq, 0.01), seq=seq, oldest=1) for seq in batch])
            upto = max([upto, *done.receipts.values()])
            assert gaps_of(bench_store)[0] <= MOST_RANGES
        backlog = list(range(1, last + 1))
    assert upto == last
    assert stored(bench_store) == [(seq, 0.01) for seq in range(1, last + 1)]
    (node,) = queries.nodes(bench_store, "nursery")
    assert (node.missing, node.gone) == (0, 0)


def test_boots_are_counted_apart(bench_store: Store) -> None:
    done = bench_store.record([sent(("level", 0, 0.01), seq=1, boot="a1"), sent(("level", 10, 0.01), seq=1, boot="b2")])
    assert done.receipts == {("nursery", "bench-1", "a1"): 1, ("nursery", "bench-1", "b2"): 1}


def test_a_message_of_a_whole_boot_from_long_ago_is_known_and_not_listed(bench_store: Store) -> None:
    """Thousands of starts later, in a store that was opened anew: its row is all that is kept of it."""
    old = [sent(("level", 10 * seq, 0.01), seq=seq, boot="a1") for seq in (1, 2, 3)]
    bench_store.record(old)
    with bench_store.transaction() as connection:
        connection.executemany(
            "INSERT INTO message_range VALUES ('nursery', 'bench-1', ?, 1, 40)", [(f"{n:08x}",) for n in range(3000)]
        )
    bench_store.record([sent(("level", 3e7, 0.02), seq=1, boot="b2")])
    with open_store(bench_store.path) as store:
        again = store.record([old[1]])
        assert (again.messages, again.readings, again.doubled_messages) == (0, 0, 1)
        assert again.receipts == {("nursery", "bench-1", "a1"): 3}
        assert store.quarantine.messages() == []
        other = store.record([sent(("level", 25, 0.04), seq=2, boot="a1")])  # the boot id used a second time
        assert (other.readings, other.quarantined, other.receipts) == (0, 1, again.receipts)
        (kept,) = store.quarantine.messages()
        assert kept.kind == "number-twice"
        assert len(stored(store)) == 4
        (node,) = queries.nodes(store, "nursery")
        assert [(each.boot, each.missing) for each in node.boots] == [("b2", ())]
        assert (node.missing, node.gone) == (0, 0)


def test_another_value_for_the_same_time_goes_into_quarantine_and_the_first_stands(bench_store: Store) -> None:
    bench_store.record([sent(("level", 0, 0.01), seq=1)])
    done = bench_store.record([sent(("level", 0, 0.04), seq=2)])
    assert (done.doubled_readings, done.quarantined) == (1, 1)
    assert stored(bench_store) == [(0, 0.01)]
    (message,) = bench_store.quarantine.messages()
    assert message.kind == "conflict"
    assert message.reason == (
        "nursery/bench-1 tray-1 level at 2026-06-01T08:00:00+00:00: 0.04 came after 0.01 for the same time; "
        "the first one counts. Check the node's clock"
    )


def test_readings_of_an_unknown_tray_wait_until_it_is_in_the_notebook(store: Store) -> None:
    done = store.record([sent(("level", 0, 0.01), seq=1)])
    assert (done.readings, done.quarantined) == (0, 1)
    assert done.receipts == {("nursery", "bench-1", "a1"): 1}  # it is on disk: the node may forget it
    assert "tray 'tray-1' of site 'nursery' is not in the notebook" in store.quarantine.messages()[0].reason
    assert store.readmit(packs.decode).readings == 0
    Notebook(store).add_trial(load_trial(DATA / "trial.toml"))
    assert store.readmit(packs.decode).readings == 1
    assert stored(store) == [(0, 0.01)]
    assert store.quarantine.messages(open_only=True) == []
    assert store.readmit(packs.decode).readings == 0


def test_a_message_in_quarantine_is_kept_up_to_what_could_be_decoded(store: Store) -> None:
    store.record([], [Quarantined(to_ms(T0), "x", b"z" * 10_000_000, (Reason("size", "too large"),))])
    (kept, whole) = store.connection.execute("SELECT length(payload), payload_bytes FROM quarantine").fetchone()
    assert (kept, whole) == (256 * 1024, 10_000_000)


def test_hourly_summary_worked_by_hand(bench_store: Store) -> None:
    # level: 0 at 0 s, 0.06 at 600 s, then nothing for half an hour, 0.02 at 2400 s and at 3000 s,
    # and 0.04 at 3700 s, 100 s into the next hour
    bench_store.record(
        [
            sent(
                ("level", 0, 0.0),
                ("level", 600, 0.06),
                ("level", 2400, 0.02),
                ("level", 3000, 0.02),
                ("level", 3700, 0.04),
                seq=1,
            )
        ]
    )
    hours = queries.hourly(bench_store, "nursery", "level")
    first, second = hours.to_dict("records")
    assert (first["n"], first["min"], first["max"]) == (4, 0.0, 0.06)
    assert first["mean"] == pytest.approx(0.025)
    # 600 s of mean 0.03, 600 s of 0.02, and 600 of the 700 s from 0.02 to 0.04
    at_hour = 0.02 + 0.02 * 600 / 700
    assert first["covered_s"] == pytest.approx(1800)
    assert first["integral"] == pytest.approx(600 * 0.03 + 600 * 0.02 + 600 * (0.02 + at_hour) / 2)
    assert (second["n"], second["covered_s"]) == (1, pytest.approx(100))
    assert second["integral"] == pytest.approx(100 * (at_hour + 0.04) / 2)


def test_hourly_summary_of_a_flag_and_of_light(bench_store: Store) -> None:
    # a flag holds: on from 0 to 400 s; light holds for lit and dark, and runs straight for its integral
    bench_store.record(
        [
            sent(
                ("flooded", 0, 1.0),
                ("flooded", 400, 0.0),
                ("flooded", 1000, 0.0),
                ("light", 0, 0.0),
                ("light", 600, 9000.0),
                ("light", 900, 9000.0),
                seq=1,
            )
        ]
    )
    flag = queries.hourly(bench_store, "nursery", "flooded").iloc[0]
    assert (flag["integral"], flag["covered_s"]) == (400, 1000)
    assert flag.isna()["above_s"]
    light = queries.hourly(bench_store, "nursery", "light").iloc[0]
    assert light["integral"] == pytest.approx(600 * 4500 + 300 * 9000)
    assert light["above_s"] == 300


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    data=st.data(),
    seconds=st.lists(st.integers(0, 4 * 3600), min_size=1, max_size=40, unique=True),
    channel=st.sampled_from(["level", "flooded", "light"]),
)
def test_summaries_do_not_depend_on_order_or_batches(data: st.DataObject, seconds: list[int], channel: str) -> None:
    value = {"level": lambda s: (s % 7) / 100, "flooded": lambda s: float(s % 2), "light": lambda s: float(s % 300)}[
        channel
    ]
    shuffled = data.draw(st.permutations(seconds))
    cuts = sorted(data.draw(st.lists(st.integers(0, len(seconds)), max_size=4)))

    def summaries(batches: list[list[int]]) -> list[dict[str, object]]:
        with open_store(":memory:") as store:
            Notebook(store).add_trial(load_trial(DATA / "trial.toml"))
            for batch in batches:
                store.record([sent((channel, s, value(s))) for s in batch])
            return queries.hourly(store, "nursery", channel).drop(columns=["node", "tray", "time"]).to_dict("records")

    edges = [0, *cuts, len(seconds)]
    pieces = [shuffled[a:b] for a, b in pairwise(edges) if b > a]
    at_once, in_pieces = summaries([sorted(seconds)]), summaries(pieces)
    assert len(at_once) == len(in_pieces)
    for one, other in zip(at_once, in_pieces, strict=True):
        assert other == pytest.approx(one, rel=1e-9, abs=1e-9, nan_ok=True)
    total = sum(float(row["n"]) for row in at_once)  # type: ignore[arg-type]
    assert total == len(seconds)


def test_a_failed_transaction_leaves_nothing_and_the_next_one_works(bench_store: Store) -> None:
    bench_store.record([sent(("level", 0, 0.01), seq=1)])
    bench_store.connection.execute("CREATE TRIGGER refuse BEFORE INSERT ON tail BEGIN SELECT raise(ABORT, 'disk'); END")
    with pytest.raises(sqlite3.IntegrityError):
        bench_store.record([sent(("level", 10, 0.02), seq=2)])
    assert stored(bench_store) == [(0, 0.01)]
    bench_store.connection.execute("DROP TRIGGER refuse")
    assert bench_store.record([sent(("level", 10, 0.02), seq=2)]).receipts == {("nursery", "bench-1", "a1"): 2}
    assert stored(bench_store) == [(0, 0.01), (10, 0.02)]


def test_sees_what_another_process_wrote_in_between(bench_store: Store) -> None:
    bench_store.record([sent(("level", 0, 0.01), seq=1)])
    with open_store(bench_store.path) as other:
        other.record([sent(("level", 10, 0.02), seq=2)])
    done = bench_store.record([sent(("level", 10, 0.02), seq=2), sent(("level", 20, 0.03), seq=3)])
    assert (done.doubled_messages, done.readings) == (1, 1)
    assert stored(bench_store) == [(0, 0.01), (10, 0.02), (20, 0.03)]


def test_migrations_are_applied_once_in_order(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Database, "migrate", by_migrations)
    path = tmp_path / "tidetray.sqlite"
    for _ in range(2):
        with open_store(path) as store:
            names = [name for (name,) in store.connection.execute("SELECT name FROM migration ORDER BY number")]
            assert names == [name for name, _ in MIGRATIONS]
            assert store.connection.execute("PRAGMA synchronous").fetchone() == (2,)  # FULL
            assert store.connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)


def test_the_records_of_tests_are_what_migrations_make(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    found = []
    for name, migrate in (("copied", Database.migrate), ("made", by_migrations)):
        monkeypatch.setattr(Database, "migrate", migrate)
        with open_store(tmp_path / name) as store:
            store.connection.execute("UPDATE migration SET applied_ms = 0")
            found.append([*store.connection.iterdump(), store.connection.execute("PRAGMA auto_vacuum").fetchone()])
    assert found[0] == found[1]


def test_a_record_of_a_newer_tidetray_is_refused(tmp_path: Path) -> None:
    with open_store(tmp_path / "r.sqlite") as store:
        store.connection.execute("INSERT INTO migration VALUES (99, 'later', 0)")
    with pytest.raises(StoreError, match="written by a newer tidetray"):
        open_store(tmp_path / "r.sqlite")


def test_reading_a_home_without_a_record_says_what_to_do(tmp_path: Path) -> None:
    with pytest.raises(StoreError, match=r"there is no record yet\. Start `tidetray record`"):
        open_store(tmp_path / "none.sqlite", read_only=True)


def test_a_file_that_is_no_record_is_refused(tmp_path: Path) -> None:
    (tmp_path / "r.sqlite").write_text("no database at all, just words" * 100)
    with pytest.raises(StoreError, match="cannot open the record"):
        open_store(tmp_path / "r.sqlite")


def test_what_a_node_says_of_itself_stays_when_it_has_gone(bench_store: Store) -> None:
    bench_store.note_here("nursery", "bench-1", Here(True, "a1", 3, 70, 1, ("tray-1/level", "flash")), at_ms=1000)
    bench_store.note_here("nursery", "bench-1", Here(False), at_ms=2000)
    (node,) = queries.nodes(bench_store, "nursery")
    assert (node.here, node.dropped_messages, node.dropped_readings, node.spoilt_records) == (False, 3, 70, 1)
    assert node.faults == ("tray-1/level", "flash")
    assert words.node_troubles(node) == {
        "trouble with": "tray-1/level, flash",
        "dropped, its journal was full": "3 messages, 70 readings",
        "spoilt on its flash": "1 record",
    }
    bench_store.note_here("nursery", "bench-1", Here(True), at_ms=3000)
    assert words.node_troubles(queries.nodes(bench_store, "nursery")[0]) == {}


def test_a_record_of_an_older_tidetray_is_brought_up_to_date_by_whoever_opens_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "tidetray.sqlite"
    with monkeypatch.context() as older:
        older.setattr(database, "MIGRATIONS", MIGRATIONS[:-2])
        open_store(path).close()
    with open_store(path, read_only=True) as store:
        names = [name for (name,) in store.connection.execute("SELECT name FROM migration ORDER BY number")]
        assert names == [name for name, _ in MIGRATIONS]
        with pytest.raises(sqlite3.OperationalError, match="readonly"):
            store.connection.execute("DELETE FROM migration")


def test_cycles_since_a_time_are_those_not_over_by_then(bench_store: Store) -> None:
    """Against what the whole list says: over when dry, when the pump stopped in vain, or when the next one begins."""
    rows = [
        # flood_start, drain_start, dry, outcome; minutes
        (10, 20, 25, "complete"),
        (30, 31, None, "no flood"),
        (40, 50, None, "did not drain"),
        (60, None, None, "unknown"),
        (80, 90, 95, "complete"),
        (None, 100, None, "no flood"),
        (110, None, None, "under way"),
    ]
    for tray in ("tray-1", "tray-2"):
        for number, (flood, drain, dry, outcome) in enumerate(rows, 1):
            bench_store.connection.execute(
                (
                    "INSERT INTO cycle (site, tray, number, flood_start_ms, drain_start_ms, dry_ms, outcome) "
                    "VALUES (?, ?, ?, ?, ?, ?, ?)"
                ),
                ("nursery", tray, number, *(None if m is None else 60_000 * m for m in (flood, drain, dry)), outcome),
            )
    over = [25, 31, 60, 80, 95, 100, 1_000_000]
    for minute in range(0, 130, 5):
        found = queries.cycles(bench_store, "nursery", start_ms=60_000 * minute)
        wanted = [outcome for (*_, outcome), at in zip(rows, over, strict=True) if at >= minute]
        assert found["outcome"].tolist() == wanted * 2, minute
        assert queries.cycles(bench_store, "nursery", "tray-2", start_ms=60_000 * minute)["tray"].eq("tray-2").all()
    assert queries.cycles(bench_store, "elsewhere").empty
