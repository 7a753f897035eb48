"""The life of a trial: begun, corrected, renamed, ended, archived, undone; what follows from each, and its history."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from tests.ingest.notebook.test_notebook import PLAN, STARTED
from tidetray.ingest.core.readings import EVIDENCE, Reading, Tray, to_ms
from tidetray.ingest.core.refusals import EntryError, RefusedError
from tidetray.ingest.cycles.detect import detect_cycles
from tidetray.ingest.files.trial_file import plan_tables, read_plan
from tidetray.ingest.notebook import trial_changes
from tidetray.ingest.notebook.facts import Event, PotPlan, TrayPlan, Treatment, TrialPlan
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.notebook.trial_changes import archive, begin, correct, end, history, rename, resume, undo
from tidetray.ingest.notebook.trial_events import SplitOff, note_event, note_split
from tidetray.ingest.recorder.cycle_upkeep import rebuild_due
from tidetray.ingest.store import derived, queries
from tidetray.ingest.store.recording import Store
from tidetray.ingest.wire.packs import Pack

NOW = STARTED + timedelta(days=60)
BY: dict[str, Any] = {"now": NOW, "who": "me", "why": "measured again"}
WEEK = timedelta(days=7)


@pytest.fixture
def notebook(store: Store) -> Notebook:
    notebook = Notebook(store)
    begin(notebook, PLAN, now=NOW, who="me")
    return notebook


def sent(*of: Any) -> tuple[Pack, str, bytes]:
    return Pack(*of), "", b""


def weigh(notebook: Notebook, pot: str, time: datetime, gross_g: float) -> None:
    notebook.add_weigh_in("bench", pot=pot, time=time, gross_g=gross_g, now=NOW)


def tray_1(**measures: Any) -> TrialPlan:
    first = PLAN.trays[0]
    return replace(PLAN, trays=(replace(first, tray=replace(first.tray, **measures)), *PLAN.trays[1:]))


def lines(notebook: Notebook, trial: str = "bench") -> list[tuple[str, str, str, Any, Any]]:
    return [(each.what, each.name, each.field, each.was, each.becomes) for each in history(notebook, trial)][1:]


def test_every_value_can_be_corrected_and_stays_in_the_history(notebook: Notebook) -> None:
    wanted = TrialPlan(
        replace(PLAN.trial, zone="Europe/London", species="Micranthemum tweediei", base_temp_c=6.0),
        (replace(PLAN.treatments[0], flood_times=("07:30", "12:30"), wet_minutes=10.0), PLAN.treatments[1]),
        (
            TrayPlan(
                replace(PLAN.trays[0].tray, length_m=0.4, drain_hole_diameter_m=0.014), "emersed", "white LED", "A"
            ),
            PLAN.trays[1],
        ),
        (PLAN.pots[0], replace(PLAN.pots[1], tray="tray-2", row=2, height_m=0.03), PLAN.pots[2]),
    )
    done = correct(notebook, "bench", wanted, **BY)
    assert notebook.plan("bench") == wanted
    assert {(each.who, each.why, each.made) for each in done} == {("me", "measured again", NOW)}
    assert ("corrected", "tray-1", "drain_hole_diameter_m", None, 0.014) in lines(notebook)
    assert ("corrected", "floods", "flood_times", ["06:00", "18:00"], ["07:30", "12:30"]) in lines(notebook)
    assert ("corrected", "bench", "base_temp_c", None, 6.0) in lines(notebook)
    assert len(done) == 12
    with pytest.raises(EntryError, match="has these values already"):
        correct(notebook, "bench", wanted, **BY)


def test_a_correction_adds_what_is_new_and_leaves_nothing_out(notebook: Notebook) -> None:
    more = replace(
        PLAN,
        treatments=(*PLAN.treatments, Treatment("submersed", "submersed")),
        trays=(
            replace(PLAN.trays[0], treatment="submersed"),
            PLAN.trays[1],
            TrayPlan(Tray("tray-3", "nursery"), "floods"),
        ),
        pots=(*PLAN.pots, PotPlan("c-1", "tray-3", 1, 1, 29.0)),
    )
    correct(notebook, "bench", more, **BY)
    assert notebook.plan("bench") == more
    with pytest.raises(RefusedError, match="pot c-1: is in the notebook and not in the corrected plan"):
        correct(notebook, "bench", replace(more, pots=PLAN.pots), **BY)


@pytest.mark.parametrize(
    ("change", "what"),
    [
        (lambda plan: replace(plan, trial=replace(plan.trial, site="elsewhere")), "site cannot be corrected"),
        (
            lambda plan: replace(plan, trial=replace(plan.trial, started=STARTED + 2 * WEEK)),
            "first entry of the trial is of",
        ),
        (lambda plan: replace(plan, pots=(replace(plan.pots[0], column=2), *plan.pots[1:])), "would be in one place"),
        (
            lambda plan: replace(plan, pots=(replace(plan.pots[0], tare_g=60.0), *plan.pots[1:])),
            "weighs less than empty",
        ),
    ],
)
def test_what_cannot_be_is_refused_and_nothing_is_changed(
    notebook: Notebook, change: Callable[[TrialPlan], TrialPlan], what: str
) -> None:
    weigh(notebook, "a-1", STARTED + WEEK, 42.0)
    stamp = notebook.stamp()
    with pytest.raises((EntryError, RefusedError), match=what):
        correct(notebook, "bench", change(PLAN), **BY)
    assert notebook.stamp() == stamp
    with pytest.raises(EntryError, match="who is missing"):
        correct(notebook, "bench", tray_1(length_m=0.4), now=NOW, who=" ", why="x")


def test_weigh_ins_take_a_corrected_tare_and_keep_their_history(notebook: Notebook) -> None:
    weigh(notebook, "a-1", STARTED + WEEK, 42.0)
    notebook.add_weigh_in("bench", pot="a-1", time=STARTED + 2 * WEEK, gross_g=44.0, tare_g=29.5, now=NOW)
    correct(notebook, "bench", replace(PLAN, pots=(replace(PLAN.pots[0], tare_g=31.0), *PLAN.pots[1:])), **BY)
    assert [(w.gross_g, w.tare_g) for w in notebook.weigh_ins("bench", pot="a-1")] == [(42.0, 31.0), (44.0, 29.5)]
    assert notebook.tares_g("bench")["a-1"] == 31.0


def test_a_start_may_be_earlier_and_pots_stand_from_then(notebook: Notebook) -> None:
    weigh(notebook, "a-1", STARTED + WEEK, 42.0)
    earlier = replace(PLAN, trial=replace(PLAN.trial, started=STARTED - WEEK))
    correct(notebook, "bench", earlier, **BY)
    assert {placement.start for placement in notebook.placements("bench")} == {STARTED - WEEK}
    weigh(notebook, "a-1", STARTED - timedelta(days=6), 40.0)


def test_cycles_follow_corrected_measures_as_if_they_had_always_held(notebook: Notebook, store: Store) -> None:
    start_ms = to_ms(STARTED)
    minutes = [0, 5, 10, 15, 20, 25, 30, 40, 50, 60, 70]
    levels = [0.0, 0.015, 0.025, 0.025, 0.015, 0.001, 0.0, 0.0, 0.0, 0.0, 0.0]
    readings = tuple(
        Reading("tray-1", "level", start_ms + 60_000 * minute + 86_400_000 * day, level)
        for day in range(3)
        for minute, level in zip(minutes, levels, strict=True)
    )
    store.record([sent("nursery", "bench-1", "7f3a", 1, 1, STARTED + WEEK, readings, ())])
    rebuild_due(store)
    assert set(queries.cycles(store, "nursery", "tray-1")["outcome"]) >= {"complete"}
    correct(notebook, "bench", tray_1(flood_mark_m=0.03), **BY)
    assert derived.cycles_due(store) == [("nursery", "tray-1", start_ms)]
    rebuild_due(store)
    found = queries.cycles(store, "nursery", "tray-1")
    assert set(found["outcome"]) & {"complete"} == set()
    assert (found["outcome"] == "flood mark not reached").sum() == 3
    tray = replace(PLAN.trays[0].tray, flood_mark_m=0.03)
    assert len(found) == len(detect_cycles(queries.readings(store, "nursery", "tray-1", EVIDENCE), tray))
    correct(
        notebook,
        "bench",
        replace(
            tray_1(flood_mark_m=0.03),
            trays=(replace(tray_1(flood_mark_m=0.03).trays[0], lamp="warm LED"), PLAN.trays[1]),
        ),
        **BY,
    )
    assert derived.cycles_due(store) == [], "a lamp changes no cycle"


def test_names_change_everywhere_and_no_value_does(notebook: Notebook) -> None:
    weigh(notebook, "a-1", STARTED + WEEK, 42.0)
    at = STARTED + timedelta(days=8)
    swap = Event("pots swapped", at, "a-2", value="a-1", who="me", why="x")
    note_event(notebook, "bench", swap, now=NOW)
    note_split(
        notebook, "bench", "a-1", [SplitOff("a-9", "tray-1", 3, 1, 30.0)], time=at + WEEK, now=NOW, who="me", why="x"
    )
    note_event(
        notebook,
        "bench",
        Event("treatment changed", at + WEEK, tray="tray-2", value="floods", who="me", why="x"),
        now=NOW,
    )
    before = notebook.weigh_ins("bench")
    rename(notebook, "bench", "pot", "a-1", "d-1", **BY)
    rename(notebook, "bench", "treatment", "floods", "three floods", **BY)
    rename(notebook, "bench", "tray", "tray-2", "shelf-2", **BY)
    rename(notebook, "bench", "trial", "bench", "plugs", **BY)
    assert notebook.weigh_ins("plugs") == tuple(replace(w, pot="d-1") for w in before)
    assert [e.value for e in notebook.events("plugs")] == ["d-1", "a-9", "d-1", "three floods"]
    assert {p.tray for p in notebook.placements("plugs")} == {"tray-1", "shelf-2"}
    assert {p.treatment for p in notebook.placements("plugs")} == {"three floods", "emersed"}
    assert [each.what for each in history(notebook, "plugs")] == ["begun", *["renamed"] * 4]
    with pytest.raises(Exception, match="weigh-ins are never edited"):
        notebook.store.connection.execute("UPDATE weigh_in SET gross_g = 1")


def test_a_name_is_refused_that_is_taken_or_sent_by_a_node(notebook: Notebook, store: Store) -> None:
    for kind, old, new, what in (
        ("pot", "a-1", "a-2", "there is a pot 'a-2' already"),
        ("pot", "a-1", "A/1", "cannot be the name of a pot"),
        ("pot", "a-1", "A-2", "there is a pot 'A-2' already"),
        ("trial", "bench", "My Bench", "cannot be a name"),
        ("pot", "z-1", "z-2", "has no pot 'z-1'"),
        ("trial", "bench", "bench", "there is a trial 'bench' already"),
    ):
        with pytest.raises(EntryError, match=what):
            rename(notebook, "bench", kind, old, new, **BY)
    reading = Reading("tray-1", "level", to_ms(STARTED), 0.0)
    store.record([sent("nursery", "bench-1", "7f3a", 1, 1, STARTED, (reading,), ())])
    with pytest.raises(EntryError, match="its name is what its node sends"):
        rename(notebook, "bench", "tray", "tray-1", "tray-9", **BY)


def test_an_ended_trial_takes_no_later_weigh_in_until_it_is_resumed(notebook: Notebook) -> None:
    weigh(notebook, "a-1", STARTED + WEEK, 42.0)
    with pytest.raises(EntryError, match="last weigh-in or event"):
        end(notebook, "bench", STARTED + timedelta(days=1), **BY)
    with pytest.raises(EntryError, match="is in the future"):
        end(notebook, "bench", NOW + WEEK, **BY)
    end(notebook, "bench", STARTED + 2 * WEEK, **BY)
    assert notebook.trial("bench").ended == STARTED + 2 * WEEK
    weigh(notebook, "a-2", STARTED + WEEK, 42.0)  # found on a note later
    with pytest.raises(RefusedError, match="is after the trial ended"):
        weigh(notebook, "a-1", STARTED + 3 * WEEK, 44.0)
    resume(notebook, "bench", **BY)
    weigh(notebook, "a-1", STARTED + 3 * WEEK, 44.0)
    assert [each.what for each in history(notebook, "bench")] == ["begun", "ended", "resumed"]


def test_only_an_ended_trial_is_archived_and_it_can_be_brought_back(notebook: Notebook) -> None:
    with pytest.raises(EntryError, match="is running"):
        archive(notebook, "bench", archived=True, **BY)
    end(notebook, "bench", NOW, **BY)
    assert archive(notebook, "bench", archived=True, **BY).archived
    assert not archive(notebook, "bench", archived=False, **BY).archived


def test_a_trial_without_entries_is_undone_whole_and_one_with_entries_is_not(notebook: Notebook, store: Store) -> None:
    second = replace(PLAN, trial=replace(PLAN.trial, name="second"))
    begin(notebook, second, now=NOW)
    undo(notebook, "second", **BY)
    assert [trial.name for trial in notebook.trials()] == ["bench"]
    assert notebook.plan("bench") == PLAN
    assert [each.what for each in history(notebook, "second")] == ["begun", "undone"]
    weigh(notebook, "a-1", STARTED + WEEK, 42.0)
    with pytest.raises(EntryError, match="has 1 weigh-ins: it cannot be undone"):
        undo(notebook, "bench", **BY)


def test_the_trial_that_has_something_to_say_comes_first(notebook: Notebook) -> None:
    begin(notebook, replace(PLAN, trial=replace(PLAN.trial, name="another", started=STARTED + WEEK)), now=NOW)
    assert [trial.name for trial in notebook.trials_by_interest()] == ["another", "bench"], (
        "the latest of two empty ones"
    )
    weigh(notebook, "a-1", STARTED + WEEK, 42.0)
    weigh(notebook, "a-1", STARTED + 2 * WEEK, 44.0)
    assert [trial.name for trial in notebook.trials_by_interest()] == ["bench", "another"]
    end(notebook, "bench", STARTED + 3 * WEEK, **BY)
    assert [trial.name for trial in notebook.trials_by_interest()] == ["bench", "another"], "it has growth"
    archive(notebook, "bench", archived=True, **BY)
    assert [trial.name for trial in notebook.trials_by_interest()] == ["another", "bench"]


def test_a_tray_that_was_only_recorded_takes_the_measures_of_its_first_trial(store: Store) -> None:
    notebook = Notebook(store)
    notebook.add_trays([Tray("tray-1", "nursery")])
    reading = Reading("tray-1", "level", to_ms(STARTED), 0.0)
    store.record([sent("nursery", "bench-1", "7f3a", 1, 1, STARTED, (reading,), ())])
    rebuild_due(store)
    begin(notebook, PLAN, now=NOW)
    assert notebook.plan("bench") == PLAN
    assert [due[:2] for due in derived.cycles_due(store)] == [("nursery", "tray-1")]


def test_a_plan_written_as_tables_is_the_same_plan_again() -> None:
    assert read_plan(plan_tables(PLAN), where="a form") == PLAN
    assert trial_changes.KINDS == ("trial", "treatment", "tray", "pot")
    assert PLAN.trial.started.tzinfo is UTC
