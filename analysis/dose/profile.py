"""Under the dose curves: their shapes, the profile over the one number that is not linear, the tray's share of
variance.

In: `Units` with doses brought to 0 .. 1. Out: `Inner` fits: shape, residual sum of squares, λ, the profile and its
limits. Knows no units of doses and no standard errors (`tidetray.analysis.dose.curves`).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import scipy

from tidetray.analysis.base.arrays import Array, Codes
from tidetray.analysis.stats.distributions import f_ppf

CURVES = ("flat", "linear", "quadratic", "linear plateau", "quadratic plateau", "saturating")
"""From the simplest on: of curves with one AICc the first counts as best."""

LEVELLING = ("linear plateau", "quadratic plateau", "saturating")
"""Curves that level off instead of turning down."""

_GRID = 1001
_REFINED = 4
_TIGHT = 1e-12
_LAMBDA_MAX = 1e4
_EPS = float(np.finfo(float).eps)


@dataclass(frozen=True)
class Units:
    """Doses and responses, one entry a unit. `levels` (n, q): a column of ones, then the trials against their mean.

    `tray`: codes of the random effect, or None where every unit is a tray of its own.
    """

    x: Array
    y: Array
    levels: Array
    tray: Codes | None = None

    @property
    def low(self) -> float:
        return float(self.x.min())

    @property
    def high(self) -> float:
        return float(self.x.max())


@dataclass(frozen=True)
class Inner:
    """A fit in doses 0 .. 1 from the lowest to the highest: shape there, RSS, λ, the profile over shapes.

    `at_limit`: the shape ran into the end of what was searched.
    """

    curve: str
    shape: float
    rss: float
    ratio: float
    at_limit: bool = False
    grid: Array | None = None
    rss_grid: Array | None = None


def basis(curve: str, x: Array, shape: float = np.nan) -> Array:
    """The columns (n, p - 1) of a curve beside its level, given its shape."""
    if curve == "flat":
        return np.empty((len(x), 0))
    if curve == "linear":
        return x[:, None]
    if curve == "quadratic":
        return np.column_stack([x, x**2])
    return shaped(curve, x, np.array([shape]))


def shaped(curve: str, x: Array, shapes: Array) -> Array:
    """The one column of a levelling curve for each shape: (n, shapes)."""
    if curve == "saturating":
        return np.asarray(np.exp(-np.outer(x, shapes)))
    u = np.minimum(x[:, None], shapes)
    return np.asarray(u if curve == "linear plateau" else u - u**2 / (2 * shapes))


def whitened(columns: Array, tray: Codes | None, ratio: float) -> Array:
    """Columns times V^(-1/2) for V = I + ratio ZZ'."""
    if tray is None or ratio == 0:
        return columns
    size = np.bincount(tray).astype(float)
    pulled = (1 - 1 / np.sqrt(1 + size * ratio)) / size
    sums = np.zeros((len(size), *columns.shape[1:]))
    np.add.at(sums, tray, columns)
    return np.asarray(columns - (pulled[tray] * sums[tray].T).T)


def fit_inner(curve: str, inner: Units) -> Inner:
    if curve not in LEVELLING:
        fixed = basis(curve, inner.x)
        ratio = _ratio(inner, fixed)
        return Inner(curve, np.nan, residual_ss(inner, fixed, ratio), ratio)
    found = _profile(curve, inner, 0.0)
    for _ in range(30 if inner.tray is not None else 0):
        # x0 or k given λ, then λ given x0 or k: each step raises the likelihood
        ratio = _ratio(inner, shaped(curve, inner.x, np.array([found.shape])))
        moved = abs(ratio - found.ratio)
        found = _profile(curve, inner, ratio)
        if moved <= 1e-7 * (1 + ratio):
            break
    return found


def residual_ss(units: Units, columns: Array, ratio: float) -> float:
    X = whitened(np.column_stack([units.levels, columns]), units.tray, ratio)
    y = whitened(units.y, units.tray, ratio)
    solved = np.linalg.lstsq(X, y, rcond=None)[0]
    return float(((y - X @ solved) ** 2).sum())


def _log_det(units: Units, ratio: float) -> float:
    return 0.0 if units.tray is None else float(np.log1p(ratio * np.bincount(units.tray)).sum())


def log_likelihood(units: Units, rss: float, ratio: float) -> float:
    n = len(units.y)
    # A curve through every point leaves rounding: never a likelihood without bound.
    rss = max(rss, n * (_EPS * float(np.abs(units.y).max())) ** 2, np.finfo(float).tiny)
    return float(-0.5 * (n * (np.log(2 * np.pi) + np.log(rss / n) + 1) + _log_det(units, ratio)))


def _ratio(units: Units, columns: Array) -> float:
    """λ by maximum likelihood, for given columns."""
    if units.tray is None:
        return 0.0

    def cost(log_ratio: float) -> float:
        ratio = float(np.exp(log_ratio))
        return -log_likelihood(units, residual_ss(units, columns, ratio), ratio)

    grid = np.linspace(np.log(1e-4), np.log(_LAMBDA_MAX), 25)
    at = int(np.argmin([cost(g) for g in grid]))
    found = scipy.optimize.minimize_scalar(
        cost, bounds=(grid[max(at - 1, 0)], grid[min(at + 1, 24)]), method="bounded", options={"xatol": 1e-9}
    )
    return 0.0 if -log_likelihood(units, residual_ss(units, columns, 0.0), 0.0) <= found.fun else float(np.exp(found.x))


def _profile(curve: str, units: Units, ratio: float) -> Inner:
    """The shape with the least RSS given λ. Doses 0 .. 1 span the same curves: only where x0 lies matters, not where 0
    is."""
    if curve == "saturating":
        grid = np.exp(np.linspace(np.log(0.01), np.log(200.0), _GRID))
    else:
        top = 1.0 if curve == "linear plateau" else 4.0
        doses = np.unique(units.x)
        grid = np.unique(
            np.concatenate(
                [np.geomspace(1e-6, 1e-3, 12), np.linspace(1e-6, top, _GRID), doses[(doses > 1e-6) & (doses < top)]]
            )
        )
    rss = _shape_ss(curve, units, ratio)
    values = rss(grid)
    edge = np.r_[np.inf, values, np.inf]
    hollows = np.flatnonzero((values <= edge[:-2]) & (values <= edge[2:]))
    hollows = hollows[np.argsort(values[hollows], kind="stable")][:_REFINED]
    best, least = float(grid[hollows[0]]), float(values[hollows[0]])
    for at in map(int, hollows):
        between = (grid[max(at - 1, 0)], grid[min(at + 1, len(grid) - 1)])
        found = scipy.optimize.minimize_scalar(
            lambda shape: float(rss(np.array([shape]))[0]), bounds=between, method="bounded", options={"xatol": _TIGHT}
        )
        if found.fun < least:
            best, least = float(found.x), float(found.fun)
    end = 1e-6 if curve == "linear plateau" else 1e-3
    at_limit = best >= grid[-1] * (1 - end) or best <= grid[0] * (1 + 1e-3)
    exact = residual_ss(units, shaped(curve, units.x, np.array([best])), ratio)
    return Inner(curve, float(best), exact, ratio, bool(at_limit), grid, values)


def shape_limits(found: Inner, units: Units, df: int) -> tuple[float, float]:
    """Where the profile is within F of its least (95 %), outermost crossings; NaN on a side without one."""
    if found.grid is None or found.rss_grid is None or df < 1:
        return np.nan, np.nan
    grid, limit = found.grid, found.rss * (1 + float(f_ppf(0.95, 1, df)) / df)
    inside = np.flatnonzero(found.rss_grid <= limit)
    if not len(inside):
        return np.nan, np.nan
    rss = _shape_ss(found.curve, units, found.ratio)

    def crossing(a: int, b: int) -> float:
        if a < 0 or b >= len(grid):
            return np.nan
        return float(scipy.optimize.brentq(lambda shape: float(rss(np.array([shape]))[0]) - limit, grid[a], grid[b]))

    return crossing(inside[0] - 1, inside[0]), crossing(inside[-1], inside[-1] + 1)


def _shape_ss(curve: str, units: Units, ratio: float) -> Callable[[Array], Array]:
    """Shapes -> RSS of the curve with each, given λ."""
    q = np.linalg.qr(whitened(units.levels, units.tray, ratio))[0]
    y = whitened(units.y, units.tray, ratio)
    y = y - q @ (q.T @ y)

    def rss(shapes: Array) -> Array:
        z = whitened(shaped(curve, units.x, shapes), units.tray, ratio)
        size = (z**2).sum(axis=0)
        z = z - q @ (q.T @ z)
        own = (z**2).sum(axis=0)
        # What the levels already explain adds nothing: dividing by its rounding would.
        told = own > 1e-14 * size
        along = np.where(told, (z.T @ y) / np.sqrt(np.where(told, own, 1.0)), 0.0)
        return np.asarray((y**2).sum() - along**2)

    return rss
