"""Runs of a crossover: which run an interval belongs to, and one rate per tray and run."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from tests.made_trials import event, made_plan, open_trial, treatment, weekly
from tidetray.analysis.growth.runs import place_in_runs, tray_runs, turns_of

T0 = pd.Timestamp("2026-06-01 08:00", tz="UTC")


def day(n: float) -> pd.Timestamp:
    return T0 + pd.Timedelta(days=n)


CHANGES = pd.DataFrame({"tray": ["a", "b"], "time": [day(14.1), day(15.1)]})
POTS = pd.DataFrame(
    [
        ("a-1", "a", "dry", day(-1), day(14.1)),
        ("a-1", "a", "wet", day(14.1), None),
        ("c-1", "c", "dry", day(-1), None),
    ],
    columns=["pot", "tray", "treatment", "from", "to"],
).astype({"to": "datetime64[ms, UTC]"})


def growth(pot: str, *days: float) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "pot": pot,
            "start": [day(d) for d in days[:-1]],
            "end": [day(d) for d in days[1:]],
            "days": np.diff(days),
            "rgr_per_day": 0.1,
        }
    )


def test_changes_within_days_of_each_other_are_one_turn() -> None:
    assert turns_of(CHANGES)["turn"].tolist() == [1, 1]
    assert turns_of(pd.concat([CHANGES, CHANGES.assign(time=day(30))]))["turn"].tolist() == [1, 1, 2, 2]
    assert turns_of(CHANGES.iloc[:0]).empty
    with pytest.raises(ValueError, match="columns missing: time"):
        turns_of(CHANGES[["tray"]])


def test_an_interval_belongs_to_the_run_of_its_longest_part() -> None:
    found = place_in_runs(growth("a-1", 0, 7, 14, 21, 28), POTS, CHANGES)
    assert found["run"].tolist() == [0, 0, 1, 1]
    assert found["treatment"].tolist() == ["dry", "dry", "wet", "wet"]
    assert found["run_share"].tolist() == pytest.approx([1, 1, 6.9 / 7, 1])
    assert found["in_run"].tolist() == [0, 1, 0, 1]


def test_a_tray_that_keeps_its_treatment_has_runs_too() -> None:
    found = place_in_runs(growth("c-1", 0, 14.1, 28), POTS, CHANGES)
    assert found[["run", "treatment"]].to_numpy().tolist() == [[0, "dry"], [1, "dry"]]


def test_without_a_change_there_is_one_run() -> None:
    found = place_in_runs(growth("c-1", 0, 7, 14), POTS, CHANGES.iloc[:0])
    assert found["run"].tolist() == [0, 0]
    assert tray_runs(found)[["tray", "n_pots"]].to_numpy().tolist() == [["c", 1]]
    assert place_in_runs(growth("c-1", 0), POTS, CHANGES).empty


def test_an_interval_across_the_change_counts_for_no_run() -> None:
    found = place_in_runs(growth("a-1", 0, 10, 20, 30), POTS, CHANGES)
    assert found["run_share"].tolist() == pytest.approx([1, 0.59, 1])
    cells = tray_runs(found.assign(rgr_per_day=[0.1, 9.0, 0.3]))
    assert cells["rgr_per_day"].tolist() == pytest.approx([0.1, 0.3])


def test_growth_of_a_crossover_is_filed_under_the_treatment_of_its_time() -> None:
    """Dry grows by 0.10, wet by 0.04 a day; trays change places on day 14: no rate is 0.07."""
    dry, wet = treatment(0), treatment(6)
    plan = made_plan(["dry", "floods-6"], [dry, wet], pots=2)
    days = [0, 7, 14, 21, 28]
    rates = {"t1": np.array([0.10, 0.10, 0.04, 0.04]), "t2": np.array([0.04, 0.04, 0.10, 0.10])}
    masses = {f"{t}-{n}": [5.0, *(5 * np.exp(np.cumsum(7 * rates[t]))).tolist()] for t in rates for n in (1, 2)}
    changes = [
        event("treatment changed", 14.3, tray="tray-1", value="floods-6"),
        event("treatment changed", 14.3, tray="tray-2", value="dry"),
    ]
    with open_trial(plan, weekly(masses, days), changes) as data:
        whole = data.growth_of_whole.groupby("treatment")["rgr_per_day"]
        assert whole.mean().to_dict() == pytest.approx({"dry": 0.10, "floods-6": 0.04})
        assert whole.std().max() < 1e-9
        cells = tray_runs(data.growth_in_runs)
        assert cells.groupby("treatment")["rgr_per_day"].mean().to_dict() == pytest.approx(
            {"dry": 0.10, "floods-6": 0.04}
        )
        assert len(cells) == 4
