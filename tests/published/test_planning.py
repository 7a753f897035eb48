"""Power and trays needed against R 4.2.2 and published values. Sources stand beside the numbers.

tests/published/data/power holds what R's power.t.test (strict = TRUE, tol = 1e-10) and power.anova.test gave,
and simulations of 40,000 trials in R of pots nested in trays; total variance 1, tray_sd² = icc.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pandas as pd
import pytest

from tidetray.analysis.plan.power import (
    design_effect,
    detectable_difference,
    icc,
    permutation_floor,
    pot_level_claims,
    power,
    sd_of_tray_mean,
    trays_needed,
)
from tidetray.analysis.plan.power_advice import spread_from

DATA = Path(__file__).parent / "data" / "power"
TOLERANCE = 1e-5


def cases(name: str) -> list[dict[str, Any]]:
    rows = pd.read_csv(DATA / f"{name}.csv").to_dict("records")
    return [{str(key).replace(".", "_"): value for key, value in row.items()} for row in rows]


def spread(row: dict[str, Any]) -> dict[str, float]:
    return {"tray_sd": row["icc"] ** 0.5, "pot_sd": (1 - row["icc"]) ** 0.5}


def test_t_tests_two_sample_paired_and_one_sided() -> None:
    for row in cases("t"):
        found = power(
            trays=row["n"],
            difference=row["delta"],
            tray_sd=row["sd"],
            alpha=row["sig"],
            sides=1 if row["alternative"] == "one.sided" else 2,
            paired=row["type"] == "paired",
        )
        assert found == pytest.approx(row["power_strict"], rel=TOLERANCE), row


def test_f_tests() -> None:
    for row in cases("anova"):
        found = power(
            trays=row["n"],
            between_variance=row["between_var"],
            treatments=row["groups"],
            tray_sd=row["within_var"] ** 0.5,
            alpha=row["sig"],
        )
        assert found == pytest.approx(row["power"], rel=TOLERANCE), row


def test_trays_for_a_power_wanted() -> None:
    for row in cases("t_solve_n"):
        found = trays_needed(target=row["power"], difference=row["delta"], tray_sd=row["sd"], alpha=row["sig"])
        assert found.exact == pytest.approx(row["n_exact"], rel=TOLERANCE), row
        assert found.trays == row["n_ceiling"], row
    for row in cases("anova_solve_n"):
        found = trays_needed(
            target=row["power"],
            between_variance=row["between_var"],
            treatments=row["groups"],
            tray_sd=row["within_var"] ** 0.5,
            alpha=row["sig"],
        )
        assert found.exact == pytest.approx(row["n_exact"], rel=TOLERANCE), row
    for row in cases("nested_solve_trays"):
        found = trays_needed(target=row["power"], difference=row["delta"], pots=row["pots"], **spread(row))
        assert found.exact == pytest.approx(row["trays_exact"], rel=TOLERANCE), row


def test_smallest_difference_that_is_found() -> None:
    for row in cases("t_solve_delta"):
        found = detectable_difference(trays=row["n"], tray_sd=row["sd"], alpha=row["sig"], target=row["power"])
        assert found == pytest.approx(row["delta_exact"], rel=TOLERANCE), row


def test_pots_in_trays() -> None:
    for row in cases("nested"):
        kinds = spread(row)
        assert sd_of_tray_mean(pots=row["pots"], **kinds) == pytest.approx(row["sd_tray_mean"], rel=1e-9)
        assert icc(**kinds) == pytest.approx(row["icc"])
        assert design_effect(pots=row["pots"], icc=row["icc"]) == pytest.approx(row["design_effect"], rel=1e-9)
        found = power(trays=row["trays"], pots=row["pots"], difference=row["delta"], **kinds)
        assert found == pytest.approx(row["power_tray_t"], rel=TOLERANCE), row


def test_pots_in_trays_as_simulated() -> None:
    for row in cases("nested_simulated"):
        kinds = {"trays": row["trays"], "pots": row["pots"], **spread(row)}
        allowed = 4 * row["mc_se_max"]
        assert power(difference=row["delta"], **kinds) == pytest.approx(row["power_tray_t"], abs=allowed), row
        assert pot_level_claims(**kinds) == pytest.approx(row["size_pot_t"], abs=allowed), row
        assert pot_level_claims(difference=row["delta"], **kinds) == pytest.approx(row["power_pot_t"], abs=allowed), row


def test_unequal_pots_as_simulated() -> None:
    for row in cases("nested_unequal_simulated"):
        m = int(row["pots"])
        pots = [(m, max(1, m - 2), m + 2)[n % 3] for n in range(int(row["trays"]))]
        found = power(trays=row["trays"], pots=pots, difference=row["delta"], **spread(row))
        assert found == pytest.approx(row["power_tray_t"], abs=4 * row["mc_se_max"]), row


def test_textbook_power_of_the_t_test() -> None:
    """64 a group find a difference of half a standard deviation 80 times in 100 (two-sided 0.05): Cohen 1988, read in
    the table of sample sizes after Cohen of the MRC Cognition and Brain Sciences Unit. The others: R's package pwr,
    `pwr.t.test` of two samples, as statsmodels 0.15.0 quotes it in its tests of power (n 30, d 1; n 20, d 0.1)."""
    assert power(trays=64, difference=0.5, tray_sd=1.0) == pytest.approx(0.80, abs=6e-3)
    assert power(trays=30, difference=1.0, tray_sd=1.0) == pytest.approx(0.967708258242517, abs=1e-8)
    assert power(trays=20, difference=0.1, tray_sd=1.0) == pytest.approx(0.06095912465411235, abs=1e-8)


def test_statsmodels_agrees() -> None:
    """statsmodels 0.15.0, TTestIndPower and FTestAnovaPower (effect_size = root of lambda / N)."""
    from statsmodels.stats.power import FTestAnovaPower, TTestIndPower  # noqa: PLC0415

    for n, d in ((3, 1.2), (7, 0.9), (20, 0.4)):
        expected = TTestIndPower().power(d, n, 0.05)
        assert power(trays=n, difference=d, tray_sd=1.0) == pytest.approx(expected, rel=1e-8)
    means = [1.0, 1.4, 2.0]
    variance = pd.Series(means).var(ddof=0)
    expected = FTestAnovaPower().power(variance**0.5, 3 * 6, 0.05, k_groups=3)
    assert power(trays=6, means=means, tray_sd=1.0) == pytest.approx(expected, rel=1e-8)


def test_design_effects_of_kish() -> None:
    """Kish 1965 (read in a secondary copy): 1 + (m - 1) icc."""
    for m, rho, printed in (
        (10, 0.05, 1.45),
        (12, 0.03, 1.33),
        (20, 0.1, 2.90),
        (30, 0.02, 1.58),
        (8, 0.5, 4.50),
        (1, 0.4, 1.0),
    ):
        assert design_effect(pots=m, icc=rho) == pytest.approx(printed)


def test_shuffling_has_a_floor() -> None:
    """2 v 2 trays 1/3, 3 v 3 0.1, 4 v 4 0.0286: two of the C(2n, n) arrangements (counting)."""
    assert [permutation_floor(n) for n in (2, 3, 4)] == pytest.approx([1 / 3, 0.1, 2 / 70])


def test_the_spread_of_a_past_trial() -> None:
    """Pastes (Davies and Goldsmith 1972; lme4 1.1-31: lmer(strength ~ 1 + (1 | batch) + (1 | sample)))) as a plan's
    past.

    Casks as trays within batches as treatments, balanced: by own arithmetic on the data set the mean squares are 17.545
    between casks and 0.678 within, so that the variance between casks is (17.545 - 0.678) / 2 = 8.434.
    """
    frame = pd.read_csv(DATA.parent / "Pastes.csv")
    frame["tray"] = frame["batch"].astype(str) + frame["cask"].astype(str)
    found = spread_from(frame, response="strength", treatment="batch", tray="tray")
    assert found.tray_sd**2 == pytest.approx(8.434, abs=2e-3)
    assert found.pot_sd**2 == pytest.approx(0.678, abs=1e-3)
    assert (found.df_trays, found.n_trays, found.n_pots) == (20, 30, 60)
