"""Each moment judged by the plan that held then: trials begun, rebuilt, changed; clocks; timetables that end."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

import pytest

from tests.made_trials import event, made_plan
from tidetray.ingest.alarms.alarm_settings import AlarmSettings
from tidetray.ingest.alarms.keeper import AlarmKeeper
from tidetray.ingest.core.readings import Reading, from_ms, to_ms
from tidetray.ingest.notebook.facts import Treatment
from tidetray.ingest.notebook.flood_plans import flood_plan
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.notebook.timetables import keep_start_times, publish_timetable, say_ready, stop_timetable
from tidetray.ingest.notebook.trial_events import note_event
from tidetray.ingest.recorder.timetables import due_messages, note_sent
from tidetray.ingest.store.recording import Store, open_store
from tidetray.ingest.wire.packs import Pack
from tidetray.ingest.wire.receipts import Here
from tidetray.ingest.wire.topics import data_topic

BERLIN = "Europe/Berlin"
BEGUN = datetime(2026, 1, 1, tzinfo=UTC)
HOUR, DAY, MINUTE = timedelta(hours=1), timedelta(days=1), timedelta(minutes=1)
SHORT = Treatment("short", "mixed", ("07:00", "13:00", "19:00"), 10.0)
LONG = Treatment("long", "mixed", ("10:00", "22:00"), 10.0)
WET, DRY = Treatment("wet", "submersed"), Treatment("dry", "emersed")
GIVEN = AlarmSettings(mqtt=False)
WATER = ("missed flood", "flood outside the schedule", "did not drain", "drained slowly", "water too low")


@dataclass
class Bench:
    """A node with trays, recorded and watched once a minute; `told`: (kind, name) as they are raised."""

    store: Store
    now: datetime
    keeper: AlarmKeeper = field(init=False)
    seq: int = 0

    def __post_init__(self) -> None:
        self.keeper = AlarmKeeper(self.store, GIVEN, now_ms=to_ms(self.now))

    def pass_time(self, until: datetime, **floods: Sequence[datetime]) -> None:
        """Every minute the level of each tray; `floods`: tray (with `_` for `-`) -> when its pump goes on. A flood
        lasts 10 min, and the water is gone with the pump. A tray under water: no floods but `datetime.min`."""
        while self.now < until:
            self.now += MINUTE
            readings = []
            for name, starts in floods.items():
                tray, ago = name.replace("_", "-"), [self.now - each for each in starts if each > BEGUN]
                pump = any(timedelta(0) <= each < 10 * MINUTE for each in ago)
                wet = pump or (not ago and len(starts) > 0)
                readings.append(Reading(tray, "level", to_ms(self.now), 0.035 if wet else 0.0))
                readings.append(Reading(tray, "pump", to_ms(self.now), float(pump)))
            self.seq += 1
            pack = Pack("nursery", "bench-1", "a1", self.seq, None, self.now, tuple(readings), ())
            self.store.record([(pack, data_topic("nursery", "bench-1"), b"")])
            self.keeper.take([pack], [], now_ms=to_ms(self.now))
            self.keeper.run(online=True, now_ms=to_ms(self.now))

    def look(self) -> None:
        """What a change in the notebook brings at once."""
        self.now += 2 * timedelta(seconds=1)
        self.keeper.run(online=True, now_ms=to_ms(self.now))

    def says(self, *, until: datetime | None = None, faults: tuple[str, ...] = ()) -> None:
        until_s = None if until is None else round(until.timestamp())
        here = Here(True, "a1", faults=faults, timetable_until_s=until_s)
        self.store.note_here("nursery", "bench-1", here, at_ms=to_ms(self.now))
        self.keeper.take([], [("nursery", "bench-1", here)], now_ms=to_ms(self.now))
        self.look()

    def told(self) -> list[tuple[str, str]]:
        rows = self.store.connection.execute("SELECT kind, name FROM alarm ORDER BY id").fetchall()
        return [(kind, name) for kind, name in rows if kind in (*WATER, "timetable ending", "node stopped flooding")]

    def active(self) -> list[tuple[str, str]]:
        rows = self.store.connection.execute(
            "SELECT kind, name FROM alarm WHERE returned_ms IS NULL ORDER BY id"
        ).fetchall()
        return list(rows)

    def restart(self) -> None:
        self.keeper = AlarmKeeper(self.store, GIVEN, now_ms=to_ms(self.now))


@pytest.fixture
def store() -> Iterator[Store]:
    with open_store(":memory:") as made:
        yield made


def begin(
    store: Store, given: Sequence[Treatment], *, name: str = "plugs", started: datetime, now: datetime
) -> Notebook:
    notebook = Notebook(store)
    plan = made_plan(
        [each.name for each in given], list(dict.fromkeys(given)), pots=1, name=name, zone=BERLIN, started=started
    )
    notebook.add_trial(plan, now=now)
    return notebook


NOW = datetime(2026, 6, 1, 4, tzinfo=UTC)
"""06:00 by the clock on the wall; the next floods of SHORT are at 05:00, 11:00 and 17:00 UTC."""


def test_beginning_the_first_trial_raises_nothing_about_the_past(store: Store) -> None:
    """Its start is noted as of yesterday, and a flood was due an hour before it was entered."""
    begin(store, [SHORT], started=NOW - DAY, now=NOW + 2 * HOUR)
    bench = Bench(store, NOW)
    bench.pass_time(NOW + 6 * HOUR, tray_1=[])
    assert bench.told() == []
    bench.pass_time(NOW + 8 * HOUR, tray_1=[])
    assert bench.told() == [("missed flood", "tray-1")]


@pytest.mark.parametrize("restarts", [False, True])
def test_beginning_the_next_trial_raises_nothing_about_the_past(store: Store, restarts: bool) -> None:
    """One tray was under water and is flooded now, one was flooded and is kept dry, one changes its times."""
    begin(store, [WET, SHORT, SHORT], started=BEGUN, now=BEGUN)
    bench = Bench(store, NOW)
    five = NOW + HOUR
    bench.pass_time(NOW + 3 * HOUR, tray_1=[datetime.min.replace(tzinfo=UTC)], tray_2=[five], tray_3=[five])
    assert bench.told() == []
    notebook = begin(store, [LONG, DRY, LONG], name="next", started=bench.now, now=bench.now)
    if restarts:
        bench.restart()
    bench.look()
    assert bench.told() == []
    # people rebuild: a flood by hand, water that stands, none at the times of either trial
    bench.pass_time(NOW + 9 * HOUR, tray_1=[], tray_2=[NOW + 5 * HOUR], tray_3=[])
    assert bench.told() == []
    say_ready(notebook, "next", now=bench.now, who="me")
    if restarts:
        bench.restart()
    bench.look()
    bench.pass_time(NOW + 15 * HOUR, tray_1=[], tray_2=[], tray_3=[])
    assert bench.told() == []
    bench.pass_time(NOW + 17 * HOUR, tray_1=[], tray_2=[NOW + 15.5 * HOUR], tray_3=[NOW + 16 * HOUR])
    assert sorted(bench.told()) == [("flood outside the schedule", "tray-2"), ("missed flood", "tray-1")]


def test_an_alarm_of_the_old_plan_ends_when_the_plan_does(store: Store) -> None:
    begin(store, [SHORT], started=BEGUN, now=BEGUN)
    bench = Bench(store, NOW)
    bench.pass_time(NOW + 2 * HOUR, tray_1=[])
    assert bench.active() == [("missed flood", "tray-1")]
    begin(store, [LONG], name="next", started=bench.now, now=bench.now)
    bench.look()
    bench.pass_time(NOW + 3 * HOUR, tray_1=[])
    assert bench.active() == []


def test_a_changed_treatment_is_what_alarms_expect(store: Store) -> None:
    notebook = begin(store, [SHORT, LONG], started=BEGUN, now=BEGUN)
    bench = Bench(store, NOW)
    bench.pass_time(NOW + 2 * HOUR, tray_1=[NOW + HOUR])
    change = event("treatment changed", (bench.now - BEGUN) / DAY, started=BEGUN, tray="tray-1", value="long")
    note_event(notebook, "plugs", change, now=bench.now)
    bench.look()
    bench.pass_time(NOW + 6 * HOUR, tray_1=[NOW + 4 * HOUR])  # 10:00 by the wall, a flood of `long`
    assert bench.told() == []
    bench.pass_time(NOW + 9 * HOUR, tray_1=[NOW + 7 * HOUR])  # 13:00, one of `short`
    assert bench.told() == [("flood outside the schedule", "tray-1")]


def test_staggered_floods_are_expected_when_they_come(store: Store) -> None:
    """Three times 12 min later than the treatment says: beyond what a flood may be late."""
    notebook = begin(store, [SHORT], started=BEGUN, now=BEGUN)
    later = [3600 * hour + 60 * 36 for hour in (7, 13, 19)]
    keep_start_times(notebook, "plugs", {"tray-1": ("short", later)}, since=NOW)
    publish_timetable(notebook, "plugs", now=NOW, who="me")
    bench = Bench(store, NOW)
    bench.pass_time(NOW + 15 * HOUR, tray_1=[NOW + hours * HOUR + 36 * MINUTE for hours in (1, 7, 13)])
    assert bench.told() == []


def test_stopped_floods_are_not_missed(store: Store) -> None:
    notebook = begin(store, [SHORT], started=BEGUN, now=BEGUN)
    publish_timetable(notebook, "plugs", now=NOW, who="me")
    bench = Bench(store, NOW)
    bench.pass_time(NOW + 2 * HOUR, tray_1=[NOW + HOUR])
    stop_timetable(notebook, "plugs", now=bench.now, who="me")
    bench.says(until=bench.now, faults=("timetable",))
    bench.pass_time(NOW + 15 * HOUR, tray_1=[])
    assert bench.told() == []


@pytest.mark.parametrize("change", [datetime(2026, 3, 29, 1, tzinfo=UTC), datetime(2026, 10, 25, 1, tzinfo=UTC)])
def test_across_a_change_of_clocks_alarms_expect_what_nodes_do(store: Store, change: datetime) -> None:
    """The clocks of Europe/Berlin change at 01:00 UTC on these days (tz database). The node floods by the messages."""
    odd = Treatment("odd", "mixed", ("00:30", "02:30", "07:00", "19:00"), 10.0)
    notebook = begin(store, [odd], started=BEGUN, now=BEGUN)
    bench = Bench(store, change - 20 * HOUR)
    bench.pass_time(bench.now + 2 * MINUTE, tray_1=[])
    publish_timetable(notebook, "plugs", now=bench.now, who="me")
    floods: list[datetime] = []
    starts: tuple[int, ...] = ()
    until_s = 0
    while bench.now < change + 30 * HOUR:
        due = due_messages(store, bench.now)
        note_sent(store, due, bench.now)
        for each in due:
            starts, until_s = each.timetable.starts_s, each.timetable.until_s
        here = bench.now.replace(second=0, microsecond=0)
        for minute in range(1, 31):
            at = here + minute * MINUTE
            of_day = at.hour * 3600 + at.minute * 60
            if of_day in starts and at.timestamp() < until_s:
                floods.append(at)
        bench.pass_time(here + 30 * MINUTE, tray_1=floods[-3:] or [BEGUN + DAY])
    assert bench.told() == []
    planned = flood_plan(notebook, "nursery", "tray-1").due(to_ms(change - 20 * HOUR), to_ms(bench.now) - 1)
    assert [from_ms(each) for each in planned] == floods


@pytest.mark.parametrize(
    ("left", "published", "told"),
    [
        (timedelta(hours=47), False, [("timetable ending", "bench-1")]),
        (timedelta(hours=49), False, []),
        (timedelta(hours=13), True, []),  # the recorder renews it
        (timedelta(hours=11), True, [("timetable ending", "bench-1")]),  # and has not, for six hours
    ],
)
def test_a_node_whose_timetable_ends_alarms_before(
    store: Store, left: timedelta, published: bool, told: list[tuple[str, str]]
) -> None:
    notebook = begin(store, [SHORT], started=BEGUN, now=BEGUN)
    if published:
        publish_timetable(notebook, "plugs", now=NOW - DAY, who="me")
    bench = Bench(store, NOW)
    bench.pass_time(NOW + 5 * MINUTE, tray_1=[])
    bench.says(until=bench.now + left)
    assert bench.told() == told
    bench.restart()
    bench.says(until=bench.now + 30 * DAY)
    bench.pass_time(NOW + 10 * MINUTE, tray_1=[])
    assert bench.active() == []


def test_an_end_that_was_planned_is_an_alarm_of_the_site_two_days_before(store: Store) -> None:
    notebook = begin(store, [SHORT], started=BEGUN, now=BEGUN)
    publish_timetable(notebook, "plugs", now=NOW, who="me", ends=NOW + 10 * DAY)
    bench = Bench(store, NOW + 8 * DAY - HOUR)
    bench.pass_time(bench.now + MINUTE, tray_1=[])
    bench.says(until=NOW + 10 * DAY)
    assert bench.told() == []
    bench.pass_time(NOW + 8 * DAY + 2 * MINUTE, tray_1=[])
    assert bench.told() == [("timetable ending", "nursery")]
    publish_timetable(notebook, "plugs", now=bench.now, who="me", ends=NOW + 20 * DAY)
    bench.look()
    bench.pass_time(bench.now + MINUTE, tray_1=[])
    assert bench.active() == []
