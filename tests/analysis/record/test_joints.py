"""What becomes of growth at the joints of a trial: a crossover, splits, losses; as frames."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from tidetray.analysis.record.trial_data import TrialData, choose_trial, open_record, tuning_data


@pytest.fixture
def data(joints: Path) -> Iterator[TrialData]:
    with open_record(joints) as store:
        yield TrialData(store, choose_trial(store))


def test_no_rate_runs_across_a_change_of_treatment(data: TrialData) -> None:
    """Each pot of a crossed tray has a row for each run; the gains of both add up to those of its intervals."""
    whole, changed = data.growth_of_whole, set(data.events.query("kind == 'treatment changed'")["tray"])
    pots = data.pots[data.pots["tray"].isin(changed) & data.pots["to"].isna()]["pot"]
    rows = whole[whole["pot"].isin(pots)]
    assert len(changed) == 4
    assert set(rows.groupby("pot").size()) == {2}
    assert set(rows.groupby("pot")["treatment"].nunique()) == {2}
    gained = (rows["rgr_per_day"] * rows["days"]).groupby(rows["pot"]).sum()
    table = data.growth.table
    parts = (table["rgr_per_day"] * table["days"]).groupby(table["pot"]).sum()
    np.testing.assert_allclose(gained, parts[gained.index], rtol=1e-9)


def test_everybody_gives_an_interval_the_treatment_of_its_time(data: TrialData) -> None:
    keys = ["pot", "start", "end"]
    beside = data.exposure_and_growth.table.set_index(keys)["treatment"].sort_index()
    assert data.causes.set_index(keys)["treatment"].sort_index().equals(beside)
    crossed = data.causes[data.causes["tray"] == data.events.query("kind == 'treatment changed'")["tray"].iloc[0]]
    assert crossed.groupby("period")["treatment"].first().nunique() == 2


def test_days_to_a_mass_are_those_of_the_trays_treatment_of_the_time(joints: Path) -> None:
    """A tray of a crossover has a curve for each treatment; tuning days took the trays' names for unique."""
    with open_record(joints) as store:
        data = tuning_data(store, [choose_trial(store)], saleable_g=1.0)
    days = data.measured.dropna(subset=["days_to_mass"])
    assert len(days)
    assert days.groupby(["tray", "treatment"])["days_to_mass"].nunique().max() == 1
