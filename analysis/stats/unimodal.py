"""Unimodal regression: the least squares fit that rises up to some place and falls after it.

In: values in the order of their doses, with weights. Out: the fit, what is left of the sum of squares, and the same for
every place where the rise could end. Knows no doses and no trays.

The prefix method (Stout 2008, Computational Statistics and Data Analysis 53:289-297, abstract read): pooling adjacent
violators from the left gives the least sum of squares of *every* prefix on the way, and from the right of every
suffix; the best fit with its rise ending in gap j is their sum. So all gaps cost no more than one isotonic regression.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy

from tidetray.analysis.base.arrays import Array


@dataclass(frozen=True)
class UnimodalFit:
    """A unimodal least squares fit.

    Attributes
    ----------
    fit : (k,) array
        Fitted values.
    rss : float
        Weighted residual sum of squares of `fit`.
    rss_by_gap : (k + 1,) array
        The same of the best fit that rises up to gap j and falls after it. Gap 0 lies before the first value (falling
        all the way), gap k after the last (rising all the way).
    """

    fit: Array
    rss: float
    rss_by_gap: Array


def unimodal_regression(y: Sequence[float] | Array, weights: Sequence[float] | Array | None = None) -> UnimodalFit:
    """Fit values that rise and then fall; either part may be empty.

    Parameters
    ----------
    y : (k,) values in the order of their doses.
    weights : (k,) positive weights, such as trays per dose. Default: 1 each.

    Returns
    -------
    UnimodalFit
        Where several gaps fit equally well, `fit` is that of the first.

    Raises
    ------
    ValueError
        For no values, values that are not finite, or weights that are not positive or not as many.

    References
    ----------
    Stout (2008), Computational Statistics and Data Analysis 53:289-297 (abstract read). Held to `Iso::pava` and
    `Iso::ufit` of R in tests/published/test_unimodal.py.

    Examples
    --------
    >>> unimodal_regression([1.0, 3.0, 2.0, 4.0, 1.0]).fit.tolist()
    [1.0, 2.5, 2.5, 4.0, 1.0]
    """
    values = np.asarray(y, dtype=float)
    w = np.ones(len(values)) if weights is None else np.asarray(weights, dtype=float)
    if values.ndim != 1 or not len(values) or not np.isfinite(values).all():
        raise ValueError("unimodal regression needs a list of finite values, at least one")
    if w.shape != values.shape or not np.isfinite(w).all() or not (w > 0).all():
        raise ValueError(f"weights must be {len(values)} numbers above zero, one for each value")
    by_gap = rss_by_gap(values[None, :], w)[0]
    fit = fit_with_gap(values, w, int(np.argmin(by_gap)))
    return UnimodalFit(fit, float((w * (values - fit) ** 2).sum()), by_gap)


def fit_with_gap(y: Array, weights: Array, gap: int) -> Array:
    """The best fit that rises over the first values and falls over the rest.

    Parameters
    ----------
    y : array
        (k,).
    weights : array
        (k,), above 0.
    gap : int
        How many values rise, 0 to k.

    Returns
    -------
    array (k,)
    """
    fit = scipy.optimize.isotonic_regression
    up = fit(y[:gap], weights=weights[:gap]).x if gap else np.empty(0)
    down = fit(y[gap:], weights=weights[gap:], increasing=False).x if gap < len(y) else np.empty(0)
    return np.asarray(np.r_[up, down], dtype=float)


def rss_by_gap(y: Array, weights: Array) -> Array:
    """`UnimodalFit.rss_by_gap` of many data sets at once.

    Parameters
    ----------
    y : array
        (m, k).
    weights : array
        (k,), above 0.

    Returns
    -------
    array (m, k + 1)
        Weighted residual sums of squares, by gap.
    """
    return np.asarray(_prefix_rss(y, weights) + _prefix_rss(y[:, ::-1], weights[::-1])[:, ::-1])


def _prefix_rss(y: Array, weights: Array) -> Array:
    """Sums of squares of the rising fits to the first 0, 1, ..., k values of each row: (m, k + 1).

    Blocks wait on a stack per row; merging two of them adds what lies between their means.
    """
    m, k = y.shape
    mean, weight = np.empty((m, k)), np.empty((m, k))
    top, rss, out = np.full(m, -1), np.zeros(m), np.zeros((m, k + 1))
    for i in range(k):
        top += 1
        rows = np.arange(m)
        mean[rows, top], weight[rows, top] = y[:, i], weights[i]
        while True:
            rows = rows[top[rows] > 0]
            at = top[rows]
            rows = rows[mean[rows, at - 1] > mean[rows, at]]
            if not len(rows):
                break
            at = top[rows]
            w1, w2, m1, m2 = weight[rows, at - 1], weight[rows, at], mean[rows, at - 1], mean[rows, at]
            rss[rows] += w1 * w2 / (w1 + w2) * (m1 - m2) ** 2
            mean[rows, at - 1], weight[rows, at - 1] = (w1 * m1 + w2 * m2) / (w1 + w2), w1 + w2
            top[rows] = at - 1
        out[:, i + 1] = rss
    return out
