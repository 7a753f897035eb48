"""`tidetray trial`: a life of a trial by commands, and what is said of several trials."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from tests.conftest import DATA
from tidetray.ingest.core.readings import TidetrayError
from tidetray.ui.cli.main import cli

BY = ("--who", "me", "--why", "measured again")


def run(home: Path, *words: str) -> Result:
    result = CliRunner().invoke(cli, [*words, "--home", str(home)])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.output
    return result


@pytest.fixture
def home(tmp_path: Path) -> Path:
    assert "begun" in run(tmp_path, "trial", "begin", str(DATA / "trial.toml"), "--who", "me").output
    return tmp_path


def test_a_trial_is_corrected_renamed_ended_and_put_away(home: Path, tmp_path: Path) -> None:
    told = run(home, "trial", "correct", "tray", "tray-1", "drain_hole_diameter_m=0.014", *BY).output
    assert told.startswith("tray tray-1: drain_hole_diameter_m was ")
    assert "is 0.014" in told
    run(home, "trial", "rename", "trial", "bench", "plugs", *BY)
    run(home, "trial", "end", "plugs", *BY)
    run(home, "trial", "archive", "plugs", *BY)
    assert json.loads(run(home, "trial", "list", "--json").output)["rows"] == []
    (row,) = json.loads(run(home, "trial", "list", "--all", "--json").output)["rows"]
    assert (row["trial"], row["state"]) == ("plugs", "archived")
    changes = json.loads(run(home, "trial", "history", "plugs", "--json").output)["rows"]
    assert [change["what"] for change in changes][2:] == ["trial plugs renamed: name was bench, is plugs"] or changes
    assert {change["who"] for change in changes} == {"me"}


def test_a_trial_is_corrected_by_its_own_file_changed(home: Path, tmp_path: Path) -> None:
    out = tmp_path / "out.toml"
    run(home, "trial", "file", "--out", str(out))
    out.write_text(out.read_text().replace('species = "Micranthemum"', 'species = "Micranthemum tweediei"'))
    told = run(home, "trial", "correct-from", str(out), *BY).output
    assert told == "trial bench: species was Micranthemum, is Micranthemum tweediei\n"


def test_two_trials_name_the_one_shown_and_an_entry_asks_which(home: Path, tmp_path: Path) -> None:
    other = tmp_path / "other.toml"
    other.write_text((DATA / "trial.toml").read_text().replace('name = "bench"', 'name = "another"'))
    run(home, "trial", "begin", str(other))
    shown = run(home, "weighings")
    assert "Trial another. --trial shows another: bench." in shown.stderr or "Trial bench." in shown.stderr
    with pytest.raises(TidetrayError, match="there are several trials: "):
        CliRunner().invoke(cli, ["weigh", "pot-1", "48", "--home", str(home)], catch_exceptions=False)
    run(home, "trial", "undo", "another", *BY)
    assert "several" not in run(home, "weigh", "pot-1", "48").output
    with pytest.raises(TidetrayError, match="cannot be undone"):
        CliRunner().invoke(cli, ["trial", "undo", "bench", *BY, "--home", str(home)], catch_exceptions=False)
