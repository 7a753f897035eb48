"""One-way layouts and analyses of covariance: every unit is a tray of its own. R 4.2.2, see compare_reference."""

import numpy as np
import pandas as pd
import pytest

from tests.published.compare_reference import category, cell, close, column, results, table
from tidetray.analysis.compare.one_day import Comparison, compare_treatments
from tidetray.analysis.stats.pairwise import adjust

TOMATO = ["water only", "conc nutrient", "2-4-D + conc nutrient", "3x conc nutrient"]
ONE_WAY = [
    ("PlantGrowth", "weight", "group", ["ctrl", "trt1", "trt2"]),
    ("chickwts", "weight", "feed", None),
    ("tomato", "weight", "trt", TOMATO),
    ("InsectSprays", "count", "spray", None),
]


def compared(frame: pd.DataFrame, response: str, treatment: str, covariates: tuple[str, ...] = ()) -> Comparison:
    return compare_treatments(
        frame.assign(unit=np.arange(len(frame))),
        response=response,
        treatment=treatment,
        tray="unit",
        covariates=covariates,
    )


def anova_row(c: Comparison, method: str, term: str = "treatment") -> pd.Series:
    return c.anova[(c.anova["term"] == term) & (c.anova["method"] == method)].iloc[0]


@pytest.mark.parametrize(("name", "response", "group", "levels"), ONE_WAY)
def test_one_way(name: str, response: str, group: str, levels: list[str] | None) -> None:
    d = table(name)
    d[group] = category(d[group], levels)
    c, r = compared(d, response, group), results(f"01_oneway_{name}")
    f, df, p = (cell(r["anova"], k, group) for k in ("F value", "Df", "Pr(>F)"))
    for method in ("Kenward-Roger", "Satterthwaite", "tray means"):
        row = anova_row(c, method)
        close([row["f"], row["df_num"], row["df_den"]], [f, df, cell(r["anova"], "Df", "Residuals")], 1e-8)
        close(row["p"], p, 1e-8, 1e-8)
    w, row = r["welch_anova"], anova_row(c, "tray means, Welch")
    close([row["f"], row["df_den"]], [w["statistic"]["F"], w["parameter"]["denom df"]], 1e-8)
    close(row["p"], w["p.value"], 1e-8, 1e-8)
    t = r["tukey_hsd"][group]
    close(c.pairs["estimate"], -column(t, "diff"), 1e-8, 1e-12)
    close(c.pairs["p"], column(t, "p adj"), 0, 1e-7)
    close(c.pairs["low"], -column(t, "upr"), 1e-5, 1e-8)
    close(c.pairs["high"], -column(t, "lwr"), 1e-5, 1e-8)
    g = r["games_howell"]
    close(c.games_howell["estimate"], -column(g, "diff"), 1e-8, 1e-12)
    close(c.games_howell[["se", "df"]], np.column_stack([column(g, "se"), column(g, "df")]), 1e-8)
    close(c.games_howell["p"], column(g, "p"), 0, 1e-7)
    close(c.games_howell["low"], -column(g, "upr"), 1e-5, 1e-8)
    checks = c.checks.set_index("check")
    levene = r["levene_median"]
    close(
        checks.loc["spread between trays", ["f", "p"]],
        [column(levene, "F value")[0], column(levene, "Pr(>F)")[0]],
        1e-8,
    )
    s = r["shapiro_residuals"]
    close(checks.loc["normal residuals", "f"], s["statistic"]["W"], 1e-8)
    close(checks.loc["normal residuals", "p"], s["p.value"], 1e-6)
    summary = r["group_summary"]
    close(c.means["estimate"], column(summary, f"{response}.mean"), 1e-8)


def test_unequal_spreads_are_pointed_out_and_equal_ones_are_not() -> None:
    uneven = compared(table("InsectSprays"), "count", "spray").cautions
    assert any("without taking spreads to be equal" in x for x in uneven)
    assert not any("spread" in x for x in compared(table("PlantGrowth"), "weight", "group").cautions)


def chickens() -> pd.DataFrame:
    d = table("ChickWeight")
    start = d[d["Time"] == 0].set_index("Chick")["weight"].rename("w0")
    d = d[d["Time"] == 21].join(start, on="Chick")
    return d.assign(Diet=category(d["Diet"]), lw=np.log(d["weight"]), lw0=np.log(d["w0"]))


def litters() -> pd.DataFrame:
    d = table("RatPupWeight").groupby(["Treatment", "Litter"], as_index=False)[["weight", "Lsize"]].mean()
    return d.assign(Treatment=category(d["Treatment"], ["Control", "Low", "High"]))


def feedlot() -> pd.DataFrame:
    d = table("feedlot")
    return d.assign(herd=category(d["herd"]), diet=category(d["diet"], ["Low", "Medium", "High"]))


def anorexia() -> pd.DataFrame:
    d = table("anorexia")
    return d.assign(Treat=category(d["Treat"], ["Cont", "CBT", "FT"]))


@pytest.mark.parametrize(
    "case",
    [
        ("05_ancova_ChickWeight_final", "", chickens, "weight", "Diet", ("w0",)),
        ("05_ancova_ChickWeight_final", "log.", chickens, "lw", "Diet", ("lw0",)),
        ("05_ancova_RatPup_litter_means", "", litters, "weight", "Treatment", ("Lsize",)),
        ("05_ancova_anorexia", "", anorexia, "Postwt", "Treat", ("Prewt",)),
        ("05_ancova_feedlot", "", feedlot, "swt", "diet", ("ewt",)),
        ("05_ancova_feedlot", "with_herd.", feedlot, "swt", "diet", ("ewt", "herd")),
    ],
    ids=lambda c: f"{c[0]}-{c[1]}",
)
def test_covariance(case) -> None:  # type: ignore[no-untyped-def]
    name, prefix, frame, response, treatment, covariates = case
    c, r = compared(frame(), response, treatment, covariates), results(name)
    a = r[prefix + "anova_type2"]
    for term in ("treatment", *covariates):
        row, name = anova_row(c, "Kenward-Roger", term), treatment if term == "treatment" else term
        close(row["f"], cell(a, "F value", name), 1e-8)
        close(row["p"], cell(a, "Pr(>F)", name), 1e-8, 1e-8)
    m = r[prefix + "adjusted_means"]
    for ours, theirs in (("estimate", "emmean"), ("se", "SE"), ("df", "df"), ("low", "lower.CL"), ("high", "upper.CL")):
        close(c.means[ours], column(m, theirs), 1e-8)
    p = r[prefix + "pairs_tukey"]
    for ours, theirs in (("estimate", "estimate"), ("se", "SE"), ("df", "df"), ("t", "t.ratio")):
        close(c.pairs[ours], column(p, theirs), 1e-8)
    close(c.pairs["p"], column(p, "p.value"), 0, 1e-7)
    close(c.pairs[["low", "high"]], np.column_stack([column(p, "lower.CL"), column(p, "upper.CL")]), 1e-5)
    close(c.pairs["p_unadjusted"], column(r[prefix + "pairs_unadjusted"], "p.value"), 1e-8, 1e-8)
    close(adjust(c.pairs["p_unadjusted"]), column(r[prefix + "pairs_holm"], "p.value"), 1e-8, 1e-8)
    slope, checks = r[prefix + "slope_homogeneity"], c.checks.set_index("check")
    close(checks.loc[f"one slope of {covariates[0]}", ["f", "p"]], [slope["F"][1], slope["Pr(>F)"][1]], 1e-8)
    s = r[prefix + "shapiro_residuals"]
    close(checks.loc["normal residuals", "f"], s["statistic"]["W"], 1e-8)


@pytest.mark.parametrize("name", list(results("10_multiplicity")))
def test_multiplicity(name: str) -> None:
    r = results("10_multiplicity")[name]
    p = np.atleast_1d(np.array(r["p"], dtype=float))
    close(adjust(p, "holm"), np.atleast_1d(np.array(r["holm"], dtype=float)), 1e-8)
    close(adjust(p, "fdr"), np.atleast_1d(np.array(r["BH"], dtype=float)), 1e-8)


# NIST Statistical Reference Datasets, one-way analysis of variance: certified F (data as carried by scipy 1.17.1).
# The values of SmLs04 and SmLs07 stand on 10^6 and 10^12: in double precision the data themselves are rounded.
@pytest.mark.parametrize(
    ("name", "f", "df", "tolerance"),
    [
        ("SiRstv", 1.18046237440255e00, 20, 1e-9),
        ("AtmWtAg", 1.59467335677930e01, 46, 1e-6),
        ("SmLs01", 21.0, 180, 1e-12),
        ("SmLs04", 21.0, 180, 1e-7),
        ("SmLs07", 21.0, 180, 2e-2),
    ],
)
def test_nist(name: str, f: float, df: int, tolerance: float) -> None:
    d = table("nist_anova")
    row = compared(d[d["dataset"] == name], "value", "group").anova.iloc[0]
    close([row["f"], row["df_den"]], [f, df], tolerance)
