"""From the notebook to what a node does: which messages are sent when, across changes of clocks, faults and restarts.

The node is the shipped one's flooding.py, which is plain Python; its float follows its pump and drain.
"""

from __future__ import annotations

import json
import subprocess
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.conftest import Mosquitto
from tests.ingest.recorder.test_recorder import until
from tests.made_trials import event, made_plan, treatment
from tests.node_module import node_module
from tidetray.ingest.core.readings import Reading, from_ms, to_ms
from tidetray.ingest.core.wall_clock import next_change
from tidetray.ingest.notebook.facts import Treatment
from tidetray.ingest.notebook.flood_plans import flood_plan
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.notebook.timetables import (
    keep_start_times,
    publish_timetable,
    sent_until,
    stop_timetable,
    timetable_in_force,
)
from tidetray.ingest.notebook.trial_changes import end
from tidetray.ingest.notebook.trial_events import note_event
from tidetray.ingest.recorder.timetables import RENEWED_S, TimetableService, due_messages, note_sent, packed
from tidetray.ingest.settings.model import RECORD_FILE, BrokerSettings, Settings
from tidetray.ingest.store.recording import Store, open_store
from tidetray.ingest.wire.packs import Pack
from tidetray.ingest.wire.receipts import Here
from tidetray.ingest.wire.topics import data_topic

BERLIN = "Europe/Berlin"
SPRING, AUTUMN = datetime(2026, 3, 29, 1, tzinfo=UTC), datetime(2026, 10, 25, 1, tzinfo=UTC)
"""When the clocks of Europe/Berlin change in 2026 (tz database)."""

BEGUN = datetime(2026, 1, 1, tzinfo=UTC)
MINUTE, HOUR, DAY = timedelta(minutes=1), timedelta(hours=1), timedelta(days=1)


def heard(store: Store, node: str, *trays: str, at: datetime = BEGUN) -> None:
    """The node has sent something, so that it is known to serve these trays."""
    readings = tuple(Reading(tray, "level", to_ms(at), 0.0) for tray in trays)
    pack = Pack("nursery", node, "a1", 1, None, at, readings, ())
    store.record([(pack, data_topic("nursery", node), b"")])


def home(store: Store, times: Sequence[str], *, zone: str = BERLIN, trays: int = 1) -> Notebook:
    notebook = Notebook(store)
    floods = Treatment("short", "mixed", tuple(times), 10.0)
    plan = made_plan(["short"] * trays, [floods, treatment(0)], pots=1, zone=zone, started=BEGUN)
    notebook.add_trial(plan)
    for k in range(1, trays + 1):
        heard(store, f"bench-{k}", f"tray-{k}")
    return notebook


@pytest.fixture
def store() -> Iterator[Store]:
    with open_store(":memory:") as made:
        yield made


def retained(mosquitto: Mosquitto, topic: str) -> dict[str, Any]:
    """What the broker keeps under a topic; empty if there is nothing."""
    found = subprocess.run(
        ["mosquitto_sub", "-p", str(mosquitto.port), "-t", topic, "-C", "1", "-W", "1"],
        capture_output=True,
        check=False,
    )
    return dict(json.loads(found.stdout)) if found.stdout else {}


@dataclass
class NodeWithTray:
    """A node and a tray that fills and drains within a minute; `starts`: when its pump went on [ms since 1970]."""

    flooding: Any = field(default_factory=lambda: node_module("flooding").Flooding({"tray": "tray-1"}))
    starts: list[int] = field(default_factory=list)
    went_ms: int = 0
    numbers: list[int] = field(default_factory=list)

    def take(self, payload: bytes) -> None:
        assert self.flooding.take(payload), self.flooding.why
        self.numbers.append(json.loads(payload)["number"])

    def step(self, now_ms: int) -> None:
        before, moved = self.flooding.state, now_ms - self.went_ms >= 60_000
        is_wet = before == "wet" or (before == "filling" and moved) or (before == "draining" and not moved)
        self.flooding.step(now_ms, now_ms, {"flooded": (int(is_wet), now_ms)})
        if self.flooding.state != before:
            self.went_ms = now_ms
            if self.flooding.state == "filling":
                self.starts.append(now_ms)


def run(
    store: Store, node: NodeWithTray, start: datetime, end: datetime, *, turns: Callable[[datetime], bool]
) -> float:
    """Recorder and node for a while; the least time that the node's timetable still held [h]."""
    now_ms, end_ms, least_s = to_ms(start), to_ms(end), 1e9
    while now_ms < end_ms:
        if now_ms % 1_800_000 == 0 and turns(from_ms(now_ms)):
            due = due_messages(store, from_ms(now_ms))
            for topic, payload in packed(store, due):
                if topic.endswith("/timetable"):
                    node.take(payload)
            note_sent(store, due, from_ms(now_ms))
        node.step(now_ms)
        if node.flooding.until_s is not None:
            least_s = min(least_s, node.flooding.until_s - now_ms / 1000)
        now_ms += 15_000
    return least_s / 3600


@pytest.mark.parametrize("change", [SPRING, AUTUMN])
@pytest.mark.parametrize(
    "times",
    [["07:00"], ["00:30", "02:30", "03:15", "12:00"], [f"{hour:02}:04" for hour in range(24)]],
    ids=["once", "in the hour of the change", "hourly"],
)
def test_a_node_floods_as_the_notebook_says_across_a_change_of_clocks(
    store: Store, change: datetime, times: list[str]
) -> None:
    """And never runs out: its timetable holds for most of a day at least, so a recorder may be down at the change."""
    notebook, node = home(store, times), NodeWithTray()
    publish_timetable(notebook, "plugs", now=change - 3 * DAY, who="me")
    down = (change - 6 * HOUR, change + 6 * HOUR)
    left_h = run(store, node, change - 3 * DAY, change + 3 * DAY, turns=lambda now: not down[0] < now < down[1])
    plan = flood_plan(notebook, "nursery", "tray-1")
    planned = list(plan.due(to_ms(change - 3 * DAY), to_ms(change + 3 * DAY) - 1))
    assert [round((at - due) / 60_000) for at, due in zip(node.starts, planned, strict=True)] == [0] * len(planned)
    assert left_h > 5
    assert len(set(node.numbers)) == len(node.numbers) <= 5


@settings(max_examples=25, deadline=None)
@given(
    zone=st.sampled_from([BERLIN, "America/New_York", "Australia/Lord_Howe", "Asia/Kolkata", "UTC"]),
    minutes=st.sets(st.integers(0, 1439), min_size=1, max_size=8),
    day=st.integers(0, 364),
    offset_h=st.integers(0, 23),
    every_h=st.sampled_from([1, 5]),
)
def test_messages_give_every_planned_flood_once_and_no_other(
    zone: str, minutes: set[int], day: int, offset_h: int, every_h: int
) -> None:
    """In any zone and season (Lord Howe's clocks change by half an hour), however rarely the recorder looks."""
    times = [f"{minute // 60:02}:{minute % 60:02}" for minute in sorted(minutes)]
    start = BEGUN + timedelta(days=day, hours=offset_h)
    change = next_change(zone, start)
    if change is not None and change - start > 3 * DAY:
        start = change - timedelta(days=2, hours=offset_h)
    with open_store(":memory:") as store:
        notebook = home(store, times, zone=zone)
        publish_timetable(notebook, "plugs", now=start, who="me")
        plan, held, flooded = flood_plan(notebook, "nursery", "tray-1"), None, list[int]()
        for turn in range(0, 96, every_h):
            now = start + turn * HOUR
            due = due_messages(store, now)
            note_sent(store, due, now)
            held = due[-1].timetable if due else held
            assert held is not None
            assert held.until - now > 11 * HOUR
            for second in range(60, 3600 * every_h + 1, 60):
                at = now + timedelta(seconds=second)
                if (at.hour * 3600 + at.minute * 60) in held.starts_s and at < held.until:
                    flooded.append(to_ms(at))
        assert flooded == list(plan.due(to_ms(start), to_ms(now + every_h * HOUR)))


def test_a_timetable_ends_with_the_change_of_clocks_and_is_sent_again_a_day_before(store: Store) -> None:
    notebook = home(store, ["07:00", "19:00"])
    now = datetime(2026, 6, 1, 12, tzinfo=UTC)
    publish_timetable(notebook, "plugs", now=now, who="me")
    (due,) = due_messages(store, now)
    assert (due.why, due.timetable.starts_s, due.timetable.wet_s) == ("published", (18_000, 61_200), 600)
    assert due.timetable.until == AUTUMN
    note_sent(store, [due], now)
    assert sent_until(notebook, "nursery") == {"tray-1": AUTUMN}
    renews = AUTUMN - timedelta(seconds=RENEWED_S)
    assert due_messages(store, renews - MINUTE) == []
    (again,) = due_messages(store, renews + MINUTE)
    assert again.why == "renewed"
    assert again.timetable.number > due.timetable.number
    assert again.timetable.until > AUTUMN


def test_where_clocks_never_change_it_holds_half_a_year(store: Store) -> None:
    notebook = home(store, ["07:00"], zone="UTC")
    publish_timetable(notebook, "plugs", now=BEGUN + DAY, who="me")
    (due,) = due_messages(store, BEGUN + DAY)
    assert due.timetable.until == BEGUN + 181 * DAY


def test_it_ends_with_its_planned_end_and_is_not_renewed(store: Store) -> None:
    notebook, now = home(store, ["07:00"]), datetime(2026, 6, 1, 12, tzinfo=UTC)
    publish_timetable(notebook, "plugs", now=now, who="me", ends=now + 10 * DAY)
    (due,) = due_messages(store, now)
    assert due.timetable.until == now + 10 * DAY
    note_sent(store, [due], now)
    assert [each for days in (5, 9.5, 10.5, 30) for each in due_messages(store, now + days * DAY)] == []


def test_it_ends_when_another_trial_takes_the_tray(store: Store) -> None:
    notebook, now = home(store, ["07:00"]), datetime(2026, 6, 1, 12, tzinfo=UTC)
    publish_timetable(notebook, "plugs", now=now, who="me")
    notebook.add_trial(made_plan(["dry"], [treatment(0)], pots=1, name="next", started=now + 2 * DAY), now=now)
    (due,) = due_messages(store, now)
    assert due.timetable.until == now + 2 * DAY


def test_it_ends_with_its_trial(store: Store) -> None:
    notebook, now = home(store, ["07:00"]), datetime(2026, 6, 1, 12, tzinfo=UTC)
    publish_timetable(notebook, "plugs", now=now, who="me")
    note_sent(store, due_messages(store, now), now)
    end(notebook, "plugs", at=now + HOUR, now=now + 2 * HOUR, who="me", why="harvested")
    (ended,) = due_messages(store, now + 2 * HOUR)
    assert (ended.why, ended.timetable.until) == ("stopped", now + 2 * HOUR)
    note_sent(store, [ended], now + 2 * HOUR)
    assert due_messages(store, now + 3 * HOUR, again=True) == []


def test_corrected_flood_times_are_sent_when_a_person_publishes(store: Store) -> None:
    """Pumps follow a person who has looked at the trays, not a correction of the notebook."""
    notebook, now = home(store, ["07:00"]), datetime(2026, 6, 1, 12, tzinfo=UTC)
    publish_timetable(notebook, "plugs", now=now, who="me")
    note_sent(store, due_messages(store, now), now)
    store.connection.execute("UPDATE treatment SET flood_times = '08:00' WHERE name = 'short'")
    assert due_messages(store, now + HOUR) == []
    assert timetable_in_force(notebook, "plugs", now + HOUR).outdated == ("tray-1",)
    publish_timetable(notebook, "plugs", now=now + HOUR, who="me")
    (due,) = due_messages(store, now + HOUR)
    assert due.timetable.starts_s == (6 * 3600,)


def test_stopped_is_sent_once_and_holds(store: Store) -> None:
    notebook, node, now = home(store, ["07:00"]), NodeWithTray(), datetime(2026, 6, 1, 12, tzinfo=UTC)
    publish_timetable(notebook, "plugs", now=now, who="me")
    run(store, node, now, now + DAY, turns=lambda _: True)
    stop_timetable(notebook, "plugs", now=now + DAY, who="me")
    run(store, node, now + DAY, now + 3 * DAY, turns=lambda _: True)
    assert [from_ms(each).day for each in node.starts] == [2]
    assert node.flooding.why == "the timetable has run out"
    publish_timetable(notebook, "plugs", now=now + 3 * DAY, who="me")
    run(store, node, now + 3 * DAY, now + 4 * DAY, turns=lambda _: True)
    assert [from_ms(each).day for each in node.starts] == [2, 5]
    assert node.numbers == sorted(set(node.numbers))


def test_a_node_that_stopped_for_a_fault_is_not_set_going_by_a_renewal(store: Store) -> None:
    """It floods again only under another number (firmware_notes/contract.md): that is for a person to send."""
    notebook, now = home(store, ["07:00"]), AUTUMN - timedelta(days=2)
    publish_timetable(notebook, "plugs", now=now, who="me")
    (first,) = due_messages(store, now)
    note_sent(store, [first], now)
    late = AUTUMN - 12 * HOUR
    until_s = round(AUTUMN.timestamp())
    store.note_here(
        "nursery", "bench-1", Here(True, "a1", faults=("timetable",), timetable_until_s=until_s), at_ms=to_ms(now)
    )
    (renewed,) = due_messages(store, late)
    assert renewed.timetable.number == first.timetable.number
    assert renewed.timetable.until > AUTUMN
    publish_timetable(notebook, "plugs", now=late, who="me")
    (by_hand,) = due_messages(store, late)
    assert by_hand.timetable.number > first.timetable.number


def test_a_changed_treatment_is_sent_when_a_person_publishes(store: Store) -> None:
    notebook, now = home(store, ["07:00"], trays=2), datetime(2026, 6, 1, 12, tzinfo=UTC)
    publish_timetable(notebook, "plugs", now=now, who="me")
    note_sent(store, due_messages(store, now), now)
    days = (now + HOUR - BEGUN) / DAY
    change = event("treatment changed", days, started=BEGUN, tray="tray-2", value="dry")
    note_event(notebook, "plugs", change, now=now + 2 * HOUR)
    assert due_messages(store, now + 2 * HOUR) == []
    keep_start_times(notebook, "plugs", {"tray-1": ("short", (25_440,))}, since=now + 3 * HOUR)
    (moved,) = due_messages(store, now + 3 * HOUR)  # times that changed are sent at once
    assert (moved.timetable.tray, moved.timetable.starts_s) == ("tray-1", (18_240,))


def test_a_node_of_several_trays_gets_a_pack_for_each(store: Store) -> None:
    notebook, now = home(store, ["07:00"], trays=2), datetime(2026, 6, 1, 12, tzinfo=UTC)
    heard(store, "bench-9", "tray-1", "tray-2", at=BEGUN + HOUR)
    publish_timetable(notebook, "plugs", now=now, who="me")
    topics = [topic for topic, _ in packed(store, due_messages(store, now))]
    assert topics == [f"tidetray/v1/nursery/bench-9/timetable/tray-{k}" for k in (1, 2)]


def test_without_a_node_or_without_publishing_nothing_is_sent(store: Store) -> None:
    notebook, now = home(store, ["07:00"]), datetime(2026, 6, 1, 12, tzinfo=UTC)
    assert due_messages(store, now) == []
    notebook.add_trial(
        made_plan(["short"], [Treatment("short", "mixed", ("07:00",), 10.0)], pots=1, name="far", site="far")
    )
    publish_timetable(notebook, "far", now=now, who="me")
    assert due_messages(store, now) == []


def test_the_recorder_sends_renews_and_sends_again_to_a_broker_that_forgot(
    tmp_path: Path, mosquitto: Mosquitto
) -> None:
    with open_store(tmp_path / RECORD_FILE) as record:
        notebook = home(record, ["07:00"])
        now = [datetime(2026, 6, 1, 12, tzinfo=UTC)]
        publish_timetable(notebook, "plugs", now=now[0], who="me")
        proven = [False]
        service = TimetableService(
            tmp_path,
            Settings(broker=BrokerSettings(port=mosquitto.port)),
            lambda: now[0],
            "test",
            lambda: proven[0],
        )
        service._every_s = 0.1
        service.start()
        try:
            assert sent_until(notebook, "nursery") == {}
            proven[0] = True  # by a clock that nobody believes nothing is sent
            until(lambda: sent_until(notebook, "nursery"))
            topic = "tidetray/v1/nursery/bench-1/timetable"
            before = retained(mosquitto, topic)
            mosquitto.stop()
            (mosquitto.folder / "mosquitto.db").unlink(missing_ok=True)  # what it had retained is gone
            mosquitto.start()
            until(lambda: retained(mosquitto, topic))
            assert retained(mosquitto, topic) == before
            now[0] = AUTUMN - 2 * HOUR
            until(lambda: sent_until(notebook, "nursery")["tray-1"] > AUTUMN)
            assert retained(mosquitto, topic)["number"] > before["number"]
            assert service.health().is_well
        finally:
            service.stop()
