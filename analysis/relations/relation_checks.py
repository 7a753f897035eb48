"""Checks of a fitted relation that need no new search: without each tray in turn, and whether it bends.

In: response, columns, trays, and the variances of a fit whose random effects all lie within trays. Out: normal
equations summed tray by tray, coefficients without each tray, the test of a bend over tray means. The variances stay as
the whole fit has them.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from scipy import stats

from tidetray.analysis.base.arrays import Array, Codes

_MOST_CONDITION = 1e10


class Equations(NamedTuple):
    """X'V^-1 X (trays, p, p) and X'V^-1 y (trays, p) of each tray."""

    left: Array
    right: Array


class Bend(NamedTuple):
    """Coefficient of a square and its p; NaN where it cannot be told."""

    estimate: float
    p: float


def equations_by_tray(
    y: Array, X: Array, tray: Codes, terms: Sequence[tuple[Codes, float]], residual: float
) -> Equations:
    """`terms`: a code per row and the variance of each random effect; no code may reach across trays."""
    trays, p = int(tray.max()) + 1, X.shape[1]
    left, right = np.zeros((trays, p, p)), np.zeros((trays, p))
    for t in range(trays):
        at = np.flatnonzero(tray == t)
        V = np.eye(len(at)) * residual
        for code, variance in terms:
            V += variance * np.equal.outer(code[at], code[at])
        weighted = np.linalg.solve(V, np.column_stack([X[at], y[at]]))
        left[t], right[t] = X[at].T @ weighted[:, :p], X[at].T @ weighted[:, p]
    return Equations(left, right)


def without_trays(equations: Equations) -> Array:
    """Coefficients (trays, p) with each tray left out; NaN where the others cannot tell them."""
    out = np.full(equations.right.shape, np.nan)
    for t in range(len(out)):
        left = equations.left.sum(axis=0) - equations.left[t]
        if _sound(left):
            out[t] = np.linalg.solve(left, equations.right.sum(axis=0) - equations.right[t])
    return out


def bend(x: Array, y: Array, *, df: float) -> Bend:
    """Whether y bends along x, a point per tray: the square in y ~ x + x² by least squares, on `df` degrees of
    freedom."""
    centred = (x - x.mean()) / max(float(np.ptp(x)), 1e-300)
    X = np.column_stack([np.ones(len(x)), centred, centred**2])
    if not df >= 1 or np.linalg.matrix_rank(X, tol=1e-6) < X.shape[1]:
        return Bend(np.nan, np.nan)
    beta = np.linalg.lstsq(X, y, rcond=None)[0]
    rest = y - X @ beta
    se = np.sqrt(float(rest @ rest) / df * np.linalg.inv(X.T @ X)[-1, -1])
    return Bend(float(beta[-1]), float(2 * stats.t.sf(abs(beta[-1]) / se, df)) if se > 0 else np.nan)


def _sound(left: Array) -> bool:
    size = np.sqrt(np.maximum(np.diag(left), 0.0))
    return bool((size > 0).all() and np.linalg.cond(left / np.outer(size, size)) < _MOST_CONDITION)
