"""Degrees of freedom, standard errors and F tests for a fitted mixed model.

In: a `MixedFit` and rows of contrasts of its coefficients. Out: estimates with standard errors and df,
and F tests, by Kenward-Roger (the default of the project) or Satterthwaite.

Kenward-Roger keeps the trays' df even when the variance between trays is estimated at zero; Satterthwaite then returns
those of the pots, as if they were independent. No p-value adjustment here: see `tidetray.analysis.stats.pairwise`.

Sources (formulas from memory; were one wrong, the comparison with R's pbkrtest 0.5.2 and lmerTest 3.1-3 in
tests/published would show it):
Kenward & Roger (1997), Biometrics 53:983-997; Halekoh & Hojsgaard (2014), J Stat Softw 59(9);
Satterthwaite (1946), Biometrics Bulletin 2:110-114; Fai & Cornelius (1996), J Stat Comput Simul 54:363-378.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tidetray.analysis.base.arrays import Array
from tidetray.analysis.stats.distributions import f_sf
from tidetray.analysis.stats.reml import MixedFit


class FTest(NamedTuple):
    """An F test: statistic, numerator and denominator df, p."""

    f: float
    df_num: float
    df_den: float
    p: float


class Contrasts(NamedTuple):
    """Estimates (m,) of m contrasts, their standard errors and df, and their covariance (m, m)."""

    estimate: Array
    se: Array
    df: Array
    cov: Array


def _rows(contrasts: ArrayLike) -> Array:
    return np.atleast_2d(np.asarray(contrasts, dtype=float))


@dataclass(frozen=True)
class _Traces:
    """What both methods are made of, in the inner coordinates of the fit.

    C = (X'V^-1X)^-1; P_i = d(X'V^-1X)/dγ_i; Q_ij + Q_ji = d2(X'V^-1X)/dγ_i dγ_j;
    `expected`_ij = tr(P G_i P G_j); `observed`_ij: the Hessian of -2 log restricted likelihood; `told`: of which
    parameters the data say anything.
    """

    C: Array
    P: Array
    QQ: Array
    expected: Array
    observed: Array
    told: NDArray[np.bool_]


def _traces(fit: MixedFit) -> _Traces:
    moments, log_det = fit.derivatives
    p = moments.v.shape[-1] - 1
    x = slice(p)
    C = np.asarray(np.linalg.inv(moments.v[x, x]), dtype=np.float64)
    h = moments.hessian
    P, QQ = moments.d[:, x, x], h[:, :, x, x]
    CP = C @ P
    # d2 log|V| = -tr(V^-1 G_i V^-1 G_j)
    with_means_known = -log_det.hessian
    expected = with_means_known - np.einsum("ab,ijba->ij", C, QQ) + np.einsum("iab,jba->ij", CP, CP)
    # a spread that the fixed effects take up whole leaves nothing but rounding
    told = np.diag(expected) > 1e-10 * np.diag(with_means_known)
    r = np.append(-C @ moments.v[x, p], 1.0)  # y - X b in [Q r]
    score = moments.d @ r
    quadratic = (h @ r) @ r / 2 - score[:, x] @ C @ score[:, x].T
    return _Traces(C, P, QQ, expected, 2 * quadratic - expected, told)


def _inverse(a: Array) -> Array:
    """Inverse of an information matrix; what the data say nothing about is left out (pseudo-inverse)."""
    size = np.sqrt(np.maximum(np.diag(a), 1e-300))
    return np.asarray(np.linalg.pinv(a / np.outer(size, size), rcond=1e-10, hermitian=True) / np.outer(size, size))


@dataclass(frozen=True)
class KenwardRoger:
    """Small-sample standard errors, df and F tests that stay at the level the treatment was given at."""

    fit: MixedFit

    @cached_property
    def _parts(self) -> tuple[_Traces, Array, Array]:
        t = _traces(self.fit)
        W = np.zeros_like(t.expected)
        W[np.ix_(t.told, t.told)] = 2 * _inverse(t.expected[np.ix_(t.told, t.told)])
        # product by product: all at once would take a step for each of p⁴ combinations of columns
        crossed = np.einsum("iab,ibd->ad", t.P @ t.C, np.tensordot(W, t.P, axes=1))
        correction = np.einsum("ij,ijab->ab", W, t.QQ) / 2 - crossed
        return t, W, t.C + 2 * t.C @ correction @ t.C

    def contrasts(self, contrasts: ArrayLike) -> Contrasts:
        """Estimate, adjusted standard error and df of every row (m, p).

        In the smallest unbalanced designs the adjustment can make a variance negative: then the unadjusted
        standard error is given, with 0 df.
        """
        t, W, adjusted = self._parts
        rows = _rows(contrasts)
        L = rows @ self.fit.to_inner
        CL = t.C @ L.T
        ratio = (CL * (t.P @ CL)).sum(axis=1) / np.einsum("ma,am->m", L, CL)
        cov = L @ adjusted @ L.T
        df = 2 / np.einsum("ij,im,jm->m", W, ratio, ratio)
        sound = np.diag(cov) > 0
        variance = np.where(sound, np.diag(cov), np.einsum("ma,am->m", L, CL))
        return Contrasts(rows @ self.fit.beta, np.sqrt(variance), np.where(sound, df, 0.0), cov)

    def f_test(self, contrasts: ArrayLike) -> FTest:
        """Whether all rows (of full rank) are zero together: scaled F, Kenward & Roger (1997).

        NaN with 0 df where the adjusted covariance is none (see `contrasts`).
        """
        t, W, adjusted = self._parts
        rows = _rows(contrasts)
        L = rows @ self.fit.to_inner
        q = len(L)
        theta = L.T @ np.linalg.solve(L @ t.C @ L.T, L)
        M = theta @ t.C @ t.P @ t.C
        traces = np.einsum("iaa->i", M)
        a1 = traces @ W @ traces
        a2 = float((W * np.einsum("iab,jba->ij", M, M)).sum())
        b = (a1 + 6 * a2) / (2 * q)
        g = ((q + 1) * a1 - (q + 4) * a2) / ((q + 2) * a2)
        c1, c2, c3 = np.array([g, q - g, q + 2 - g]) / (3 * q + 2 * (1 - g))
        v0, v1, v2 = 1 + c1 * b, 1 - c2 * b, 1 - c3 * b
        # Exact designs with few df bring 0/0 here, which stands for 1 (pbkrtest does the same).
        ratio = 1.0 if abs(1 - a2 / q) < 1e-10 and abs(v1) < 1e-10 else (1 - a2 / q) / v1
        top = ratio**2 * (0.0 if abs(v0) < 1e-10 else v0)
        df = 4 + (q + 2) * v2 / (top - v2)  # v2 = 0 is exactly 4 df
        scaling = 1.0 if abs(df - 2) < 1e-2 else df * (1 - a2 / q) / (df - 2)
        cov = L @ adjusted @ L.T
        if df <= 0 or np.linalg.eigvalsh(cov).min() <= 0:
            return FTest(np.nan, q, 0.0, np.nan)
        e = rows @ self.fit.beta
        f = float(scaling * e @ np.linalg.solve(cov, e) / q)
        return FTest(f, q, float(df), float(f_sf(f, q, df)))


@dataclass(frozen=True)
class Satterthwaite:
    """Model-based standard errors with Satterthwaite's df; pot-level df where the tray variance is zero."""

    fit: MixedFit

    @cached_property
    def _parts(self) -> tuple[_Traces, Array, Array]:
        t = _traces(self.fit)
        kept = ~self.fit.zero & t.told
        H = t.observed[np.ix_(kept, kept)]
        if np.linalg.eigvalsh(H / np.sqrt(np.outer(np.abs(np.diag(H)), np.abs(np.diag(H))))).min() <= 1e-8:
            H = t.expected[np.ix_(kept, kept)]  # at a bound the likelihood need not be curved downward
        return t, 2 * _inverse(H), t.P[kept]

    def _df(self, L: Array) -> Array:
        t, A, P = self._parts
        CL = t.C @ L.T
        gradient = -(CL * (P @ CL)).sum(axis=1)
        return np.asarray(2 * np.einsum("ma,am->m", L, CL) ** 2 / np.einsum("ij,im,jm->m", A, gradient, gradient))

    def contrasts(self, contrasts: ArrayLike) -> Contrasts:
        """Estimate, standard error and df of every row (m, p)."""
        t = self._parts[0]
        rows = _rows(contrasts)
        L = rows @ self.fit.to_inner
        cov = L @ t.C @ L.T
        return Contrasts(rows @ self.fit.beta, np.sqrt(np.diag(cov)), self._df(L), cov)

    def f_test(self, contrasts: ArrayLike) -> FTest:
        """Whether all rows are zero together; the df depend (little) on which rows span the hypothesis."""
        t = self._parts[0]
        rows = _rows(contrasts)
        L = rows @ self.fit.to_inner
        q = len(L)
        values, vectors = np.linalg.eigh(L @ t.C @ L.T)
        squares = (vectors.T @ (rows @ self.fit.beta)) ** 2 / values
        each = self._df(vectors.T @ L)
        if np.ptp(each) < 1e-8 * each.max():
            df = float(each.mean())
        elif (each <= 2).any():
            df = 2.0
        else:
            expected = float((each / (each - 2)).sum())
            df = 2 * expected / (expected - q)
        f = float(squares.mean())
        return FTest(f, q, df, float(f_sf(f, q, df)))
