"""Curves of a response against one dose: six shapes fitted and set side by side.

In: one row per unit (a tray, or a pot where the dose varies inside trays): dose, response, the trial and
the tray it belongs to. Out: `DoseCurves`: estimates, residual sums of squares, AICc and its weights, and
what `tidetray.analysis.dose.draws` needs to draw from them.

flat                y = a
linear              y = a + b x
quadratic           y = a + b x + c x²
linear plateau      y = a + b min(x, x0)
quadratic plateau   y = a + b (u - u²/(2 x0)), u = min(x, x0): level from x0 on, without a kink
saturating          y = A - B exp(-k x)

Given x0 or k a curve is linear, so the residual sum of squares is profiled over that one number. Several
trials each have their own level; `a` and `A` are then the mean over trials. Where the dose varies inside
a tray, the tray is a random effect: V = s² (I + λ ZZ'), λ by maximum likelihood for each curve. No
verdicts here: a curve that fits best may still fit badly.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from tidetray.analysis.base.arrays import Array
from tidetray.analysis.dose.profile import (
    CURVES,
    LEVELLING,
    Inner,
    Units,
    basis,
    fit_inner,
    log_likelihood,
    shape_limits,
    whitened,
)


@dataclass(frozen=True)
class DoseCurve:
    """One curve at its least AICc.

    `shape`: x0 or k (NaN where there is none), with its profile limits (95 %). `estimates`, `se`: by the names of the
    module's formulas; an `se` is NaN where it cannot be had. `inner`, `beta` (level first): the fit in doses brought to
    0 .. 1 by `low` and `span`. `mirrored`: see `fit_level_first`; then `estimates` and limits are in negative doses.
    """

    curve: str
    estimates: dict[str, float]
    se: dict[str, float]
    rss: float
    df: int
    aicc: float
    log_likelihood: float
    shape: float
    shape_low: float
    shape_high: float
    inner: Inner
    beta: Array
    low: float
    span: float
    mirrored: bool = False

    @property
    def ratio(self) -> float:
        return self.inner.ratio

    def inside(self, x: Array) -> Array:
        """Doses brought to 0 .. 1."""
        return ((-x if self.mirrored else x) - self.low) / self.span

    def at(self, x: Array) -> Array:
        """The curve at doses `x`, at the mean level of the trials."""
        columns = basis(self.curve, self.inside(x), self.inner.shape)
        return np.asarray(np.column_stack([np.ones(len(x)), columns]) @ self.beta)


@dataclass(frozen=True)
class DoseCurves:
    units: Units
    fits: tuple[DoseCurve, ...]

    def of(self, curve: str) -> DoseCurve:
        return next(fit for fit in self.fits if fit.curve == curve)

    @property
    def best(self) -> str:
        """The curve with the least AICc, the simplest of those that tie; '' if it is undefined for all."""
        aicc = np.array([fit.aicc for fit in self.fits])
        if not np.isfinite(aicc).any():
            return ""
        return self.fits[int(np.flatnonzero(aicc <= np.nanmin(aicc) + 1e-6)[0])].curve

    def table(self) -> pd.DataFrame:
        """A row per curve: parameters counted with the variance(s), RSS, AICc, delta, weight, join or rate."""
        aicc = np.array([fit.aicc for fit in self.fits])
        least = np.nanmin(aicc) if np.isfinite(aicc).any() else np.nan
        join = [fit.curve.endswith("plateau") for fit in self.fits]
        n = len(self.units.x)
        return pd.DataFrame(
            {
                "curve": [fit.curve for fit in self.fits],
                "n": n,
                "k": [n - fit.df + 1 + (self.units.tray is not None) for fit in self.fits],
                "df": [fit.df for fit in self.fits],
                "rss": [fit.rss for fit in self.fits],
                "sigma": [np.sqrt(fit.rss / fit.df) if fit.df > 0 else np.nan for fit in self.fits],
                "log_likelihood": [fit.log_likelihood for fit in self.fits],
                "aicc": aicc,
                "delta": aicc - least,
                "weight": akaike_weights(aicc),
                "x0": [fit.shape if is_join else np.nan for fit, is_join in zip(self.fits, join, strict=True)],
                "x0_low": [fit.shape_low if is_join else np.nan for fit, is_join in zip(self.fits, join, strict=True)],
                "x0_high": [
                    fit.shape_high if is_join else np.nan for fit, is_join in zip(self.fits, join, strict=True)
                ],
                "k_rate": [fit.shape if fit.curve == "saturating" else np.nan for fit in self.fits],
                "tray_ratio": [fit.ratio for fit in self.fits],
            }
        )

    def estimates(self) -> pd.DataFrame:
        """`curve, parameter, estimate, se`."""
        rows = [
            (fit.curve, name, value, fit.se.get(name, np.nan))
            for fit in self.fits
            for name, value in fit.estimates.items()
        ]
        return pd.DataFrame(rows, columns=["curve", "parameter", "estimate", "se"])


CURVE_COLUMNS = (
    *("curve", "n", "k", "df", "rss", "sigma", "log_likelihood", "aicc", "delta", "weight"),
    *("x0", "x0_low", "x0_high", "k_rate", "tray_ratio"),
)
"""Of `DoseCurves.table`."""


def akaike_weights(aicc: Array) -> Array:
    """Weights from AICc, exp(-delta / 2) over their sum; 0 where it is undefined.

    Akaike weights: help of R's package qpcR (`akaike.weights`, after Burnham and Anderson 2002; read).
    """
    if not np.isfinite(aicc).any():
        return np.zeros(len(aicc))
    relative = np.exp(-0.5 * (aicc - np.nanmin(aicc)))
    relative[~np.isfinite(aicc)] = 0.0
    return np.asarray(relative / relative.sum())


def fit_dose_curves(units: Units) -> DoseCurves:
    """All curves of CURVES. ValueError unless there are three units and two doses."""
    if len(units.x) < 3 or units.low == units.high:
        raise ValueError("a curve needs at least three units and two different doses")
    # Doses are brought to 0 .. 1 first: x² of doses such as 1000 would cost half of the digits.
    span = units.high - units.low
    inner = replace(units, x=(units.x - units.low) / span)
    fits = tuple(_outer(fit_inner(curve, inner), units, span) for curve in CURVES)
    return DoseCurves(units, fits)


def fit_level_first(units: Units) -> tuple[DoseCurve, ...]:
    """The levelling curves the other way round: level up to a dose, then rising or falling. In the order of LEVELLING.

    Not in the table of `DoseCurves`, but what keeps a fall after a level stretch from passing for a top.
    """
    turned = replace(units, x=-units.x)
    span = units.high - units.low
    inner = replace(turned, x=(turned.x - turned.low) / span)
    return tuple(replace(_outer(fit_inner(curve, inner), turned, span), mirrored=True) for curve in LEVELLING)


def _outer(found: Inner, units: Units, span: float) -> DoseCurve:
    """A fit in doses 0 .. 1 as one in the doses that were given."""
    curve, n = found.curve, len(units.y)
    shape = found.shape / span if curve == "saturating" else found.shape * span + units.low
    inner_x = (units.x - units.low) / span
    linear = np.column_stack([units.levels, basis(curve, inner_x, found.shape)])
    X, y = whitened(linear, units.tray, found.ratio), whitened(units.y, units.tray, found.ratio)
    beta = np.asarray(np.linalg.lstsq(X, y, rcond=None)[0], dtype=float)
    p = linear.shape[1] + (curve in LEVELLING)
    df = n - p
    jacobian = np.column_stack([linear, _by_shape(found, inner_x, beta[-1])]) if curve in LEVELLING else linear
    cov = _covariance(whitened(jacobian, units.tray, found.ratio), found.rss / df if df > 0 else np.nan)
    q = units.levels.shape[1]
    estimates, turn = _in_given_doses(curve, beta, found.shape, q, low=units.low, span=span)
    se = np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", turn, cov, turn), 0.0))
    k = p + 1 + (units.tray is not None)
    likelihood = log_likelihood(units, found.rss, found.ratio)
    aicc = -2 * likelihood + 2 * k + 2 * k * (k + 1) / (n - k - 1) if n - k - 1 > 0 else np.nan
    low, high = shape_limits(found, replace(units, x=inner_x), df)
    scale: Callable[[float], float] = (
        (lambda s: s / span) if curve == "saturating" else (lambda s: s * span + units.low)
    )
    return DoseCurve(
        curve,
        estimates,
        dict(zip(estimates, se, strict=True)),
        found.rss,
        df,
        float(aicc),
        float(likelihood),
        shape if curve in LEVELLING else np.nan,
        scale(low),
        scale(high),
        found,
        np.r_[beta[0], beta[q:]],
        units.low,
        span,
    )


def _by_shape(found: Inner, x: Array, b: float) -> Array:
    """Derivative of a levelling curve by its shape, in doses 0 .. 1."""
    s = found.shape
    if found.curve == "saturating":
        return np.asarray(-b * x * np.exp(-s * x))
    if found.curve == "linear plateau":
        return np.where(x > s, b, 0.0)
    return np.asarray(np.where(x < s, b * x**2 / (2 * s**2), b / 2))


def _covariance(jacobian: Array, variance: float) -> Array:
    size = np.sqrt((jacobian**2).sum(axis=0))
    p = jacobian.shape[1]
    if np.isnan(variance) or (size == 0).any() or np.linalg.matrix_rank(jacobian / size, tol=1e-9) < p:
        return np.full((p, p), np.nan)
    inverse = np.linalg.inv((jacobian / size).T @ (jacobian / size))
    return np.asarray(variance * inverse / np.outer(size, size))


def _in_given_doses(
    curve: str, beta: Array, shape: float, q: int, *, low: float, span: float
) -> tuple[dict[str, float], Array]:
    """Parameters for doses as given, and how they follow from the inner ones (levels, slopes, shape), to first
    order."""
    p = len(beta) + (curve in LEVELLING)
    shift, names = low / span, {"flat": "a", "linear": "ab", "quadratic": "abc"}.get(curve, "")
    a, rest = beta[0], beta[q:]
    if curve in ("flat", "linear", "quadratic"):
        b, c = (float(v) for v in np.r_[rest, 0.0, 0.0][:2])
        values = [a - b * shift + c * shift**2, (b - 2 * c * shift) / span, c / span**2]
        turn = np.zeros((3, p))
        turn[0, 0] = 1.0
        for at, column in ((q, (-shift, 1 / span, 0.0)), (q + 1, (shift**2, -2 * shift / span, 1 / span**2))):
            if at < p:
                turn[:, at] = column
        return dict(zip(names, map(float, values), strict=False)), turn[: len(names)]
    b, turn = float(rest[0]), np.zeros((3, p))
    turn[0, 0] = 1.0
    if curve == "saturating":
        with np.errstate(over="ignore", invalid="ignore"):
            rate, grown = shape / span, float(np.exp(shape * shift))
        turn[1, q], turn[1, q + 1], turn[2, q + 1] = -grown, -b * shift * grown, 1 / span
        return {"A": float(a), "B": float(-b * grown), "k": float(rate)}, turn
    x0 = shape * span + low
    turn[2, q + 1] = span
    if curve == "linear plateau":
        turn[0, q], turn[1, q] = -shift, 1 / span
        return {"a": float(a - b * shift), "b": b / span, "x0": float(x0)}, turn
    # Level and curvature at x0 stay the same: b/(2 x0) does, and so does a + b x0/2.
    whole = shape + shift
    slope = b * whole / shape
    turn[0, 0], turn[0, q], turn[0, q + 1] = 1.0, (shape - whole**2 / shape) / 2, b / 2 * shift**2 / shape**2
    turn[1, q], turn[1, q + 1] = whole / shape / span, -b * shift / shape**2 / span
    return {"a": float(a + b * shape / 2 - slope * whole / 2), "b": float(slope / span), "x0": float(x0)}, turn
