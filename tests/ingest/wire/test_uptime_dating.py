"""Uptime to UTC: worked by hand, then by chance with delays, outages and a quartz that drifts."""

from __future__ import annotations

import random
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tidetray.ingest.core.readings import Reading, from_ms, to_ms
from tidetray.ingest.store import queries
from tidetray.ingest.store.recording import Store
from tidetray.ingest.wire import packs as wire
from tidetray.ingest.wire import uptime_dating
from tidetray.ingest.wire.packs import Pack
from tidetray.ingest.wire.topics import data_topic

START = datetime(2026, 6, 1, 8, tzinfo=UTC)
START_MS = to_ms(START)
DAY_S = 86400


def pack(
    seq: int,
    uptime_s: float,
    late_s: float,
    ages_s: tuple[float, ...] = (10.0,),
    *,
    boot: str = "b1",
    ended: bool = False,
) -> Pack:
    """A message made `uptime_s` after START, received `late_s` later, of readings `ages_s` before it was made."""
    received = START + timedelta(seconds=uptime_s + late_s)
    readings = tuple(Reading("tray-1", "level", to_ms(received) - round(1000 * age), 0.01) for age in ages_s)
    return Pack("nursery", "bench-1", boot, seq, 1, received, readings, (), uptime_s, ended)


def day_of(uptime_s: float) -> int:
    return round(uptime_s * 1000) // (1000 * DAY_S)


def record(store: Store, *packs: Pack) -> list[float]:
    """Seconds after START at which all that is recorded stands."""
    store.record([(one, data_topic("nursery", "bench-1"), b"x") for one in packs])
    frame = queries.readings(store, "nursery", "tray-1", ["level"])
    return sorted((to_ms(time.to_pydatetime()) - START_MS) / 1000 for time in frame["time"])


def test_a_message_that_waited_is_dated_by_one_that_did_not(bench_store: Store) -> None:
    assert record(bench_store, pack(1, 100, 0.2)) == [90.2]
    # three hours in the broker, because the recorder was off: counted from the start, not from when it came
    assert record(bench_store, pack(2, 200, 10_800)) == [90.2, 190.2]
    # the quickest message yet dates what comes after it, and what is recorded stays
    assert record(bench_store, pack(3, 300, 0.1), pack(4, 400, 50)) == [90.2, 190.2, 290.1, 390.1]


def test_the_least_delayed_of_a_batch_dates_the_others_of_it(bench_store: Store) -> None:
    assert record(bench_store, pack(1, 100, 7200), pack(2, 200, 7100), pack(3, 7300, 0)) == [90.0, 190.0, 7290.0]


def test_a_boot_of_which_nothing_came_in_time_is_kept_and_receipted_but_not_dated(bench_store: Store) -> None:
    ended = pack(1, 500, 90_000, boot="b0", ended=True)
    done = bench_store.record([(ended, "t", b"the payload"), (pack(1, 60, 0), "t", b"x")])
    assert done.receipts == {("nursery", "bench-1", "b0"): 1, ("nursery", "bench-1", "b1"): 1}
    (aside,) = bench_store.quarantine.messages()
    assert aside.kind == "no-clock"
    assert "ntp_host" in aside.reason
    assert record(bench_store) == [50.0]


def test_an_earlier_boot_that_was_heard_in_time_is_dated(bench_store: Store) -> None:
    record(bench_store, pack(1, 60, 0.0))
    assert record(bench_store, pack(2, 500, 90_000, ended=True)) == [50.0, 490.0]


def test_what_waits_for_its_tray_is_dated_when_it_is_recorded(store: Store) -> None:
    payload = b'[{"n":"boot","vs":"b1"},{"n":"seq","v":%d},{"n":"uptime","u":"s","v":%d},'
    payload += b'{"n":"tray-9/level","u":"m","t":-10,"v":0.01}]'
    topic = data_topic("nursery", "bench-1")
    for seq, uptime_s, late_s in ((1, 100, 0.0), (2, 200, 3600.0)):
        sent = payload % (seq, uptime_s)
        decoded = wire.decode(topic, sent, START + timedelta(seconds=uptime_s + late_s))
        store.record([(decoded, topic, sent)])
    with store.transaction() as connection:
        connection.execute(
            "INSERT INTO tray (site, name, flood_mark_m, dry_mark_m, deadband_m, debounce_s, discharge_coefficient)"
            " VALUES ('nursery', 'tray-9', 0.02, 0.003, 0.002, 2, 0.6)"
        )
    store.readmit(wire.decode)
    times = queries.readings(store, "nursery", "tray-9", ["level"])["time"]
    assert [to_ms(time.to_pydatetime()) - START_MS for time in times] == [90_000, 190_000]


def dated_pack(seq: int, *seconds: float, boot: str = "b1", value: float = 0.01) -> Pack:
    """From a node with a clock that says `seconds` after START."""
    readings = tuple(Reading("tray-1", "level", START_MS + round(1000 * each), value) for each in seconds)
    return Pack("nursery", "bench-1", boot, seq, 1, START + timedelta(hours=2), readings, ())


def test_a_boot_id_that_comes_again_loses_nothing(bench_store: Store) -> None:
    """A node whose random numbers are none counts from 1 again under the old id: what it sends is kept, and said."""
    assert record(bench_store, dated_pack(1, 10, 20), dated_pack(2, 30, 40)) == [10, 20, 30, 40]
    record(bench_store, dated_pack(1, 10, 20))  # a copy
    assert bench_store.quarantine.messages() == []
    assert record(bench_store, dated_pack(1, 1010, 1020), dated_pack(2, 1030, 1040), dated_pack(3, 1050)) == [
        10,
        20,
        30,
        40,
        1050,
    ]
    first, second = sorted(bench_store.quarantine.messages(), key=lambda aside: aside.id)
    assert (first.kind, second.kind) == ("number-twice", "number-twice")
    assert "boot b1 number 1: came before with other readings" in first.reason


def test_a_message_that_comes_twice_at_once_is_a_copy(bench_store: Store) -> None:
    """Both in one transaction: the readings of the first do not stand in the record yet."""
    record(bench_store, dated_pack(1, 10))
    assert record(bench_store, dated_pack(2, 20, 30), dated_pack(2, 20, 30)) == [10, 20, 30]
    assert bench_store.quarantine.messages() == []
    record(bench_store, dated_pack(3, 40), dated_pack(3, 50), dated_pack(3, 40))
    assert [aside.kind for aside in bench_store.quarantine.messages()] == ["number-twice"]


def test_another_boot_counts_for_itself(bench_store: Store) -> None:
    record(bench_store, dated_pack(1, 10, boot="b1"), dated_pack(1, 20, boot="b2"), dated_pack(2, 30, boot="b1"))
    done = bench_store.record([(dated_pack(2, 40, boot="b2"), "t", b"x"), (dated_pack(1, 20, boot="b2"), "t", b"x")])
    assert (done.messages, done.doubled_messages) == (1, 1)
    assert done.receipts == {("nursery", "bench-1", "b2"): 2}
    assert record(bench_store) == [10, 20, 30, 40]


def test_a_clock_set_back_loses_nothing(bench_store: Store) -> None:
    """A minute lived twice: times in between stand beside the others, and of two values for one time the first
    stands."""
    record(bench_store, *(dated_pack(seq, 10 * seq) for seq in range(1, 11)))
    again = [dated_pack(seq, 10 * (seq - 6) + 5) for seq in range(11, 17)]
    assert record(bench_store, *again) == sorted([*range(10, 101, 10), *range(55, 106, 10)])
    assert bench_store.quarantine.messages() == []
    record(bench_store, dated_pack(17, 100, value=0.02))
    (conflict,) = bench_store.quarantine.messages()
    assert conflict.kind == "conflict"
    assert "Check the node's clock" in conflict.reason


def test_a_clock_far_ahead_is_set_aside_and_receipted_and_a_clock_set_right_goes_on(bench_store: Store) -> None:
    topic = data_topic("nursery", "bench-1")

    def sent(seq: int, ahead_s: float) -> tuple[Pack, str, bytes]:
        time_s = START.timestamp() + ahead_s
        text = (
            f'[{{"n":"boot","vs":"b1"}},{{"n":"seq","v":{seq}}},{{"n":"tray-1/level","u":"m","v":0.01,"bt":{time_s}}}]'
        )
        try:
            return wire.decode(topic, text.encode(), START), topic, text.encode()
        except wire.AllBadError as error:
            return error.pack, topic, text.encode()

    done = bench_store.record([sent(1, 0), sent(2, 3600), sent(3, 10)])
    assert done.receipts == {("nursery", "bench-1", "b1"): 3}
    assert (done.readings, done.quarantined) == (2, 1)
    assert "ahead of the recorder's clock" in bench_store.quarantine.messages()[0].reason


def test_after_an_outage_of_hours_what_waited_is_dated_by_the_first_that_did_not(bench_store: Store) -> None:
    """Sent each minute, the recorder away from minute 60 to 240: all that waited comes in one go, out of order too."""
    assert len(record(bench_store, *(pack(minute, 60 * minute, 0.3) for minute in range(1, 60)))) == 59
    waited = [pack(minute, 60 * minute, 60 * (240 - minute) + 2) for minute in range(60, 240)]
    random.Random(1).shuffle(waited)
    times = record(bench_store, *waited, pack(240, 14_400, 0.2))
    assert len(times) == 240
    for minute, seconds in enumerate(times, 1):
        assert seconds == pytest.approx(60 * minute - 10, abs=0.31)


def test_a_recorder_whose_clock_was_behind_dates_that_day_early(bench_store: Store) -> None:
    """A limit, and told as one (promise.md): nothing in a message without times says that the recorder's clock is
    wrong."""
    record(bench_store, pack(1, 100, -3600))
    assert record(bench_store, pack(2, 200, 0.0)) == [-3510, -3410]


def test_starts_of_the_day_and_the_day_before_count() -> None:
    starts = {0: 1000, 1: 4000, 2: 8000, 5: 7000}
    asked = [uptime_dating.start_ms(starts, day * DAY_S + 1.0) for day in range(8)]
    assert asked == [1000, 1000, 4000, 8000, 7000, 7000, 7000, 7000]
    assert uptime_dating.start_ms({}, 1.0) is None


@given(st.lists(st.tuples(st.floats(1, 10 * DAY_S), st.floats(0, 5000)), min_size=1, max_size=60))
def test_with_a_true_clock_times_are_never_early_and_late_by_the_quickest_message_at_most(
    messages: list[tuple[float, float]],
) -> None:
    starts: dict[int, int] = {}
    for uptime_s, late_s in messages:
        day, told = uptime_dating.evidence(pack(1, uptime_s, late_s)) or (0, 0)
        starts[day] = min(told, starts.get(day, told))
    for uptime_s, _ in messages:
        day = day_of(uptime_s)
        quickest_s = min(late for uptime, late in messages if day_of(uptime) in (day - 1, day))
        late_ms = (uptime_dating.start_ms(starts, uptime_s) or 0) - START_MS
        assert -2 <= late_ms <= 1000 * quickest_s + 2


@pytest.mark.parametrize("drift", [-100e-6, 50e-6, 100e-6])
def test_a_drifting_quartz_stays_within_two_days_of_drift(drift: float) -> None:
    """A message a minute for 60 days, most within a second, some hours late; 100 ppm would be 8.6 min off by then."""
    chance = random.Random(3)
    starts: dict[int, int] = {}
    worst_s = 0.0
    for minute in range(1, 60 * 1440, 7):
        true_s = 60.0 * minute
        uptime_s = true_s * (1 + drift)
        late_s = chance.expovariate(2) if chance.random() < 0.98 else chance.uniform(0, 20_000)
        received_ms = START_MS + round(1000 * (true_s + late_s))
        sent = Pack("nursery", "bench-1", "b1", minute, 1, from_ms(received_ms), (), (), uptime_s)
        day, told = uptime_dating.evidence(sent) or (0, 0)
        starts[day] = min(told, starts.get(day, told))
        if minute > 100:
            off_s = (uptime_dating.start_ms(starts, uptime_s) or 0) / 1000 + uptime_s - START_MS / 1000 - true_s
            worst_s = max(worst_s, abs(off_s))
    assert worst_s < 2 * DAY_S * abs(drift) + 1
