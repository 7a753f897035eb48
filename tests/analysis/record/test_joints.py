"""What becomes of growth at the joints of a trial: a crossover, splits, losses; as frames."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from tidetray.analysis.record.frames import in_turn, in_turn_so_far
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


def test_the_tray_of_a_stretch_is_told_without_its_exposure(data: TrialData) -> None:
    went = data.went_through
    assert data.trays_during(went).tolist() == went["tray"].tolist()
    assert went["tray"].notna().all()


def test_the_past_of_a_pot_is_told_row_by_row(data: TrialData) -> None:
    rows = data.weigh_days.sort_values(["pot", "time"], kind="stable")
    so_far = in_turn_so_far(rows["pot"], rows["treatment"])
    each = rows.groupby("pot")["treatment"]
    assert so_far.tolist() == [in_turn(own.iloc[: n + 1]) for _, own in each for n in range(len(own))]
    assert so_far.index.equals(rows.index)
    assert so_far.str.contains(", then ").any()


def test_frames_of_weigh_ins_hold_the_facts_of_the_notebook(data: TrialData) -> None:
    facts = data._notebook.weigh_ins(data.trial.name)
    for name in ("pot", "time", "replicate", "gross_g", "tare_g", "net_g", "blotted", "who", "note"):
        assert data.weighins[name].tolist() == [getattr(each, name) for each in facts], name
