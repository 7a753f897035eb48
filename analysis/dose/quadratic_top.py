"""The top of a quadratic curve: where it is, how sure that is, and whether it is one at all.

In: `tidetray.analysis.dose.profile.Units`. Out: a `QuadraticTop` with limits by the delta method and by Fieller's
theorem, and a bootstrap of whole trays. It describes the quadratic; whether a top may be claimed also
hangs on the other curves (`tidetray.analysis.dose.fit`).

Fieller (1954, J R Stat Soc B 16:175-185, read in the article "Fieller's theorem" of Wikipedia and as R's package
mratios works it out, `t.test.ratio`): the doses t at which the slope b + 2 c t is not significantly different from
zero. They are a bounded interval only where the curvature itself is significant.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tidetray.analysis.base.arrays import Array
from tidetray.analysis.dose.profile import Units
from tidetray.analysis.stats.distributions import norm_sf, t_ppf, t_sf
from tidetray.analysis.stats.grouped_design import RandomTerm
from tidetray.analysis.stats.kenward_roger import KenwardRoger
from tidetray.analysis.stats.reml import fit_mixed, refit_resampled

BOOTSTRAPS = 2000
_TAIL = 0.025


@dataclass(frozen=True)
class QuadraticTop:
    """The turning point -b/(2c) of y = a + b x + c x², in the dose's unit; 95 % limits.

    `is_maximum`: it curves down. `fieller_low`, `fieller_high`: NaN where unbounded. `boot_low`, `boot_high`: NaN
    where too many bootstraps have no top. `df`: Kenward-Roger's where trays are a random effect.
    """

    x: float
    se_delta: float
    delta_low: float
    delta_high: float
    fieller_low: float
    fieller_high: float
    boot_low: float
    boot_high: float
    response: float
    response_se: float
    curvature_t: float
    curvature_p: float
    df: float
    is_maximum: bool

    @property
    def is_bounded(self) -> bool:
        return bool(np.isfinite(self.fieller_low))


def quadratic_top(units: Units, *, bootstraps: int = BOOTSTRAPS, seed: int = 1) -> QuadraticTop:
    """The top of the quadratic through `units`. ValueError unless there are more units than coefficients and three
    doses."""
    span = units.high - units.low
    x = (units.x - units.low) / span
    X = np.column_stack([units.levels, x, x**2])
    n, p = X.shape
    if n <= p or np.linalg.matrix_rank(X) < p:
        raise ValueError("a quadratic needs three different doses and more trays than coefficients")
    terms = [] if units.tray is None else [RandomTerm("tray", units.tray)]
    at = np.array([0, p - 2, p - 1])
    if terms:
        fit = fit_mixed(units.y, X, terms)
        beta, cov = fit.beta[at], fit.beta_cov[np.ix_(at, at)]
        df = float(KenwardRoger(fit).contrasts(np.eye(p)[-1:]).df[0])
    else:
        beta_all = np.linalg.lstsq(X, units.y, rcond=None)[0]
        df = float(n - p)
        variance = float(((units.y - X @ beta_all) ** 2).sum()) / df
        beta, cov = beta_all[at], (variance * np.linalg.inv(X.T @ X))[np.ix_(at, at)]
    a, b, c = beta
    q = float(t_ppf(1 - _TAIL, df))
    top = -b / (2 * c)
    slope = np.array([-1 / (2 * c), b / (2 * c**2)])
    se = float(np.sqrt(slope @ cov[1:, 1:] @ slope))
    low, high = fieller(b, c, cov[1:, 1:], q)
    height = np.array([1.0, top, top**2])
    t = c / np.sqrt(cov[2, 2])
    boot = _bootstrap_limits(units, X, terms, bootstraps=bootstraps, seed=seed, df=df)
    return QuadraticTop(
        x=units.low + span * top,
        se_delta=span * se,
        delta_low=units.low + span * (top - q * se),
        delta_high=units.low + span * (top + q * se),
        fieller_low=units.low + span * low,
        fieller_high=units.low + span * high,
        boot_low=units.low + span * boot[0],
        boot_high=units.low + span * boot[1],
        response=float(a - b**2 / (4 * c)),
        response_se=float(np.sqrt(height @ cov @ height)),
        curvature_t=float(t),
        curvature_p=float(2 * t_sf(abs(t), df)),
        df=df,
        is_maximum=bool(c < 0),
    )


def fieller(b: float, c: float, cov: Array, q: float) -> tuple[float, float]:
    """Limits of -b/(2c): where (b + 2 c t)² <= q² var(b + 2 c t); NaN if that is not one bounded interval.

    `cov`: covariance of (b, c); `q`: the quantile of t.
    """
    wide = q * q  # of a fraction of a degree of freedom beyond all numbers
    square = 4 * (c**2 - wide * cov[1, 1])
    if not square > 0:
        return np.nan, np.nan
    straight = 4 * (b * c - wide * cov[0, 1])
    constant = b**2 - wide * cov[0, 0]
    inside = straight**2 - 4 * square * constant
    if inside < 0:
        return np.nan, np.nan
    ends = (-straight + np.array([-1.0, 1.0]) * np.sqrt(inside)) / (2 * square)
    return float(ends[0]), float(ends[1])


def _bootstrap_limits(
    units: Units, X: Array, terms: list[RandomTerm], *, bootstraps: int, seed: int, df: float
) -> tuple[float, float]:
    """Limits of the top from `bootstraps` sets of trays drawn with replacement, in doses 0 .. 1.

    The percentiles are widened as Hesterberg (2014, arXiv:1411.5279) advises for a mean, read in the help of his R
    package resample 0.6 (`ExpandProbs`): resampling few trays shows too little spread, by t's quantile against the
    normal's and by the root of n/(n - 1). That n - p, of a curve, takes the place of n - 1 is ours.
    """
    if bootstraps < 200:
        return np.nan, np.nan
    tray = np.arange(len(units.y)) if units.tray is None else units.tray
    n = len(np.unique(tray))
    rng = np.random.default_rng(seed)
    counts = rng.multinomial(n, np.full(n, 1 / n), size=bootstraps)
    p = X.shape[1]
    if terms:
        # A draw needs trays enough to tell the tray's variance from the rest.
        counts = counts[(counts > 0).sum(axis=1) >= min(3, n)]
    products = np.einsum("ni,nj->nij", X, X).reshape(len(X), -1)
    moments = (counts[:, tray] @ products).reshape(-1, p, p)
    solvable = np.linalg.cond(moments) < 1e10  # the trays drawn had three doses, and rows in every trial and run
    if solvable.sum() < bootstraps / 2:
        return np.nan, np.nan
    if terms:
        beta = refit_resampled(units.y, X, terms, tray, counts[solvable])
    else:
        sides = counts[solvable] @ (X * units.y[:, None])
        beta = np.linalg.solve(moments[solvable], sides[..., None])[..., 0]
    slope, curvature = beta[:, -2], beta[:, -1]
    downward = np.sign(curvature) == np.sign(np.median(curvature))
    if downward.mean() < 1 - _TAIL:
        return np.nan, np.nan
    wide = float(t_ppf(1 - _TAIL, df)) * np.sqrt(n / max(n - p, 1))
    tail = float(norm_sf(wide))
    tops = -slope[downward] / (2 * curvature[downward])
    return float(np.quantile(tops, tail)), float(np.quantile(tops, 1 - tail))
