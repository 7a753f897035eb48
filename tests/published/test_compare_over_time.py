"""Growth rates and their pairs, through `compare_growth`. R 4.2.2, see compare_reference."""

import numpy as np
import pytest

from tests.published.compare_reference import category, close, column, results, same_p, table, within_se
from tests.published.test_compare_models import spruce
from tidetray.analysis.compare.over_time import compare_growth


@pytest.mark.parametrize(("name", "unit"), [("ChickWeight", "Chick"), ("BodyWeight", "Rat")])
def test_every_animal_a_unit(name: str, unit: str) -> None:
    d = table(name)
    d["Diet"] = category(d["Diet"])
    g = compare_growth(d, mass="weight", day="Time", treatment="Diet", tray=unit, pot=unit)
    r = {k.removeprefix("random_slope."): v for k, v in results(f"03_growth_{name}").items()}
    for key, df in (("satterthwaite", "df_satterthwaite"), ("kenward_roger", "df")):
        s = r[f"slopes_{key}"]
        within_se(g.rates["estimate"], column(s, "Time.trend"), column(s, "SE"))
        close(g.rates[df], column(s, "df"), 1e-5 if df == "df" else 1e-4)
    close(g.rates["se"], column(s, "SE"), 1e-5)
    p = r["slope_pairs_satterthwaite_tukey"]
    within_se(g.pairs["estimate"], column(p, "estimate"), column(p, "SE"))
    close(g.pairs["df_satterthwaite"], column(p, "df"), 1e-4)
    same_p(g.pairs["p_satterthwaite"], column(p, "p.value"))
    rows = g.anova.set_index("method")
    for key, method in (("kenward_roger", "Kenward-Roger"), ("satterthwaite", "Satterthwaite")):
        a = r[f"anova3_{key}"]
        at = list(a["row"]).index("Time:Diet")
        close(rows.loc[method, "f"], a["F value"][at], 1e-5)
        close(rows.loc[method, "df_den"], a["DenDF"][at], 1e-5 if method == "Kenward-Roger" else 1e-4)
        same_p(rows.loc[method, "p"], a["Pr(>F)"][at])
    a, w = r["two_stage.slope_anova"], r["two_stage.slope_welch"]
    close(rows.loc["tray rates", "f"], a["F value"][0], 1e-8)
    close(rows.loc["tray rates, Welch", ["f", "df_den"]], [w["statistic"]["F"], w["parameter"]["denom df"]], 1e-8)


def test_two_trays_a_treatment_are_not_seventy_nine_trees() -> None:
    """Spruce (Diggle, Liang & Zeger 1994): four plots; p 0.020 by tree, 0.140 on plot means with 2 df."""
    d = spruce()
    g = compare_growth(
        d.assign(size=np.exp(d["logSize"])), mass="size", day="days", treatment="treat", tray="plot", pot="Tree"
    )
    r = results("03_growth_Spruce_plots")
    plots = r["plot_level.slope_anova"]
    ours = g.tray_rates.set_index("tray")["rate_per_day"]
    close([ours[p] for p in plots["plot_means"]["plot"]], np.array(plots["plot_means"]["slope"]) / 100, 1e-8)
    rows = g.anova.set_index("method")
    close(rows.loc["tray rates", ["f", "p"]], [plots["anova"]["F value"][0], plots["anova"]["Pr(>F)"][0]], 1e-8)
    kr = rows.loc["Kenward-Roger"]
    assert 2 < kr["df_den"] < 3
    assert kr["p"] > 0.1
    final = r["plot_level.final_anova"]
    last = g.days.iloc[-1]
    assert last["df"] < 4
    assert last["p_unadjusted"] > 3 * column(final["naive_tree_level"], "Pr(>F)")[0]
