"""Many pots put on their trays at once: all of them or none, with every fault at its line."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.sheet_layouts import LAYOUTS, NOW
from tidetray.analysis.questions.positions import positions
from tidetray.analysis.record.trial_data import TrialData
from tidetray.ingest.notebook.facts import TrialPlan
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.notebook.trial_changes import history, rename
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store.recording import open_store
from tidetray.ui.changes.from_sheet import save_sheet
from tidetray.ui.changes.new_trial import FormError
from tidetray.ui.changes.pots_on_trays import not_placed, put_on_trays, to_fill_in
from tidetray.ui.changes.trial_changes import together

ALL = """pot\ttray\trow\tcolumn
D1\ttray-1\t1\t1
d2\ttray-1\t1\t2
D3\tTray-2\t1\t1
D4\ttray-2\t1\t2
F1\ttray-3\t1\t1
F2\ttray-3\t1\t2
F3\ttray-4\t1\t1
F4\ttray-4\t1\t2"""
"""As copied from a spreadsheet, with its headings and with names as somebody typed them."""


@pytest.fixture
def home(tmp_path: Path) -> Path:
    with open_store(tmp_path / RECORD_FILE) as store:
        save_sheet(store, LAYOUTS[0].settled(), now=NOW)
    return tmp_path


def put(home: Path, text: str, *, who: str = "ann", why: str = "noted in the old diary") -> list[str]:
    with open_store(home / RECORD_FILE) as store:
        return put_on_trays(home, store, "wide", text, now=NOW, who=who, why=why)


def refused(home: Path, text: str, **by: str) -> list[str]:
    before = plan(home)
    with pytest.raises(FormError) as told:
        put(home, text, **by)
    assert plan(home) == before, "nothing half done"
    return [f"{fault.label}: {fault.text}" for fault in told.value.faults]


def plan(home: Path) -> TrialPlan:
    with open_store(home / RECORD_FILE, read_only=True) as store:
        return Notebook(store).plan("wide")


def test_all_pots_pasted_at_once(home: Path) -> None:
    assert to_fill_in(plan(home)).splitlines() == ["D1", "D2", "D3", "D4", "F1", "F2", "F3", "F4"]
    said = put(home, ALL)
    assert said[0] == (
        "pot D1, tray at the start: was not noted, is tray-1; row at the start: was not noted, is 1; "
        "column at the start: was not noted, is 1"
    )
    found = plan(home)
    assert [(tray.name, tray.treatment, tray.noted) for tray in found.trays] == [
        ("tray-1", "always dry", True),
        ("tray-2", "always dry", True),
        ("tray-3", "floods", True),
        ("tray-4", "floods", True),
    ], "nothing stands for trays that are not noted any more"
    assert [(pot.name, pot.tray, pot.row, pot.column) for pot in found.pots][:3] == [
        ("D1", "tray-1", 1, 1),
        ("D2", "tray-1", 1, 2),
        ("D3", "tray-2", 1, 1),
    ]
    assert not not_placed(found)
    with open_store(home / RECORD_FILE, read_only=True) as store:
        lines = together(history(Notebook(store), "wide"))
        pots = [(first.name, first.who, first.why) for first, _ in lines if first.kind == "pot"]
        masses = [w.net_g for w in Notebook(store).weigh_ins("wide")]
        compared = TrialData(store, Notebook(store).trial("wide")).pots
    assert pots == [
        (name, "ann", "noted in the old diary") for name in ("D1", "D2", "D3", "D4", "F1", "F2", "F3", "F4")
    ]
    assert len(masses) == 32
    assert set(compared["tray"]) == {"tray-1", "tray-2", "tray-3", "tray-4"}


def test_lines_typed_behind_the_names_that_are_there(home: Path) -> None:
    """Some are left for later, and a tray without a position is better than none."""
    put(home, "D1 tray-1 1 2\nD2 tray-1\nD3\n\nD4\nF1, tray-3, 2, 1\nF2;tray-3;;")
    found = {pot.name: (pot.tray, pot.row, pot.column) for pot in plan(home).pots}
    assert found["D1"] == ("tray-1", 1, 2)
    assert (found["D2"], found["F2"]) == (("tray-1", None, None), ("tray-3", None, None))
    assert found["F1"] == ("tray-3", 2, 1)
    assert found["D3"][0].startswith("not-noted-")
    assert to_fill_in(plan(home)).splitlines() == ["D2 tray-1", "D3", "D4", "F2 tray-3", "F3", "F4"]
    put(home, "D2 tray-1 1 1\nF2 tray-3 1 1")
    assert to_fill_in(plan(home)).splitlines() == ["D3", "D4", "F3", "F4"]


def test_everything_wrong_is_said_at_once_and_nothing_is_changed(home: Path) -> None:
    text = """D1 tray-1 1 1
D2 tray-1 1 1
D9 tray-1
F1 tray-1 2 2
D3 Tray_2 x 1
D1 tray-2
F2 tray-3 1
D4 tray-1 1 2 3"""
    assert refused(home, text, who="", why="") == [
        "Who: is empty",
        "Why: is empty",
        "Line 3: the trial has no pot 'D9'. There are: D1, D2, D3, D4, F1, F2, F3, F4",
        "Line 5, D3: row 'x' is not a whole number",
        "Line 6, D1: stands in line 1 already",
        "Line 8, D4: has more than a tray, a row and a column",
        "Line 4, F1: tray-1 is under always dry, and pot F1 under floods",
        "Line 5, D3: 'tray_2' cannot be the name of a tray. Use a-z, 0-9 and '-'",
        "Line 7, F2: one of row and column is missing. Write both, or neither where it was not noted",
        "Line 2, D2: row 1, column 1 of tray tray-1 would hold pots D1 and D2. Give each pot its own place",
    ]


def test_what_says_nothing_new_is_refused(home: Path) -> None:
    nothing = ["Pots: nothing is noted of any pot that was not noted before"]
    assert refused(home, to_fill_in(plan(home))) == nothing
    put(home, ALL)
    assert refused(home, ALL) == nothing


def test_a_place_that_another_pot_has_already_is_refused(home: Path) -> None:
    put(home, "D1 tray-1 1 1")
    assert refused(home, "D2 tray-1 1 1") == [
        "Line 1, D2: row 1, column 1 of tray tray-1 would hold pots D1 and D2. Give each pot its own place"
    ]


def test_names_with_blanks_are_found_without_a_separator(home: Path) -> None:
    with open_store(home / RECORD_FILE) as store:
        rename(Notebook(store), "wide", "pot", "D1", "D 1", now=NOW, who="ann", why="as on its label")
    put(home, "d 1 tray-1 1 1")
    assert next(pot for pot in plan(home).pots if pot.name == "D 1").tray == "tray-1"


def test_only_trays_that_somebody_noted_lack_an_inlet(home: Path) -> None:
    """What stands for trays that nobody noted is not named."""
    put(home, "D1 tray-1 1 1\nD2 tray-1 1 2")
    with open_store(home / RECORD_FILE, read_only=True) as store:
        cautions = positions(TrialData(store, Notebook(store).trial("wide"))).cautions
    (inlets,) = (each for each in cautions if "inlet" in each)
    assert inlets.startswith("No inlet is noted for tray-1: ")
