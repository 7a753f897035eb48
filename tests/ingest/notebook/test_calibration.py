"""Calibrations: lines through points against worked examples and scipy, the form and each slip in it,
`tidetray load`."""

from __future__ import annotations

import tomllib
from datetime import date
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy import stats

from tidetray.ingest.core.refusals import EntryError, RefusedError
from tidetray.ingest.files.calibration_file import is_calibration_form, load_calibrations
from tidetray.ingest.notebook.calibration import Calibration, fit
from tidetray.ingest.notebook.notebook import Notebook
from tidetray.ingest.store.recording import Store
from tidetray.ui.cli.main import cli

FORM = """
[[calibration]]
site = "nursery"
node = "bench-1"
tray = "tray-1"
channel = "water_temp"
date = 2026-05-30
who = "A. Grower"
against = "ice point"
points = [[0.4, 0.0], [99.9, 99.606]]
"""


def form(tmp_path: Path, text: str = FORM) -> Path:
    path = tmp_path / "calibration.toml"
    path.write_text(text)
    return path


def calibration(channel: str, *points: tuple[float, float]) -> Calibration:
    line = fit(points, through_zero=channel == "light")
    return Calibration("nursery", "bench-1", "", channel, date(2026, 5, 30), "A", "b", points, *line)


def test_two_points_worked_by_hand() -> None:
    # ice 0.4, water boiling at 99.606 °C (IAPWS-IF97, 100.0 kPa) 99.9: 99.606 / 99.5 = 1.0010653; 25.0 is 24.626
    thermometer = calibration("water_temp", (0.4, 0.0), (99.9, 99.606))
    assert (thermometer.gain, thermometer.offset) == (
        pytest.approx(1.0010653, abs=1e-7),
        pytest.approx(-0.40043, abs=1e-5),
    )
    assert thermometer.true(25.0) == pytest.approx(24.626, abs=1e-3)
    # Greenspan 1977: magnesium chloride 32.78, sodium chloride 75.29 %RH at 25 °C
    hygrometer = calibration("humidity", (31.0, 32.78), (73.0, 75.29))
    assert (hygrometer.gain, hygrometer.offset) == (pytest.approx(1.012143, abs=1e-6), pytest.approx(1.4036, abs=1e-4))
    assert hygrometer.true(50.0) == pytest.approx(52.01, abs=0.01)


def test_light_goes_through_zero() -> None:
    lamp = calibration("light", (9000.0, 9900.0))
    assert (lamp.gain, lamp.offset) == (pytest.approx(1.1), 0.0)
    with pytest.raises(EntryError, match="no point with light"):
        fit([(0.0, 0.0)], through_zero=True)


@given(st.lists(st.tuples(st.floats(-50, 50), st.floats(-50, 50)), min_size=3, max_size=12))
def test_least_squares_as_scipy_says(points: list[tuple[float, float]]) -> None:
    read, true = np.array(points).T
    assume(np.ptp(read) > 0.1)
    expected = stats.linregress(read, true)
    assume(expected.slope > 1e-6)
    gain, offset = fit(points, through_zero=False)
    assert (gain, offset) == (
        pytest.approx(expected.slope, rel=1e-6, abs=1e-9),
        pytest.approx(expected.intercept, rel=1e-6, abs=1e-6),
    )


def test_the_worst_point_is_told_in_the_channels_unit() -> None:
    level = calibration("level", (0.0, 0.0), (0.02, 0.02), (0.04, 0.045), (0.06, 0.06))
    # Sxy 0.00205, Sxx 0.002: true = 1.025 read + 0.0005, 0.0415 at 0.04
    assert level.farthest == pytest.approx(0.0035)
    assert level.farthest > level.tolerance == 0.002
    cell = calibration("mass", (0.08421, 0.0), (0.5604, 1.0), (1.03659, 2.0))
    assert cell.farthest < cell.tolerance == 0.002


def test_points_that_give_no_line() -> None:
    for points, what in (
        ([(1.0, 2.0)], "one point only"),
        ([(1.0, 2.0), (1.0, 3.0)], "one reading"),
        ([(0.0, 1.0), (1.0, 0.0)], "reads less"),
    ):
        with pytest.raises(EntryError, match=what):
            fit(points, through_zero=False)


def test_a_form_is_told_from_a_trial(tmp_path: Path) -> None:
    assert is_calibration_form(form(tmp_path))
    assert not is_calibration_form(Path(__file__).parents[2] / "data" / "trial.toml")
    assert not is_calibration_form(form(tmp_path, "= no TOML"))


@pytest.mark.parametrize(
    ("old", "new", "what"),
    [
        ('"water_temp"', '"water_tmp"', "channel 'water_tmp' has no calibration. Did you mean"),
        ('"water_temp"', '"flooded"', "channel 'flooded' has no calibration"),
        ("points", "pionts", "points: Field required"),
        ("[99.9, 99.606]", "[0.4, 99.606]", "all at one reading"),
        ("[99.9, 99.606]", "[99.9]", "points: "),
        ("99.606", "nan", "points: "),
        ("2026-05-30", '"30.5.2026"', "date: "),
        ('"bench-1"', '"Bench 1"', "node: "),
        ('"A. Grower"', '" "', "who: "),
        ("[[calibration]]", "gain = 1\n[[calibration]]", "'gain' is not known here"),
        ("[[calibration]]", "[calibration]", "no tables"),
    ],
)
def test_each_slip_is_told(tmp_path: Path, old: str, new: str, what: str) -> None:
    with pytest.raises(RefusedError) as caught:
        load_calibrations(form(tmp_path, FORM.replace(old, new)))
    assert what in str(caught.value)
    assert "pydantic" not in str(caught.value)


def test_load_keeps_it_says_the_factors_and_what_moved_since(tmp_path: Path) -> None:
    def load(text: str) -> tuple[int, str]:
        done = CliRunner().invoke(cli, ["load", str(form(tmp_path, text)), "--home", str(tmp_path / "home")])
        return done.exit_code, done.output or str(done.exception)

    code, said = load(FORM)
    assert code == 0
    assert '"calibration": {"water_temp": [1.0010653, -0.40042613]}' in said
    assert load(FORM)[1].startswith("0 calibrations added, 1 there already.")
    code, said = load(FORM.replace("99.9", "99.7"))
    assert code == 1
    assert "is there, and not the same. Give the new one its own date" in said
    later = FORM.replace("2026-05-30", "2026-11-30").replace("[0.4, 0.0]", "[0.6, 0.0], [50.0, 48.0]")
    code, said = load(later)
    assert code == 0
    assert "Note: a point is 1.03 Cel off the line, more than 0.3" in said
    assert "a reading of 50.17 now means 49.2 Cel; by that of 2026-05-30 it meant 49.82" in said


def test_calibrations_come_back_as_they_went_in(tmp_path: Path, store: Store) -> None:
    found = load_calibrations(form(tmp_path))
    notebook = Notebook(store)
    assert notebook.add_calibrations(found) == 1
    assert notebook.calibrations("nursery", "bench-1") == found
    assert notebook.calibrations("nursery", "bench-2") == ()
    assert found[0].on == tomllib.loads(FORM)["calibration"][0]["date"]
