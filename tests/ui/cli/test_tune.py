"""`tidetray tune` and its page on a home with nine weeks of readings of nine trays."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from html import unescape
from pathlib import Path

import pytest
from click.testing import CliRunner

from tests.made_home import make_home
from tests.page_run import run_page
from tidetray.ingest.notebook.facts import WeighIn
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.notebook.predictions import predictions
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store.recording import open_store
from tidetray.ui.cli.main import cli

SETTINGS = """
[flooding]
longest_dry_h = 14
sump_m3 = 0.06
sump_min_m3 = 0.01

[value]
price = 4.5
lamp_w = 40
lamp_h_day = 14
tariff_kwh = 0.3
"""


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Weigh-ins of nine weeks, readings of the last four days."""
    path = make_home(tmp_path_factory.mktemp("tuning"), datetime.now(UTC), readings_of=timedelta(days=4))
    (path / "tidetray.toml").write_text(SETTINGS)
    return path


def run(*words: object, expect: int = 0) -> str:
    result = CliRunner().invoke(cli, [str(word) for word in words])
    assert result.exit_code == expect, result.output + str(result.exception)
    return result.stdout


def test_measured_exposure_mostly_unknown_is_said(home: Path) -> None:
    found = json.loads(run("tune", "--home", home, "--json"))
    assert found["finding"] == "not enough spread"
    assert found["verdict"].startswith("Too little is known of what the trays went through")
    assert found["region_low"] is None
    assert found["next_doses"] == []
    assert found["next_trial"] == []


def test_the_planned_schedule_as_dose(home: Path) -> None:
    found = json.loads(run("tune", "--home", home, "--planned", "--json"))
    assert found["finding"] == "top"
    assert found["region_low"] <= found["best_tested"] <= found["region_high"]
    assert found["region_low"] <= found["recommended"] <= found["region_high"]
    assert 0 < found["cost"] <= found["cost_most"] < 1
    assert found["next_doses"]
    assert len(found["curves"]) == 6
    assert sum(row["trays"] for row in found["next_trial"]) == 9
    assert len({row["tray"] for row in found["timetable"]}) == 9
    assert all(row["pots_tray_month"] > 0 for row in found["value"])
    assert found["floods_and_minutes"]["finding"] in ("not enough spread", "too few trays")
    text = run("tune", "--home", home, "--planned")
    assert text.startswith("Growth is highest")
    assert "pots per tray-month" in text


def test_days_to_a_saleable_mass_may_be_tuned(home: Path) -> None:
    found = json.loads(run("tune", "--home", home, "--planned", "--saleable", 2.5, "--json"))
    assert found["response"] == "days_to_mass"
    assert "saleable mass" in found["verdict"]
    assert found["value"] == []
    assert run("tune", "--home", home, "--planned", "--saleable", 2.5).startswith(found["verdict"])


@pytest.mark.parametrize("factor", ["floods_day", "dry_spell_h", "hold_minutes"])
def test_every_factor_gives_a_sentence(home: Path, factor: str) -> None:
    found = json.loads(run("tune", "--home", home, "--planned", "--factor", factor, "--json"))
    assert found["verdict"].endswith(".")
    assert found["expects"]


def test_limits_that_exclude_everything_are_named(home: Path) -> None:
    (home / "tidetray.toml").write_text("[flooding]\nlongest_dry_h = 0.05\n")
    found = json.loads(run("tune", "--home", home, "--planned", "--json"))
    assert found["next_trial"] == []
    assert "the longest safe one is 0.05 h" in found["expects"]
    (home / "tidetray.toml").write_text("[flooding]\nsump_m3 = 0.001\n")
    assert "the sump can give 1.0 L" in json.loads(run("tune", "--home", home, "--planned", "--json"))["expects"]


def test_files_are_written(home: Path, tmp_path: Path) -> None:
    text = run("tune", "--home", home, "--planned", "--out", tmp_path / "out")
    assert "It is not in force, and no node has it." in text
    written = {path.name for path in (tmp_path / "out").iterdir()}
    assert written == {"timetable.csv", "timetable.html"}
    assert "licensed electrician" in (tmp_path / "out" / "timetable.html").read_text()


def test_the_loop_is_closed_in_the_notebook(home: Path) -> None:
    text = run("tune", "--home", home, "--planned", "--begin", "second", "--started", "2026-01-05 08:00")
    assert "Trial second is in the notebook: 9 trays, 72 pots" in text
    assert "publish its timetable to the nodes: `tidetray timetable publish --trial second`" in text
    with open_store(home / RECORD_FILE) as store:
        notebook = Notebook(store)
        plan = notebook.plan("second")
        assert {p.treatment for p in predictions(store)} == {t.name for t in plan.treatments}
        weighed = [
            WeighIn(pot.name, plan.trial.started + timedelta(days=day), 1, pot.tare_g + grams, pot.tare_g)
            for pot in plan.pots
            for day, grams in ((1, 0.5), (29, 1.8))
        ]
        notebook.add_weigh_ins("second", weighed, now=datetime.now(UTC) + timedelta(days=400))
    app = run_page("views/tune.py")
    said = " ".join(unescape(element.proto.body) for element in app.get("html"))
    assert "were within their limits" in said


def test_the_page_begins_with_the_verdict_and_creates_the_trial(home: Path) -> None:
    app = run_page("views/tune.py")
    app.selectbox(key="dose").set_value("the planned schedule").run()
    assert not app.exception
    blocks = [unescape(element.proto.body) for element in app.get("html")]
    assert any("Growth is highest" in block for block in blocks)
    assert any("At the lowest, the sump holds" in block for block in blocks)
    assert {"Picture, PNG", "Picture, SVG", "Numbers, CSV"} <= {each.proto.label for each in app.get("download_button")}
    app.text_input(key="new-trial").set_value("Second Try")
    button = next(each for each in app.button if each.label.startswith("Create the trial"))
    button.click().run()
    assert any("A trial's name has a-z" in unescape(e.proto.body) for e in app.get("html"))
    app.text_input(key="new-trial").set_value("second")
    next(each for each in app.button if each.label.startswith("Create the trial")).click().run()
    assert not app.exception
    said = " ".join(unescape(e.proto.body) for e in app.get("html"))
    assert "Trial second is in the notebook: 9 trays" in said
    with open_store(home / RECORD_FILE) as store:
        assert "second" in {trial.name for trial in Notebook(store).trials()}
