"""The commands of the notebook: what they do, and what they say when something is wrong."""

from __future__ import annotations

import json
import re
import tomllib
from pathlib import Path

import click
import pytest
from click.testing import CliRunner

from tests.ui.cli.test_main import command, home, run  # noqa: F401 a fixture
from tidetray.ingest.files.trial_file import load_trial
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.settings.model import RECORD_FILE
from tidetray.ingest.store.recording import open_store
from tidetray.ui.cli.main import COMMANDS, cli

WHO = ("--who", "me", "--why", "misread")

GROUPS = [(name, group) for name in COMMANDS if isinstance(group := command(name), click.Group)]


@pytest.mark.parametrize(("name", "part"), [(name, part) for name, group in GROUPS for part in group.commands])
def test_parts_of_commands_explain_themselves(name: str, part: str) -> None:
    text = run(name, part, "--help")
    assert re.search(rf"Example:\s+tidetray {name} {part}\b", text)
    found = next(group for known, group in GROUPS if known == name).commands[part]
    assert all(option.help for option in found.params if isinstance(option, click.Option))


def found(*words: object) -> list[dict[str, object]]:
    return json.loads(run(*words, "--json"))["rows"]  # type: ignore[arg-type, no-any-return]


def test_a_weigh_in_is_corrected_removed_and_restored(home: Path) -> None:  # noqa: F811
    assert run("correct", "1", "42.6", *WHO, "--home", home).startswith(
        "Entry 9 replaces entry 1: pot-1, 42.60 g gross"
    )
    run("remove", "2", *WHO, "--home", home)
    stand = {row["number"]: row["gross_g"] for row in found("weighings", "--home", home)}
    assert set(stand) == {3, 4, 5, 6, 7, 8, 9}
    assert stand[9] == 42.6
    assert run("undo", "10", "--home", home) == "Undone: pot-2 is 43.25 g gross again.\n"
    whole = found("weighings", "--trail", "--pot", "pot-2", "--home", home)
    assert [(row["number"], row["stands"], row["removed"]) for row in whole] == [
        (2, False, False),
        (6, True, False),
        (10, False, True),
        (11, True, False),
    ]
    assert found("weighings", "--as-of", "2026-05-01", "--home", home) == []
    assert len(found("weighings", "--as-of", "2099-05-01", "--home", home)) == 8
    for table in ("growth", "exposure"):
        assert found(table, "--as-of", "2026-05-01", "--home", home) == []
        assert len(found(table, "--as-of", "2099-05-01", "--home", home)) == 4
    assert "no entry 99" in run("remove", "99", *WHO, "--home", home, expect=1)


def test_a_slip_in_a_correction_is_refused_until_it_is_sure(home: Path) -> None:  # noqa: F811
    """Entry 1 is pot-1 before its second weigh-in: ten times its net mass fits nothing."""
    told = run("correct", "1", "142.6", *WHO, "--home", home, expect=1)
    assert "does not fit the" in told
    assert "--sure" in told
    assert len(found("weighings", "--trail", "--home", home)) == 8
    assert "replaces entry 1" in run("correct", "1", "142.6", "--sure", *WHO, "--home", home)


def test_events_are_noted_listed_and_taken_back(home: Path) -> None:  # noqa: F811
    at = ("--at", "2026-06-01T13:00")
    run("event", "moved", "pot-1", "--tray", "tray-1", "--row", "3", "--column", "1", *at, *WHO, "--home", home)
    run("event", "split", "pot-2", "--new", "pot-9:tray-1:4:1:29.5", *at, *WHO, "--home", home)
    run("event", "fed", "tray-1", "--dose", "2 mL/L", *at, *WHO, "--home", home)
    assert "Drying destroys the sample" in run("event", "sampled", "pot-3", *at, *WHO, "--home", home)
    assert [row["kind"] for row in found("events", "--home", home)] == [
        "pot moved",
        "pot split",
        "pot split off",
        "feed dosed",
        "pot sampled",
    ]
    assert "pots swapped, pot-1 and pot-4" in run("event", "swapped", "pot-1", "pot-4", *at, *WHO, "--home", home)
    assert "pot 'pot-7'" in run("event", "swapped", "pot-1", "pot-7", *at, *WHO, "--home", home, expect=1)
    run("event", "take-back", "6", *WHO, "--home", home)
    run("event", "take-back", "1", *WHO, "--home", home)
    assert len(found("events", "--home", home)) == 4
    assert "Write NAME:TRAY:ROW:COLUMN:TARE" in run(
        "event", "split", "pot-1", "--new", "x", *at, *WHO, "--home", home, expect=1
    )
    assert "was taken out to be dried" in run("weigh", "pot-3", "43", "--at", "2026-06-02", "--home", home, expect=1)


def test_a_doubtful_mass_is_asked_about(home: Path) -> None:  # noqa: F811
    words = ("weigh", "pot-1", "142", "--at", "2026-06-02T12:00", "--home", home)
    assert "would be 8.9 times the 12.55 g" in run(*words, expect=1)
    assert run(*words, "--sure").startswith("pot-1: 112.00 g net")


def test_without_a_mass_the_load_cell_is_asked(home: Path) -> None:  # noqa: F811
    assert "no load cell shows a mass just now" in run("weigh", "pot-1", "--home", home, expect=1)


def test_a_scale_says_how_sure_masses_are(home: Path) -> None:  # noqa: F811
    assert "Name it with `tidetray scale NAME --step 0.01`" in run("scale", "--home", home, expect=1)
    for replicate, gross in ((2, "42.52"), (3, "42.49")):
        run("weigh", "pot-1", gross, "--replicate", str(replicate), "--at", "2026-06-01T09:00", "--home", home)
    text = run("scale", "bench", "--step", "0.01", "--weight", "100", "--shown", "100.02", "--home", home)
    assert "Weighed twice: 1 pots. Readings repeat with a standard deviation of 0.0153 g" in text
    assert "1 check weighings so far" in text
    figures = json.loads(run("scale", "--home", home, "--json"))
    assert figures["repeatability_g"] == pytest.approx(0.0152753, rel=1e-4)
    assert figures["drift_g"] is None


def test_drying_says_the_cautions_and_when_to_stop(home: Path) -> None:  # noqa: F811
    words = ("dry", "pot-1", "--dish", "12.87", "--oven", "65", "--home", home)
    text = run(*words[:2], "13.6000", *words[2:], "--at", "2026-06-02T09:00")
    assert "Drying destroys the sample" in text
    assert "a kitchen oven is not suitable" in text
    assert "plastic pots" in text
    text = run(*words[:2], "13.5998", *words[2:], "--at", "2026-06-02T13:00")
    assert text.startswith("Dry: 0.7298 g")
    assert "of the blotted wet mass (12.55 g)" in text
    assert "chars and can take fire" in run(
        "dry", "pot-2", "13", "--dish", "12", "--oven", "200", "--home", home, expect=1
    )


def test_an_export_is_loaded_into_another_home(home: Path, tmp_path: Path) -> None:  # noqa: F811
    run("export", tmp_path / "package", "--home", home)
    assert (
        run("load", tmp_path / "package", "--home", home) == "Everything in this package is in the notebook already.\n"
    )
    assert "Added trial bench: 4 pots, 8 entries" in run("load", tmp_path / "package", "--home", tmp_path / "other")


def meanings(home: Path) -> dict[str, str]:  # noqa: F811
    with open_store(home / RECORD_FILE, read_only=True) as store:
        return Notebook(store).header_meanings()


def test_a_rehearsal_and_headers_by_command(home: Path, tmp_path: Path) -> None:  # noqa: F811
    path = tmp_path / "a.csv"
    path.write_text("Name;Day;Mass\npot-1;02.06.2026;43,1\n")
    columns = [word for pair in ("Name=pot", "Day=weighed", "Mass=gross_g") for word in ("--column", pair)]
    words = ("load", path, "--home", home, "--decimal-comma", "--dates", "day-first")
    assert "is not HEADER=MEANING" in run(*words, "--column", "Mass", expect=2)
    assert "Dry run: 1 weigh-ins would be added, 0 are there already" in run(*words, *columns, "--dry-run")
    assert meanings(home) == {}, "a rehearsal forgets what columns mean"
    assert run(*words, *columns).startswith("1 weigh-ins added"), "a rehearsal adds nothing"
    assert meanings(home) == {"name": "pot", "day": "weighed", "mass": "gross_g"}
    assert "0 weigh-ins added, 1 were there already" in run(*words), "the file is understood without them, too"


# ---------------------------------------------------------------- planning

PLAN = """# by hand
[trial]
name = "lots"
site = "nursery"
zone = "Europe/Lisbon"
started = 2026-05-31
species = "Micranthemum"

[[treatment]]
name = "wet"
culture = "submersed"

[[treatment]]
name = "dry" # as a check
culture = "emersed"
"""


@pytest.fixture
def trial_file(tmp_path: Path) -> Path:
    text = PLAN
    for n in range(4):
        text += (
            f'\n[[tray]]\nname = "tray-{n + 1}"\ntreatment = "wet" # to be drawn\nbench = "b"\nbench_row = '
            f"{1 + n // 2}\nbench_column = {1 + n % 2}\n"
        )
    for n in range(8):
        text += (
            f'\n[[pot]]\nname = "p-{n + 1}"\ntray = "tray-{1 + n // 2}"\nrow = 1\ncolumn = {1 + n % 2}\ntare_g = 6.0\n'
        )
    path = tmp_path / "trial.toml"
    path.write_text(text)
    return path


def test_a_layout_is_drawn_into_the_trials_own_file(trial_file: Path, tmp_path: Path) -> None:
    out = tmp_path / "laid-out.toml"
    run("plan", "layout", trial_file, "--seed", "7", "--out", out)
    plan = load_trial(out)
    assert plan.trial.layout_seed == 7
    given = {(t.bench_row, t.bench_column): t.treatment for t in plan.trays}
    assert given[1, 1] == given[2, 2] != given[1, 2] == given[2, 1], "a Latin square of order two"
    assert {p.name for p in plan.pots} == {f"p-{n}" for n in range(1, 9)}
    assert "# to be drawn" in out.read_text()
    named = run("plan", "layout", trial_file, "--seed", "7", "--out", tmp_path / "named.toml")
    assert named.startswith("tray-1, b: ")
    assert "nothing is overwritten" in run("plan", "layout", trial_file, "--seed", "8", "--out", out, expect=1)
    again = tmp_path / "again.toml"
    run("plan", "layout", trial_file, "--seed", "7", "--out", again)
    assert again.read_text() == out.read_text()
    assert tomllib.loads(out.read_text())["trial"]["layout_seed"] == 7


def test_pots_are_dealt_by_their_starting_masses(trial_file: Path, tmp_path: Path) -> None:
    """Eight pots of 1 to 8 g on four trays: the four heaviest one on each, and so the four lightest."""
    masses = tmp_path / "masses.csv"
    masses.write_text("pot;start_g;note\n" + "".join(f"P-{n};{n},0;\n" for n in range(1, 9)))
    out = tmp_path / "laid-out.toml"
    options = ("--seed", "7", "--out", out, "--start-masses", masses)
    assert "'1,0' could be" in run("plan", "layout", trial_file, *options, expect=1)
    said = run("plan", "layout", trial_file, *options, "--decimal-comma")
    assert said.count("g a pot at the start") == 4
    of_tray: dict[str, list[int]] = {}
    for pot in load_trial(out).pots:
        of_tray.setdefault(pot.tray, []).append(int(pot.name[2:]))
    assert [sorted(n > 4 for n in pots) for pots in of_tray.values()] == [[False, True]] * 4


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("pot,mass\np-1,3\n", "there are no columns pot and start_g"),
        ("pot,start_g\np-1,3\n", "there is no row of pot p-2 and 6 more"),
        ("pot,start_g\np-1,3\np-1,3\n", "row 3: pot 'p-1' comes twice"),
        ("pot,start_g\np-99,3\n", "row 2: pot 'p-99' is not in the trial's file"),
        ("pot,start_g\np-1,0\n", "row 2: a starting mass of 0 g is impossible"),
        ("pot,start_g\np-1,#REF!\n", "row 2: '#REF!' is an error of the spreadsheet"),
    ],
)
def test_starting_masses_that_cannot_be(trial_file: Path, tmp_path: Path, text: str, told: str) -> None:
    masses, out = tmp_path / "masses.csv", tmp_path / "laid-out.toml"
    masses.write_text(text)
    assert told in run("plan", "layout", trial_file, "--seed", "7", "--out", out, "--start-masses", masses, expect=1)
    assert not out.exists()


def test_a_crossover_labels_and_a_map(trial_file: Path, tmp_path: Path) -> None:
    out = tmp_path / "laid-out.toml"
    run("plan", "layout", trial_file, "--seed", "7", "--out", out)
    run("load", out, "--home", tmp_path)
    swapped = found("plan", "crossover", "--seed", "1", "--home", tmp_path)
    assert all(row["first_run"] != row["second_run"] for row in swapped)
    run("plan", "labels", "--url", "http://192.168.1.20:8501/", "--out", tmp_path / "labels.html", "--home", tmp_path)
    labels = (tmp_path / "labels.html").read_text()
    assert labels.count("<svg") == 8
    assert "<b>p-1</b>" in labels
    assert "src=" not in labels
    run("plan", "map", "--out", tmp_path / "map.html", "--home", tmp_path)
    drawn = (tmp_path / "map.html").read_text()
    assert "Layout drawn at random, draw number 7" in drawn
    assert all(f"p-{n}</td>" in drawn for n in range(1, 9))
    assert "is no address of the pages" in run(
        "plan", "labels", "--url", "nursery", "--out", tmp_path / "x.html", "--home", tmp_path, expect=1
    )


def test_power_by_command(home: Path) -> None:  # noqa: F811
    words = (
        "plan",
        "power",
        "--trays",
        "4",
        "--pots",
        "8",
        "--difference",
        "1",
        "--tray-sd",
        "0.4472136",
        "--pot-sd",
        "0.8944272",
    )
    assert json.loads(run(*words, "--json"))["power"] == pytest.approx(
        0.5802, abs=5e-5
    )  # as in tests/analysis/plan/test_power.py
    assert "found 6 times in 10" in run(*words)
    assert "--from-trial NAME" in run(*words[:8], expect=1)
    result = CliRunner().invoke(
        cli,
        [
            "plan",
            "power",
            "--trays",
            "4",
            "--pots",
            "8",
            "--difference",
            "1",
            "--from-trial",
            "bench",
            "--home",
            str(home),
        ],
    )
    assert isinstance(result.exception, ValueError), "main prints it in one line"
