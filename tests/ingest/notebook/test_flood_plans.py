"""Which floods are due on a tray, by the plan that held then: trials in turn, ready trays, changes, stops."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from itertools import pairwise

import pytest

from tests.made_trials import STARTED, event, made_plan, put, treatment
from tidetray.ingest.core.readings import from_ms, to_ms
from tidetray.ingest.core.refusals import EntryError
from tidetray.ingest.notebook.flood_plans import FloodPlan, FloodSpell, flood_plan, flood_plans
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.notebook.timetables import (
    keep_start_times,
    publications,
    publish_timetable,
    say_ready,
    stop_timetable,
    timetable_in_force,
)
from tidetray.ingest.notebook.trial_events import note_event, take_back
from tidetray.ingest.store.recording import open_store

HOUR = timedelta(hours=1)
NOON = STARTED + timedelta(days=3, hours=7)
"""Noon by the clock of the trial's zone (Europe/Lisbon, UTC+1 in June)."""

TWO, FOUR, DRY = treatment(2), treatment(4), treatment(0)


@pytest.fixture
def notebook() -> Iterator[Notebook]:
    with open_store(":memory:") as store:
        yield put(store, made_plan(["floods-2", "floods-4", "dry"], [TWO, FOUR, DRY], pots=1), [])


def due(notebook: Notebook, tray: str, start: datetime, hours: float) -> list[datetime]:
    plan = flood_plan(notebook, "nursery", tray)
    return [from_ms(each) for each in plan.due(to_ms(start), to_ms(start + hours * HOUR))]


def test_without_more_the_flood_times_of_the_treatment_hold(notebook: Notebook) -> None:
    assert due(notebook, "tray-1", NOON - HOUR, 24) == [NOON, NOON + 12 * HOUR]
    assert due(notebook, "tray-3", NOON, 24) == []
    assert flood_plan(notebook, "nursery", "tray-3").at(to_ms(NOON)).culture == "emersed"
    assert due(notebook, "tray-9", NOON, 24) == []


def test_before_its_trial_nothing_is_asked_of_a_tray(notebook: Notebook) -> None:
    assert due(notebook, "tray-1", STARTED - 48 * HOUR, 47) == []
    before = flood_plan(notebook, "nursery", "tray-1").at(to_ms(STARTED) - 1)
    assert (before.trial, before.culture, before.is_ready) == ("", "", False)


def test_a_tray_follows_its_changes_of_treatment_and_those_taken_back(notebook: Notebook) -> None:
    changed = note_event(
        notebook, "plugs", event("treatment changed", 3.0, tray="tray-1", value="floods-4"), now=NOON + 2 * HOUR
    )
    at_four = STARTED + timedelta(days=3, hours=1)  # 06:00 local, a flood of four a day, an hour after the change
    assert due(notebook, "tray-1", at_four - timedelta(minutes=90), 14) == [
        at_four,
        at_four + 6 * HOUR,
        at_four + 12 * HOUR,
    ]
    assert due(notebook, "tray-1", at_four - 8 * HOUR, 6.9) == [at_four - 6 * HOUR]  # at midnight by the two of before
    assert changed.number is not None
    take_back(notebook, "plugs", changed.number, now=NOON + 3 * HOUR, who="me", why="wrong tray")
    assert due(notebook, "tray-1", at_four - timedelta(minutes=90), 13) == [at_four + 6 * HOUR]


def test_start_times_hold_from_when_they_are_kept(notebook: Notebook) -> None:
    keep_start_times(notebook, "plugs", {"tray-1": ("floods-2", (240, 43_440))}, since=NOON + HOUR)
    four = timedelta(minutes=4)
    assert due(notebook, "tray-1", NOON - HOUR, 24) == [NOON, NOON + 12 * HOUR + four]
    assert due(notebook, "tray-2", NOON + HOUR, 24)[0] == NOON + 6 * HOUR
    with pytest.raises(EntryError, match="0 start times"):
        keep_start_times(notebook, "plugs", {"tray-1": ("floods-2", ())}, since=NOON)
    with pytest.raises(EntryError, match="no tray 'tray-7'"):
        keep_start_times(notebook, "plugs", {"tray-7": ("floods-2", (1,))}, since=NOON)


def test_start_times_are_those_of_one_treatment(notebook: Notebook) -> None:
    """A tray that is given another treatment floods by that one's times, and by its own again when it comes back."""
    keep_start_times(notebook, "plugs", {"tray-1": ("floods-2", (240, 43_440))}, since=STARTED)
    for days, name in ((3.5, "dry"), (4.5, "floods-2")):
        note_event(notebook, "plugs", event("treatment changed", days, tray="tray-1", value=name), now=NOON + 72 * HOUR)
    moments = due(notebook, "tray-1", NOON - HOUR, 48)
    four = timedelta(minutes=4)
    assert moments == [NOON + four, NOON + 36 * HOUR + four]


def test_a_trial_on_trays_of_another_one_waits_until_they_are_ready(notebook: Notebook) -> None:
    second = made_plan(["floods-4"] * 3, [FOUR], pots=1, name="next", started=NOON)
    notebook.add_trial(second, now=NOON)
    plan = flood_plan(notebook, "nursery", "tray-3")
    assert plan.at(to_ms(NOON) - 1).trial == "plugs"
    waits = plan.at(to_ms(NOON))
    assert (waits.trial, waits.culture, waits.is_ready) == ("next", "", False)
    assert plan.next_ms(to_ms(NOON)) is None
    with pytest.raises(EntryError, match="has not started yet"):
        say_ready(notebook, "next", now=NOON - HOUR, who="me")
    assert say_ready(notebook, "next", now=NOON + 7 * HOUR, who="me") == NOON + 7 * HOUR
    assert say_ready(notebook, "next", now=NOON + 9 * HOUR, who="you") == NOON + 7 * HOUR  # said once
    assert due(notebook, "tray-3", NOON - HOUR, 20) == [NOON + 12 * HOUR, NOON + 18 * HOUR]


def test_a_first_trial_is_watched_from_when_it_is_entered() -> None:
    with open_store(":memory:") as store:
        notebook = Notebook(store)
        notebook.add_trial(made_plan(["floods-2"], [TWO], pots=1), now=NOON + HOUR)
        plan = flood_plan(notebook, "nursery", "tray-1")
        assert not plan.at(to_ms(NOON)).is_ready
        assert [from_ms(each) for each in plan.due(to_ms(STARTED), to_ms(NOON + 13 * HOUR))] == [NOON + 12 * HOUR]


def test_what_is_published_ends_and_what_is_stopped_floods_no_more(notebook: Notebook) -> None:
    publish_timetable(notebook, "plugs", now=NOON, who="me", ends=NOON + 30 * HOUR)
    assert due(notebook, "tray-1", NOON, 72) == [NOON + 12 * HOUR, NOON + 24 * HOUR]
    force = timetable_in_force(notebook, "plugs", NOON + HOUR)
    assert (force.published, force.ends, force.flooded) == (NOON, NOON + 30 * HOUR, ("tray-1", "tray-2"))
    assert timetable_in_force(notebook, "plugs", NOON + 31 * HOUR).published is None
    stop_timetable(notebook, "plugs", now=NOON + 13 * HOUR, who="me")
    assert due(notebook, "tray-1", NOON, 72) == [NOON + 12 * HOUR]
    assert flood_plan(notebook, "nursery", "tray-3").at(to_ms(NOON + 14 * HOUR)).culture == "emersed"
    assert publications(notebook, "plugs") == [(to_ms(NOON), to_ms(NOON + 13 * HOUR))]
    publish_timetable(notebook, "plugs", now=NOON + 40 * HOUR, who="me")
    assert due(notebook, "tray-1", NOON + 20 * HOUR, 40) == [NOON + 48 * HOUR, NOON + 60 * HOUR]
    with pytest.raises(EntryError, match="would end before it begins"):
        publish_timetable(notebook, "plugs", now=NOON, who="me", ends=NOON)


def test_a_treatment_changed_after_publishing_is_said(notebook: Notebook) -> None:
    publish_timetable(notebook, "plugs", now=NOON, who="me")
    assert timetable_in_force(notebook, "plugs", NOON + HOUR).outdated == ()
    days = (NOON + 2 * HOUR - STARTED) / timedelta(days=1)
    note_event(notebook, "plugs", event("treatment changed", days, tray="tray-2", value="dry"), now=NOON + 3 * HOUR)
    assert timetable_in_force(notebook, "plugs", NOON + 3 * HOUR).outdated == ("tray-2",)
    publish_timetable(notebook, "plugs", now=NOON + 4 * HOUR, who="me")
    assert timetable_in_force(notebook, "plugs", NOON + 5 * HOUR).outdated == ()


def test_a_trial_of_an_earlier_name_leaves_no_start_times(notebook: Notebook) -> None:
    """A trial that was undone may come again under its name, with other floods."""
    keep_start_times(notebook, "plugs", {"tray-1": ("floods-2", (240, 43_440))}, since=STARTED)
    stop_timetable(notebook, "plugs", now=NOON, who="me")
    for table in ("placement", "pot", "assignment", "treatment", "trial"):
        name = "name" if table == "trial" else "trial"
        notebook.store.connection.execute(f"DELETE FROM {table} WHERE {name} = 'plugs'")
    notebook.add_trial(made_plan(["floods-2"], [TWO], pots=1))
    assert due(notebook, "tray-1", NOON - HOUR, 24) == [NOON, NOON + 12 * HOUR]


def test_start_times_follow_the_names_of_trial_treatment_and_tray(notebook: Notebook) -> None:
    keep_start_times(notebook, "plugs", {"tray-1": ("floods-2", (240, 43_440))}, since=STARTED)
    publish_timetable(notebook, "plugs", now=NOON - HOUR, who="me")
    execute = notebook.store.connection.execute
    with notebook.store.transaction():
        execute("PRAGMA defer_foreign_keys = ON")
        execute("UPDATE trial SET name = 'plants' WHERE name = 'plugs'")
        for table in ("treatment", "assignment", "pot", "placement"):
            execute(f"UPDATE {table} SET trial = 'plants' WHERE trial = 'plugs'")
        execute("UPDATE treatment SET name = 'twice' WHERE name = 'floods-2'")
        execute("UPDATE assignment SET treatment = 'twice' WHERE treatment = 'floods-2'")
        execute("UPDATE tray SET name = 'upper' WHERE name = 'tray-1'")
        execute("UPDATE assignment SET tray = 'upper' WHERE tray = 'tray-1'")
    four = timedelta(minutes=4)
    assert due(notebook, "upper", NOON - HOUR, 24) == [NOON + four, NOON + 12 * HOUR + four]
    assert timetable_in_force(notebook, "plants", NOON).published == NOON - HOUR


def test_facts_change_whenever_the_plan_does(notebook: Notebook) -> None:
    """So the watch for alarms is made anew."""
    seen = [notebook.schedule_facts()]
    note_event(notebook, "plugs", event("treatment changed", 3.0, tray="tray-1", value="dry"), now=NOON)
    seen.append(notebook.schedule_facts())
    keep_start_times(notebook, "plugs", {"tray-2": ("floods-4", (60, 21_660, 43_260, 64_860))}, since=NOON)
    seen.append(notebook.schedule_facts())
    publish_timetable(notebook, "plugs", now=NOON, who="me")
    seen.append(notebook.schedule_facts())
    stop_timetable(notebook, "plugs", now=NOON + HOUR, who="me")
    seen.append(notebook.schedule_facts())
    assert all(before != after for before, after in pairwise(seen))


@pytest.mark.parametrize(
    ("day", "expected_utc"),
    [
        ("2026-03-29", ["2026-03-28T05:30", "2026-03-29T04:30", "2026-03-30T04:30"]),
        ("2026-10-25", ["2026-10-24T04:30", "2026-10-25T05:30", "2026-10-26T05:30"]),
    ],
)
def test_floods_keep_local_time_across_a_change_of_clocks(day: str, expected_utc: list[str]) -> None:
    """Europe/Berlin goes to UTC+2 on 2026-03-29 and back to UTC+1 on 2026-10-25, at 01:00 UTC (tz database)."""
    with open_store(":memory:") as store:
        notebook = Notebook(store)
        notebook.add_trial(
            made_plan(["floods-2"], [TWO], pots=1, zone="Europe/Berlin", started=datetime(2026, 1, 1, tzinfo=UTC))
        )
        keep_start_times(notebook, "plugs", {"tray-1": ("floods-2", (23_400,))}, since=datetime(2026, 1, 1, tzinfo=UTC))
        middle = datetime.fromisoformat(day).replace(tzinfo=UTC)
        found = due(notebook, "tray-1", middle - 24 * HOUR, 72)
    assert [f"{each:%Y-%m-%dT%H:%M}" for each in found] == expected_utc


def test_equal_spells_are_one() -> None:
    plan = FloodPlan([FloodSpell(5, "a", "t"), FloodSpell(7, "a", "t"), FloodSpell(9, "b", "t")])
    assert [each.from_ms for each in plan.spells] == [0, 5, 9]
    assert flood_plans(Notebook(open_store(":memory:"))) == {}
