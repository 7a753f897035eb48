"""Trials that were once answered wrongly or misleadingly, each asked again; the others stand beside what they test."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

from tests.made_trials import made_plan, open_trial, treatment, weekly
from tidetray.analysis.dose.fit import fit_response
from tidetray.analysis.dose.schedules import FloodSchedule, ScheduleLimits, TrayWater
from tidetray.analysis.plan.timetable import make_timetable
from tidetray.analysis.questions.positions import positions
from tidetray.ui.cli.main import cli


@pytest.mark.parametrize("seed", range(5))
def test_one_schedule_measured_with_its_scatter_is_one_dose(seed: int) -> None:
    """Twelve trays on one schedule were measured as 11.9 to 12.1 dry hours, and called flat between 12 and 12."""
    rng = np.random.default_rng(seed)
    dose = 12 + 0.1 * rng.uniform(-1, 1, 12)
    rows = pd.DataFrame(
        {"tray": [f"t{k}" for k in range(12)], "dry_h_day": dose, "rgr_per_day": 0.05 + 0.004 * rng.normal(size=12)}
    )
    found = fit_response(rows, response="rgr_per_day", dose="dry_h_day", tray="tray")
    assert found.finding == "not enough spread"
    assert "all trays had one dose" in found.verdict
    assert "differ by less than 0.25" in found.verdict
    assert found.next_doses == ()


def test_a_sump_that_cannot_be_checked_is_not_called_full() -> None:
    """A tray without an area took no water, and the sump stayed full to the last litre."""
    schedules = {f"tray-{k}": FloodSchedule(4, 20.0) for k in (1, 2)}
    water = {"tray-1": TrayWater(120, 240, 0.003), "tray-2": TrayWater(120, 240, np.nan)}
    day = make_timetable(schedules, water, ScheduleLimits(sump_m3=0.02)).day
    assert day.unknown_volume == ("tray-2",)
    assert np.isnan(day.least_m3)


def test_that_no_place_is_clear_does_not_say_that_none_matters() -> None:
    """Treatments that stand in unlike places: 'there is nothing to tilt the comparison' was said of them."""
    rng = np.random.default_rng(4)
    plan = made_plan(["dry", "floods-6"] * 3, [treatment(0), treatment(6)], pots=8)
    pots = [pot for pot in plan.pots if not (pot.tray in {"tray-1", "tray-3"} and pot.column in {1, 2})]
    masses = {pot.name: (5 * np.exp(0.05 * 7 * np.arange(3) + rng.normal(0, 0.03, 3))).tolist() for pot in pots}
    with open_trial(plan, weekly(masses, [0, 7, 14])) as data:
        answer = positions(data)
    assert answer.positions is not None
    assert answer.positions.advice.at_risk is None
    assert any("small differences could have been missed" in line for line in answer.positions.advice.sentences)
    assert not any("nothing to tilt" in line for line in answer.positions.advice.sentences)


def test_the_number_of_an_event_is_not_called_that_of_an_entry(joints: Path) -> None:
    """`correct` takes entries, `take-back` events: one heading for both sent people to the wrong one."""
    run = CliRunner()
    events, weighings = (run.invoke(cli, [name, "--home", str(joints)]).output for name in ("events", "weighings"))
    assert "event" in " ".join(events.splitlines()[:3])
    assert "entry" not in " ".join(events.splitlines()[:3])
    assert "entry" in " ".join(weighings.splitlines()[:3])
