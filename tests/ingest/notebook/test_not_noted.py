"""What nobody noted: trays, places and tares that a trial may do without."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from tidetray.ingest.alarms.keeper import watch_plan
from tidetray.ingest.core.readings import Tray
from tidetray.ingest.core.refusals import EntryError, RefusedError
from tidetray.ingest.files.package_file import load_package
from tidetray.ingest.files.trial_file import load_trial, tray_not_noted
from tidetray.ingest.notebook.facts import Event, PotPlan, TrayPlan, Treatment, Trial, TrialPlan
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.notebook.trial_events import note_event
from tidetray.ingest.settings.model import load_settings
from tidetray.ingest.store.recording import Store, open_store
from tidetray.ui.prints.export import export

STARTED, WEIGHED = datetime(2026, 5, 31, tzinfo=UTC), datetime(2026, 6, 1, 8, tzinfo=UTC)
NOW = datetime(2026, 6, 2, tzinfo=UTC)
TRIAL = Trial("plugs", "nursery", "Europe/Lisbon", STARTED, "Micranthemum", "")
PLAN = TrialPlan(
    TRIAL,
    (Treatment("dry", "emersed"), Treatment("wet", "submersed")),
    (tray_not_noted(1, "nursery", "dry"), TrayPlan(Tray("tray-1", "nursery"), "wet")),
    (
        PotPlan("A1", "not-noted-1", None, None, math.nan),
        PotPlan("Topf 2", "not-noted-1", None, None, 0.0),
        PotPlan("b1", "tray-1", None, None, 30.0),
        PotPlan("b2", "tray-1", 1, 2, 30.0),
    ),
)


@pytest.fixture
def notebook(store: Store) -> Notebook:
    notebook = Notebook(store)
    notebook.add_trial(PLAN)
    return notebook


def test_what_was_not_noted_comes_back_so(notebook: Notebook) -> None:
    plan = notebook.plan("plugs")
    assert [tray.noted for tray in plan.trays] == [False, True]
    first, *rest = plan.pots
    assert (first.row, first.column) == (None, None)
    assert math.isnan(first.tare_g)
    assert rest == list(PLAN.pots[1:])
    assert not notebook.add_trial(PLAN).trays, "the same plan again is nothing new"
    with pytest.raises(RefusedError, match="tare_g was not noted and is now 4"):
        notebook.add_trial(replace(PLAN, pots=(replace(PLAN.pots[0], tare_g=4.0), *PLAN.pots[1:])))


def test_a_stand_in_is_no_tray_of_the_site(notebook: Notebook) -> None:
    assert [tray.name for tray, _ in notebook.trays("nursery")] == ["tray-1"]
    assert notebook.tray_names() == {("nursery", "tray-1")}
    plan = watch_plan(notebook.store, load_settings(Path("/nowhere")).alarms)
    assert list(plan.trays) == [("nursery", "tray-1")]


def test_pots_without_a_place_are_in_nobodys_way(notebook: Notebook) -> None:
    moved = Event("pot moved", WEIGHED, "a1", "tray-1", 1, 1, who="me", why="room")
    assert note_event(notebook, "plugs", moved, now=NOW).pot == "A1"
    last = [p for p in notebook.placements("plugs") if p.pot == "A1"][-1]
    assert (last.tray, last.row, last.column, last.treatment) == ("tray-1", 1, 1, "wet")
    with pytest.raises(EntryError, match="pot b2 stands in tray-1, row 1, column 2"):
        note_event(notebook, "plugs", replace(moved, pot="b1", column=2), now=NOW)


def test_a_pot_is_found_whatever_its_capitals(notebook: Notebook) -> None:
    assert notebook.pot_named("plugs", "a1") == "A1"
    assert notebook.pot_named("plugs", " TOPF  2") == "Topf 2"
    assert notebook.pot_named("plugs", "a3") == "a3"


def test_a_mass_without_a_tare_is_kept_and_gives_no_net_mass(notebook: Notebook) -> None:
    assert notebook.add_weigh_in("plugs", pot="A1", time=WEIGHED, gross_g=9.0, now=NOW)
    assert not notebook.add_weigh_in("plugs", pot="A1", time=WEIGHED, gross_g=9.0, now=NOW), "there already"
    assert notebook.add_weigh_in("plugs", pot="Topf 2", time=WEIGHED, gross_g=2.5, now=NOW)
    first, second = notebook.weigh_ins("plugs")
    assert math.isnan(first.net_g)
    assert second.net_g == 2.5


def test_a_new_net_pot_gives_net_masses_from_then_on(notebook: Notebook) -> None:
    note_event(notebook, "plugs", Event("pot re-potted", WEIGHED, "A1", tare_g=4.0, who="me", why="roots"), now=NOW)
    assert notebook.add_weigh_in("plugs", pot="A1", time=WEIGHED, gross_g=9.0, now=NOW)
    assert notebook.weigh_ins("plugs", pot="A1")[0].net_g == 5.0


def test_an_exported_package_keeps_it(notebook: Notebook, tmp_path: Path) -> None:
    notebook.add_weigh_in("plugs", pot="A1", time=WEIGHED, gross_g=9.0, now=NOW)
    export(notebook.store, TRIAL, tmp_path / "out", now=NOW)
    with open_store(tmp_path / "other.db") as store:
        other = Notebook(store)
        load_package(other, tmp_path / "out" / "datapackage.json", now=NOW)
        assert repr(other.plan("plugs")) == repr(notebook.plan("plugs"))
        assert math.isnan(other.weigh_ins("plugs")[0].tare_g)


def test_an_export_of_an_earlier_version_is_read(notebook: Notebook, tmp_path: Path) -> None:
    export(notebook.store, TRIAL, tmp_path / "out", now=NOW)
    trays = tmp_path / "out" / "trays.csv"
    header, *rows = trays.read_text().splitlines()
    at = header.split(",").index("noted")
    cut = [",".join(cell for i, cell in enumerate(line.split(",")) if i != at) for line in (header, *rows)]
    trays.write_text("\n".join(cut) + "\n")
    with open_store(tmp_path / "other.db") as store:
        load_package(Notebook(store), tmp_path / "out" / "datapackage.json", now=NOW)
        assert all(tray.noted for tray in Notebook(store).plan("plugs").trays)


TOML = """
[trial]
name = "plugs"
site = "nursery"
zone = "Europe/Lisbon"
started = 2026-05-31
species = "Micranthemum"
[[treatment]]
name = "dry"
culture = "emersed"
[[tray]]
name = "tray-1"
treatment = "dry"
[[pot]]
name = "A1"
treatment = "dry"
[[pot]]
name = "Topf 2"
tray = "tray-1"
tare_g = 0
"""


def test_a_trial_file_may_leave_them_out(tmp_path: Path) -> None:
    path = tmp_path / "trial.toml"
    path.write_text(TOML)
    plan = load_trial(path)
    assert [(tray.name, tray.noted) for tray in plan.trays] == [("tray-1", True), ("not-noted-1", False)]
    assert [(pot.name, pot.tray, pot.row) for pot in plan.pots] == [
        ("A1", "not-noted-1", None),
        ("Topf 2", "tray-1", None),
    ]
    path.write_text(TOML + '[[pot]]\nname = "a1"\ntreatment = "dry"\nrow = 1\n')
    with pytest.raises(RefusedError) as caught:
        load_trial(path)
    told = str(caught.value)
    assert "one of row and column is missing" in told
    assert "there are 2 of that name" in told
