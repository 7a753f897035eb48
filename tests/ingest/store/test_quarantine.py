"""The quarantine: one row a message, bounded, receipted, tried again when the reason is gone."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.conftest import DATA
from tidetray.ingest.core.readings import Reading, to_ms
from tidetray.ingest.files.trial_file import load_trial
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.store import database, quarantine, queries
from tidetray.ingest.store.quarantine import CONFLICT, FAULT, TIME, UNKNOWN_TRAY, Quarantined, Reason, refused
from tidetray.ingest.store.recording import Recorded, Sent, Store, open_store
from tidetray.ingest.store.schema import MIGRATIONS
from tidetray.ingest.wire import packs
from tidetray.ingest.wire.packs import AllBadError
from tidetray.ingest.wire.receipts import Here
from tidetray.ingest.wire.senml import WireError
from tidetray.ingest.wire.topics import data_topic

T0 = datetime(2026, 6, 1, 8, tzinfo=UTC)
TOPIC = data_topic("nursery", "bench-1")
KEY = ("nursery", "bench-1", "a1")
DAY = timedelta(days=1)


def levels(store: Store, tray: str = "tray-1") -> list[float]:
    return queries.readings(store, "nursery", tray, ["level"])["value"].tolist()


def message(seq: int, *values: float, at: datetime = T0, tray: str = "tray-1", boot: str = "a1") -> bytes:
    """Levels of one tray, a second apart, from `at` on."""
    made = [Reading(tray, "level", to_ms(at) + 1000 * n, value) for n, value in enumerate(values)]
    return packs.encode_pack(made, boot=boot, seq=seq)


def sent(payload: bytes, received: datetime = T0 + timedelta(minutes=1), topic: str = TOPIC) -> Sent:
    """As the recorder takes it: a pack of which all is bad is taken for its number."""
    try:
        return packs.decode(topic, payload, received), topic, payload
    except AllBadError as error:
        return error.pack, topic, payload


def kept_bytes(store: Store) -> int:
    (size,) = store.connection.execute("SELECT coalesce(sum(length(payload)), 0) FROM quarantine").fetchone()
    return int(size)


# ---------------------------------------------------------------- one row a message


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    records=st.lists(
        st.sampled_from(
            [
                {"n": "x", "v": 1},
                {"n": "tray-1/level", "u": "m", "v": 77},
                {"n": "tray-1/level", "u": "cm", "v": 1},
                {"n": "tray-1/level", "u": "m", "v": 0.01, "t": 86_400},
                {"n": "tray-9/level", "u": "m", "v": 0.01},
                {"n": "tray-1/level", "u": "m", "v": 0.02},
            ]
        ),
        min_size=1,
        max_size=30,
    )
)
def test_a_message_is_kept_once_however_many_of_its_records_are_bad(records: list[dict[str, Any]]) -> None:
    payload = json.dumps([{"n": "boot", "vs": "a1"}, {"n": "seq", "v": 1}, *records]).encode()
    with open_store(":memory:") as store:
        Notebook(store).add_trial(load_trial(DATA / "trial.toml"))
        done = store.record([sent(payload)])
        kept = store.quarantine.messages()
        assert len(kept) == done.quarantined <= 1
        assert kept_bytes(store) <= len(payload)
        assert done.receipts == {KEY: 1}
        again = store.record([sent(payload)])
        assert (again.doubled_messages, again.quarantined, kept_bytes(store)) == (
            1,
            0,
            sum(m.payload_bytes for m in kept),
        )


def test_the_reasons_of_a_message_are_told_by_kind_with_how_many_records_each(bench_store: Store) -> None:
    records = [
        {"n": "tray-1/level", "u": "m", "v": 0.01},
        {"n": "tray-1/level", "u": "m", "v": 77},
        {"n": "tray-1/humidity", "u": "%RH", "v": -3},
        {"n": "tray-1/level", "u": "m", "v": 0.01, "t": 86_400},
        {"n": "x", "v": 1},
    ]
    payload = json.dumps([{"n": "boot", "vs": "a1"}, {"n": "seq", "v": 1}, *records]).encode()
    assert bench_store.record([sent(payload)]).readings == 1
    (kept,) = bench_store.quarantine.messages()
    assert [(reason.kind, reason.records) for reason in kept.reasons] == [("time", 1), ("range", 2), ("channel", 1)]
    assert kept.reasons[1].text.startswith("record 4 'tray-1/level': 77 is outside")
    assert (kept.kind, kept.reason) == ("time", kept.reasons[0].text)


def test_many_conflicting_readings_of_one_message_are_one_row(bench_store: Store) -> None:
    bench_store.record([sent(message(1, *[0.01] * 20))])
    done = bench_store.record([sent(message(2, *[0.02] * 20)), sent(message(3, *[0.01] * 20))])
    assert (done.doubled_readings, done.quarantined) == (40, 1)
    (kept,) = bench_store.quarantine.messages()
    assert [(reason.kind, reason.records) for reason in kept.reasons] == [(CONFLICT, 20)]
    assert kept_bytes(bench_store) == len(message(2, *[0.02] * 20))


def test_of_two_values_for_one_time_in_one_batch_the_first_stands(bench_store: Store) -> None:
    done = bench_store.record([sent(message(1, 0.05)), sent(message(2, 0.03))])
    assert levels(bench_store) == [0.05]
    assert (done.readings, done.doubled_readings, done.quarantined) == (1, 1, 1)
    assert "0.03 came after 0.05 for the same time" in bench_store.quarantine.messages()[0].reason


def test_the_same_message_without_a_number_is_counted_in_its_row(bench_store: Store) -> None:
    bad = b'[{"n":"tray-1/level","u":"m","v":77}]'
    for minute in range(1, 11):
        done = bench_store.record([sent(bad, T0 + timedelta(minutes=minute))])
        assert done.quarantined == 1
    (kept,) = bench_store.quarantine.messages()
    assert kept.times == 10


def test_equal_messages_of_an_unknown_tray_are_not_taken_for_one(store: Store) -> None:
    """Without times of their own they are readings of different times."""
    for minute in (1, 2, 3):
        store.record([sent(b'[{"n":"tray-1/level","u":"m","v":0.02}]', T0 + timedelta(minutes=minute))])
    assert len(store.quarantine.messages()) == 3
    Notebook(store).add_trial(load_trial(DATA / "trial.toml"))
    assert store.readmit(packs.decode).readings == 3


# ---------------------------------------------------------------- it cannot fill the disk


def test_beyond_what_is_kept_of_a_node_on_a_day_messages_are_counted_and_recording_goes_on(
    bench_store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(quarantine, "KEPT_A_DAY_BYTES", 10_000)
    for seq in range(1, 101):
        bad = json.dumps([{"n": "boot", "vs": "a1"}, {"n": "seq", "v": seq}, {"n": "x", "v": seq}]).encode()
        good = message(seq, 0.01, at=T0 + timedelta(seconds=seq), boot="b2")
        done = bench_store.record([sent(bad), sent(good)])
        assert done.receipts == {KEY: seq, ("nursery", "bench-1", "b2"): seq}
    kept = len(bench_store.quarantine.messages(limit=-1))
    assert 10 < kept < 60
    assert bench_store.quarantine.overflow().messages == 100 - kept
    assert len(levels(bench_store)) == 100
    other = json.dumps([{"n": "boot", "vs": "a1"}, {"n": "seq", "v": 1}, {"n": "x", "v": 1}]).encode()
    bench_store.record([sent(other, topic=data_topic("nursery", "bench-2"))])
    bench_store.record([sent(other.replace(b"a1", b"a2"), T0 + DAY)])
    assert len(bench_store.quarantine.messages(limit=-1)) == kept + 2, "another node and another day have their own"


def test_what_may_be_recorded_later_has_room_of_its_own(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(quarantine, "KEPT_A_DAY_BYTES", 3000)
    for seq in range(1, 101):
        store.record([sent(message(2 * seq - 1, 0.01, at=T0 + timedelta(seconds=seq)))])
        store.record([sent(json.dumps([{"n": "x", "v": seq}]).encode())])
    Notebook(store).add_trial(load_trial(DATA / "trial.toml"))
    assert store.readmit(packs.decode).readings == 100
    assert store.quarantine.overflow().messages > 50


def test_beyond_a_days_share_what_may_be_recorded_later_stays_with_its_node(
    store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing of it is lost, and the node's window of eight stands still until the next day at most."""
    monkeypatch.setattr(quarantine, "CURABLE_A_DAY_BYTES", 20_000)
    upto, held, midnight = 0, [], T0.replace(hour=0)
    for hour in range(24 * 5):
        now = midnight + timedelta(hours=hour, minutes=1)
        for _ in range(5):  # as fast as receipts come
            window = range(upto + 1, min(upto + 8, 200) + 1)
            if not window:
                break
            done = store.record([sent(message(seq, 0.01, at=midnight + timedelta(seconds=seq)), now) for seq in window])
            held.append(done.held)
            upto = done.receipts[KEY]
    assert upto == 200
    assert max(held) > 0
    assert len(store.quarantine.messages(limit=-1)) == 200
    assert store.quarantine.overflow().messages == 0
    Notebook(store).add_trial(load_trial(DATA / "trial.toml"))
    assert store.readmit(packs.decode).readings == 200


def test_what_a_waiting_message_holds_of_known_trays_is_recorded(
    bench_store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(quarantine, "CURABLE_A_DAY_BYTES", 0)
    both = [Reading("tray-1", "level", to_ms(T0), 0.02), Reading("tray-77", "level", to_ms(T0), 0.02)]
    for _ in range(2):
        done = bench_store.record([sent(packs.encode_pack(both, boot="a1", seq=1))])
        assert (done.held, done.receipts) == (1, {KEY: 0})
    assert levels(bench_store) == [0.02]
    assert bench_store.quarantine.messages() == []


def test_a_full_quarantine_lets_no_node_wait_for_ever(store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(quarantine, "CURABLE_A_DAY_BYTES", 0)
    monkeypatch.setattr(quarantine, "KEPT_BYTES", 100)
    done = store.record([sent(message(1, 0.01))])
    assert (done.held, done.receipts) == (0, {KEY: 1})
    assert store.quarantine.overflow().messages == 1


def test_all_of_it_has_a_bound_whatever_names_are_made_up(bench_store: Store, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(quarantine, "KEPT_BYTES", 20_000)
    monkeypatch.setattr(quarantine, "OWNERS_A_DAY", 50)
    for n in range(300):
        bench_store.record([sent(message(1, 0.01, tray=f"odd-{n}"), topic=data_topic("nursery", f"made-up-{n}"))])
    assert kept_bytes(bench_store) < 20_000
    (owners,) = bench_store.connection.execute("SELECT count(*) FROM quarantine_day").fetchone()
    assert owners <= 51
    kept = len(bench_store.quarantine.messages(limit=-1))
    assert kept + bench_store.quarantine.overflow().messages == 300


def test_what_was_recorded_or_looked_at_goes_after_ninety_days_and_nothing_else(store: Store) -> None:
    store.record([sent(message(1, 0.01))])
    Notebook(store).add_trial(load_trial(DATA / "trial.toml"))
    store.readmit(packs.decode)
    store.record([sent(b'[{"n":"x","v":1}]')])
    assert store.quarantine.look_at(2, at_ms=to_ms(T0)) == 2
    store.record([sent(b'[{"n":"x","v":2}]')])
    size = "SELECT value FROM counter WHERE name = 'quarantine_bytes'"
    (before,) = store.connection.execute(size).fetchone()
    with store.transaction():
        assert store.quarantine.empty(now_ms=to_ms(T0 + 89 * DAY)) == 0
        assert store.quarantine.empty(now_ms=to_ms(T0 + 91 * DAY)) == 2
        assert store.quarantine.empty(now_ms=to_ms(T0 + 9999 * DAY)) == 0
    (left,) = store.quarantine.messages()
    assert (left.id, left.looked_at) == (3, None)
    (after,) = store.connection.execute(size).fetchone()
    assert 0 < after < before / 2


# ---------------------------------------------------------------- whatever is kept is receipted


@contextmanager
def failing_on(store: Store, *bad: float) -> Iterator[None]:
    """As if tidetray itself failed on these values, deep in a transaction."""
    real = store._collect

    def collect(pack: packs.Pack, pending: Any) -> list[str]:
        if any(reading.value in bad for reading in pack.readings):
            raise KeyError("a fault that nobody foresaw")
        return real(pack, pending)

    store._collect = collect  # type: ignore[method-assign]
    yield
    store._collect = real  # type: ignore[method-assign]


@settings(max_examples=40, deadline=None)
@given(st.integers(1, 20), st.sets(st.integers(1, 20), max_size=6), st.integers(0, 3))
def test_a_batch_that_tidetray_fails_on_is_halved_until_the_bad_message_stands_alone(
    number: int, bad: set[int], heres: int
) -> None:
    values = [seq / 1000 for seq in range(1, number + 1)]
    batch = [sent(message(seq, seq / 1000, at=T0 + timedelta(seconds=seq))) for seq in range(1, number + 1)]
    odd = [refused(to_ms(T0), TOPIC, b"{", WireError("not-json", "no"))]
    with open_store(":memory:") as store:
        Notebook(store).add_trial(load_trial(DATA / "trial.toml"))
        with failing_on(store, *(seq / 1000 for seq in bad)):
            done = store.record_surely(batch, odd, [("nursery", f"n{n}", Here(True), 1000) for n in range(heres)])
        poisoned = sorted(seq for seq in bad if seq <= number)
        assert done.receipts == {KEY: number}
        assert levels(store) == [value for seq, value in enumerate(values, 1) if seq not in poisoned]
        assert store.quarantine.count_open(FAULT) == len(poisoned)
        assert store.quarantine.count_open("not-json") == 1
        assert len(queries.nodes(store, "nursery")) == 1 + heres
        # and when the fault is corrected, what waited is recorded
        assert store.readmit(packs.decode, kind=FAULT).readings == len(poisoned)
        assert levels(store) == values


def test_a_disk_that_fails_is_no_reason_to_halve(bench_store: Store) -> None:
    bench_store.record([sent(message(1, 0.01))])
    (pages,) = bench_store.connection.execute("PRAGMA page_count").fetchone()
    bench_store.connection.execute(f"PRAGMA max_page_count = {pages}")
    with pytest.raises(sqlite3.OperationalError, match="full"):
        bench_store.record_surely(
            [sent(message(seq, *[0.01] * 60, at=T0 - seq * timedelta(hours=1))) for seq in range(2, 200)]
        )
    assert levels(bench_store) == [0.01]
    assert bench_store.quarantine.messages() == []


def test_a_refused_message_is_receipted_under_the_number_it_claims_and_kept_once(bench_store: Store) -> None:
    bad = b'[{"n":"boot","vs":"a1"},{"n":"seq","v":2},{"n":"tray-1/level","u":"m","v":0.01,"must_":1}]'
    with pytest.raises(WireError) as caught:
        packs.decode(TOPIC, bad, T0)
    for _ in range(3):
        done = bench_store.record([sent(message(1, 0.01))], [refused(to_ms(T0), TOPIC, bad, caught.value)])
        assert done.receipts == {KEY: 2}
    (kept,) = bench_store.quarantine.messages()
    assert (kept.kind, kept.times) == ("label", 3)


def test_a_number_that_only_an_unreadable_message_claims_is_no_reason_to_refuse_a_good_one(bench_store: Store) -> None:
    bad = message(1, 0.01)[:-1] + b"!"
    with pytest.raises(WireError) as caught:
        packs.decode(TOPIC, bad, T0)
    first = refused(to_ms(T0), TOPIC, bad, caught.value)
    assert bench_store.record([], [first]).receipts == {KEY: 1}
    assert bench_store.record([sent(message(1, 0.01))], [first]).readings == 1
    assert levels(bench_store) == [0.01]
    assert bench_store.record([sent(message(1, 0.01))]).doubled_messages == 1
    assert bench_store.record([sent(message(1, 0.09, at=T0 + DAY), T0 + DAY)]).readings == 1, "claimed, so kept as well"
    assert [m.kind for m in bench_store.quarantine.messages()] == ["not-json"]


def test_a_message_that_stays_poisonous_in_quarantine_holds_up_no_other(store: Store) -> None:
    for seq in range(1, 11):
        store.record([sent(message(seq, seq / 1000, at=T0 + timedelta(seconds=seq)))])
    Notebook(store).add_trial(load_trial(DATA / "trial.toml"))
    with failing_on(store, 0.004):
        last: int | None = 0
        while last is not None:
            last = store.readmit(packs.decode, after=last, most=5).last
    assert levels(store) == [0.001, 0.002, 0.003, *(n / 1000 for n in range(5, 11))]
    assert [m.kind for m in store.quarantine.messages(open_only=True)] == [FAULT]


# ---------------------------------------------------------------- the reason is gone


def test_only_messages_whose_tray_came_into_the_notebook_are_decoded_again(store: Store) -> None:
    for seq in range(1, 4):
        store.record([sent(message(seq, 0.01, tray="odd-tray"))])
    store.record([sent(message(4, 0.02))])
    Notebook(store).add_trial(load_trial(DATA / "trial.toml"))
    tried: list[bytes] = []

    def decode(topic: str, payload: bytes, received_at: datetime, *, judged_at: datetime | None = None) -> packs.Pack:
        tried.append(payload)
        return packs.decode(topic, payload, received_at, judged_at=judged_at)

    done = store.readmit(decode)
    assert (done.messages, done.readings, store.readmit(decode, after=done.last or 0).last) == (1, 1, None)
    assert tried == [message(4, 0.02)]


def test_a_message_of_a_known_and_an_unknown_tray_waits_for_the_other(store: Store) -> None:
    Notebook(store).add_trial(load_trial(DATA / "trial.toml"))
    made = [Reading(tray, "level", to_ms(T0), 0.01) for tray in ("tray-1", "odd-tray")]
    store.record([sent(packs.encode_pack(made, boot="a1", seq=1))])
    assert levels(store) == [0.01]
    assert store.readmit(packs.decode).last is None
    store.connection.execute(
        "INSERT INTO tray (site, name, flood_mark_m, dry_mark_m, deadband_m, debounce_s, discharge_coefficient)"
        " VALUES ('nursery', 'odd-tray', 0.05, 0.01, 0.001, 5, 0.6)"
    )
    assert store.readmit(packs.decode).readings == 1
    assert levels(store, "odd-tray") == [0.01]
    assert store.quarantine.messages(open_only=True) == []
    assert queries.counters(store)["readings"] == 2


def test_what_was_refused_for_a_recorder_whose_clock_was_behind_is_recorded_when_it_is_right(
    bench_store: Store,
) -> None:
    """An hour behind: all that nodes send is ahead of it; receipted, for it is kept, so the nodes forget it."""
    behind = T0 - timedelta(hours=1)
    for seq in range(1, 41):
        at = T0 + timedelta(minutes=seq)
        done = bench_store.record([sent(message(seq, 0.01, 0.02, at=at), behind + timedelta(minutes=seq))])
        assert done.receipts == {KEY: seq}
    assert levels(bench_store) == []
    too_early = bench_store.readmit(packs.decode, kind=TIME, judged_at=behind + timedelta(minutes=40))
    assert too_early.readings == 0
    assert bench_store.quarantine.count_open(TIME) == 40
    right = T0 + timedelta(minutes=41)
    assert bench_store.readmit(packs.decode, kind=TIME, judged_at=right).readings == 80
    assert levels(bench_store) == [0.01, 0.02] * 40
    assert bench_store.quarantine.messages(open_only=True) == []
    assert bench_store.record([sent(message(7, 0.01, 0.02, at=T0 + timedelta(minutes=7)))]).quarantined == 0


def test_a_clock_that_was_never_set_stays_in_quarantine(bench_store: Store) -> None:
    payload = message(1, 0.01, at=datetime(2001, 1, 1, tzinfo=UTC))
    bench_store.record([sent(payload)])
    bench_store.readmit(packs.decode, kind=TIME, judged_at=T0 + 999 * DAY)
    (kept,) = bench_store.quarantine.messages(open_only=True)
    assert "before 2020-01-01" in kept.reason


def test_a_message_sent_by_uptime_and_again_with_true_times_is_no_other_message(bench_store: Store) -> None:
    """The node's clock was set in between, and no receipt had come: its times are a little different now."""
    by_uptime = (
        b'[{"n":"boot","vs":"a1"},{"n":"seq","v":1},{"n":"uptime","u":"s","v":100},'
        b'{"n":"tray-1/level","u":"m","v":0.02,"t":-10}]'
    )
    bench_store.record([sent(by_uptime, T0)])
    done = bench_store.record([sent(message(1, 0.02, at=T0 - timedelta(seconds=10.4)))])
    assert (done.doubled_messages, done.quarantined) == (1, 0)
    assert levels(bench_store) == [0.02]


# ---------------------------------------------------------------- homes of before


def older(path: Path, monkeypatch: pytest.MonkeyPatch, fill: Callable[[sqlite3.Connection], None]) -> None:
    """A home made by the tables as they were when a row was kept for each bad record."""
    steps = [name for name, _ in MIGRATIONS].index("quarantine by message")
    with monkeypatch.context() as patched:
        patched.setattr(database, "MIGRATIONS", MIGRATIONS[:steps])
        with database.Database.open(path) as store:
            store.connection.executemany(
                "INSERT INTO tray (site, name, flood_mark_m, dry_mark_m, deadband_m, debounce_s, discharge_coefficient)"
                " VALUES ('nursery', ?, 0.02, 0.003, 0.002, 5, 0.6)",
                [(tray.name,) for tray in load_trial(DATA / "trial.toml").trays],
            )
            fill(store.connection)


def test_a_home_of_before_keeps_every_message_and_every_kind_of_reason(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    one, two, three = message(1, 0.01), message(2, 0.02), message(3, 0.03, tray="tray-1")
    insert = (
        "INSERT INTO quarantine (received_ms, topic, kind, reason, payload, payload_bytes, settled_ms)"
        " VALUES (?, ?, ?, ?, ?, ?, ?)"
    )

    def fill(connection: sqlite3.Connection) -> None:
        rows = [(to_ms(T0), TOPIC, "range", f"record {n}: 77 is outside", one, len(one), None) for n in range(3, 63)]
        rows += [(to_ms(T0), TOPIC, "time", "record 2: ahead", one, len(one), None)]
        rows += [(to_ms(T0), TOPIC, "range", "record 1: bad", two, len(two), None)]
        rows += [(to_ms(T0), TOPIC, "unknown-tray", "no tray", two, len(two), 5)]
        rows += [(to_ms(T0), TOPIC, "unknown-tray", "no tray-1", three, len(three), None)]
        rows += [(to_ms(T0) + 1, TOPIC, "unknown-tray", "no tray-1", three, len(three), 7)]
        connection.executemany(insert, rows)

    older(tmp_path / "r.sqlite", monkeypatch, fill)
    with open_store(tmp_path / "r.sqlite") as store:
        kept = {m.id: m for m in store.quarantine.messages()}
        assert [
            (m.kind, {each.kind: each.records for each in m.reasons}, m.settled is None) for m in kept.values()
        ] == [
            ("unknown-tray", {"unknown-tray": 1}, False),
            ("unknown-tray", {"unknown-tray": 1}, True),
            ("range", {"range": 1, "unknown-tray": 1}, True),
            ("time", {"time": 1, "range": 60}, True),
        ]
        assert kept[1].reasons[1].text == "record 10: 77 is outside"
        assert kept_bytes(store) == len(one) + len(two) + 2 * len(three)
        assert store.readmit(packs.decode).readings == 1, "what waited for its tray is found"
        assert levels(store) == [0.03]
        (size,) = store.connection.execute("SELECT value FROM counter WHERE name = 'quarantine_bytes'").fetchone()
        assert size > kept_bytes(store)


def test_what_is_counted_adds_up_over_batches() -> None:
    total = Recorded()
    total.add(Recorded(messages=1, readings=2, quarantined=1, receipts={KEY: 1}))
    total.add(Recorded(messages=1, doubled_messages=1, receipts={KEY: 2}))
    assert (total.messages, total.readings, total.doubled_messages, total.receipts) == (2, 2, 1, {KEY: 2})


def test_reasons_that_can_be_cured_come_first(bench_store: Store) -> None:
    reasons = (Reason("range", "a"), Reason(UNKNOWN_TRAY, "b"), Reason("range", "c"))
    bench_store.record([], [Quarantined(1000, TOPIC, b"{}", reasons)])
    (kept,) = bench_store.quarantine.messages()
    assert kept.reasons == (Reason(UNKNOWN_TRAY, "b"), Reason("range", "a", 2))
