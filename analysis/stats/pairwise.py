"""Comparisons of independent values by group: one-way F, Welch, Games-Howell, Levene, Tukey's range, Holm.

In: a value per independent unit (for this project: per tray) and its group. Out: F tests and tables of
pairs. Knows nothing of trays, days or models.

What scipy gives is scipy's (Levene, Benjamini-Hochberg). Its Welch test and its pairs without equal spreads come
without their degrees of freedom and standard errors, which the tables show, and its studentized range takes ten times
as long: these are here.

Sources: Welch (1951), Biometrika 38:330-336; Games & Howell (1976), J Educ Stat 1:113-125; Brown & Forsythe
(1974), JASA 69:364-367; Holm (1979), Scand J Stat 6:65-70; Benjamini & Hochberg (1995), JRSS B 57:289-300. Not these
were read but programs after them: Welch in statsmodels 0.15.0 (`anova_generic`), Games-Howell in R's PMCMRplus
(`gamesHowellTest`), Holm in statsmodels (`multipletests`). All are held to R 4.2.2 and to scipy in the tests.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from itertools import combinations

import numpy as np
import pandas as pd
import scipy
from numpy.typing import ArrayLike

from tidetray.analysis.base.arrays import Array
from tidetray.analysis.stats.distributions import chi2_isf, chi2_ppf, f_sf, t_isf, t_sf
from tidetray.analysis.stats.kenward_roger import FTest

_Z = np.linspace(-8.5, 8.5, 121)
_PHI = np.exp(-(_Z**2) / 2) / np.sqrt(2 * np.pi) * (_Z[1] - _Z[0])


@lru_cache(maxsize=256)
def _scale_nodes(df: float) -> tuple[Array, Array]:
    """Nodes and weights for s = sqrt(chi2_df / df): equal steps in log s, where the density falls off on both sides."""
    low, high = chi2_ppf(1e-14, df), chi2_isf(1e-15, df)
    log_s = np.linspace(np.log(low / df) / 2, np.log(high / df) / 2, 161)
    log_density = (
        np.log(2) + df / 2 * np.log(df / 2) - scipy.special.gammaln(df / 2) + df * log_s - df / 2 * np.exp(2 * log_s)
    )
    weights = np.exp(log_density) * (log_s[1] - log_s[0])
    return np.exp(log_s), weights / weights.sum()


def range_sf(q: float, k: int, df: float) -> float:
    """P(studentized range of k means > q).

    The double integral by equal steps, which for integrands this smooth is as good as exact; within 1e-9 of scipy's
    adaptive integration, and about ten times as fast.

    Parameters
    ----------
    q : float
        The range in standard errors.
    k : int
        Means, 2 or more.
    df : float
        Above 0.

    Returns
    -------
    float
    """
    if k == 2:
        return float(2 * t_sf(q / np.sqrt(2), df))
    s, weights = _scale_nodes(df)
    below = scipy.special.ndtr(_Z) - scipy.special.ndtr(_Z[None, :] - q * s[:, None])
    inner = k * (_PHI * _power(below, k - 1)).sum(axis=1)
    return float(np.clip(1 - weights @ inner, 0.0, 1.0))


def _power(base: Array, exponent: int) -> Array:
    """A whole power by products: numpy's own takes ten times as long from the third on."""
    out, square = np.ones_like(base), base
    while exponent:
        if exponent & 1:
            out = out * square
        exponent >>= 1
        if exponent:
            square = square * square
    return out


@lru_cache(maxsize=1024)
def range_quantile(k: int, df: float, p: float = 0.05) -> float:
    """The value that the studentized range exceeds with a given probability.

    Parameters
    ----------
    k : int
        How many means.
    df : float
        Degrees of freedom of their variance.
    p : float, optional
        The probability.

    Returns
    -------
    float
        In standard errors of one mean.
    """
    # Bonferroni's bound is never too small
    low, high = 0.0, float(np.sqrt(2) * t_isf(p / (k * (k - 1)), df))
    f_low, f_high = 1.0 - p, range_sf(high, k, df) - p
    while f_high > 0:
        low, f_low, high = high, f_high, high * 2
        f_high = range_sf(high, k, df) - p
    for _ in range(60):
        # Illinois: a secant that keeps the root between its ends.
        q = (low * f_high - high * f_low) / (f_high - f_low)
        f = range_sf(q, k, df) - p
        if abs(f) < 1e-12:
            break
        if f > 0:
            low, f_low, f_high = q, f, f_high / 2
        else:
            high, f_high, f_low = q, f, f_low / 2
    return float(q)


def adjust(p: ArrayLike, method: str = "holm") -> Array:
    """p-values adjusted for their number.

    Parameters
    ----------
    p : array_like
        (n,); NaN stays NaN and is not counted.
    method : str, optional
        `holm` (any false claim) or `fdr` (share of false claims, Benjamini-Hochberg).

    Returns
    -------
    array (n,)

    Raises
    ------
    ValueError
        For another method.
    """
    p = np.asarray(p, dtype=float)
    if method not in ("holm", "fdr"):
        raise ValueError(f"multiplicity is 'holm' or 'fdr', not {method!r}")
    out = np.full(p.shape, np.nan)
    known = np.flatnonzero(~np.isnan(p))
    if method == "fdr":
        if len(known):
            out[known] = scipy.stats.false_discovery_control(p[known])
        return out
    order = known[np.argsort(p[known], kind="stable")]
    out[order] = np.minimum(np.maximum.accumulate(p[order] * np.arange(len(order), 0, -1)), 1.0)
    return out


def split(values: ArrayLike, groups: ArrayLike, levels: Sequence[object]) -> list[Array]:
    """The values of each level.

    Parameters
    ----------
    values : array_like
        (n,).
    groups : array_like
        A level per value, (n,).
    levels : sequence of object
        In the order that is wanted.

    Returns
    -------
    list of array
        One for each level.
    """
    values, labels = np.asarray(values, dtype=float), np.asarray(groups)
    return [values[labels == level] for level in levels]


def one_way(samples: Sequence[Array]) -> FTest:
    """Ordinary one-way analysis of variance.

    Parameters
    ----------
    samples : sequence of array
        The values of each group.

    Returns
    -------
    FTest
    """
    n, k = sum(map(len, samples)), len(samples)
    grand = np.concatenate(samples).mean()
    between = sum(len(s) * (s.mean() - grand) ** 2 for s in samples)
    within = sum(((s - s.mean()) ** 2).sum() for s in samples)
    f = float(between / (k - 1) / (within / (n - k)))
    return FTest(f, k - 1, n - k, float(f_sf(f, k - 1, n - k)))


def welch(samples: Sequence[Array]) -> FTest:
    """One-way comparison of means that does not take the spreads to be equal.

    Parameters
    ----------
    samples : sequence of array
        The values of each group: two or more, not all equal.

    Returns
    -------
    FTest
    """
    k = len(samples)
    n, mean = np.array([len(s) for s in samples]), np.array([s.mean() for s in samples])
    w = n / np.array([s.var(ddof=1) for s in samples])
    centre = (w * mean).sum() / w.sum()
    lack = ((1 - w / w.sum()) ** 2 / (n - 1)).sum()
    f = float((w * (mean - centre) ** 2).sum() / (k - 1) / (1 + 2 * (k - 2) / (k**2 - 1) * lack))
    df = float((k**2 - 1) / (3 * lack))
    return FTest(f, k - 1, df, float(f_sf(f, k - 1, df)))


def levene(samples: Sequence[Array]) -> FTest:
    """Whether the spreads differ: one-way F of distances from the group's median (Brown-Forsythe).

    Parameters
    ----------
    samples : sequence of array
        The values of each group.

    Returns
    -------
    FTest
    """
    df = len(samples) - 1, sum(map(len, samples)) - len(samples)
    distances = [np.abs(s - np.median(s)) for s in samples]
    if sum(((d - d.mean()) ** 2).sum() for d in distances) == 0:
        return FTest(np.nan, *df, np.nan)
    found = scipy.stats.levene(*samples, center="median")
    return FTest(float(found.statistic), *df, float(found.pvalue))


def games_howell(samples: Sequence[Array], levels: Sequence[object]) -> pd.DataFrame:
    """All pairs without equal spreads, with simultaneous 95 % intervals.

    Parameters
    ----------
    samples : sequence of array
        The values of each group: two or more, not all equal.
    levels : sequence of object
        Names of the groups.

    Returns
    -------
    DataFrame
        `a, b, estimate` (a - b), `se, df, t, low, high, p`.
    """
    k = len(samples)
    rows = []
    for i, j in combinations(range(k), 2):
        a, b = samples[i], samples[j]
        va, vb = a.var(ddof=1) / len(a), b.var(ddof=1) / len(b)
        estimate, se = float(a.mean() - b.mean()), float(np.sqrt(va + vb))
        df = float((va + vb) ** 2 / (va**2 / (len(a) - 1) + vb**2 / (len(b) - 1)))
        rows.append((levels[i], levels[j], *tukey(estimate, se, df, k)))
    return pd.DataFrame(rows, columns=["a", "b", "estimate", "se", "df", "t", "low", "high", "p"])


def tukey(estimate: float, se: float, df: float, k: int) -> tuple[float, float, float, float, float, float, float]:
    """One of the pairs among k means, adjusted for all of them.

    Parameters
    ----------
    estimate, se, df : float
        Of the difference.
    k : int
        Means.

    Returns
    -------
    tuple of float
        estimate, se, df, t, low, high, p.
    """
    t = estimate / se
    margin = range_quantile(k, df) / np.sqrt(2) * se
    return estimate, se, df, t, estimate - margin, estimate + margin, range_sf(abs(t) * np.sqrt(2), k, df)
