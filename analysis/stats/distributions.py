"""Probabilities and quantiles of t, F, chi squared and the normal distribution.

In: numbers or arrays. Out: float64 of their common shape; NaN for NaN and where there are no degrees of freedom. Each
is one function of `scipy.special`, the one that `scipy.stats` comes to as well (tests hold them to be equal). Here
because `scipy.stats` takes longer to load than most answers take to work out: each command and each process of the
pages paid for it. What only that library has (Shapiro-Wilk, noncentral tails) is called there.
"""

from __future__ import annotations

import numpy as np
import scipy
from numpy.typing import ArrayLike

from tidetray.analysis.base.arrays import Array


def t_cdf(t: ArrayLike, df: ArrayLike) -> Array:
    """Probability of t or less.

    Parameters
    ----------
    t : array_like
        Student's t.
    df : array_like
        Degrees of freedom, above 0.

    Returns
    -------
    array
    """
    return _known(scipy.special.stdtr(_positive(df), t))


def t_sf(t: ArrayLike, df: ArrayLike) -> Array:
    """Probability of more than t.

    Parameters
    ----------
    t : array_like
        Student's t.
    df : array_like
        Degrees of freedom, above 0.

    Returns
    -------
    array
    """
    return _known(scipy.special.stdtr(_positive(df), -np.asarray(t, dtype=float)))


def t_ppf(p: ArrayLike, df: ArrayLike) -> Array:
    """The t that has p below it.

    Parameters
    ----------
    p : array_like
        A probability, from 0 to 1.
    df : array_like
        Degrees of freedom, above 0.

    Returns
    -------
    array
    """
    return _known(scipy.special.stdtrit(_positive(df), p))


def t_isf(p: ArrayLike, df: ArrayLike) -> Array:
    """The t that has p above it.

    Parameters
    ----------
    p : array_like
        A probability, from 0 to 1.
    df : array_like
        Degrees of freedom, above 0.

    Returns
    -------
    array
    """
    return _known(-scipy.special.stdtrit(_positive(df), p))


def mean_p(values: ArrayLike) -> float:
    """Two-sided p of Student's t test that a mean is zero.

    Parameters
    ----------
    values : array_like
        Two at least.

    Returns
    -------
    float
        0 where all are equal and not zero, NaN where all are zero.
    """
    x = np.asarray(values, dtype=float)
    with np.errstate(divide="ignore", invalid="ignore"):
        t = abs(x.mean()) / (x.std(ddof=1) / np.sqrt(len(x)))
    return float(2 * t_sf(t, len(x) - 1))


def f_sf(f: ArrayLike, df_num: ArrayLike, df_den: ArrayLike) -> Array:
    """Probability of more than F.

    Parameters
    ----------
    f : array_like
        A ratio of mean squares.
    df_num, df_den : array_like
        Degrees of freedom of numerator and denominator, above 0.

    Returns
    -------
    array
    """
    return _known(scipy.special.fdtrc(_positive(df_num), _positive(df_den), np.maximum(f, 0.0)))


def f_ppf(p: ArrayLike, df_num: ArrayLike, df_den: ArrayLike) -> Array:
    """The F that has p below it.

    Parameters
    ----------
    p : array_like
        A probability, from 0 to 1.
    df_num, df_den : array_like
        Degrees of freedom of numerator and denominator, above 0.

    Returns
    -------
    array
    """
    return _known(scipy.special.fdtri(_positive(df_num), _positive(df_den), p))


def f_isf(p: ArrayLike, df_num: ArrayLike, df_den: ArrayLike) -> Array:
    """The F that has p above it.

    Parameters
    ----------
    p : array_like
        A probability, from 0 to 1.
    df_num, df_den : array_like
        Degrees of freedom of numerator and denominator, above 0.

    Returns
    -------
    array
    """
    return f_ppf(1.0 - np.asarray(p, dtype=float), df_num, df_den)


def chi2_ppf(p: ArrayLike, df: ArrayLike) -> Array:
    """The chi squared that has p below it.

    Parameters
    ----------
    p : array_like
        A probability, from 0 to 1.
    df : array_like
        Degrees of freedom, above 0.

    Returns
    -------
    array
    """
    return _known(2 * scipy.special.gammaincinv(_positive(df) / 2, p))


def chi2_isf(p: ArrayLike, df: ArrayLike) -> Array:
    """The chi squared that has p above it.

    Parameters
    ----------
    p : array_like
        A probability, from 0 to 1.
    df : array_like
        Degrees of freedom, above 0.

    Returns
    -------
    array
    """
    return _known(scipy.special.chdtri(_positive(df), p))


def norm_sf(z: ArrayLike) -> Array:
    """Probability of more than z standard deviations above the mean.

    Parameters
    ----------
    z : array_like
        In standard deviations.

    Returns
    -------
    array
    """
    return _known(scipy.special.ndtr(-np.asarray(z, dtype=float)))


def _positive(df: ArrayLike) -> Array:
    given = np.asarray(df, dtype=float)
    return np.where(given > 0, given, np.nan)


def _known(found: object) -> Array:
    return np.asarray(found, dtype=np.float64)
