"""Limits of the share of a variance that lies between groups.

In: values, the group of each, and what the groups were given. Out: 95 % limits of the intraclass correlation. Estimates
nothing (`tidetray.analysis.stats.reml` does): between a handful of groups a variance has hardly a first digit, and the
limits say so.
"""

from __future__ import annotations

import numpy as np

from tidetray.analysis.base.arrays import Array, Codes
from tidetray.analysis.stats.distributions import f_isf


def share_limits(values: Array, group: Codes, given: Codes, *, level: float = 0.95) -> tuple[float, float]:
    """Limits of the part of the variance that lies between groups which were given the same.

    From the F of groups within what they were given: exact for groups of equal size, good for unequal ones with the
    mean size that makes the expected mean squares right.

    Parameters
    ----------
    values : (n,)
    group, given : (n,) codes; each group was given one thing.
    level : of the limits together.

    Returns
    -------
    low, high : float
        From 0 to 1; NaN where nothing is left to judge by.

    References
    ----------
    "The exact confidence limit equation in Searle (1971)" and its size for unequal groups (Thomas and Hultquist 1978,
    Donner 1979), as R's package ICC writes them out (`ICCest`, type THD; help and program read). Several groups of
    groups (`given`) are ours; held by simulation in tests/claims.
    """
    n = np.bincount(group).astype(float)
    of = np.zeros(len(n), dtype=np.intp)
    of[group] = given
    mean = np.bincount(group, values) / n
    many = np.bincount(of, n)
    over = np.bincount(of, n * mean) / np.where(many > 0, many, 1.0)
    between, within = float((n * (mean - over[of]) ** 2).sum()), float(((values - mean[group]) ** 2).sum())
    df_between, df_within = len(n) - int((many > 0).sum()), len(values) - len(n)
    if df_between < 1 or df_within < 1 or within <= 0:
        return np.nan, np.nan
    size = (len(values) - float((np.bincount(of, n**2)[many > 0] / many[many > 0]).sum())) / df_between
    f = between / df_between / (within / df_within)
    tail = (1 - level) / 2
    ends = f / f_isf([tail, 1 - tail], df_between, df_within)
    low, high = np.clip((ends - 1) / (ends - 1 + size), 0.0, 1.0)
    return float(low), float(high)
