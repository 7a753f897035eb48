"""Treatments on whole trays (and in blocks), through `compare_treatments`. R 4.2.2, see compare_reference."""

import numpy as np
import pandas as pd
import pytest

from tests.published.compare_reference import category, cell, close, column, results, same_p, table, within_se
from tidetray.analysis.compare.one_day import Comparison, compare_treatments

SHADES = ["none", "Aug2Dec", "Dec2Feb", "Feb2May"]
LEFT_OUT = [2, 3, 4, 7, 13, 14, 22, 29, 30, 41, 48]  # rows of kiwishade, counted from 1


def rats() -> pd.DataFrame:
    d = table("RatPupWeight")
    return d.assign(
        Treatment=category(d["Treatment"], ["Control", "Low", "High"]), sex=category(d["sex"], ["Male", "Female"])
    )


def kiwi() -> pd.DataFrame:
    d = table("kiwishade")
    return d.assign(shade=category(d["shade"], SHADES), block=category(d["block"]))


def kiwi_with_gaps() -> pd.DataFrame:
    return kiwi().drop(index=[i - 1 for i in LEFT_OUT])


def uptake() -> pd.DataFrame:
    d = table("CO2")
    levels = ["Quebec.nonchilled", "Mississippi.nonchilled", "Quebec.chilled", "Mississippi.chilled"]
    return d.assign(TT=category(d["Type"] + "." + d["Treatment"], levels))


def light() -> pd.DataFrame:
    d = table("morley")
    return d.assign(Expt=category(d["Expt"]))


def peas() -> pd.DataFrame:
    d = table("npk")
    return d.assign(**{x: category(d[x]) for x in "NPK"})


CASES = [
    ("02_nested_RatPupWeight", "m1", rats, "weight", "Treatment", "Litter", ()),
    ("02_nested_RatPupWeight", "m2", rats, "weight", "Treatment", "Litter", ("sex", "Lsize")),
    ("02_nested_CO2_zero", "no_conc", uptake, "uptake", "TT", "Plant", ()),
    ("02_nested_kiwishade", "block_fixed", kiwi, "yield", "shade", "plot", ("block",)),
    ("02_nested_kiwishade_unbalanced", "block_fixed", kiwi_with_gaps, "yield", "shade", "plot", ("block",)),
    ("02_nested_kiwishade_unbalanced", "shade_only", kiwi_with_gaps, "yield", "shade", "plot", ()),
    ("02_blocks_morley", "m", light, "Speed", "Expt", "Run", ()),
    ("02_blocks_npk", "main", peas, "yield", "N", "block", ("P", "K")),
]


def compared(case) -> tuple[Comparison, dict, str]:  # type: ignore[no-untyped-def]
    name, model, frame, response, treatment, tray, covariates = case
    r = {k.removeprefix(model + "."): v for k, v in results(name).items() if k.startswith((model + ".", "unit_means"))}
    c = compare_treatments(frame(), response=response, treatment=treatment, tray=tray, covariates=covariates)
    return c, r, treatment


@pytest.mark.parametrize("case", CASES, ids=lambda c: f"{c[0]}-{c[1]}")
def test_mixed_model(case) -> None:  # type: ignore[no-untyped-def]
    c, r, treatment = compared(case)
    v = column(r["variance_components"], "vcov")
    ours = c.variance["estimate"].to_numpy()
    close(ours[-1], v[-1], 1e-4)
    if v[0] > 1e-6 * v[-1]:
        close(ours[0], v[0], 1e-4)
    else:
        assert ours[0] < 1e-6 * ours[-1]
    for method, key in (("Kenward-Roger", "kenward_roger"), ("Satterthwaite", "satterthwaite")):
        for _, row in c.anova[c.anova["method"] == method].iterrows():
            term = treatment if row["term"] == "treatment" else row["term"]
            a = r[f"anova3_{key}"]
            close([row["f"], row["df_num"]], [cell(a, "F value", term), cell(a, "NumDF", term)], 1e-5)
            close(row["df_den"], cell(a, "DenDF", term), 1e-5 if key == "kenward_roger" else 1e-4)
            same_p(row["p"], cell(a, "Pr(>F)", term))
        m, p = r[f"emmeans_{treatment}_{key}"], r[f"pairs_{treatment}_{key}_tukey"]
        kr = key == "kenward_roger"
        within_se(c.means["estimate"], column(m, "emmean"), column(m, "SE"))
        close(c.means["df" if kr else "df_satterthwaite"], column(m, "df"), 1e-5 if kr else 1e-4)
        within_se(c.pairs["estimate"], column(p, "estimate"), column(p, "SE"))
        close(c.pairs["se" if kr else "se_satterthwaite"], column(p, "SE"), 1e-5)
        close(c.pairs["df" if kr else "df_satterthwaite"], column(p, "df"), 1e-5 if kr else 1e-4)
        same_p(c.pairs["p" if kr else "p_satterthwaite"], column(p, "p.value"))
        if kr:
            close(c.means["se"], column(m, "SE"), 1e-5)
            for t, estimate in ((m, c.means), (p, c.pairs)):
                within_se(estimate["low"], column(t, "lower.CL"), column(t, "SE"))
                within_se(estimate["high"], column(t, "upper.CL"), column(t, "SE"))


@pytest.mark.parametrize("case", [CASES[0], CASES[2], CASES[5]], ids=lambda c: c[0])
def test_tray_means_beside_the_model(case) -> None:  # type: ignore[no-untyped-def]
    c, r, treatment = compared(case)
    rows = c.anova.set_index("method")
    a, w = r["unit_means.anova"], r["unit_means.welch"]
    close(rows.loc["tray means", ["f", "df_den"]], [cell(a, "F value", treatment), cell(a, "Df", "Residuals")], 1e-8)
    welch = rows.loc["tray means, Welch"]
    close(
        [welch["f"], welch["df_den"], welch["p"]], [w["statistic"]["F"], w["parameter"]["denom df"], w["p.value"]], 1e-8
    )


def test_balanced_trays_give_the_nested_analysis_of_variance() -> None:
    """kiwishade is balanced: F of the plot stratum, 22.211 on 3 and 6 df; the vines' own answer would be 34.6."""
    c, r = compared(CASES[3])[0], results("02_nested_kiwishade")["error_strata"]["Error: plot"]
    row = c.anova.iloc[0]
    close([row["f"], row["df_den"]], [cell(r, "F value", "shade"), 6], 1e-6)


def test_zero_tray_variance_keeps_the_trays_df() -> None:
    """CO2 without concentration: 12 plants; Satterthwaite falls back to the 84 readings, Kenward-Roger does not."""
    c = compared(CASES[2])[0]
    assert c.variance["estimate"].iloc[0] == 0
    close(c.anova["df_den"].iloc[:2], [8, 80], 1e-8)
    naive = results("02_nested_CO2_zero")["naive.subsample_level_anova"]
    assert c.anova["p"].iloc[0] > 1e6 * column(naive, "Pr(>F)")[0]


def test_zero_variance_of_batches() -> None:
    """Dyestuff2 (Box & Tiao 1973) with treatments put on its six batches."""
    d, r = table("Dyestuff2"), results("02_varcomp_Dyestuff2_zero")
    units = r["unit_means.table"]
    d["trt"] = d["Batch"].map(dict(zip(units["Batch"], units["trt"], strict=True)))
    c = compare_treatments(d, response="Yield", treatment="trt", tray="Batch")
    a = r["with_treatment.anova3_kenward_roger"]
    close(c.anova.loc[0, ["f", "df_den"]], [a["F value"], a["DenDF"]], 1e-5)
    same_p(c.anova["p"].iloc[0], a["Pr(>F)"])
    p = r["with_treatment.pairs_trt_kenward_roger_tukey"]
    close(c.pairs[["se", "df"]], np.column_stack([column(p, "SE"), column(p, "df")]), 1e-5)
