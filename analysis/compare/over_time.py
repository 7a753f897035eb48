"""Comparison of growth over time: repeated weighings of pots on trays.

In: a row per weigh-in. Out: a `GrowthComparison`: growth rates (slopes of ln mass), their pairs, and a table
of the pairs on every day, with what cannot be told first among its `cautions`.

The model is ln mass = treatment + treatment x day + tray + pot, by REML, with an intercept and a slope for
every pot and every tray as far as the data bear them; Kenward-Roger standard errors and df. The slope of a
tray is part of it always: without it the rate is judged by pots, as if they stood on trays of their own.
A straight line in ln mass is growth at a constant relative rate; other curves are `tidetray.analysis.growth.rates`'s.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd

from tidetray.analysis.base.arrays import Array, Codes
from tidetray.analysis.base.columns import Text, labels, numbers, require, rows_named
from tidetray.analysis.base.words import capital, counted
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
    counts,
    described,
    described_pairs,
    extremes,
    f_row,
    margins,
    means_table,
    pair_of,
    pairs_table,
    thin_cautions,
)
from tidetray.analysis.stats.distributions import mean_p, t_sf
from tidetray.analysis.stats.grouped_design import RandomTerm
from tidetray.analysis.stats.kenward_roger import KenwardRoger, Satterthwaite
from tidetray.analysis.stats.pairwise import adjust, one_way, split, welch
from tidetray.analysis.stats.reml import MixedFit, fit_mixed

_LEVEL = 0.05
_UNIT = "1/day"
_F_COLUMNS = ["term", "method", "f", "df_num", "df_den", "p"]
_LARGEST_LOG = 700.0  # e to more than this is no number; an interval that wide says nothing anyway

DAY_COLUMNS = [
    "day",
    "a",
    "b",
    "estimate",
    "se",
    "df",
    "t",
    "low",
    "high",
    "p_unadjusted",
    "p",
    "percent",
    "percent_low",
    "percent_high",
    "n_trays",
    "n_pots",
]


@dataclass(frozen=True)
class GrowthComparison:
    """A comparison over time. Rates are slopes of ln mass [1/day]; intervals are 95 %.

    anova: term ("growth rate": do the treatments differ), method (Kenward-Roger, Satterthwaite, then the
        ordinary and Welch's analysis of one rate a tray, the mean of its pots' own slopes), f, df_num, df_den, p.
    rates: treatment, estimate, se, df, low, high, df_satterthwaite, n_trays, n_pots, unit.
    pairs: a, b, estimate (a - b), se, df, t, low, high, p (Tukey's range, like low and high), p_unadjusted, the
        Satterthwaite columns, n_trays, n_pots, unit.
    days: per day and pair the difference of mean ln mass with unadjusted interval and p_unadjusted, p adjusted over
        all days and pairs, and the same as percent of b.
    variance: source, estimate [of ln mass; slopes per day squared]. tray_rates: tray, treatment, rate_per_day, n_pots.
    Where the design can tell nothing, p (and, without replication, all but estimates) is NaN and a caution says why.
    """

    anova: pd.DataFrame
    rates: pd.DataFrame
    pairs: pd.DataFrame
    days: pd.DataFrame
    variance: pd.DataFrame
    tray_rates: pd.DataFrame
    cautions: tuple[str, ...]
    summary: str


@dataclass(frozen=True)
class _Series:
    """Weigh-ins, one a pot and day: ln mass, day, layout, codes of pots on their trays, codes of pots wherever they
    stand."""

    y: Array
    day: Array
    where: TrialDesign
    pot: Codes
    who: Codes
    cautions: tuple[str, ...]


def _days(frame: pd.DataFrame, name: str) -> Array:
    column = frame[name]
    if pd.api.types.is_datetime64_any_dtype(column.dtype):
        return np.asarray((column - column.min()).dt.total_seconds().to_numpy(dtype=float) / 86_400)
    return numbers(frame, name)


def _pots(where: TrialDesign, pot: Text) -> tuple[Codes, Codes]:
    """A code per pot of a tray (labels may repeat from tray to tray), and the label's own code."""
    own = np.unique(pot, return_inverse=True)[1].astype(np.intp)
    return np.unique(where.tray * (own.max() + 1) + own, return_inverse=True)[1].astype(np.intp), own


def _read(weighins: pd.DataFrame, *, mass: str, day: str, treatment: str, tray: str, pot: str) -> _Series:
    require(weighins, [mass, day, treatment, tray, pot])
    everywhere = layout(weighins, treatment, tray)
    m, t = _masses_and_days(weighins, mass, day)
    code, own = _pots(everywhere, labels(weighins, pot)[0])
    if len(np.unique(np.column_stack([code, everywhere.treatment]), axis=0)) > code.max() + 1:
        raise ValueError(
            f"a pot is listed under two treatments at one time: check columns '{treatment}', '{tray}' and '{pot}'"
        )
    frame = pd.DataFrame({"code": code, "own": own, "t": t, "m": m, "row": np.arange(len(m))})[~np.isnan(m)]
    once = frame.groupby(["code", "t"], sort=True, as_index=False).agg(
        m=("m", "mean"), row=("row", "first"), own=("own", "first")
    )
    where = everywhere.take(once["row"].to_numpy())
    days, y = once["t"].to_numpy(), np.log(once["m"].to_numpy())
    if len(where.levels) < 2:
        raise ValueError("fewer than two treatments have weighed pots: there is nothing to compare")
    if len(np.unique(days)) < 2:
        raise ValueError("all weigh-ins are of one day: a growth rate needs two days or more")

    # a label that occurs twice on one day names several pots; otherwise a pot on another tray is the same pot, moved
    several = once.duplicated(["own", "t"]).any()
    who, everybody = (once["code"].to_numpy(), code) if several else (once["own"].to_numpy(), own)
    pots_seen = np.unique(everybody, return_index=True)[1]
    last = once.groupby(who)["t"].max().reindex(range(int(everybody.max()) + 1)).to_numpy()
    gone = ~(last[everybody[pots_seen]] >= days.max())
    cautions = (
        replication_cautions(where)
        + missing_cautions(everywhere.take(pots_seen), gone, "a weigh-in on the last day")
        + _dropout_cautions(once.assign(code=who), y, where, days.max())
        + _start_cautions(where, y, days == days.min())
        + _repeat_cautions(repeated=len(once) < len(frame))
        + ([] if several else _move_cautions(once))
    )
    pot_codes, who_codes = (np.unique(each, return_inverse=True)[1].astype(np.intp) for each in (once["code"], who))
    return _Series(y, days, where, pot_codes, who_codes, tuple(cautions))


def _masses_and_days(weighins: pd.DataFrame, mass: str, day: str) -> tuple[Array, Array]:
    m, t = numbers(weighins, mass), _days(weighins, day)
    if np.isnan(t).any():
        raise ValueError(f"column '{day}' is empty in {rows_named(weighins, np.isnan(t))}; leave out those rows")
    if (m <= 0).any():
        raise ValueError(
            f"column '{mass}' is zero or less in {rows_named(weighins, m <= 0)}: ln mass needs masses above 0; "
            "correct them, or leave them empty for pots that died"
        )
    if np.isnan(m).all():
        raise ValueError(f"column '{mass}' is empty throughout: there is nothing to compare")
    return m, t


def _repeat_cautions(*, repeated: bool) -> list[str]:
    return ["Pots weighed more than once on a day count with the mean of those weighings."] if repeated else []


def _move_cautions(once: pd.DataFrame) -> list[str]:
    moved = int((once.groupby("own")["code"].nunique() > 1).sum())
    if not moved:
        return []
    return [
        f"{counted(moved, 'pot').capitalize()} changed trays: each counts as another pot after the move, and carries "
        "the first tray's effect with it."
    ]


def _dropout_cautions(once: pd.DataFrame, y: Array, where: TrialDesign, end: float) -> list[str]:
    """Whether pots not weighed to the end were smaller at their last weigh-in than the others on that day."""
    table = pd.DataFrame({"code": once["code"], "t": once["t"], "y": y, "treatment": where.treatment})
    last = table.groupby("code")["t"].transform("max")
    stays = last >= end
    usual = table[stays].groupby(["treatment", "t"])["y"].mean().rename("usual")
    gone = table[~stays & (table["t"] == last)].join(usual, on=["treatment", "t"])
    gap = (gone["y"] - gone["usual"]).dropna().to_numpy()
    if len(gap) < 3 or np.ptp(gap) == 0 or mean_p(gap) >= _LEVEL:
        return []
    kind = "lighter" if gap.mean() < 0 else "heavier"
    return [
        f"Pots that dropped out had been {kind} than their neighbours: what is missing is not missing by chance, and "
        "later means are of the others only."
    ]


def _start_cautions(where: TrialDesign, y: Array, first_day: Array) -> list[str]:
    rows = np.flatnonzero(first_day)
    start = where.take(rows)
    if len(start.levels) < len(where.levels):
        return ["Not every treatment was weighed on the first day, so their starting masses cannot be compared."]
    return overlap_cautions(start, y[rows], "starting mass")


def _terms(s: _Series) -> tuple[list[RandomTerm], list[str]]:
    """Random effects the data bear, and what that leaves out."""
    line = np.column_stack([np.ones_like(s.day), s.day])
    per_pot = np.median(np.bincount(s.pot))
    pots, trays = int(s.pot.max()) + 1, len(s.where.trays)
    terms, cautions = [], []
    single = pots == trays
    if per_pot >= 3:
        terms.append(RandomTerm("pot", s.pot, line))
    else:
        terms.append(RandomTerm("pot", s.pot))
        cautions.append(
            "Most pots were weighed on fewer than three days, so each pot's own slope is part of the scatter."
        )
    if not single and trays > 1:
        if trays - len(s.where.levels) >= 4:
            terms.append(RandomTerm("tray", s.where.tray, line))
        else:
            centred = np.column_stack([line[:, 0], s.day - s.day.mean()])
            terms.append(RandomTerm("tray", s.where.tray, centred, correlated=False))
    return [RandomTerm("tray", t.groups, t.columns) for t in terms] if single else terms, cautions


def _variance_table(fit: MixedFit) -> pd.DataFrame:
    rows = []
    for name, g in reversed(fit.variances):
        rows.append((f"{name}: level", g[0, 0]))
        if len(g) > 1:
            rows += [(f"{name}: slope", g[1, 1]), (f"{name}: level with slope", g[0, 1])]
    return pd.DataFrame([*rows, ("between weigh-ins of a pot", fit.residual)], columns=["source", "estimate"])


def _tray_rates(s: _Series) -> pd.DataFrame:
    """One rate a tray (and treatment): the mean of its pots' own least-squares slopes."""
    n = np.bincount(s.pot)
    t = s.day - (np.bincount(s.pot, s.day) / n)[s.pot]
    spread = np.bincount(s.pot, t**2)
    slope = np.bincount(s.pot, t * s.y) / np.where(spread > 0, spread, 1.0)
    first = np.unique(s.pot, return_index=True)[1]
    frame = pd.DataFrame({"tray": s.where.tray[first], "treatment": s.where.treatment[first], "slope": slope})[
        spread > 0
    ]
    out = frame.groupby(["treatment", "tray"])["slope"].agg(["mean", "size"]).reset_index()
    return pd.DataFrame(
        {
            "tray": np.array(s.where.trays, dtype=object)[out["tray"]],
            "treatment": np.array(s.where.levels, dtype=object)[out["treatment"]],
            "rate_per_day": out["mean"],
            "n_pots": out["size"],
        }
    )


def _curvature_caution(s: _Series) -> list[str]:
    """Whether trays bend away from a straight line in ln mass together."""
    days, day = np.unique(s.day, return_inverse=True)
    cells, cell = np.unique(s.where.tray * len(days) + day, return_inverse=True)
    mean, tray = np.bincount(cell, s.y) / np.bincount(cell), cells // len(days)
    x = (2 * days - days[0] - days[-1])[cells % len(days)] / (days[-1] - days[0])
    powers = x[:, None] ** np.arange(3)
    enough = np.bincount(tray) > 3
    normal = np.array([[np.bincount(tray, a * b) for a in powers.T] for b in powers.T]).transpose(2, 0, 1)[enough]
    right = np.array([np.bincount(tray, a * mean) for a in powers.T]).T[enough]
    bends = np.linalg.solve(normal, right[:, :, None])[:, 2, 0]
    if len(bends) < 3 or np.ptp(bends) == 0 or mean_p(bends) >= _LEVEL:
        return []
    way = "slowed down" if np.mean(bends) < 0 else "sped up"
    return [f"Growth {way} over the trial: one rate is an average over these days, and holds for no other span."]


def _day_pairs(s: _Series, day: float) -> tuple[list[list[object]], str]:
    """Pairs of mean ln mass on one day, tray as the unit; and why there are none."""
    rows = np.flatnonzero(s.day == day)
    where = s.where.take(rows)
    k = len(where.levels)
    if k < 2 or len(where.unreplicated) == k:
        return [], "no treatment had two trays weighed" if k > 1 else "one treatment only was weighed"
    if not where.divided and len(where.trays) <= k:
        return [], "there were too few trays"
    y = s.y[rows]
    several = 1 < len(where.trays) < len(rows)
    try:
        fit = fit_mixed(y, np.eye(k)[where.treatment], [RandomTerm("tray", where.tray)] if several else [])
    except ValueError as why:
        return [], str(why)
    n = counts(where)
    pairs = list(combinations(range(k), 2))
    kr = KenwardRoger(fit).contrasts(np.array([np.eye(k)[i] - np.eye(k)[j] for i, j in pairs]))
    margin = margins(kr)
    p = np.where(np.isnan(margin), np.nan, 2 * t_sf(np.abs(kr.estimate / kr.se), kr.df))
    out: list[list[object]] = []
    for m, (i, j) in enumerate(pairs):
        e, low, high = kr.estimate[m], kr.estimate[m] - margin[m], kr.estimate[m] + margin[m]
        if {where.levels[i], where.levels[j]} & set(where.unreplicated):
            low = high = p[m] = np.nan
        out.append(
            [
                day,
                where.levels[i],
                where.levels[j],
                e,
                kr.se[m],
                kr.df[m],
                e / kr.se[m],
                low,
                high,
                p[m],
                np.nan,
                *(100 * np.expm1(np.minimum([e, low, high], _LARGEST_LOG))),
                *(int(n[c].iloc[i] + n[c].iloc[j]) for c in ("n_trays", "n_pots")),
            ]
        )
    return out, ""


def _by_day(s: _Series, multiplicity: str) -> tuple[pd.DataFrame, list[str]]:
    rows: list[list[object]] = []
    skipped: dict[str, list[str]] = {}
    for day in np.unique(s.day):
        found, why = _day_pairs(s, float(day))
        rows += found
        if why:
            skipped.setdefault(why, []).append(f"{day:g}")
    table = pd.DataFrame(rows, columns=DAY_COLUMNS)
    table["p"] = adjust(table["p_unadjusted"].to_numpy(dtype=float), multiplicity)
    return table, [f"Day {', '.join(days)}: not compared, {why}." for why, days in skipped.items()]


def rates_summary(rates: pd.DataFrame, pairs: pd.DataFrame, days: pd.DataFrame, first: str) -> str:
    x = extremes(rates, pairs)
    if x is None:
        each = ", ".join(
            f"{m} {'unknown' if np.isnan(e) else f'{100 * e:.2g} % a day'}"
            for m, e in zip(rates["treatment"], rates["estimate"], strict=True)
        )
        return f"Growth: {each}. {first}".strip()
    best = f"{capital(x.best)}"
    text = (
        f"{best} grew faster than {x.worst} by {100 * x.size:.2g} percentage points a day ({100 * x.low:.2g} to "
        f"{100 * x.high:.2g}); {x.trays} {x.chance}."
    )
    found = pair_of(days, x.best, x.worst)
    if found is not None:
        sign, end = found
        size, *limits = (100 * np.expm1(min(sign * end[c], _LARGEST_LOG)) for c in ("estimate", "low", "high"))
        low, high = sorted(limits)
        ahead = "ahead of" if size >= 0 else "behind"
        limits_known = f" ({low:.0f} to {high:.0f} %)" if np.isfinite([low, high]).all() else ""
        text += f" After {end['day']:g} days {x.best} stood {abs(size):.0f} % {ahead} {x.worst}{limits_known}."
    return text


def compare_growth(
    weighins: pd.DataFrame, *, mass: str, day: str, treatment: str, tray: str, pot: str, multiplicity: str = "holm"
) -> GrowthComparison:
    """Compare growth over time, with the tray as the unit.

    Parameters
    ----------
    weighins : DataFrame
        A row per weigh-in.
    mass : str
        Column of masses above 0 [g]; NaN: missing, left out.
    day : str
        Column of numbers [days], or of times, counted in days since the first.
    treatment, tray, pot : str
        Columns of names; those of pots may repeat from tray to tray.
    multiplicity : {"holm", "fdr"}
        How the p of the table of days are adjusted.

    Returns
    -------
    GrowthComparison

    Raises
    ------
    ValueError
        For missing columns, text in numbers, infinite values, masses of zero or less, fewer than two treatments or
        days.
    """
    adjust([], multiplicity)
    s = _read(weighins, mass=mass, day=day, treatment=treatment, tray=tray, pot=pot)
    where, tray_rates = s.where, _tray_rates(s)
    samples = split(tray_rates["rate_per_day"], tray_rates["treatment"], where.levels)
    if min(map(len, samples)) == 0:
        raise ValueError("a treatment has no pot weighed on two days: its growth rate is unknown")
    if len(where.unreplicated) == len(where.levels) or (not where.divided and len(where.trays) <= len(where.levels)):
        return _described(s, tray_rates, s.cautions)
    return _tested(s, tray_rates, multiplicity)


def describe_growth(
    weighins: pd.DataFrame, *, mass: str, day: str, treatment: str, tray: str, pot: str, why: str
) -> GrowthComparison:
    """The mean rates of treatments where nothing can be tested, and why.

    Parameters
    ----------
    weighins, mass, day, treatment, tray, pot
        As for `compare_growth`.
    why : str
        The reason, as a sentence; the first of the cautions.

    Returns
    -------
    GrowthComparison
        Without limits and p; the rate of a treatment of which no pot was weighed on two days is NaN.

    Raises
    ------
    ValueError
        As `compare_growth`, but for what only a test needs.
    """
    s = _read(weighins, mass=mass, day=day, treatment=treatment, tray=tray, pot=pot)
    return _described(s, _tray_rates(s), (why, *s.cautions))


def _described(s: _Series, tray_rates: pd.DataFrame, cautions: Sequence[str]) -> GrowthComparison:
    """Means of tray rates without limits."""
    n = counts(s.where, s.who)
    samples = split(tray_rates["rate_per_day"], tray_rates["treatment"], s.where.levels)
    value = [float(x.mean()) if len(x) else np.nan for x in samples]
    rates, pairs = described(value, n, _UNIT), described_pairs(value, n, _UNIT)
    days = pd.DataFrame(columns=DAY_COLUMNS)
    return GrowthComparison(
        anova=pd.DataFrame([{"term": "growth rate", "method": KENWARD_ROGER}], columns=_F_COLUMNS),
        rates=rates,
        pairs=pairs,
        days=days,
        variance=pd.DataFrame(columns=["source", "estimate"]),
        tray_rates=tray_rates,
        cautions=tuple(cautions),
        summary=rates_summary(rates, pairs, days, cautions[0] if cautions else ""),
    )


def _tested(s: _Series, tray_rates: pd.DataFrame, multiplicity: str) -> GrowthComparison:
    """The mixed model fitted, and all that follows from it."""
    where, k = s.where, len(s.where.levels)
    n, group = counts(where, s.who), np.eye(k)[where.treatment]
    terms, left_out = _terms(s)
    fit = fit_mixed(s.y, np.column_stack([group, group * s.day[:, None]]), terms)
    rows = np.eye(k, 2 * k, k)
    rates = means_table(fit, rows, n, _UNIT)
    pairs = pairs_table(fit, rows, n, _UNIT, where.unreplicated)
    anova = _anova(fit, rows[1:] - rows[0], tray_rates, where)
    if k - len(where.unreplicated) < 2:
        anova["p"] = np.nan
    days, skipped = _by_day(s, multiplicity)
    thin = thin_cautions([*anova["df_den"], *pairs["df"], *days["df"]])
    return GrowthComparison(
        anova=anova,
        rates=rates,
        pairs=pairs,
        days=days,
        variance=_variance_table(fit),
        tray_rates=tray_rates,
        cautions=(*s.cautions, *thin, *left_out, *_curvature_caution(s), *skipped),
        summary=rates_summary(rates, pairs, days, ""),
    )


def _anova(fit: MixedFit, differ: Array, tray_rates: pd.DataFrame, where: TrialDesign) -> pd.DataFrame:
    """Whether rates differ: by the mixed model, and by one rate a tray where each treatment has two that differ."""
    tests = [
        f_row("growth rate", KENWARD_ROGER, KenwardRoger(fit).f_test(differ)),
        f_row("growth rate", SATTERTHWAITE, Satterthwaite(fit).f_test(differ)),
    ]
    samples = split(tray_rates["rate_per_day"], tray_rates["treatment"], where.levels)
    if not where.divided and min(map(len, samples)) > 1 and all(np.ptp(x) > 0 for x in samples):
        tests += [
            f_row("growth rate", "tray rates", one_way(samples)),
            f_row("growth rate", "tray rates, Welch", welch(samples)),
        ]
    return pd.DataFrame(tests)
