"""The REML fitter and both kinds of df on nested, crossed and random-slope models. R 4.2.2, see compare_reference."""

from collections.abc import Callable
from itertools import product

import numpy as np
import pandas as pd
import pytest

from tests.published.compare_reference import category, cell, close, column, results, same_p, table, within_se
from tests.published.test_compare_trays import kiwi, kiwi_with_gaps, rats, uptake
from tidetray.analysis.stats.grouped_design import RandomTerm
from tidetray.analysis.stats.kenward_roger import KenwardRoger, Satterthwaite
from tidetray.analysis.stats.reml import fit_mixed


def coded(values: pd.Series) -> np.ndarray:
    """R's treatment coding: a column per level but the first; numbers as they are."""
    if isinstance(values.dtype, pd.CategoricalDtype):
        codes = values.cat.codes.to_numpy()
        return np.array([codes == i for i in range(1, len(values.cat.categories))], dtype=float).T
    return values.to_numpy(dtype=float)[:, None]


def design(d: pd.DataFrame, terms: str) -> tuple[np.ndarray, dict[str, np.ndarray]]:
    """X in the order of R's coefficients, and the rows of each term: 'a b a:b'."""
    columns, where = [np.ones((len(d), 1))], {}
    for term in terms.split():
        parts = [coded(d[v]) for v in term.split(":")]
        cells = product(*(range(p.shape[1]) for p in reversed(parts)))
        block = [np.prod([p[:, i] for p, i in zip(reversed(parts), c, strict=True)], axis=0) for c in cells]
        start = sum(c.shape[1] for c in columns)
        columns.append(np.array(block).T)
        where[term] = np.arange(start, start + len(block))
    X = np.concatenate(columns, axis=1)
    return X, {t: np.eye(X.shape[1])[at] for t, at in where.items()}


def line(d: pd.DataFrame, x: str) -> np.ndarray:
    return np.column_stack([np.ones(len(d)), d[x]])


def co2() -> pd.DataFrame:
    d = uptake()
    return d.assign(
        concf=pd.Categorical(d["conc"]),
        Type=category(d["Type"], ["Quebec", "Mississippi"]),
        Treatment=category(d["Treatment"], ["nonchilled", "chilled"]),
    )


def oats() -> pd.DataFrame:
    d = table("Oats")
    return d.assign(
        Variety=category(d["Variety"]), nitrof=pd.Categorical(d["nitro"]), plot=d["Block"].astype(str) + d["Variety"]
    )


def machines() -> pd.DataFrame:
    d = table("Machines")
    return d.assign(cell=d["Worker"].astype(str) + d["Machine"], Machine=category(d["Machine"]))


def peas() -> pd.DataFrame:
    d = table("npk")
    return d.assign(**{x: category(d[x]) for x in "NPK"})


def body() -> pd.DataFrame:
    d = table("BodyWeight")
    return d.assign(Diet=category(d["Diet"]), lw=np.log(d["weight"]))


def chick() -> pd.DataFrame:
    d = table("ChickWeight")
    return d.assign(Diet=category(d["Diet"]), lw=np.log(d["weight"]))


def orange() -> pd.DataFrame:
    d = table("Orange")
    return d.assign(t=d["age"] / 100, lw=np.log(d["circumference"]))


def spruce() -> pd.DataFrame:
    d = table("Spruce")
    ozone = np.where(d["Tree"].str[0] == "O", "ozone", "control")
    return d.assign(t=d["days"] / 100, treat=category(pd.Series(ozone)))


def on(*groups: str) -> Callable[[pd.DataFrame], list[RandomTerm]]:
    return lambda d: [RandomTerm(g, d[g]) for g in groups]


def slopes(group: str, x: str, correlated: bool = True) -> Callable[[pd.DataFrame], list[RandomTerm]]:
    return lambda d: [RandomTerm(group, d[group], line(d, x), correlated)]


def with_plot_slopes(d: pd.DataFrame) -> list[RandomTerm]:
    return [RandomTerm("plot", d["plot"], d["t"]), RandomTerm("Tree", d["Tree"], line(d, "t"))]


def with_plots(d: pd.DataFrame) -> list[RandomTerm]:
    return [RandomTerm("plot", d["plot"]), RandomTerm("Tree", d["Tree"], line(d, "t"))]


# case, model, data, response, fixed terms, terms whose F is compared, random terms
MODELS = [
    ("02_varcomp_Dyestuff", "m", lambda: table("Dyestuff"), "Yield", "", "", on("Batch")),
    ("02_varcomp_Dyestuff2_zero", "m", lambda: table("Dyestuff2"), "Yield", "", "", on("Batch")),
    ("02_varcomp_Pastes", "m", lambda: table("Pastes"), "strength", "", "", on("batch", "sample")),
    ("02_varcomp_Penicillin", "m", lambda: table("Penicillin"), "diameter", "", "", on("plate", "sample")),
    (
        "02_nested_RatPupWeight",
        "m3",
        rats,
        "weight",
        "sex Treatment Lsize sex:Treatment",
        "Lsize sex:Treatment",
        on("Litter"),
    ),
    ("02_nested_CO2_zero", "conc", co2, "uptake", "TT concf TT:concf", "TT:concf", on("Plant")),
    (
        "02_nested_CO2_zero",
        "additive",
        co2,
        "uptake",
        "Type Treatment concf Type:Treatment",
        "concf Type:Treatment",
        on("Plant"),
    ),
    ("02_nested_kiwishade", "block_random", kiwi, "yield", "shade", "shade", on("block", "plot")),
    (
        "02_nested_kiwishade_unbalanced",
        "block_fixed",
        kiwi_with_gaps,
        "yield",
        "block shade",
        "block shade",
        on("plot"),
    ),
    ("02_crossed_Machines", "m", machines, "score", "Machine", "Machine", on("Worker", "cell")),
    (
        "02_splitplot_Oats",
        "factorial",
        oats,
        "yield",
        "nitrof Variety nitrof:Variety",
        "nitrof:Variety",
        on("Block", "plot"),
    ),
    ("02_splitplot_Oats", "linear", oats, "yield", "nitro Variety", "nitro Variety", on("Block", "plot")),
    ("02_blocks_npk", "twoway", peas, "yield", "N P K N:P N:K P:K", "N:P N:K P:K", on("block")),
    ("03_growth_BodyWeight", "random_intercept", body, "lw", "Time Diet Time:Diet", "Time:Diet", on("Rat")),
    ("03_growth_BodyWeight", "random_slope", body, "lw", "Time Diet Time:Diet", "Time:Diet", slopes("Rat", "Time")),
    (
        "03_growth_BodyWeight",
        "raw_random_slope",
        body,
        "weight",
        "Time Diet Time:Diet",
        "Time:Diet",
        slopes("Rat", "Time"),
    ),
    ("03_growth_ChickWeight", "random_intercept", chick, "lw", "Time Diet Time:Diet", "Time:Diet", on("Chick")),
    (
        "03_growth_ChickWeight",
        "random_slope",
        chick,
        "lw",
        "Time Diet Time:Diet",
        "Diet Time:Diet",
        slopes("Chick", "Time"),
    ),
    (
        "03_growth_ChickWeight",
        "random_slope_uncorrelated",
        chick,
        "lw",
        "Time Diet Time:Diet",
        "Diet Time:Diet",
        slopes("Chick", "Time", False),
    ),
    ("03_growth_Orange", "random_intercept", orange, "lw", "t", "t", on("Tree")),
    ("03_growth_Orange", "random_slope", orange, "lw", "t", "t", slopes("Tree", "t")),
    ("03_growth_Orange", "raw_random_slope", orange, "circumference", "t", "t", slopes("Tree", "t")),
    ("03_growth_Spruce_plots", "tree_and_plot", spruce, "logSize", "t treat t:treat", "t:treat", with_plots),
    (
        "03_growth_Spruce_plots",
        "tree_and_plot_slopes",
        spruce,
        "logSize",
        "t treat t:treat",
        "t:treat",
        with_plot_slopes,
    ),
]
SINGULAR = {
    ("03_growth_Orange", "random_slope"),
    ("03_growth_Orange", "raw_random_slope"),
    ("03_growth_Spruce_plots", "tree_and_plot"),
}


@pytest.mark.parametrize("model", MODELS, ids=lambda m: f"{m[0]}-{m[1]}")
def test_model(model) -> None:  # type: ignore[no-untyped-def]
    case, name, data, response, fixed, tested, random = model
    r = {k.removeprefix(name + "."): v for k, v in results(case).items() if k.startswith(name + ".")}
    d = data()
    X, rows = design(d, fixed)
    fit = fit_mixed(d[response], X, random(d))
    close(fit.criterion, r["fit"]["REML_criterion"], 0, 1e-6)
    assert fit.singular == r["fit"]["singular"]
    fixed_table = r["fixed_satterthwaite"]
    within_se(fit.beta, column(fixed_table, "Estimate"), column(fixed_table, "Std. Error"))
    close(np.sqrt(np.diag(fit.beta_cov)), column(fixed_table, "Std. Error"), 1e-5)
    v = r["variance_components"]
    for group, first, second, want in zip(*(np.atleast_1d(v[x]) for x in ("grp", "var1", "var2", "vcov")), strict=True):
        g = dict(fit.variances).get(
            {"Block:Variety": "plot", "Worker:Machine": "cell", "batch:cask": "sample"}.get(
                group, group.removesuffix(".1")
            )
        )
        at = -1 if first not in ("(Intercept)", None) else 0
        got = fit.residual if g is None else g[0, -1] if second is not None else g[at, at]
        close(got, want, 1e-4, 1e-6 * fit.residual if want < 1e-6 * fit.residual else 0)
    if "fixed_kenward_roger" in r:
        got = KenwardRoger(fit).contrasts(np.eye(X.shape[1]))
        close(got.se, column(r["fixed_kenward_roger"], "Std. Error"), 1e-5)
        close(got.df, column(r["fixed_kenward_roger"], "df"), 1e-5)
    # On the bound lmerTest's df rest on numerical derivatives where a slope is random: nothing to be held to.
    if (case, name) not in SINGULAR:
        got = Satterthwaite(fit).contrasts(np.eye(X.shape[1]))
        close(got.df, column(fixed_table, "df"), 1e-4)
    for term in tested.split():
        for method, key, tolerance in (
            (KenwardRoger, "anova3_kenward_roger", 1e-5),
            (Satterthwaite, "anova3_satterthwaite", 1e-2),
        ):
            if key not in r or (method is Satterthwaite and (case, name) in SINGULAR):
                continue
            test = method(fit).f_test(rows[term])
            close(test.f, cell(r[key], "F value", term), 1e-5)
            close(test.df_den, cell(r[key], "DenDF", term), tolerance)
            if method is KenwardRoger:
                same_p(test.p, cell(r[key], "Pr(>F)", term))
