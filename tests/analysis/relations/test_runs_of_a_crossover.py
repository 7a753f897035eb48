"""Conditions and places in a crossover: a tray counts once in each run, whatever the runs themselves did."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from tests.made_trials import event, made_plan, open_trial, treatment, weekly
from tidetray.analysis.questions.positions import positions
from tidetray.analysis.questions.relate import relate as ask_relate
from tidetray.analysis.relations.relate import relate

DOSES_H = np.array([12.0, 8.0, 4.0, 0.0])


def crossover(seed: int, *, dry: float = 0.0, unit_sd: float = 0.003, trays: int = 8, pots: int = 4) -> pd.DataFrame:
    """Two runs of two intervals; each tray has another dose in each run, and what else was particular to it then."""
    rng = np.random.default_rng(seed)
    first = rng.permutation(np.arange(trays) % 4)
    dose = np.column_stack([DOSES_H[first], DOSES_H[(first + rng.integers(1, 4)) % 4]])
    tray = np.repeat(np.arange(trays), pots * 4)
    pot = np.repeat(np.arange(trays * pots), 4)
    period = np.tile(np.arange(4), trays * pots)
    run = period // 2
    hours = dose[tray, run] + rng.normal(0, 0.5, (trays, 2))[tray, run] + rng.normal(0, 0.2, (trays, 4))[tray, period]
    rate = (
        0.06
        - 0.008 * period
        + dry * hours
        + rng.normal(0, 0.003, trays)[tray]
        + rng.normal(0, unit_sd, (trays, 2))[tray, run]
        + rng.normal(0, 0.002, trays * pots)[pot]
        + rng.normal(0, 0.003, len(tray))
    )
    return pd.DataFrame(
        {
            "tray": [f"t{k}" for k in tray],
            "pot": [f"p{k}" for k in pot],
            "period": period,
            "run": run,
            "dry_lit_h_d": hours,
            "rgr_per_day": rate,
        }
    )


def test_a_condition_given_for_a_run_has_the_df_of_trays_in_runs() -> None:
    found = relate(crossover(1, dry=0.001), causes=["dry_lit_h_d"], period="period")
    effect = found.effects.iloc[0]
    assert effect["level"] == "run"
    assert effect["df"] <= 16 - 2 - 1, "units less the means of runs less the condition"
    assert effect["low"] < 0.001 < effect["high"]
    assert "tray in its run" in set(found.variance["source"])


def test_what_is_particular_to_a_tray_in_a_run_is_no_claim(long_form: bool) -> None:
    """No effect; trays differ from run to run for other reasons. By chance 5 %; 0.29 where runs were not told apart."""
    n = 400 if long_form else 20
    claimed, bends = [], []
    for seed in range(n):
        rows = crossover(seed, pots=2)
        found = relate(rows, causes=["dry_lit_h_d"], period="period")
        claimed.append(bool(found.effects["settled"].iloc[0]))
        bends.append(any("bends" in caution for caution in found.cautions))
    assert np.mean(claimed) <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / n)
    assert np.mean(bends) <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / n)


def test_one_run_is_the_model_without_runs() -> None:
    rows = crossover(3, dry=0.001)
    rows = rows[rows["run"] == 0]
    whole = relate(rows, causes=["dry_lit_h_d"], period="period").effects
    pd.testing.assert_frame_equal(whole, relate(rows, causes=["dry_lit_h_d"], period="period", run=None).effects)


def _made(seed: int, gradient: float) -> tuple[dict[str, np.ndarray], list[object]]:
    """Eight trays of eight pots, crossed over after three weeks; growth rises by `gradient` a day along the columns.

    The second treatment grows much faster, so that the runs differ more than places ever do.
    """
    rng = np.random.default_rng(seed)
    masses = {}
    for tray in range(1, 9):
        level = {True: [0.02] * 3 + [0.08] * 3, False: [0.08] * 3 + [0.02] * 3}[tray % 2 == 0]
        own = rng.normal(0, 0.003)
        for n in range(1, 9):
            column = (n - 1) % 6 + 1
            rates = np.array(level) + own + gradient * column + rng.normal(0, 0.002, 6)
            masses[f"t{tray}-{n}"] = 5 * np.exp(np.cumsum([0.0, *(7 * rates)]))
    return masses, []


@pytest.mark.parametrize("gradient", [0.0, 0.002])
def test_places_of_a_crossover_are_those_of_all_runs(gradient: float) -> None:
    masses, _ = _made(1, gradient)
    given = ["dry", "floods-6"] * 4
    changes = [event("treatment changed", 21.5, tray=f"tray-{k}", value=given[k % 2]) for k in range(1, 9)]
    lost = [event("pot lost", 15.0, pot="t1-1"), event("pot lost", 29.0, pot="t2-3")]
    masses["t1-1"][3:] = np.nan
    masses["t2-3"][5:] = np.nan
    plan = made_plan(given, [treatment(0), treatment(6)], pots=8)
    with open_trial(plan, weekly(masses, range(0, 43, 7)), [*changes, *lost]) as data:
        answer = positions(data)
        assert answer.positions is not None
        pots = answer.positions.pots
        assert len(pots) == 64
        assert pots["pot"].is_unique
        assert set(pots["treatment"]) == {"dry, then floods-6", "floods-6, then dry"}
        assert pots["residual"].abs().max() < 0.02, "what treatments and runs did is no place: they differ by 0.06"
        trend = answer.table.set_index("feature").loc["column_trend"]
        assert trend["low"] < gradient < trend["high"]
        assert bool(trend["p_adjusted"] < 0.05) is (gradient > 0)
        assert answer.positions.advice.at_risk is None
        assert any("each tray counts once in each run" in caution for caution in answer.cautions)
        assert any("after-effect" in caution for caution in answer.cautions)
        assert not any("moved" in caution for caution in answer.cautions)
        assert "No sensor has recorded these trays" in ask_relate(data, ["dry_h_d"]).summary


def test_a_trial_without_a_change_has_its_rates_as_they_are() -> None:
    masses, _ = _made(2, 0.001)
    plan = made_plan(["dry", "floods-6"] * 4, [treatment(0), treatment(6)], pots=8)
    with open_trial(plan, weekly(masses, range(0, 43, 7))) as data:
        whole = data.growth_of_whole.set_index("pot")["rgr_per_day"]
        np.testing.assert_allclose(data.pot_places.set_index("pot")["rgr_per_day"], whole, rtol=1e-12)
        assert not any("crossover" in caution for caution in positions(data).cautions)
