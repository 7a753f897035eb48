"""A trial corrected, ended, resumed, archived and undone on the page Notebook; refusals in its words."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
import streamlit as st
from streamlit.runtime.context import ContextProxy
from streamlit.testing.v1 import AppTest

from tests.conftest import DATA
from tests.ui.views.test_pages import open_page, press, said
from tidetray.ingest.files.trial_file import load_trial
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.notebook.trial_changes import begin, history
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store.recording import open_store

NOW = datetime.now(UTC)
PAGE = "views/notebook.py"


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    monkeypatch.setenv("TIDETRAY_HOME", str(tmp_path))
    monkeypatch.setattr(ContextProxy, "cookies", {})
    st.cache_data.clear()
    plan = load_trial(DATA / "trial.toml")
    with open_store(tmp_path / RECORD_FILE) as store:
        begin(Notebook(store), replace(plan, trial=replace(plan.trial, started=NOW - timedelta(days=30))), now=NOW)
    yield tmp_path
    st.cache_data.clear()


def fill(app: AppTest, **fields: str) -> None:
    for key, text in fields.items():
        app.text_input(key=key).input(text)


def choose(app: AppTest, kind: str) -> None:
    app.selectbox(key="k_kind").set_value(kind).run()


def test_a_drain_hole_is_corrected_and_the_history_says_by_whom(home: Path) -> None:
    app = open_page(PAGE)
    choose(app, "a tray")
    field = "k_bench_tray_tray-1_drain_hole_diameter_m"
    fill(app, **{field: "14 mm"}, k_who="me")
    press(app, "Save correction")
    assert said(app).count("Why: is empty.") == 2, "beside the field, and under the button"
    fill(app, k_why="measured again")
    press(app, "Save correction")
    assert "Drain hole, mm across: '14 mm' is not a number" in said(app)
    fill(app, **{field: "9000"})
    press(app, "Save correction")
    assert "Drain hole, mm across: is out of range: 0.5 to 500" in said(app)
    fill(app, **{field: "14,5"})
    press(app, "Save correction")
    assert "Corrected: tray tray-1, drain hole, mm across: was" in said(app)
    with open_store(home / RECORD_FILE, read_only=True) as store:
        assert Notebook(store).plan("bench").trays[0].tray.drain_hole_diameter_m == 0.0145
        last = history(Notebook(store), "bench")[-1]
    assert (last.who, last.why, last.becomes) == ("me", "measured again", 0.0145)


def test_flood_times_and_names_are_corrected(home: Path) -> None:
    app = open_page(PAGE)
    choose(app, "a treatment")
    way = app.selectbox(key="k_which_treatment").value
    fill(app, **{f"k_bench_treatment_{way}_flood_times": "7:30 12:30", f"k_bench_treatment_{way}_wet_minutes": "10"})
    fill(app, **{f"k_bench_treatment_{way}_name": "two floods"}, k_who="me", k_why="as the timer is set")
    press(app, "Save correction")
    with open_store(home / RECORD_FILE, read_only=True) as store:
        (way_now,) = Notebook(store).plan("bench").treatments
    assert (way_now.name, way_now.flood_times, way_now.wet_minutes) == ("two floods", ("07:30", "12:30"), 10.0)
    choose(app, "a pot")
    pot = app.selectbox(key="k_which_pot").value
    fill(app, **{f"k_bench_pot_{pot}_name": "Pot/One"}, k_why="as on its label")
    press(app, "Save correction")
    assert "'Pot/One' cannot be the name of a pot" in said(app)


def test_a_trial_is_ended_resumed_archived_and_brought_back(home: Path) -> None:
    app = open_page(PAGE)
    fill(app, z_who="me", z_why="sold", z_at="2031-01-01")
    press(app, "End trial")
    assert said(app).count("is in the future") == 2
    fill(app, z_at="", z_why="sold")
    press(app, "End trial")
    assert "Trial bench has ended" in said(app)
    assert "This trial ended" in said(open_page("views/trial.py"))
    assert "Unknown: " not in said(open_page()), "a silent tray of an ended trial is not asked for"
    weigh = open_page("views/weigh.py")
    assert "Trial bench has ended: nothing is to be weighed." in said(weigh)
    assert not [each for each in weigh.button if each.label.startswith("Start with")]
    app = open_page(PAGE)
    for act, text in (
        ("Resume trial", "is running again"),
        ("End trial", "has ended"),
        ("Archive trial", "is archived"),
    ):
        fill(app, z_who="me", z_why="x")
        press(app, act)
        assert f"Trial bench {text}" in said(app)
    fill(app, z_who="me", z_why="x")
    press(app, "Bring trial back")
    assert "Trial bench is offered again" in said(app)


def test_a_trial_without_entries_is_undone(home: Path) -> None:
    with open_store(home / RECORD_FILE) as store:
        plan = load_trial(DATA / "trial.toml")
        begin(Notebook(store), replace(plan, trial=replace(plan.trial, name="mistake")), now=NOW)
    app = open_page(PAGE, trial="mistake")
    fill(app, z_who="me", z_why="begun twice")
    press(app, "Undo trial")
    with open_store(home / RECORD_FILE, read_only=True) as store:
        left = [trial.name for trial in Notebook(store).trials()]
    assert len(left) == 1
