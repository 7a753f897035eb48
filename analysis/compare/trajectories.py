"""Courses of growth: the mean ln mass of every tray from day to day; where two treatments' courses cross, and
what was lost at first by plants that had to get used to their new surroundings.

In: a row per weigh-in, named as for `compare_growth`. Out: tidy tables, with cautions. The tray is the unit:
intervals come from the scatter of trays, never of pots. Tests no rates
(`tidetray.analysis.compare.over_time` does) and fits no curve with an upper limit (`tidetray.analysis.growth.curves`).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd

from tidetray.analysis.base.arrays import Array
from tidetray.analysis.base.columns import labels, numbers, require
from tidetray.analysis.compare.over_time import GrowthComparison
from tidetray.analysis.stats.distributions import t_isf, t_sf
from tidetray.analysis.stats.pairwise import adjust

LEVEL = 0.05
LEAST_TRAYS = 3
"""Trays a treatment needs before a crossing of its course is told (our choice)."""

CLEARLY = 2.0
"""By how much AICc must be lower before an early loss is told from growth that slows with age (Burnham and Anderson
2004, Sociol Methods Res 33:261-304, pp. 270-272, read as quoted: models within 2 have substantial support)."""

_SLOWS = (
    "Growth slowed down with age, as plants do: a logistic or a quadratic course suits the trays as well as "
    "one with an early loss, so no days lost at first are given."
)
_WITHHELD = (
    "the figure is below zero or longer than the trial, which says that the course is another, not what was lost."
)

_LAG_DAYS = 5
"""Days with weigh-ins needed to tell a lag from a straight line (three numbers a tray, and two to judge by)."""


@dataclass(frozen=True)
class Crossings:
    """Pairs whose mean courses cross. `table`: a, b, day, low, high (95 %), df, first (who led before), last (who
    leads after), settled, n_trays.

    `settled`: each led by more than chance on some day of `GrowthComparison.days`, and the limits lie within the days
    weighed. Where it is not, low and high are NaN: the crossing may be chance.
    """

    table: pd.DataFrame
    cautions: tuple[str, ...]


@dataclass(frozen=True)
class EarlyLag:
    """Time lost at first. `table`: treatment, stock, lost_d, low, high (95 %), df, p (Holm over the rows), n_trays.

    lost_d: by how many days the later course runs behind one that grew at its later rate from the first day. A row is
    withheld where it would be below zero (growth that merely slows looks like that) or longer than the trial. The table
    is empty, with a caution, where a logistic or a quadratic course suits the trays as well, and where there are too
    few days or trays. `half_time_d`: in which the early difference of rates halved, one for the whole trial.
    """

    table: pd.DataFrame
    half_time_d: float
    cautions: tuple[str, ...]


def tray_courses(
    weighins: pd.DataFrame, *, mass: str, day: str, treatment: str, tray: str, stock: str | None = None
) -> pd.DataFrame:
    """treatment, tray, (stock,) day, ln_g, n_pots: mean ln mass of the pots of a tray on each day.

    Missing masses are left out. ValueError for missing columns, text in numbers, masses of zero or less.
    """
    keys = [treatment, tray, *([] if stock is None else [stock])]
    require(weighins, [*keys, mass, day])
    m, t = numbers(weighins, mass), numbers(weighins, day)
    if (m <= 0).any():
        raise ValueError(f"column '{mass}' holds masses of zero or less; ln mass needs masses above 0")
    frame = pd.DataFrame({"treatment": labels(weighins, treatment)[0], "tray": labels(weighins, tray)[0]})
    if stock is not None:
        frame["stock"] = weighins[stock].astype(str).to_numpy()
    known = frame.assign(day=t, ln_g=np.log(m)).dropna(subset=["ln_g", "day"])
    by = [c for c in frame.columns if c in ("treatment", "tray", "stock")]
    out = known.groupby([*by, "day"], sort=True)["ln_g"].agg(["mean", "size"]).reset_index()
    return out.rename(columns={"mean": "ln_g", "size": "n_pots"})


def crossings(courses: pd.DataFrame, growth: GrowthComparison) -> Crossings:
    """Where the mean courses of two treatments cross for the last time; see `Crossings`.

    Between days the course of each tray runs straight. A crossing before the second day is none: all start alike.

    The limits hold every day around the crossing on which the two treatments cannot be told apart by their trays
    (Welch's t, 5 %): Fieller's way of asking for the place of a zero, as in `tidetray.analysis.dose.quadratic_top`,
    where it was read. It needs no large number of trays.

    Parameters
    ----------
    courses : DataFrame
        As from `tray_courses` (without stock).
    growth : GrowthComparison
        Of the same weigh-ins.

    Returns
    -------
    Crossings
        Empty, with a caution, where all trays were weighed on fewer than two days.
    """
    wide = courses.pivot_table(index=["treatment", "tray"], columns="day", values="ln_g")
    wide = wide.interpolate(axis=1, method="index", limit_area="inside").dropna(axis=1)
    columns = ["a", "b", "day", "low", "high", "df", "first", "last", "settled", "n_trays"]
    if wide.shape[1] < 2:
        return Crossings(
            pd.DataFrame(columns=columns),
            ("No two days on which all trays were weighed: so crossings cannot be found.",),
        )
    days, values = wide.columns.to_numpy(float), wide.to_numpy()
    group = wide.index.get_level_values("treatment").to_numpy()
    rows = []
    for a, b in combinations(dict.fromkeys(growth.rates["treatment"]), 2):
        trays = [values[group == name] for name in (a, b)]
        difference = trays[0].mean(axis=0) - trays[1].mean(axis=0)
        at = _last_crossing(days, difference)
        if np.isnan(at) or at < days[1]:
            continue
        last, first = (a, b) if difference[-1] > 0 else (b, a)
        few = min(len(own) for own in trays) < LEAST_TRAYS
        low, high, df = (np.nan, np.nan, np.nan) if few else _limits(days, trays, at)
        settled = bool(np.isfinite(low + high)) and {first, last} <= _led(growth.days, a, b)
        if not settled:
            low = high = np.nan
        rows.append((a, b, at, low, high, df, first, last, settled, sum(map(len, trays))))
    return Crossings(pd.DataFrame(rows, columns=columns), ())


def _limits(days: Array, trays: Sequence[Array], at: float) -> tuple[float, float, float]:
    """The days next before and after `at` on which the trays of two treatments differ by just as much as chance may
    make, and the degrees of freedom; NaN where the days weighed do not reach so far."""
    difference = trays[0].mean(axis=0) - trays[1].mean(axis=0)
    covariance = [np.atleast_2d(np.cov(own, rowvar=False)) / len(own) for own in trays]
    k = int(np.clip(np.searchsorted(days, at, side="right") - 1, 0, len(days) - 2))
    w = (at - days[k]) / (days[k + 1] - days[k])
    weights = np.array([1 - w, w])
    at_zero = [float(weights @ each[k : k + 2, k : k + 2] @ weights) for each in covariance]
    # Welch-Satterthwaite, on the day of the crossing itself
    small = sum(v * v / (len(own) - 1) for v, own in zip(at_zero, trays, strict=True))
    df = sum(at_zero) ** 2 / small if small > 0 else float(sum(len(own) - 1 for own in trays))
    most = float(t_isf(LEVEL / 2, df)) ** 2
    both = covariance[0] + covariance[1]
    ends = [end for j in range(len(days) - 1) for end in _just_apart(days, difference, both, j, most)]
    low = max((end for end in ends if end <= at), default=np.nan)
    return low, min((end for end in ends if end >= at), default=np.nan), df


def _just_apart(days: Array, difference: Array, variance: Array, j: int, most: float) -> list[float]:
    """Days between weigh-in j and the next on which difference² is `most` times its variance."""
    d0, step = difference[j], difference[j + 1] - difference[j]
    v0, v1, c = variance[j, j], variance[j + 1, j + 1], variance[j, j + 1]
    square = step**2 - most * (v0 + v1 - 2 * c)
    linear = 2 * d0 * step - most * 2 * (c - v0)
    roots = np.roots([square, linear, d0**2 - most * v0])
    inside = roots.real[(np.abs(roots.imag) < 1e-12) & (roots.real >= 0) & (roots.real <= 1)]
    return [float(days[j] + w * (days[j + 1] - days[j])) for w in inside]


def mean_courses(courses: pd.DataFrame) -> pd.DataFrame:
    """treatment, day, mass_g, low, high: geometric mean of tray means, 95 % from the scatter of trays, pooled per day.

    `courses` as from `tray_courses` (without stock). Limits are NaN where no treatment has two trays that day.
    """
    groups = courses.groupby(["day", "treatment"], sort=True)["ln_g"]
    table = groups.agg(["mean", "size"]).reset_index()
    squares = ((courses["ln_g"] - groups.transform("mean")) ** 2).groupby(courses["day"]).sum()
    df = (table["size"] - 1).groupby(table["day"]).sum()
    variance = (squares / df.where(df > 0)).reindex(table["day"]).to_numpy()
    t = t_isf(LEVEL / 2, df.where(df > 0).reindex(table["day"]).to_numpy())
    margin = t * np.sqrt(variance / table["size"])
    return pd.DataFrame(
        {"treatment": table["treatment"], "day": table["day"], "mass_g": np.exp(table["mean"])}
        | {"low": np.exp(table["mean"] - margin), "high": np.exp(table["mean"] + margin)}
    )


def _led(days: pd.DataFrame, a: str, b: str) -> set[str]:
    """Who led by more than chance on some day, all days and pairs counted."""
    rows = days[(days["a"] == a) & (days["b"] == b) & (days["p"].astype(float) < LEVEL)]
    return {a if estimate > 0 else b for estimate in rows["estimate"]}


def _last_crossing(days: Array, difference: Array) -> float:
    """The day on which a difference last changes sign; NaN where it never does."""
    other = np.flatnonzero(np.sign(difference) != np.sign(difference[-1]))
    if not len(other):
        return np.nan
    j = int(other[-1])
    d0, d1 = difference[j], difference[j + 1]
    return float(days[j] + d0 / (d0 - d1) * (days[j + 1] - days[j]))


def early_lag(courses: pd.DataFrame) -> EarlyLag:
    """What treatments (by stock, if the courses are) lost at first against their own later rate; see `EarlyLag`.

    Each course is ln m = c + r t - r k (1 - exp(-t / s)): at first the rate is r (1 - k / s), later r, and k days
    are lost. s is common to the trial (least squares over a grid of up to a third of its length, so that a late
    slowing is not taken for an early lead); c, r and k are each tray's own, and treatments have the mean of
    their trays' k with the scatter of trays around it, pooled.
    """
    by = ["treatment", *(["stock"] if "stock" in courses else [])]
    columns = ["treatment", "stock", "lost_d", "low", "high", "df", "p", "n_trays"]
    empty = pd.DataFrame(columns=columns)
    long = courses[courses.groupby([*by, "tray"])["day"].transform("nunique") >= _LAG_DAYS]
    if not len(long):
        return EarlyLag(empty, np.nan, (f"An early lag needs weigh-ins on {_LAG_DAYS} days or more.",))
    series = [(key, part["day"].to_numpy(float), part["ln_g"].to_numpy()) for key, part in long.groupby([*by, "tray"])]
    start = min(t.min() for _, t, _ in series)
    span = max(t.max() for _, t, _ in series) - start
    grid = np.geomspace(span / 30, span / 3, 25)
    fits = [[_bent(t - start, y, s) for _, t, y in series] for s in grid]
    total = [sum(rss for _, rss in each) for each in fits]
    best = int(np.argmin(total))
    if not _bends_early(series, start, span, total[best]):
        return EarlyLag(empty, np.nan, (_SLOWS,))
    lost = pd.DataFrame(
        [(*key, k) for (key, _, _), (k, _) in zip(series, fits[best], strict=True)], columns=[*by, "tray", "k"]
    )
    lost = lost.assign(stock=lost.get("stock", "")).loc[np.isfinite(lost["k"])]
    groups = lost.groupby(["treatment", "stock"], sort=True)["k"]
    trays = lost.drop_duplicates(["treatment", "tray"]).groupby("treatment").size()
    # pots of two stocks share a tray, so the trays are counted once
    df = int((trays - 1).sum())
    if df < 1:
        return EarlyLag(empty, np.nan, ("An early lag needs two trays of a treatment.",))
    within = float(((lost["k"] - groups.transform("mean")) ** 2).sum() / max((groups.size() - 1).sum(), 1))
    table = groups.agg(["mean", "size"]).reset_index().rename(columns={"mean": "lost_d", "size": "n_trays"})
    se = np.sqrt(within / table["n_trays"])
    margin = t_isf(LEVEL / 2, df) * se
    p = adjust(2 * t_sf(np.abs(table["lost_d"] / se), df))
    table = table.assign(low=table["lost_d"] - margin, high=table["lost_d"] + margin, df=df, p=p)
    sound = table["lost_d"].between(0, span)
    told = [f"No days lost are given for {', '.join(map(str, table.loc[~sound, 'treatment']))}: " + _WITHHELD]
    half_time_d = float(grid[best] * np.log(2))
    return EarlyLag(table.loc[sound, columns].reset_index(drop=True), half_time_d, () if sound.all() else tuple(told))


def _bends_early(series: Sequence[tuple[object, Array, Array]], start: float, span: float, bent_rss: float) -> bool:
    """Whether courses with an early loss suit the trays better, by AICc, than courses that slow down with age."""
    n = sum(len(t) for _, t, _ in series)
    level = 1e-12 * sum(float(((y - y.mean()) ** 2).sum()) for _, _, y in series)
    slowing = [sum(rss(t - start, y, span) for _, t, y in series) for rss in (_quadratic_rss, _logistic_rss)]

    def aicc(rss: float, k: int) -> float:
        return float(n * np.log(max(rss, level, 1e-300) / n) + 2 * k + 2 * k * (k + 1) / max(n - k - 1, 1))

    own = 3 * len(series) + 1
    return aicc(bent_rss, own + 1) < min(aicc(rss, own) for rss in slowing) - CLEARLY


def _quadratic_rss(t: Array, y: Array, span: float) -> float:
    X = (t / span)[:, None] ** np.arange(3)
    beta, *_ = np.linalg.lstsq(X, y, rcond=None)
    return float(((y - X @ beta) ** 2).sum())


def _logistic_rss(t: Array, y: Array, span: float) -> float:
    """Of the best y = c - ln(1 + exp(-(t - x) / s)) on a grid of x and s."""
    x, s = np.meshgrid(np.linspace(-0.5, 3, 36) * span, np.geomspace(0.03, 3, 30) * span)
    shape = -np.logaddexp(0.0, -(t - x.reshape(-1, 1)) / s.reshape(-1, 1))
    left = (y - shape) - (y - shape).mean(axis=1, keepdims=True)
    return float((left**2).sum(axis=1).min())


def _bent(t: Array, y: Array, s: float) -> tuple[float, float]:
    """Days lost at first, and the residual sum of squares."""
    X = np.column_stack([np.ones_like(t), t, -np.expm1(-t / s)])
    beta, *_ = np.linalg.lstsq(X, y)
    rss = float(((y - X @ beta) ** 2).sum())
    return (float(-beta[2] / beta[1]) if beta[1] > 0 else np.nan), rss
