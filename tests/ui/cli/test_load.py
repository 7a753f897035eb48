"""`tidetray load` of sheets: a trial from a sheet, its questions as options, weigh-ins for a trial that is there."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from tests.sheet_layouts import AWKWARD, LAYOUTS, text_file, truth, twice
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store.recording import open_store
from tidetray.ui.cli.main import cli

LAYOUT = {layout.name: layout for layout in LAYOUTS}
GERMAN = LAYOUT["German, Windows-1252, decimal comma"]
ANSWERS = ("--empty-pot", "6", "--trays", "not-noted", "--zone", "Europe/Lisbon")


def run(*args: object, fails: bool = False) -> str:
    result = CliRunner().invoke(cli, [str(arg) for arg in args])
    if fails:
        assert result.exception is not None
        return str(result.exception)
    assert result.exception is None, result.exception
    return result.output


@pytest.fixture
def sheet(tmp_path: Path) -> Path:
    path = tmp_path / "old.csv"
    path.write_bytes(GERMAN.make())
    return path


def test_a_sheet_in_a_new_home_names_the_options_for_its_questions(sheet: Path, tmp_path: Path) -> None:
    told = run("load", sheet, "--home", tmp_path / "home", fails=True)
    assert "What does an empty pot weigh, in grams. --empty-pot 6.2" in told
    assert "Which tray did each pot stand on. --trays not-noted" in told
    assert "In which time zone is the clock. --zone Europe/Lisbon" in told
    assert not (tmp_path / "home").exists(), "nothing is made before there is something to keep"


def test_a_dry_run_shows_and_changes_nothing(sheet: Path, tmp_path: Path) -> None:
    said = run("load", sheet, *ANSWERS, "--dry-run", "--home", tmp_path / "home")
    assert "Text in Windows-1252, columns separated by semicolons." in said
    assert "32 weigh-ins of 8 pots, as trial old with treatments always dry, floods." in said
    assert "Dry run: nothing was changed." in said
    assert not (tmp_path / "home").exists()


def test_a_sheet_becomes_a_trial_and_again_changes_nothing(sheet: Path, tmp_path: Path) -> None:
    home = tmp_path / "home"
    assert "Trial old was made. 32 weigh-ins added." in run("load", sheet, *ANSWERS, "--home", home)
    assert "0 weigh-ins added, 32 were there already." in run("load", sheet, "--home", home)
    with open_store(home / RECORD_FILE, read_only=True) as store:
        masses = [round(w.net_g, 2) for w in Notebook(store).weigh_ins("old")]
    assert sorted(masses) == sorted(truth().values())


def test_another_sheet_adds_its_weigh_ins_to_the_trial(sheet: Path, tmp_path: Path) -> None:
    home = tmp_path / "home"
    run("load", sheet, *ANSWERS, "--home", home)
    later = tmp_path / "later.csv"
    later.write_bytes("Topf;Gewicht;Datum\nd1;14,21;20.04.2026\nd2;14,9;20.04.2026\n".encode("cp1252"))
    assert "2 weigh-ins added." in run("load", later, "--home", home)


def test_a_sheet_of_other_pots_is_refused_in_one_line(sheet: Path, tmp_path: Path) -> None:
    home, other = tmp_path / "home", tmp_path / "other.csv"
    run("load", sheet, *ANSWERS, "--home", home)
    other.write_bytes(LAYOUT["treatments in the names only"].make())
    told = run("load", other, "--home", home, fails=True)
    assert "trial old has none of its pots (dry-1, dry-2, dry-3, dry-4 ...)" in told
    assert "--new NAME" in told
    said = run("load", other, *ANSWERS, "--treatment", "by-name", "--new", "other", "--home", home)
    assert "Trial other was made. 32 weigh-ins added." in said


def test_doubtful_cells_are_named_and_may_be_left_out(tmp_path: Path) -> None:
    path, home = tmp_path / "slips.csv", tmp_path / "home"
    path.write_bytes(LAYOUT["a slip and an uncertain mass"].make())
    told = run("load", path, *ANSWERS, "--home", home, fails=True)
    assert "E4: 1259 g is 90 times more than the other weigh-ins make likely" in told
    assert "30 weigh-ins added." in run("load", path, *ANSWERS, "--leave-out", "--home", home)


def test_the_empty_pot_may_be_noted_later(sheet: Path, tmp_path: Path) -> None:
    home = tmp_path / "home"
    run("load", sheet, "--empty-pot", "not-noted", *ANSWERS[2:], "--home", home)
    told = run("compare", "--home", home, fails=True)
    assert "What the empty pot weighs was not noted" in told
    assert "'tidetray load FILE --empty-pot 6.2 --new old'" in told
    said = run("load", sheet, *ANSWERS, "--new", "old", "--home", home)
    assert "The empty pot was noted for 8 pots. 0 weigh-ins added, 32 were there already." in said
    assert "Fastest: floods" in run("compare", "--home", home)


@pytest.mark.parametrize(
    "command",
    [
        "compare",
        "growth",
        "relate",
        "positions",
        "exposure",
        "cycles",
        "tune",
        "status",
        "events",
        "weighings",
        "check",
    ],
)
def test_every_command_on_such_a_home_answers(command: str, sheet: Path, tmp_path: Path) -> None:
    home = tmp_path / "home"
    run("load", sheet, *ANSWERS, "--home", home)
    said = run(command, "--home", home)
    assert "not-noted-" not in said
    assert "NOT RUNNING" not in said
    if command in {"compare", "growth", "status"}:
        json.loads(run(command, "--json", "--home", home))


def test_compare_warns_of_trays_in_every_claim(sheet: Path, tmp_path: Path) -> None:
    home = tmp_path / "home"
    run("load", sheet, *ANSWERS, "--home", home)
    said = run("compare", "--home", home)
    claims = [line for line in said.splitlines() if "Fastest" in line or "beat" in line or "grew faster" in line]
    assert claims
    assert all("Trays were not noted: it may be the trays." in line for line in claims)
    assert "Surely" not in said
    assert "if all pots of a treatment stood on one tray" in said


@pytest.mark.parametrize("there", [False, True], ids=["new home", "trial there"])
def test_numbered_weighings_need_their_days(there: bool, sheet: Path, tmp_path: Path) -> None:
    home, path = tmp_path / "home", tmp_path / "numbered.csv"
    path.write_bytes(next(layout for layout in AWKWARD if layout.asked).make())
    if there:
        run("load", sheet, *ANSWERS, "--home", home)
    told = run("load", path, *ANSWERS, "--home", home, fails=True)
    assert 'On which days were W1, W2, W3, W4 weighed. --days "22.3.2026 29.3.2026", one for each' in told
    days = ("--days", "22.3.2026 29.3.2026 5.4.2026 12.4.2026")
    said = run("load", path, *ANSWERS, *days, "--home", home)
    assert ("0 weigh-ins added, 32 were there already." if there else "32 weigh-ins added.") in said


def test_a_sheet_of_pots_weighed_twice_goes_into_a_trial_that_is_there(sheet: Path, tmp_path: Path) -> None:
    home, path = tmp_path / "home", tmp_path / "twice.csv"
    run("load", sheet, *ANSWERS, "--home", home)
    last = [row for row in twice() if row[0] in {"date", "2026-04-12"}]
    later = [[str(row[0]).replace("2026-04-12", "2026-04-19"), *row[1:]] for row in last]
    path.write_bytes(text_file(later))
    assert "16 weigh-ins added." in run("load", path, "--home", home)
