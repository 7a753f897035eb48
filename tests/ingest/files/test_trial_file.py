"""Files of trials: what is taken, what is refused and in which words."""

from __future__ import annotations

import tomllib
from datetime import UTC, datetime
from pathlib import Path

import pytest
import tomlkit

from tidetray.ingest.core.refusals import RefusedError
from tidetray.ingest.files.trial_file import FieldError, load_trial, plan_tables, read_plan
from tidetray.ingest.notebook.facts import PotPlan, Treatment
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.nursery.nursery import make_nursery
from tidetray.ingest.store.recording import Store

DATA = Path(__file__).parents[2] / "data"

TRIAL = """
[trial]
name = "bench"
site = "nursery"
zone = "Europe/Lisbon"
started = 2026-05-31
species = "Micranthemum"
[[treatment]]
name = "floods"
culture = "mixed"
floods_per_day = 3
wet_minutes = 15
[[tray]]
name = "tray-1"
treatment = "floods"
rows = 2
columns = 2
tare_g = 30
stock = "plugs"
"""


def trial_faults(folder: Path, text: str) -> list[str]:
    path = folder / "trial.toml"
    path.write_text(text)
    with pytest.raises(RefusedError) as caught:
        load_trial(path)
    assert caught.value.where == "trial.toml"
    return [str(fault) for fault in caught.value.faults]


def test_the_trial_of_the_test_data(bench_store: Store) -> None:
    plan = load_trial(DATA / "trial.toml")
    assert Notebook(bench_store).plan("bench") == plan
    assert plan.trial.started == datetime(2026, 5, 30, 23, tzinfo=UTC)  # midnight in Lisbon
    assert plan.treatments == (Treatment("floods", "mixed", ("09:30", "11:00"), 5.0),)
    (tray,) = plan.trays
    assert (tray.tray.area_m2, tray.tray.overflow_height_m, tray.tray.drain_hole_diameter_m) == (
        0.36 * 0.24,
        0.05,
        0.032,
    )
    assert (tray.tray.flood_mark_m, tray.tray.dry_mark_m, tray.tray.pump_flow_m3_s) == (
        0.02,
        0.003,
        pytest.approx(20 / 60_000, rel=2e-3),
    )
    assert [(pot.name, pot.row, pot.column) for pot in plan.pots] == [
        ("pot-1", 1, 1),
        ("pot-2", 1, 2),
        ("pot-3", 2, 1),
        ("pot-4", 2, 2),
    ]


def test_rows_and_columns_fill_a_tray_and_floods_are_spread(tmp_path: Path) -> None:
    path = tmp_path / "trial.toml"
    path.write_text(TRIAL)
    plan = load_trial(path)
    assert plan.treatments == (Treatment("floods", "mixed", ("00:00", "08:00", "16:00"), 15.0),)
    assert plan.pots == tuple(
        PotPlan(f"tray-1-r{r}c{c}", "tray-1", r, c, 30.0, None, "plugs") for r in (1, 2) for c in (1, 2)
    )


@pytest.mark.parametrize(
    ("started", "utc"),
    [
        ("2026-05-31T08:00:00", datetime(2026, 5, 31, 7, tzinfo=UTC)),
        ("2026-05-31T08:00:00Z", datetime(2026, 5, 31, 8, tzinfo=UTC)),
        ('"2026-05-31 08:00"', datetime(2026, 5, 31, 7, tzinfo=UTC)),
        ('"2026-05-31"', datetime(2026, 5, 30, 23, tzinfo=UTC)),
    ],
)
def test_when_a_trial_started(tmp_path: Path, started: str, utc: datetime) -> None:
    path = tmp_path / "trial.toml"
    path.write_text(TRIAL.replace("2026-05-31", started))
    assert load_trial(path).trial.started == utc


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        (
            'name = "bench"',
            'name = "My Bench"',
            (
                "[trial] 'My Bench': name is 'My Bench'. Use a-z, 0-9 and '-', at most 32, beginning with a "
                "letter or digit"
            ),
        ),
        (
            'name = "bench"',
            "",
            "[trial]: name is missing. Use a-z, 0-9 and '-', at most 32, beginning with a letter or digit",
        ),
        (
            '"nursery"',
            '"Nursery 1"',
            "[trial] 'bench': site is 'Nursery 1'. Use a-z, 0-9 and '-', as in the nodes' topics",
        ),
        (
            "Europe/Lisbon",
            "Europe/Lisboa",
            "[trial] 'bench': zone 'Europe/Lisboa' is not known. Did you mean Europe/Lisbon?",
        ),
        ("Europe/Lisbon", "../Lisbon", "[trial] 'bench': zone '../Lisbon' is not known. There are: "),
        (
            "2026-05-31",
            '"03/05/2026"',
            (
                "[trial] 'bench': started: '03/05/2026' could be 2026-05-03 or 2026-03-05. Write the one that is "
                "meant, or say whether the day comes first"
            ),
        ),
        (
            "2026-05-31",
            '""',
            "[trial] 'bench': started: the date is missing. Write it as 2026-06-01 or 2026-06-01 08:00",
        ),
        ("2026-05-31", "20260531", "[trial] 'bench': started is 20260531. Write it as 2026-06-01 or 2026-06-01 08:00"),
        ('species = "Micranthemum"', "", "[trial] 'bench': species is missing. Write species = \"...\""),
        ('species = "Micranthemum"', "species = 3", "[trial] 'bench': species is 3. Write species = \"...\""),
        ('"mixed"', '"wet"', "[[treatment]] 1 'floods': culture is 'wet'. Write emersed, submersed or mixed"),
        (
            '"mixed"',
            '"emersed"',
            "[[treatment]] 1 'floods': emersed means without floods. Leave out floods_per_day, wet_minutes",
        ),
        (
            "floods_per_day = 3",
            "",
            (
                "[[treatment]] 1 'floods': the floods are missing, or given twice. Write either flood_times or "
                "floods_per_day"
            ),
        ),
        (
            "floods_per_day = 3",
            'floods_per_day = 3\nflood_times = ["06:00"]',
            (
                "[[treatment]] 1 'floods': the floods are missing, or given twice. Write either flood_times or "
                "floods_per_day"
            ),
        ),
        (
            "floods_per_day = 3",
            'flood_times = ["6:00"]',
            "[[treatment]] 1 'floods': flood_times is ['6:00']. Write them as [\"06:00\", \"18:00\"]",
        ),
        (
            "floods_per_day = 3",
            "flood_times = []",
            '[[treatment]] 1 \'floods\': flood_times is []. Write them as ["06:00", "18:00"]',
        ),
        (
            "floods_per_day = 3",
            'flood_times = ["00:05", "23:55"]',
            (
                "[[treatment]] 1 'floods': a flood begins before the one before it has ended. Spread the floods or "
                "shorten wet_minutes"
            ),
        ),
        (
            "floods_per_day = 3",
            'flood_times = ["06:00", "06:00"]',
            (
                "[[treatment]] 1 'floods': a flood begins before the one before it has ended. Spread the floods or "
                "shorten wet_minutes"
            ),
        ),
        (
            "wet_minutes = 15",
            "",
            "[[treatment]] 1 'floods': wet_minutes is missing. Write a number between 0.1 and 1440",
        ),
        (
            "wet_minutes = 15",
            "wet_minutes = nan",
            "[[treatment]] 1 'floods': wet_minutes is nan. Write a number between 0.1 and 1440",
        ),
        (
            "floods_per_day = 3",
            "floods_per_day = 2.5",
            "[[treatment]] 1 'floods': floods_per_day is 2.5. Write a whole number, 1 to 99",
        ),
        (
            'treatment = "floods"',
            'treatment = "flood"',
            "tray tray-1: treatment 'flood' is not in the file. Did you mean floods?",
        ),
        ("rows = 2", "", "[[tray]] 1 'tray-1': rows is missing. Write a whole number, 1 to 99"),
        ("rows = 2", "rows = true", "[[tray]] 1 'tray-1': rows is True. Write a whole number, 1 to 99"),
        ("tare_g = 30", "", "[[tray]] 1 'tray-1': tare_g is missing. Write a number between 0 and 50000 in grams"),
        (
            "rows = 2",
            "rows = 2\nlength_m = 36",
            "[[tray]] 1 'tray-1': length_m is 36. Write a number between 0.01 and 20 in metres",
        ),
        (
            "rows = 2",
            "rows = 2\npump_flow_m3_s = 20",
            (
                "[[tray]] 1 'tray-1': pump_flow_m3_s is 20. Write a number between 1e-07 and 0.1 in cubic metres "
                "a second (20 L/min is 0.000333)"
            ),
        ),
        (
            "rows = 2",
            "rows = 2\nlenght_m = 0.36",
            "[[tray]] 1 'tray-1': 'lenght_m' is not known here. Did you mean length_m or height_m?",
        ),
        (
            "rows = 2",
            "rows = 2\ndry_mark_m = 0.03",
            (
                "[[tray]] 1 'tray-1': tray tray-1: the dry mark (0.03 m) must be below the flood mark (0.02 m). "
                "Correct one of the two"
            ),
        ),
        (
            '"tray-1"',
            f'"{"t" * 32}"',
            f"[[tray]] 1 '{'t' * 32}': its name is too long to name pots after it. Shorten it to 25 letters",
        ),
        ("[trial]", "[trail]", "the file: trial is missing. Begin with a line [trial]"),
        (
            "[[treatment]]",
            "[treatment]",
            (
                "the file: treatment is {'name': 'floods', 'culture': 'mixed', 'floods_per_day': 3, …. Begin "
                "each treatment with a line [[treatment]]"
            ),
        ),
        (
            'rows = 2\ncolumns = 2\ntare_g = 30\nstock = "plugs"',
            "",
            "the file: pot is missing. Begin each pot with a line [[pot]]",
        ),
        (
            "[trial]",
            "trial",
            (
                "it is not TOML: Expected '=' after a key in a key/value pair (at line 2, column 6). Correct the "
                "line it names"
            ),
        ),
        ("[trial]", "x = " + "[" * 5000, "it is not TOML: maximum recursion depth exceeded"),
    ],
)
def test_trial_files_that_are_refused(tmp_path: Path, old: str, new: str, told: str) -> None:
    assert old in TRIAL
    assert any(fault.startswith(told) for fault in trial_faults(tmp_path, TRIAL.replace(old, new, 1)))


def test_pots_and_trays_that_clash_are_told_together(tmp_path: Path) -> None:
    pots = "".join(
        f'[[pot]]\nname = "{name}"\ntray = "{tray}"\nrow = {row}\ncolumn = 1\ntare_g = 30\n'
        for name, tray, row in (("a", "tray-1", 3), ("a", "tray-1", 4), ("b", "tray-1", 1), ("c", "tray-9", 1))
    )
    assert trial_faults(tmp_path, TRIAL + '[[tray]]\nname = "tray-1"\ntreatment = "floods"\n' + pots) == [
        "tray tray-1: there are 2 of that name. Give each its own",
        "pot a: there are 2 of that name. Give each its own",
        "pot c: tray 'tray-9' is not in the file. Did you mean tray-1?",
        "pot b: row 1, column 1 of tray tray-1 would hold pots tray-1-r1c1 and b. Give each pot its own place",
    ]


def test_all_that_is_wrong_with_a_trial_is_told_at_once(tmp_path: Path) -> None:
    text = TRIAL.replace("Europe/Lisbon", "Lisbon").replace('"mixed"', '"wet"').replace("columns = 2", "columns = 0")
    assert [fault.split(":")[0] for fault in trial_faults(tmp_path, text)] == [
        "[trial] 'bench'",
        "[[treatment]] 1 'floods'",
        "[[tray]] 1 'tray-1'",
    ]


def test_a_trial_written_as_tables_is_read_as_the_same_trial() -> None:
    nursery = make_nursery(datetime(2026, 6, 1, tzinfo=UTC)).plan
    assert read_plan(plan_tables(nursery), where="tables") == nursery
    assert tomllib.loads(tomlkit.dumps(plan_tables(nursery))) == plan_tables(nursery), "as a file too"


def test_what_nobody_noted_stays_not_noted() -> None:
    tables = {
        "trial": {"name": "old", "site": "nursery", "zone": "UTC", "started": "2026-06-01", "species": "Micranthemum"},
        "treatment": [{"name": "dry", "culture": "emersed"}, {"name": "wet", "culture": "submersed"}],
        "tray": [{"name": "tray-1", "treatment": "wet"}],
        "pot": [
            {"name": "D1", "treatment": "dry"},
            {"name": "W1", "tray": "tray-1", "row": 1, "column": 1, "tare_g": 3.0},
        ],
    }
    again = plan_tables(read_plan(tables, where="tables"))
    assert again["pot"] == tables["pot"]
    assert again["tray"] == tables["tray"]


def test_a_fault_names_its_table_and_key() -> None:
    tables = plan_tables(make_nursery(datetime(2026, 6, 1, tzinfo=UTC)).plan)
    tables["tray"][1]["length_m"] = 300
    with pytest.raises(RefusedError) as told:
        read_plan(tables, where="tables")
    (fault,) = told.value.faults
    assert isinstance(fault, FieldError)
    assert (fault.kind, fault.number, fault.key) == ("tray", 1, "length_m")
