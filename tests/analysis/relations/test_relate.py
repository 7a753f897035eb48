"""What growth went with: by hand, against statsmodels, and on made-up trials whose causes are known."""

from __future__ import annotations

import warnings

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from statsmodels.stats.outliers_influence import variance_inflation_factor

from tidetray.analysis.relations.predictors import choose_causes, separating_tray, vif
from tidetray.analysis.relations.relate import relate

ALL = ["dry_lit_h_d", "light_factor", "air_temp_c"]
HOW = {"period": "period", "size": "mass_first_g"}


def trial(
    seed: int, *, dry: float = 0.0, light: float = 0.0, trays: int = 8, pots: int = 4, periods: int = 3
) -> pd.DataFrame:
    """Weighed pots whose rate follows lit dry hours and the light of the place by `dry` and `light`; warmth does
    nothing."""
    rng = np.random.default_rng(seed)
    t, p = np.repeat(np.arange(trays), pots * periods), np.repeat(np.arange(trays * pots), periods)
    k = np.tile(np.arange(periods), trays * pots)
    hours = (np.arange(trays) % 4 * 4.0)[rng.permutation(trays)]
    x = hours[t] + rng.normal(0, 0.2, (trays, periods))[t, k]
    warmth = rng.normal(21, 0.5, trays)[:, None] + rng.normal(0, 0.5, periods) + rng.normal(0, 0.3, (trays, periods))
    factor = np.tile([0.75, 0.9, 0.95, 0.8], trays)[p]
    rate = (
        0.04
        - 0.003 * k
        + dry * x
        + light * factor
        + rng.normal(0, 0.002, trays)[t]
        + rng.normal(0, 0.002, trays * pots)[p]
        + rng.normal(0, 0.001, (trays, periods))[t, k]
        + rng.normal(0, 0.004, len(t))
    )
    return pd.DataFrame(
        {
            "tray": [f"tray-{n}" for n in t],
            "pot": [f"p{n}" for n in p],
            "period": k,
            "dry_lit_h_d": x,
            "air_temp_c": warmth[t, k],
            "light_factor": factor,
            "rgr_per_day": rate,
            "mass_first_g": rng.lognormal(np.log(0.4), 0.1, trays * pots)[p],
        }
    )


def test_known_causes_are_found_with_their_units_and_words() -> None:
    found = relate(trial(1, dry=0.001, light=0.02), causes=ALL, **HOW)
    effects = found.effects.set_index("cause")
    for cause, truth in (("dry_lit_h_d", 0.001), ("light_factor", 0.02), ("air_temp_c", 0.0)):
        assert effects.loc[cause, "low"] < truth < effects.loc[cause, "high"]
    assert effects["level"].to_dict() == {"dry_lit_h_d": "tray", "light_factor": "pot", "air_temp_c": "tray"}
    assert effects.loc["dry_lit_h_d", "df"] <= 8 - 1 - 2, "trays less one less the causes given to trays"
    assert effects.loc["light_factor", "df"] > 8
    assert effects.loc["dry_lit_h_d", "settled"]
    assert found.sentences[0].startswith("Each extra lit dry hour a day was linked to +0.")
    assert found.sentences[0].endswith(": clear.")
    spread = trial(1, dry=0.001, light=0.02)
    ratio = np.std(spread["dry_lit_h_d"]) / np.std(spread["rgr_per_day"])
    assert effects.loc["dry_lit_h_d", "std_estimate"] == pytest.approx(effects.loc["dry_lit_h_d", "estimate"] * ratio)


def test_coverage_and_claims_over_many_trials() -> None:
    """40 made-up trials with causes and 40 without; the bench does 500. Three standard errors of a share allowed."""
    n = 40
    truth = np.array([0.001, 0.02, 0.0])
    covered, claimed = np.zeros((n, 3)), np.zeros((n, 3))
    for seed in range(n):
        real = relate(trial(seed, dry=0.001, light=0.02), causes=ALL, **HOW).effects
        none = relate(trial(1000 + seed), causes=ALL, **HOW).effects
        covered[seed] = (real["low"] <= truth) & (truth <= real["high"])
        claimed[seed] = none["settled"]
    error = np.sqrt(0.05 * 0.95 / n)
    assert covered.mean(axis=0).min() > 0.95 - 3 * error, covered.mean(axis=0)
    assert claimed.mean(axis=0).max() < 0.05 + 3 * error, claimed.mean(axis=0)


def test_same_estimates_as_statsmodels() -> None:
    d = trial(3, dry=0.001, light=0.02)
    found = relate(d, causes=ALL, **HOW)
    d = d.assign(ln=np.log(d["mass_first_g"]), y=1000 * d["rgr_per_day"])
    parts = {"pot": "0 + C(pot)", "cell": "0 + C(period):C(tray)"}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # it warns of variances near zero
        theirs = smf.mixedlm(
            "y ~ C(period) + ln + dry_lit_h_d + light_factor + air_temp_c",
            d,
            groups="tray",
            re_formula="1",
            vc_formula=parts,
        ).fit()
    for row in found.effects.to_dict("records"):
        assert row["estimate"] * 1000 == pytest.approx(theirs.params[row["cause"]], abs=0.05 * row["se"] * 1000)


def test_vif_is_that_of_statsmodels() -> None:
    X = np.random.default_rng(1).normal(size=(40, 3)) @ np.array([[1, 0.8, 0], [0, 1, 0.3], [0, 0, 1]])
    one = np.ones((40, 1)) / np.sqrt(40)
    theirs = [variance_inflation_factor(np.column_stack([np.ones(40), X]), k) for k in (1, 2, 3)]
    assert vif(X, one) == pytest.approx(theirs)


def test_causes_that_go_together_are_not_told_apart() -> None:
    d = trial(2, dry=0.001)
    d["dry_dark_h_d"] = d["dry_lit_h_d"] * 0.7 + np.random.default_rng(5).normal(0, 0.05, len(d))
    found = relate(d, causes=["dry_lit_h_d", "dry_dark_h_d"], **HOW)
    assert (found.effects["vif"] > 10).all()
    assert not found.effects["settled"].any()
    assert all("not separated" in sentence for sentence in found.sentences)
    assert sum("would part them" in caution for caution in found.cautions) == 1
    d["wet_h_d"] = 24 - 2 * d["dry_lit_h_d"]
    exact = relate(d, causes=["dry_lit_h_d", "wet_h_d"], **HOW)
    assert list(exact.effects["cause"]) == ["dry_lit_h_d"]
    assert any("follows from dry hours in light" in caution for caution in exact.cautions)


def test_which_tray_would_part_two_causes_by_hand() -> None:
    # both rise together from (0, 0) to (10, 5): what was never tried is one high and the other low
    best = separating_tray(np.array([0.0, 5.0, 10.0]), np.array([0.0, 2.5, 5.0]))
    assert best in ((0.0, 5.0), (10.0, 0.0))


def test_what_all_trays_share_over_time_is_not_asked() -> None:
    d = trial(4)
    d["air_temp_c"] = 20 + 0.5 * d["period"]
    d["height_m"] = 0.02
    found = relate(d, causes=["dry_lit_h_d", "air_temp_c", "height_m"], **HOW)
    assert list(found.effects["cause"]) == ["dry_lit_h_d"]
    assert any("cannot be separated from age and season" in caution for caution in found.cautions)
    assert any("the same for all" in caution for caution in found.cautions)


def test_too_many_causes_for_the_trays() -> None:
    d = trial(5, trays=4)
    d["vpd_dry_kpa"] = d["tray"].map({f"tray-{n}": value for n, value in enumerate([0.5, 0.9, 0.6, 0.7])})
    found = relate(d, causes=["dry_lit_h_d", "air_temp_c", "vpd_dry_kpa"], **HOW)
    assert len(found.effects) == 2
    assert any("Name fewer causes, or add trays" in caution for caution in found.cautions)
    with pytest.raises(ValueError, match="fewer than three"):
        relate(d[d["tray"].isin(["tray-0", "tray-1"])], causes=["dry_lit_h_d"], **HOW)


def test_a_cause_that_one_tray_bears_is_said_so() -> None:
    d = trial(6)
    d["dry_lit_h_d"] = np.where(d["tray"] == "tray-3", 8.0, 2.0) + np.random.default_rng(1).normal(0, 0.05, len(d))
    found = relate(d, causes=["dry_lit_h_d"], **HOW)
    assert found.effects["trays_told_by"].iloc[0] < 2
    assert any("rests mostly on one tray" in caution for caution in found.cautions)


def test_a_bend_is_not_hidden_by_a_slope() -> None:
    d = trial(7)
    d["rgr_per_day"] -= 0.0006 * (d["dry_lit_h_d"] - 6) ** 2
    found = relate(d, causes=["dry_lit_h_d"], **HOW)
    assert any("bends along dry hours in light: pots grew most in between" in caution for caution in found.cautions)


def test_without_each_tray_is_what_a_fit_without_it_gives() -> None:
    d = trial(8, dry=0.001, light=0.02)
    found = relate(d, causes=ALL, **HOW)
    again = relate(d[d["tray"] != "tray-2"], causes=ALL, **HOW).effects.set_index("cause")["estimate"]
    held = found.without[found.without["tray"] == "tray-2"].set_index("cause")["estimate"]
    se = found.effects.set_index("cause")["se"]
    assert (np.abs(again - held) < 0.3 * se).all(), "the variances of the whole fit are kept, so nearly the same"


def test_missing_values_are_left_out_and_counted() -> None:
    d = trial(9)
    d.loc[:4, "dry_lit_h_d"] = np.nan
    d["water_temp_c"] = np.nan
    found = relate(d, causes=["dry_lit_h_d", "water_temp_c"], **HOW)
    assert "5 of 96 intervals lack a value and are left out." in found.cautions
    assert any("known for no interval" in caution for caution in found.cautions)
    with pytest.raises(ValueError, match="zero or less"):
        relate(d.assign(mass_first_g=0.0), causes=["light_factor"], **HOW)


def test_one_weighing_interval_and_one_pot_a_tray() -> None:
    d = trial(10, dry=0.001, pots=1, periods=1)
    found = relate(d, causes=["dry_lit_h_d"])
    assert found.effects["df"].iloc[0] == pytest.approx(6)  # eight trays, a mean and a slope


def test_causes_are_chosen_that_the_trial_can_tell() -> None:
    d = trial(11)
    d["dry_dark_h_d"] = 0.7 * d["dry_lit_h_d"] + 0.001 * d["period"]
    d["vpd_dry_kpa"] = d["air_temp_c"].where(d["tray"] != "tray-1") / 30
    chosen, said = choose_causes(d)
    assert chosen == ["dry_lit_h_d", "light_factor", "air_temp_c"]
    assert any("changes together with dry hours in light" in line and "would part them" in line for line in said)
    assert any(line.startswith("Not tested: dryness of the air") and "Not known of tray-1." in line for line in said)


def treated(seed: int, *, treatments: int, sd: float) -> pd.DataFrame:
    """Nine trays whose dry hours are given by their treatment, and whose growth differs by treatment for another
    reason."""
    rng = np.random.default_rng(seed)
    t = np.repeat(np.arange(9), 6)
    k = np.tile(np.repeat(np.arange(2), 3), 9)
    given = t % treatments
    rate = 0.04 - 0.003 * k + rng.normal(0, sd, treatments)[given] + rng.normal(0, 0.002, 9)[t]
    pots = t * 3 + np.tile(np.arange(3), 18)
    return pd.DataFrame(
        {
            "tray": [f"tray-{n}" for n in t],
            "pot": [f"p{n}" for n in pots],
            "period": k,
            "treatment": [f"treatment {n}" for n in given],
            "dry_lit_h_d": 4.0 * given + rng.normal(0, 0.1, 9)[t],
            "rgr_per_day": rate + rng.normal(0, 0.003, len(t)),
        }
    )


def test_a_cause_that_only_treatments_differ_in_has_the_df_of_treatments() -> None:
    """Treatments that differ for another reason, three times as much as trays: 'clear' in 42 % of trials before."""
    rows = treated(1, treatments=4, sd=0.006)
    found = relate(rows, causes=["dry_lit_h_d"], period="period")
    assert found.effects["level"].to_list() == ["treatment"]
    assert found.effects["df"].iloc[0] <= 2
    assert any("Only the four treatments count" in caution for caution in found.cautions)
    n = 40
    claimed = [
        bool(
            relate(treated(s, treatments=4, sd=0.006), causes=["dry_lit_h_d"], period="period")
            .effects["settled"]
            .iloc[0]
        )
        for s in range(n)
    ]
    assert sum(claimed) <= 6  # 2 expected at 5 %; 17 before
    # a tray with a treatment of its own each: nothing to separate, the trays count
    alone = relate(rows.assign(treatment=rows["tray"]), causes=["dry_lit_h_d"], period="period").effects
    assert alone["level"].to_list() == ["tray"]


def test_several_causes_are_adjusted_for_being_several() -> None:
    effects = relate(trial(3, dry=0.001), causes=ALL, **HOW).effects
    order = effects.sort_values("p")
    assert order["p_adjusted"].iloc[0] == pytest.approx(min(1.0, 3 * order["p"].iloc[0]))
    assert (effects["p_adjusted"] >= effects["p"]).all()


def test_unknown_hours_give_a_range() -> None:
    rows = trial(4, dry=0.001)
    lost = np.where(rows["tray"].isin(["tray-1", "tray-5"]), 3.0, 0.0)
    known = rows["dry_lit_h_d"]
    told = rows.assign(dry_lit_h_d_if_dry=known + lost, dry_lit_h_d_if_wet=known)
    effect = relate(told, causes=ALL, **HOW).effects.set_index("cause").loc["dry_lit_h_d"]
    assert effect["unknown_low"] <= effect["estimate"] <= effect["unknown_high"]
    as_dry = relate(rows.assign(dry_lit_h_d=known + lost), causes=ALL, **HOW).effects.set_index("cause")
    nearest = min(abs(effect[name] - as_dry.loc["dry_lit_h_d", "estimate"]) for name in ("unknown_low", "unknown_high"))
    assert nearest < 0.1 * effect["se"]  # the same but for variances that are fitted anew
    same = relate(rows, causes=ALL, **HOW).effects
    assert same["unknown_low"].to_numpy() == pytest.approx(same["unknown_high"].to_numpy())


def test_the_band_holds_the_doubt_of_the_level_too() -> None:
    lines = relate(trial(5, dry=0.001), causes=ALL, **HOW).lines
    assert (lines["high"] - lines["low"] > 0.0005).all()
