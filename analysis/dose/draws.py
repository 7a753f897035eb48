"""Plausible curves: draws of what growth may be at any dose, given what the trays showed.

In: fitted curves (`tidetray.analysis.dose.curves`, `tidetray.analysis.dose.two_doses`). Out: a matrix of draws, one row
a curve that agrees with the data, one column a dose; and what follows from it: expected growth, a band, the chance that
a dose is within 2 % of the best.

A curve's kind is drawn by its Akaike weight, its shape (x0, k) by the profile likelihood, its other
coefficients from their normal distribution given the residual variance, drawn from its chi-square. So a
draw carries the doubt about the kind of curve, which limits of any one curve do not. It knows no prior
of growers; outside the tested doses it is an extrapolation, and as wide as that.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tidetray.analysis.base.arrays import Array
from tidetray.analysis.dose.curves import DoseCurve, akaike_weights
from tidetray.analysis.dose.profile import Units, basis, shaped, whitened

NEAR_BEST = 0.02
"""A dose whose growth lacks at most this part of the best counts as good as the best."""

_SHAPES = 120


@dataclass(frozen=True)
class Draws:
    """`values` (draws, doses); `sigma` (draws,): residual standard deviation of a unit in each draw."""

    values: Array
    sigma: Array

    def expected(self) -> Array:
        return np.asarray(self.values.mean(axis=0))

    def band(self, level: float = 0.95) -> tuple[Array, Array]:
        """Limits at each dose."""
        tail = (1 - level) / 2
        return np.quantile(self.values, tail, axis=0), np.quantile(self.values, 1 - tail, axis=0)

    def near_best(self, sign: int = 1) -> Array:
        """Chance of each dose to be within NEAR_BEST of the best of these doses; `sign` -1: least is best."""
        best = (sign * self.values).max(axis=1, keepdims=True)
        return np.asarray((sign * self.values >= best - NEAR_BEST * np.abs(best)).mean(axis=0))


def plausible_curves(
    units: Units, fits: Sequence[DoseCurve], doses: Array, *, draws: int = 2000, seed: int = 1
) -> Draws:
    """`draws` curves at `doses`. ValueError where the units are too few for AICc."""
    weights = akaike_weights(np.array([fit.aicc for fit in fits]))
    if not weights.any():
        raise ValueError("too few trays: no curve can be weighed against another")
    rng = np.random.default_rng(seed)
    kinds = rng.choice(len(fits), size=draws, p=weights)
    values, sigma = np.empty((draws, len(doses))), np.empty(draws)
    for kind, fit in enumerate(fits):
        at = np.flatnonzero(kinds == kind)
        if len(at):
            values[at], sigma[at] = _of_curve(units, fit, doses, len(at), rng)
    return Draws(values, sigma)


def _of_curve(units: Units, fit: DoseCurve, doses: Array, m: int, rng: np.random.Generator) -> tuple[Array, Array]:
    inner, x, at = fit.inner, fit.inside(units.x), fit.inside(doses)
    levels, y = (whitened(v, units.tray, inner.ratio) for v in (units.levels, units.y))
    spread = np.linalg.inv(levels.T @ levels)
    pull = spread @ levels.T  # coefficients of the levels
    df = max(fit.df, 1)
    if inner.grid is None or inner.rss_grid is None:
        Z = whitened(basis(fit.curve, x), units.tray, inner.ratio)
        own = Z - levels @ (pull @ Z)
        sigma = np.sqrt(fit.rss / rng.chisquare(df, m))
        b = (
            _normal(np.asarray(np.linalg.inv(own.T @ own), dtype=float), m, rng) * sigma[:, None]
            + np.linalg.lstsq(own, y, rcond=None)[0]
        )
        level = (pull @ y)[0] + sigma * np.sqrt(spread[0, 0]) * rng.standard_normal(m)
        return level[:, None] + b @ (basis(fit.curve, at) - (pull @ Z)[0]).T, sigma
    step = max(len(inner.grid) // _SHAPES, 1)
    likely = -0.5 * (df + 1) * np.log(np.maximum(inner.rss_grid, np.finfo(float).tiny))
    near = inner.grid[::step], likely[::step]
    shapes, weight = (np.r_[v, extra] for v, extra in zip(near, (inner.shape, likely.max()), strict=True))
    weight = np.exp(weight - weight.max())
    chosen = rng.choice(len(shapes), size=m, p=weight / weight.sum())
    Z = whitened(shaped(fit.curve, x, shapes), units.tray, inner.ratio)
    own = Z - levels @ (pull @ Z)
    size2 = np.maximum((own**2).sum(axis=0), 1e-300)
    b_hat = (own.T @ y) / size2
    rss = np.maximum((y - levels @ (pull @ y)) @ y - b_hat**2 * size2, fit.rss)
    sigma = np.sqrt(rss[chosen] / rng.chisquare(df, m))
    b = b_hat[chosen] + sigma / np.sqrt(size2[chosen]) * rng.standard_normal(m)
    level = (pull @ y)[0] + sigma * np.sqrt(spread[0, 0]) * rng.standard_normal(m)
    return level[:, None] + b[:, None] * (shaped(fit.curve, at, shapes) - (pull @ Z)[0]).T[chosen], sigma


def _normal(cov: Array, m: int, rng: np.random.Generator) -> Array:
    p = len(cov)
    return rng.standard_normal((m, p)) @ np.linalg.cholesky(cov).T if p else np.empty((m, 0))
