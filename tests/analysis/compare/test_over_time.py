"""Growth over time: what is compared on which day, what is said of the data, by hand and against scipy."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from tests.analysis.compare.test_one_day import grown, pots, weighed


def said(frame: pd.DataFrame, words: str) -> bool:
    return any(words in caution for caution in grown(frame).cautions)


def test_days_that_cannot_be_compared_say_why() -> None:
    w = weighed()
    one_tray = w["tray"].isin(["tray-0-0", "tray-1-0"])
    thin = w[(w["day"] != 14) | one_tray]
    thin = thin[(thin["day"] != 21) | (thin["treatment"] == "mixed")]
    found = grown(thin)
    assert "Day 14: not compared, no treatment had two trays weighed." in found.cautions
    assert "Day 21: not compared, one treatment only was weighed." in found.cautions
    assert sorted(found.days["day"]) == [0, 7, 28, 35, 42, 49]


def test_a_day_of_one_pot_a_tray_is_students_t_of_the_trays() -> None:
    w = weighed(pots(each=1))
    day = grown(w).days.set_index("day").loc[28]
    then = w[w["day"] == 28]
    t = stats.ttest_ind(*(np.log(own["mass_g"]) for _, own in then.groupby("treatment", sort=False)))
    sign = 1 if day["a"] == "emersed" else -1
    assert sign * day["t"] == pytest.approx(t.statistic, rel=1e-6)
    assert day["p_unadjusted"] == pytest.approx(t.pvalue, rel=1e-6)
    assert day["df"] == pytest.approx(4)


def test_rates_of_trays_are_means_of_their_pots_own_slopes() -> None:
    w = weighed()
    w = w[(w["pot"] != "pot-2") | (w["day"] == 0)]  # of one weighing there is no slope
    found = grown(w).tray_rates.set_index("tray")
    for tray, own in w.groupby("tray"):
        slopes = [
            stats.linregress(pot["day"], np.log(pot["mass_g"])).slope for _, pot in own.groupby("pot") if len(pot) > 1
        ]
        assert found.loc[tray, "rate_per_day"] == pytest.approx(np.mean(slopes))
        assert found.loc[tray, "n_pots"] == len(slopes) == 3


def test_growth_that_bends_is_told_from_a_straight_line() -> None:
    w = weighed()
    assert not said(w, "over the trial")
    for bend, words in ((-0.0003, "Growth slowed down over the trial"), (0.0003, "Growth sped up over the trial")):
        bent = w.assign(mass_g=w["mass_g"] * np.exp(bend * w["day"] ** 2))
        assert said(bent, words)
        assert said(bent[bent["tray"].isin(["tray-0-0", "tray-0-1", "tray-1-0"])], words), "by three trays"
        assert not said(bent[bent["tray"].isin(["tray-0-0", "tray-1-0"])], words)


def test_who_dropped_out_was_lighter_or_heavier_than_its_neighbours_or_neither() -> None:
    w = weighed(pots(effects=(0, 0), each=6))
    gone = w["pot"].isin(["pot-0", "pot-1"])
    for factor, words in ((0.5, "had been lighter"), (2.0, "had been heavier")):
        other = w.assign(mass_g=w["mass_g"].where(~gone, factor * w["mass_g"]))
        assert said(other[~(gone & (w["day"] > 20))], f"Pots that dropped out {words} than their neighbours")
    assert not said(w[~(gone & (w["day"] > 20))], "dropped out")


def test_a_treatment_that_was_not_weighed_at_the_start() -> None:
    w = weighed()
    assert said(w[(w["day"] > 0) | (w["treatment"] == "mixed")], "Not every treatment was weighed on the first day")
    assert not said(w, "first day")


def test_only_pots_that_changed_trays_are_said_to() -> None:
    w = weighed()
    assert not said(w.assign(pot=w["tray"] + w["pot"]), "changed trays")
    assert not said(w, "more than once")


def test_of_two_trays_that_hold_both_treatments_the_tray_is_a_random_effect() -> None:
    w = weighed(pots(trays=2))
    blocks = w.assign(pot=w["treatment"] + w["pot"], tray="bench-" + w["tray"].str[-1])
    assert {"tray: level", "pot: level"} <= set(grown(blocks).variance["source"])


def test_two_trays_a_treatment_give_trays_no_slope_of_their_own() -> None:
    """Three trays more than treatments are too few for a level and a slope that go together; four are enough."""
    few, many = (grown(weighed(pots(trays=trays))) for trays in (2, 3))
    assert "tray: level with slope" in set(many.variance["source"])
    assert set(few.variance["source"]) == {
        "tray: level",
        "tray: slope",
        "tray: level with slope",
        "pot: level",
        "pot: slope",
        "pot: level with slope",
        "between weigh-ins of a pot",
    }
    assert few.variance.set_index("source").loc["tray: level with slope", "estimate"] == 0
