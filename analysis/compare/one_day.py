"""Honest comparison of treatments with the tray as experimental unit.

In: a row per pot (mass, treatment, tray, perhaps starting mass). Out: a `Comparison` of tidy tables, with
what cannot be told first among its `cautions`. The comparison over time is `compare_growth`.

The model is response = treatment + covariates + tray + pot, by REML; F tests, standard errors and df by
Kenward-Roger, which count trays and not pots even where the variance between trays is estimated at zero.
One tray per treatment is described and attributed to nothing (Hurlbert 1984, Ecol Monogr 54:187-211).
Errors of weighing are part of the scatter that all of this is estimated from; what the weighing alone makes is
`tidetray.analysis.growth.weighing`'s. Not here: plots, rounding, layouts, power.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from tidetray.analysis.base.arrays import Array
from tidetray.analysis.base.columns import labels, numbers, require, unit_of
from tidetray.analysis.base.words import capital, listed
from tidetray.analysis.compare.assumptions import LEVEL, check_residuals, check_spreads, tray_means, within_trays
from tidetray.analysis.compare.design_checks import (
    TrialDesign,
    layout,
    missing_cautions,
    overlap_cautions,
    replication_cautions,
)
from tidetray.analysis.compare.tables import (
    KENWARD_ROGER,
    SATTERTHWAITE,
    claimed,
    counts,
    described,
    described_pairs,
    extremes,
    f_row,
    means_table,
    pairs_table,
    percent_difference,
    thin_cautions,
    uneven_pairs,
)
from tidetray.analysis.stats.grouped_design import RandomTerm
from tidetray.analysis.stats.kenward_roger import KenwardRoger, Satterthwaite
from tidetray.analysis.stats.pairwise import games_howell, one_way, split, welch
from tidetray.analysis.stats.reml import MixedFit, fit_mixed
from tidetray.analysis.stats.variance_share import share_limits

F_COLUMNS = ["term", "method", "f", "df_num", "df_den", "p"]
_SLOPE_COLUMNS = ["covariate", "estimate", "se", "df", "low", "high"]
CHECK_COLUMNS = ["check", "f", "df_num", "df_den", "p"]


@dataclass(frozen=True)
class Comparison:
    """A comparison at one day. Intervals are 95 %; units follow from the response's name.

    anova: term, method (Kenward-Roger first, Satterthwaite beside it, then, unadjusted for covariates, the
        ordinary and Welch's analysis of tray means), f, df_num, df_den, p.
    means: treatment, estimate (at mean covariates), se, df, low, high, df_satterthwaite, n_trays, n_pots, unit.
    pairs: a, b, estimate (a - b), se, df, t, low, high, p (Tukey's range, like low and high), p_unadjusted,
        the Satterthwaite columns, n_trays, n_pots, unit, percent, percent_low, percent_high (of b). Where the spreads
        of treatments differ also p_uneven (of logarithms where these have equal spreads, otherwise with low_uneven and
        high_uneven from tray means), on which claims then rest (`tidetray.analysis.compare.tables.claimed`).
    variance: source, estimate, share, share_low, share_high. covariates: covariate, estimate, se, df, low, high.
    tray_means: tray, treatment, mean, n_pots. games_howell: pairs of tray means without equal spreads.
    checks: check, f, df_num, df_den, p.
    Where the design can tell nothing, p (and, without replication, all but estimates) is NaN and a caution says why.
    """

    anova: pd.DataFrame
    means: pd.DataFrame
    pairs: pd.DataFrame
    variance: pd.DataFrame
    covariates: pd.DataFrame
    tray_means: pd.DataFrame
    games_howell: pd.DataFrame
    checks: pd.DataFrame
    cautions: tuple[str, ...]
    summary: str


@dataclass(frozen=True)
class _Data:
    """Complete rows, ready to fit. `columns`: (covariate, its columns); `slopes`: which of them are numbers."""

    y: Array
    where: TrialDesign
    columns: tuple[tuple[str, Array], ...]
    slopes: tuple[str, ...]
    rows: NDArray[np.intp]
    cautions: tuple[str, ...]

    @property
    def design(self) -> Array:
        return np.column_stack([np.eye(len(self.where.levels))[self.where.treatment], *(c for _, c in self.columns)])

    @property
    def one_each(self) -> bool:
        return len(self.where.trays) == len(self.y)

    @property
    def terms(self) -> list[RandomTerm]:
        return [] if self.one_each or len(self.where.trays) == 1 else [RandomTerm("tray", self.where.tray)]

    @property
    def mean_rows(self) -> Array:
        k = len(self.where.levels)
        return np.eye(k, k + sum(c.shape[1] for _, c in self.columns))


def _is_block(column: pd.Series) -> bool:
    if isinstance(column.dtype, pd.CategoricalDtype) or pd.api.types.is_bool_dtype(column.dtype):
        return True
    if pd.api.types.is_numeric_dtype(column.dtype):
        return False
    known = column.dropna()
    return bool(len(known) and pd.to_numeric(known, errors="coerce").isna().all())


def _read(pots: pd.DataFrame, response: str, treatment: str, tray: str, covariates: Sequence[str]) -> _Data:
    if isinstance(covariates, str):
        covariates = (covariates,)
    require(pots, [response, treatment, tray, *covariates])
    everywhere = layout(pots, treatment, tray)
    y = numbers(pots, response)
    blocks = {c: labels(pots, c) for c in covariates if _is_block(pots[c])}
    slopes = {c: numbers(pots, c) for c in covariates if c not in blocks}
    missing = np.isnan(y)
    cautions = missing_cautions(everywhere, missing, response)
    for name, x in slopes.items():
        if np.isnan(x).any():
            cautions += missing_cautions(everywhere, np.isnan(x), name)
            missing |= np.isnan(x)
    kept = ~missing
    where = everywhere.take(np.flatnonzero(kept))
    if len(where.levels) < 2:
        raise ValueError(f"fewer than two treatments have pots with {response}: there is nothing to compare")
    y = y[kept]
    cautions = replication_cautions(where) + cautions
    lost = [name for name in everywhere.levels if name not in where.levels]
    if lost:
        cautions.insert(0, f"No pot of {', '.join(lost)} has {response}: it could not be compared.")
    columns: list[tuple[str, Array]] = []
    for name in covariates:
        if name in blocks:
            text, levels = blocks[name][0][kept], [v for v in blocks[name][1] if (blocks[name][0][kept] == v).any()]
            if len(levels) < 2:
                cautions.append(f"The pots that are compared have one {name} only: it was left out.")
                continue
            # Columns that sum to zero over the levels: treatment means then stand for the average block.
            code = np.array([text == v for v in levels], dtype=float).T
            columns.append((name, code[:, :-1] - code[:, -1:]))
        else:
            x = slopes[name][kept]
            cautions += overlap_cautions(where, x, name)
            columns.append((name, (x - x.mean())[:, None]))
    return _Data(y, where, tuple(columns), tuple(slopes), np.flatnonzero(kept), tuple(cautions))


def _one_pot_a_tray(data: _Data) -> _Data:
    """Tray means in place of pots that do not vary within their trays."""
    _, first, code = np.unique(data.where.tray, return_index=True, return_inverse=True)
    n = np.bincount(code)
    order = np.sort(first)
    average = [(name, np.array([c[code == code[i]].mean(axis=0) for i in order])) for name, c in data.columns]
    caution = f"The pots of a tray hardly differ ({n.max()} at most): each tray counts as one value."
    return _Data(
        data.y[order], data.where.take(order), tuple(average), data.slopes, data.rows[order], (*data.cautions, caution)
    )


def _tray_df(data: _Data) -> int:
    """Trays left to judge by, after the treatments and the covariates that belong to whole trays."""
    X, tray = data.design, data.where.tray
    counts_ = np.bincount(tray)
    means = np.array([np.bincount(tray, c) / counts_ for c in X.T]).T
    whole = np.abs(X - means[tray]).max(axis=0) < 1e-9 * np.abs(X).max()
    return len(counts_) - int(np.linalg.matrix_rank(means[:, whole]))


def _lsr_rows(where: TrialDesign) -> Array:
    """The rows lmerTest takes for a model with treatment alone: L' of X'X = LDL' in treatment coding.

    They span the same hypothesis as differences from the first level; Satterthwaite's df depend on the choice.
    """
    n = np.bincount(where.treatment).astype(float)
    xx = np.diag(n)
    xx[0, 0] = n.sum()
    xx[0, 1:] = xx[1:, 0] = n[1:]
    upper = np.linalg.cholesky(xx).T
    k = len(n)
    to_coding = np.eye(k)
    to_coding[1:, 0] = -1.0
    return np.asarray((upper / np.diag(upper)[:, None])[1:] @ to_coding)


def _anova(fit: MixedFit, data: _Data) -> list[dict[str, object]]:
    rows = data.mean_rows
    k, p = rows.shape
    treatment = rows[1:] - rows[0]
    out = [
        f_row("treatment", KENWARD_ROGER, KenwardRoger(fit).f_test(treatment)),
        f_row("treatment", SATTERTHWAITE, Satterthwaite(fit).f_test(treatment if p > k else _lsr_rows(data.where))),
    ]
    at = k
    for name, c in data.columns:
        width = c.shape[1]
        L = np.zeros((width, p))
        # A block's levels against its first; its last level is minus the sum of the others.
        L[:, at : at + width] = (
            1.0 if name in data.slopes else np.vstack([np.eye(width), -np.ones(width)])[1:] - np.eye(width)[0]
        )
        at += width
        out += [
            f_row(name, KENWARD_ROGER, KenwardRoger(fit).f_test(L)),
            f_row(name, SATTERTHWAITE, Satterthwaite(fit).f_test(L)),
        ]
    return out


def _slope_checks(data: _Data) -> tuple[list[dict[str, object]], list[str]]:
    """Whether the treatments share one slope of each numeric covariate."""
    rows, cautions = [], []
    group = np.eye(len(data.where.levels))[data.where.treatment]
    for name, c in data.columns:
        if name not in data.slopes:
            continue
        X = np.column_stack([data.design, group[:, 1:] * c])
        if len(data.y) <= X.shape[1] or np.linalg.matrix_rank(X) < X.shape[1]:
            continue
        test = KenwardRoger(fit_mixed(data.y, X, data.terms)).f_test(np.eye(X.shape[1])[data.design.shape[1] :])
        rows.append({"check": f"one slope of {name}", **test._asdict()})
        if test.p < LEVEL:
            cautions.append(
                f"The effect of {name} differs between treatments: the difference between treatments depends "
                "on it, and the one given holds at its mean."
            )
    return rows, cautions


def _by_trays(data: _Data) -> tuple[pd.DataFrame, list[dict[str, object]], pd.DataFrame]:
    """Tray means, their ordinary and Welch analysis, and Games-Howell pairs where each has two trays that differ."""
    table = tray_means(data.y, data.where)
    levels = data.where.levels
    samples = split(table["mean"], table["treatment"], levels)
    columns = ["a", "b", "estimate", "se", "df", "t", "low", "high", "p"]
    rows: list[dict[str, object]] = []
    if data.where.divided or len(table) <= len(levels) or all(np.ptp(s) == 0 for s in samples):
        return table, rows, pd.DataFrame(columns=columns)
    if not data.where.unreplicated:
        rows.append(f_row("treatment", "tray means", one_way(samples)))
    if min(map(len, samples)) < 2 or any(np.ptp(s) == 0 for s in samples):
        return table, rows, pd.DataFrame(columns=columns)
    rows.append(f_row("treatment", "tray means, Welch", welch(samples)))
    return table, rows, games_howell(samples, levels)


def _with_percent(pairs: pd.DataFrame, means: pd.DataFrame, cov: Array | None, cautions: list[str]) -> pd.DataFrame:
    """`pairs` with the difference in percent of b."""
    value = means["estimate"].to_numpy()
    out, unsure = [], set[int]()
    for m, (i, j) in enumerate(combinations(range(len(means)), 2)):
        if value[j] <= 0:
            unsure.add(j)
        if cov is None:
            out.append((100 * (value[i] / value[j] - 1) if value[j] > 0 else np.nan, np.nan, np.nan))
            continue
        critical = (pairs["high"].iloc[m] - pairs["estimate"].iloc[m]) / pairs["se"].iloc[m]
        out.append(percent_difference(value[i], value[j], cov[np.ix_([i, j], [i, j])], critical))
        if np.isnan(out[-1]).any() and not np.isnan(critical):
            unsure.add(j)
    if unsure:
        of = listed([str(means["treatment"].iloc[at]) for at in sorted(unsure)])
        cautions.append(
            f"The mean of {of} is not clearly above zero, so differences in percent of it, or their limits, "
            "are left out."
        )
    return pairs.assign(**dict(zip(("percent", "percent_low", "percent_high"), np.array(out).T, strict=True)))


def masses_summary(pairs: pd.DataFrame, means: pd.DataFrame, cautions: Sequence[str]) -> str:
    """Two or three sentences a grower can repeat."""
    pairs = claimed(pairs)
    unit = f" {means['unit'].iloc[0]}".rstrip()
    x = extremes(means, pairs)
    if x is None:
        each = ", ".join(f"{m} {e:.3g}{unit}" for m, e in zip(means["treatment"], means["estimate"], strict=True))
        return f"On average: {each}. {cautions[0] if cautions else ''}".strip()
    turned = sorted((x.pair["percent_low"], x.pair["percent_high"]))
    if x.sign < 0:  # b - a in percent of a, from a - b in percent of b
        turned = sorted(100 * (1 / (1 + p / 100) - 1) if p > -100 else np.nan for p in turned)
    if np.isnan(turned).any():
        size = f"{x.size:.3g}{unit} ({x.low:.3g} to {x.high:.3g}{unit})"
    else:
        percent = x.pair["percent"] if x.sign > 0 else 100 * (1 / (1 + x.pair["percent"] / 100) - 1)
        size = f"{percent:.0f} % ({turned[0]:.0f} to {turned[1]:.0f} %)"
    verb = "beat" if x.pair["p"] < LEVEL else "was ahead of"
    text = f"{capital(x.best)} {verb} {x.worst} by {size}; {x.trays} {x.chance}."
    if len(pairs) > 1:
        told = pairs[pairs["p"] < LEVEL]
        names = ", ".join(f"{a} and {b}" for a, b in zip(told["a"], told["b"], strict=True))
        text += f" Pairs that differ by more than chance: {names or 'none'}."
    return text


def _shares(variance: pd.DataFrame, data: _Data, adjusted: Array) -> pd.DataFrame:
    """`variance` with the limits of what lies between trays; NaN where tray and treatment or pot are one."""
    low = high = np.nan
    if len(variance) == 2 and not data.where.divided:
        low, high = share_limits(adjusted, data.where.tray, data.where.treatment)
    return variance.assign(share_low=[low, 1 - high][: len(variance)], share_high=[high, 1 - low][: len(variance)])


def compare_treatments(
    pots: pd.DataFrame, *, response: str, treatment: str, tray: str, covariates: Sequence[str] = ()
) -> Comparison:
    """Compare treatments at one day, with the tray as the unit.

    Parameters
    ----------
    pots : DataFrame
        A row per pot.
    response : str
        Column of numbers; NaN: missing, left out with a caution. Its unit follows from its name.
    treatment, tray : str
        Columns of names. Treatments keep the order of a categorical column; otherwise they are sorted.
    covariates : sequence of str
        Columns that are held equal: numbers as slopes, text and categories as blocks.

    Returns
    -------
    Comparison

    Raises
    ------
    ValueError
        For missing columns, text in numbers, infinite values, fewer than two treatments, values without spread, and
        covariates that follow from the treatment.
    """
    data = _read(pots, response, treatment, tray, covariates)
    _need_spread(data, response)
    inside = within_trays(data.y, data.where, data.y)
    if not (data.one_each or data.where.divided) and (inside**2).sum() <= 1e-20 * ((data.y - data.y.mean()) ** 2).sum():
        data = _one_pot_a_tray(data)
    where, unit = data.where, unit_of(response)
    alone = len(where.unreplicated) == len(where.levels)
    if alone:
        return _described(data, unit, data.cautions)
    if not where.divided and _tray_df(data) < 1:
        few = "There are too few trays for the treatments and covariates asked for: nothing is left to judge by."
        return _described(data, unit, (few, *data.cautions))
    if np.linalg.matrix_rank(data.design) < data.design.shape[1]:
        raise ValueError(
            f"covariates {', '.join(name for name, _ in data.columns)} follow from the treatments, from each "
            "other or do not vary: their effects cannot be separated; leave out those that do"
        )
    return _tested(data, unit, pots.index.to_numpy()[data.rows])


def describe_treatments(pots: pd.DataFrame, *, response: str, treatment: str, tray: str, why: str) -> Comparison:
    """The means of treatments where nothing can be tested, and why.

    Parameters
    ----------
    pots, response, treatment, tray
        As for `compare_treatments`.
    why : str
        The reason, as a sentence; the first of the cautions.

    Returns
    -------
    Comparison
        Without limits and p.

    Raises
    ------
    ValueError
        As `compare_treatments`, but for values without spread.
    """
    data = _read(pots, response, treatment, tray, ())
    return _described(data, unit_of(response), (why, *data.cautions))


def _need_spread(data: _Data, response: str) -> None:
    if np.ptp(data.y) == 0:
        raise ValueError(
            f"every pot has the same {response} ({data.y[0]:g}): there is no spread to judge a difference by"
        )


def _described(data: _Data, unit: str, told: Sequence[str]) -> Comparison:
    """Means without limits, where the design allows no test."""
    where, cautions = data.where, list(told)
    n = counts(where)
    table, _, unequal = _by_trays(data)
    value = [float(data.y[where.treatment == i].mean()) for i in range(len(where.levels))]
    means = described(value, n, unit)
    pairs = _with_percent(described_pairs(value, n, unit), means, None, cautions)
    return Comparison(
        anova=pd.DataFrame([{"term": "treatment", "method": KENWARD_ROGER}], columns=F_COLUMNS),
        means=means,
        pairs=pairs,
        variance=pd.DataFrame(columns=["source", "estimate", "share", "share_low", "share_high"]),
        covariates=pd.DataFrame(columns=_SLOPE_COLUMNS),
        tray_means=table,
        games_howell=unequal,
        checks=pd.DataFrame(columns=CHECK_COLUMNS),
        cautions=tuple(cautions),
        summary=masses_summary(pairs, means, cautions),
    )


def _tested(data: _Data, unit: str, rows_of: NDArray[Any]) -> Comparison:
    """The mixed model fitted, and all that follows from it. `rows_of`: what the rows of `data` are called."""
    where, late = data.where, list[str]()
    n = counts(where)
    table, tray_rows, unequal = _by_trays(data)
    fit = fit_mixed(data.y, data.design, data.terms)
    rows = data.mean_rows
    means = means_table(fit, rows, n, unit)
    pairs = pairs_table(fit, rows, n, unit, where.unreplicated)
    pairs = _with_percent(pairs, means, KenwardRoger(fit).contrasts(rows).cov, late)
    anova = pd.DataFrame(_anova(fit, data) + tray_rows, columns=F_COLUMNS)
    if len(where.levels) - len(where.unreplicated) < 2:
        anova.loc[anova["term"] == "treatment", "p"] = np.nan
    variance, more = _variance(fit, data)
    residuals = within_trays(data.y, where, data.design @ fit.beta)
    spreads = check_spreads(data.y, where, residuals)
    checked = [spreads[:2], check_residuals(residuals, rows_of), _slope_checks(data)]
    k = rows.shape[0]
    adjusted = data.y - data.design[:, k:] @ fit.beta[k:]
    if spreads.alike_as_logs:
        logs = fit_mixed(np.log(data.y), data.design, data.terms)
        pairs = pairs.assign(p_uneven=pairs_table(logs, rows, n, unit, where.unreplicated)["p"])
    elif spreads.differ and not where.divided:
        pairs = pd.concat([pairs, uneven_pairs(adjusted, where, n)], axis=1)
    found = [caution for _, cautions in checked for caution in cautions]
    cautions = [*data.cautions, *thin_cautions([*anova["df_den"], *pairs["df"]]), *found, *late, *more]
    return Comparison(
        anova=anova,
        means=means,
        pairs=pairs,
        variance=_shares(variance, data, adjusted),
        covariates=_slopes_table(fit, data, unit),
        tray_means=table,
        games_howell=unequal,
        checks=pd.DataFrame([row for rows_, _ in checked for row in rows_], columns=CHECK_COLUMNS),
        cautions=tuple(cautions),
        summary=masses_summary(pairs, means, cautions),
    )


def _variance(fit: MixedFit, data: _Data) -> tuple[pd.DataFrame, list[str]]:
    """source, estimate, share; and a caution where trays differ no more than their pots do."""
    between = [float(g[0, 0]) for _, g in fit.variances]
    names = ["between trays", "between pots in a tray"] if between else ["between trays, one pot each"]
    variance = pd.DataFrame({"source": names, "estimate": [*between, fit.residual]})
    cautions = []
    if between and between[0] == 0 and not data.where.divided:
        cautions.append(
            "Trays of one treatment differ no more than their pots do; the test still counts trays, not pots."
        )
    return variance.assign(share=variance["estimate"] / (sum(between) + fit.residual)), cautions


def _slopes_table(fit: MixedFit, data: _Data, unit: str) -> pd.DataFrame:
    """covariate, estimate, se, df, low, high of the covariates that are numbers."""
    at = [i for i, (name, _) in enumerate(data.columns) if name in data.slopes]
    if not at:
        return pd.DataFrame(columns=_SLOPE_COLUMNS)
    starts = len(data.where.levels) + np.cumsum([0, *(c.shape[1] for _, c in data.columns)])[:-1]
    named = pd.DataFrame({"treatment": list(data.slopes), "n_trays": 0, "n_pots": 0})
    table = means_table(fit, np.eye(data.mean_rows.shape[1])[starts[at]], named, unit)
    return table.rename(columns={"treatment": "covariate"})[_SLOPE_COLUMNS]
