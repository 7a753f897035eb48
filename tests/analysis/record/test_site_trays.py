"""All trays of a site: of two running trials, of none, and of a trial that has ended."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

from tests.ingest.notebook.test_notebook import PLAN, STARTED
from tidetray.analysis.questions.trays import trays
from tidetray.analysis.record.site_trays import NO_TRIAL, SiteTrays
from tidetray.ingest.core.readings import Reading, Tray, to_ms
from tidetray.ingest.notebook.facts import Event, PotPlan, TrayPlan
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.notebook.trial_changes import begin, end
from tidetray.ingest.notebook.trial_events import note_event
from tidetray.ingest.store.recording import Store
from tidetray.ingest.wire.packs import Pack

NOW = STARTED + timedelta(days=30)
BY = {"now": NOW, "who": "me", "why": "x"}


def measure(store: Store, tray: str) -> None:
    reading = Reading(tray, "level", to_ms(NOW), 0.0)
    store.record([(Pack("nursery", "bench-1", "7f3a", None, None, NOW, (reading,), ()), "", b"")])


def test_one_trial_alone_is_shown_as_it_is(store: Store) -> None:
    begin(Notebook(store), PLAN, now=NOW)
    found = SiteTrays(store, PLAN.trial)
    assert found.treatments == {"tray-1": "floods", "tray-2": "emersed"}
    assert found.plan == PLAN


def test_trays_of_two_trials_and_of_none_stand_together(store: Store) -> None:
    notebook = Notebook(store)
    begin(notebook, PLAN, now=NOW)
    trays_of_second = (replace(PLAN.trays[1], treatment="floods"), TrayPlan(Tray("tray-3", "nursery"), "emersed"))
    second = replace(
        PLAN,
        trial=replace(PLAN.trial, name="second", started=STARTED + timedelta(days=9)),
        trays=trays_of_second,
        pots=(PotPlan("z-1", "tray-3", 1, 1, 30.0),),
    )
    begin(notebook, second, now=NOW)
    notebook.add_trays([Tray("tray-4", "nursery"), Tray("tray-5", "nursery")])
    measure(store, "tray-4")
    change = Event("treatment changed", NOW - timedelta(days=1), tray="tray-1", value="emersed", who="me", why="x")
    note_event(notebook, "bench", change, now=NOW)
    found = SiteTrays(store, PLAN.trial)
    assert found.treatments == {
        "tray-1": "emersed, bench",
        "tray-2": "floods, second",  # the latest trial on it counts
        "tray-3": "emersed, second",
        "tray-4": NO_TRIAL,  # recorded, in no trial; tray-5 never sent anything
    }
    answer = trays(found, NOW)
    assert answer.table.set_index("tray")["state"].to_dict()["tray-4"] == "dry"
    end(notebook, "second", NOW, **BY)  # type: ignore[arg-type]
    left = SiteTrays(store, PLAN.trial)
    assert left.treatments == {"tray-1": "emersed", "tray-2": "emersed", "tray-4": NO_TRIAL}


def test_the_trays_of_an_ended_trial_are_shown_without_a_schedule(store: Store) -> None:
    notebook = Notebook(store)
    begin(notebook, PLAN, now=NOW)
    end(notebook, "bench", NOW, **BY)  # type: ignore[arg-type]
    found = SiteTrays(store, notebook.trial("bench"))
    assert found.treatments == {"tray-1": NO_TRIAL, "tray-2": NO_TRIAL}
    assert found.plan.treatments[0].flood_times == ()
