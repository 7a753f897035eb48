"""A trial that came from a sheet, with all that nobody noted, is corrected and grows as any other."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest

from tests.sheet_layouts import LAYOUTS, NOW
from tidetray.ingest.files.package_file import load_package
from tidetray.ingest.files.sheet_trial import propose
from tidetray.ingest.files.trial_file import NOT_NOTED, plan_tables, read_plan
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.notebook.trial_changes import begin
from tidetray.ingest.store.recording import open_store
from tidetray.ui.changes.from_sheet import save_sheet
from tidetray.ui.changes.new_trial import FormError, Typed, extended
from tidetray.ui.changes.trial_changes import as_typed, correct_by_form
from tidetray.ui.prints.export import export

BY = {"now": NOW, "who": "ann", "why": "noted in the old diary"}


def correct(home: Path, what: tuple[str, str], name: str = "", **typed: str) -> list[str]:
    with open_store(home / "tidetray.sqlite") as store:
        known = as_typed(Notebook(store).plan("wide"), *what)
        assert typed.keys() <= known.keys()
        return correct_by_form(home, store, "wide", what, known | typed, new_name=name, **BY)


@pytest.fixture
def home(tmp_path: Path) -> Path:
    with open_store(tmp_path / "tidetray.sqlite") as store:
        save_sheet(store, LAYOUTS[0].settled(), now=NOW)
    return tmp_path


@pytest.mark.parametrize("layout", LAYOUTS, ids=lambda layout: layout.name)
def test_a_trial_of_any_sheet_is_written_as_tables_and_read_again(layout: object) -> None:
    plan = layout.settled().plan  # type: ignore[attr-defined]
    for species in ("", "Micranthemum"):
        for culture in ("", "mixed"):
            ways = tuple(replace(way, culture=way.culture or culture) for way in plan.treatments)
            wanted = replace(plan, trial=replace(plan.trial, species=species), treatments=ways)
            found = read_plan(plan_tables(wanted), where="tables")
            tares = [(pot.tare_g, other.tare_g) for pot, other in zip(wanted.pots, found.pots, strict=True)]
            assert all(a == b or (math.isnan(a) and math.isnan(b)) for a, b in tares)
            assert replace(found, pots=()) == replace(wanted, pots=())


def test_everything_that_nobody_noted_can_be_noted_later(home: Path) -> None:
    assert correct(home, ("trial", "wide"), species="Micranthemum") == [
        "trial wide, species: was not noted, is Micranthemum"
    ]
    assert correct(home, ("treatment", "floods"), culture="mixed") == [
        "treatment floods, how it is flooded: was not noted, is flooded and drained"
    ]
    assert correct(home, ("treatment", "floods"), flood_times="07:30 12:30", wet_minutes="15") == [
        "treatment floods, flood times: was not noted, is 07:30 12:30",
        "treatment floods, minutes under water: was 0, is 15",
    ]
    assert correct(home, ("pot", "D1"), tare_g="5", row="1", column="2") == [
        "pot D1, row at the start: was not noted, is 1",
        "pot D1, column at the start: was not noted, is 2",
        "pot D1, empty net pot, grams: was 6, is 5",
    ]
    assert correct(home, ("trial", "wide"), species="") == ["trial wide, species: was Micranthemum, is not noted"]


def test_an_empty_pot_noted_later_gives_its_weigh_ins_a_net_mass(tmp_path: Path) -> None:
    """What the pages advise where nobody noted what the empty pot weighs."""
    layout = LAYOUTS[0]
    proposal = propose(layout.make(), layout.file, replace(layout.answers(), empty_pot=NOT_NOTED), now=NOW)
    with open_store(tmp_path / "tidetray.sqlite") as store:
        save_sheet(store, proposal, now=NOW)
        before = Notebook(store).weigh_ins("wide", pot="D1")
        assert all(math.isnan(each.net_g) for each in before)
    lines = correct(tmp_path, ("pot", "D1"), tare_g="6")
    assert lines[-1] == "pot D1, empty net pot, grams: was not noted, is 6"
    with open_store(tmp_path / "tidetray.sqlite", read_only=True) as store:
        after = Notebook(store).weigh_ins("wide", pot="D1")
    assert [each.net_g for each in after] == pytest.approx([each.gross_g - 6 for each in before])


def test_a_tray_is_added_and_a_pot_put_on_it(home: Path) -> None:
    with open_store(home / "tidetray.sqlite") as store:
        notebook = Notebook(store)
        plan = notebook.plan("wide")
        head = {"name": "wide", "site": plan.trial.site, "zone": plan.trial.zone, "species": "", "ways": ()}
        typed = Typed(**head, trays="tray-1", rows=1, columns=2, tare="6")  # type: ignore[arg-type]
        begin(notebook, extended(plan, typed, "always dry"), now=NOW, who="ann")
    assert correct(home, ("pot", "D2"), tray="tray-1", row="2", column="1") == [
        "pot D2, tray at the start: was not noted, is tray-1",
        "pot D2, row at the start: was not noted, is 2",
        "pot D2, column at the start: was not noted, is 1",
    ]
    with pytest.raises(FormError, match="row 1, column 1 of tray tray-1 would hold pots D3 and tray-1-r1c1"):
        correct(home, ("pot", "D3"), tray="tray-1", row="1", column="1")


def test_a_trial_of_a_sheet_goes_through_a_package(home: Path, tmp_path: Path) -> None:
    with open_store(home / "tidetray.sqlite") as store:
        plan = Notebook(store).plan("wide")
        export(store, plan.trial, tmp_path / "package", now=NOW)
    with open_store(tmp_path / "other.sqlite") as store:
        load_package(Notebook(store), tmp_path / "package", now=NOW)
        assert Notebook(store).plan("wide") == plan


def test_a_tray_that_is_typed_for_a_pot_is_added_under_its_way(home: Path) -> None:
    assert correct(home, ("pot", "F1"), tray="tray-7") == [
        "pot F1, tray at the start: was not noted, is tray-7",
        "tray tray-7 added",
    ]
    assert correct(home, ("pot", "F2"), tray="tray-7") == ["pot F2, tray at the start: was not noted, is tray-7"]
    with open_store(home / "tidetray.sqlite") as store:
        plan = Notebook(store).plan("wide")
    assert [(tray.name, tray.treatment) for tray in plan.trays if tray.noted] == [("tray-7", "floods")]
    assert [pot.name for pot in plan.pots if pot.tray == "tray-7"] == ["F1", "F2"]
    with pytest.raises(FormError, match="cannot be the name of a tray"):
        correct(home, ("pot", "F3"), tray="Tray 7!")


def test_a_pot_is_not_put_on_a_tray_of_another_way(home: Path) -> None:
    correct(home, ("pot", "F1"), tray="tray-7")
    with pytest.raises(FormError, match="tray-7 is under floods, and pot D1 under always dry"):
        correct(home, ("pot", "D1"), tray="tray-7")
