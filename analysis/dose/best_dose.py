"""Whether growth is best inside the tested doses, and between which of them: a claim that holds for any unimodal curve.

In: `Units` and the shapes weighed against them (`tidetray.analysis.dose.draws`). Out: an `Orders`: what is excluded of
rising all the way, falling all the way and no effect; and the tested doses between which the best lies.

1. For every gap between neighbouring doses, the residual sum of squares of the best curve that rises up to it and
   falls after it (`tidetray.analysis.stats.unimodal`). The orders "falling all the way" (gap 0), "rising all the way"
   (gap k) and "flat" are excluded where they lose more than chance does: more than in 95 % of trials of a flat truth
   simulated for these doses and trays. Flat is the hardest truth of a monotone one.
2. Where: places whose best shape (`tidetray.analysis.dose.shapes`) is within F(0.95; 1, df) of the least.
3. That interval is rounded outwards to tested doses: where nothing was tested, nothing says where the best lies. An
   end at a tested dose goes on to the next one, and the gaps on both sides of the best dose of step 1 always belong to
   it: that growth is best at 12 of 9, 12, 15 says no more than between 9 and 15. This is also what keeps the claim
   right with many trays, when any finite family of shapes becomes too narrow.

Variance: between trays of one dose where that has 4 degrees of freedom, else pooled with pseudo-residuals of
neighbouring doses (Gasser, Sroka and Jennen-Steinmetz 1986, Biometrika 73:625-633, from memory). They count curvature
as scatter, which errs on the side of claiming less. Assumed: one best, and trays that scatter equally.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.optimize import brentq
from scipy.stats import f as f_distribution

from tidetray.analysis.base.arrays import Array, Codes
from tidetray.analysis.dose.draws import Plausible
from tidetray.analysis.dose.shapes import KINDS
from tidetray.analysis.stats.unimodal import fit_with_gap, rss_by_gap

LEVEL = 0.95
ENOUGH_DF = 4

POWER = 0.8
"""How often a difference must show to count as one that would have been found."""

_SIMULATED = 4000
_NEVER = 1e4
_BACKFITS = 12


@dataclass(frozen=True)
class Orders:
    """What the trays exclude.

    `rises`, `falls`, `differs`: True where "falling all the way", "rising all the way" and "flat" are excluded, in
    this order: so growth does rise somewhere, does fall somewhere, does depend on the dose. `low`, `high`: the tested
    doses between which the best lies, whether a claim is made or not. `tested`: distinct doses; `trays`: how many each
    had; `means`: their mean response. `sigma`, `df`: standard deviation of a tray, and what it rests on. `findable`:
    the difference between the ends of a straight line that would have shown as an effect four times of five.
    """

    rises: bool
    falls: bool
    differs: bool
    low: float
    high: float
    tested: Array
    trays: Array
    means: Array
    sigma: float
    df: float
    findable: float

    @property
    def inside(self) -> bool:
        return self.rises and self.falls

    @property
    def narrowed(self) -> bool:
        """The best is known more closely than "somewhere in what was tested"."""
        return self.inside and (self.low > self.tested[0] or self.high < self.tested[-1])


def group_doses(x: Array, step: float) -> tuple[Array, Codes]:
    """Distinct doses, of which those within `step` of each other count as one: their means, and the group of each."""
    order = np.argsort(x, kind="stable")
    group, start, at = np.zeros(len(x), dtype=np.intp), x[order[0]], 0
    for i in order:
        if x[i] - start > step + 1e-9 * abs(start):
            at, start = at + 1, x[i]
        group[i] = at
    return np.asarray(np.bincount(group, x) / np.bincount(group)), group


def find_orders(found: Plausible, step: float) -> Orders:
    """Judge the orders on the trays of `found`; doses within `step` are one dose. Needs three distinct doses."""
    units, sign = found.units, found.sign
    tested, group = group_doses(units.x, step)
    y, levels = sign * units.y, _levels(found)
    trays = np.bincount(group).astype(float)
    shifted = y - levels @ _level_shifts(found, levels, y)
    mean = np.bincount(group, shifted) / trays
    pure, df_pure = _pure(y, levels, group)
    variance = _variance(pure, df_pure, mean[None, :], tested, trays)[0]
    by_gap = _backfitted(y, levels, group, trays, mean)
    flat = _residual(y, np.column_stack([np.ones(len(y)), levels])) - pure
    design = (tuple(trays), tuple(_relative_gaps(tested)), int(df_pure))
    limits = _quantiles(*design)
    least, v = float(by_gap.min()), max(variance, 1e-300)
    falling, rising, level = (by_gap[0] - least) / v, (by_gap[-1] - least) / v, (flat - least) / v
    low, high = _where(found, variance if df_pure >= ENOUGH_DF else np.nan, df_pure)
    modes = np.flatnonzero(by_gap <= least + 1e-9 * max(float(by_gap.max()), 1e-300))
    near = 1e-6 * found.span
    return Orders(
        rises=bool(falling > limits[0]),
        falls=bool(rising > limits[1]),
        differs=bool(level > limits[2]),
        low=float(tested[max(min(int((tested < low - near).sum()), modes[0]) - 1, 0)]),
        high=float(tested[min(max(int((tested <= high + near).sum()), modes[-1]), len(tested) - 1)]),
        tested=tested,
        trays=trays,
        means=np.asarray(sign * mean),
        sigma=float(np.sqrt(variance)),
        df=float(df_pure if df_pure >= ENOUGH_DF else max(df_pure + len(tested) - 2, 1)),
        findable=float(np.sqrt(variance)) * _findable(*design),
    )


def _levels(found: Plausible) -> Array:
    """Columns of what is compared within only: trials, and trays where a dose varied inside them. No column of ones."""
    tray = found.units.tray
    if tray is None:
        return found.units.levels[:, 1:]
    return np.asarray((tray[:, None] == np.arange(1, tray.max() + 1)).astype(float))


def _level_shifts(found: Plausible, levels: Array, y: Array) -> Array:
    """The levels beside the expected curve: what starts the backfitting."""
    if not levels.shape[1]:
        return np.zeros(0)
    away = y - found.sign * found.expected(found.units.x)
    X = np.column_stack([np.ones(len(y)), levels])
    return np.asarray(np.linalg.lstsq(X, away, rcond=None)[0][1:])


def _residual(y: Array, X: Array) -> float:
    return float(((y - X @ np.linalg.lstsq(X, y, rcond=None)[0]) ** 2).sum())


def _pure(y: Array, levels: Array, group: Codes) -> tuple[float, float]:
    """Sum of squares beside levels and a mean of each dose, and its degrees of freedom."""
    X = np.column_stack([(group[:, None] == np.arange(group.max() + 1)).astype(float), levels])
    return _residual(y, X), float(len(y) - np.linalg.matrix_rank(X))


def _relative_gaps(tested: Array) -> Array:
    return np.asarray(np.round(np.diff(tested) / (tested[-1] - tested[0]), 3))


def _variance(pure: Array | float, df: float, mean: Array, tested: Array, trays: Array) -> Array:
    """Variance of a tray for rows of dose means (m, k)."""
    if df >= ENOUGH_DF:
        return np.asarray(pure / df + np.zeros(len(mean)))
    gap = np.diff(tested)
    a = gap[1:] / (gap[1:] + gap[:-1])
    off = a * mean[:, :-2] + (1 - a) * mean[:, 2:] - mean[:, 1:-1]
    size = a**2 / trays[:-2] + (1 - a) ** 2 / trays[2:] + 1 / trays[1:-1]
    return np.asarray((pure + (off**2 / size).sum(axis=1)) / (df + len(tested) - 2))


def _backfitted(y: Array, levels: Array, group: Codes, trays: Array, mean: Array) -> Array:
    """Residual sums of squares by gap, beyond the pure error; with levels, each gap finds its own levels by turns."""
    start = rss_by_gap(mean[None, :], trays)[0]
    if not levels.shape[1]:
        return np.asarray(start)
    X = np.column_stack([np.ones(len(y)), levels])
    pure = _pure(y, levels, group)[0]
    out = np.empty(len(start))
    for gap in range(len(start)):
        means = mean
        for _ in range(_BACKFITS):
            curve = fit_with_gap(means, trays, gap)[group]
            beta = np.linalg.lstsq(X, y - curve, rcond=None)[0]
            means = np.bincount(group, y - levels @ beta[1:]) / trays
        out[gap] = float(((y - levels @ beta[1:] - fit_with_gap(means, trays, gap)[group]) ** 2).sum()) - pure
    return out


@lru_cache(maxsize=512)
def _quantiles(trays: tuple[float, ...], gaps: tuple[float, ...], df_pure: int) -> tuple[float, float, float]:
    """95 % quantiles of what falling, rising and flat lose where the truth is flat, simulated for a design."""
    lost = _lost_by_orders(trays, gaps, df_pure, 0.0, _SIMULATED)
    falling, rising, level = np.quantile(lost, LEVEL, axis=0)
    return float(falling), float(rising), float(level)


@lru_cache(maxsize=512)
def _findable(trays: tuple[float, ...], gaps: tuple[float, ...], df_pure: int) -> float:
    """Rise of a straight line over the tested doses, in standard deviations of a tray, that POWER of simulated trials
    tell from flat."""
    limit = _quantiles(trays, gaps, df_pure)[2]

    def missing(rise: float) -> float:
        return float(np.mean(_lost_by_orders(trays, gaps, df_pure, rise, _SIMULATED // 4)[:, 2] > limit)) - POWER

    high = 2.0
    while missing(high) < 0:
        high *= 2
        if high > _NEVER:
            return float("inf")
    return float(brentq(missing, 0.0, high, xtol=0.01))


def _lost_by_orders(trays: tuple[float, ...], gaps: tuple[float, ...], df_pure: int, rise: float, times: int) -> Array:
    """What falling, rising and flat lose in simulated trials of a line that rises by `rise`, in variances: (times, 3).

    The same chance for every rise.
    """
    rng = np.random.default_rng(20)
    n, k = np.array(trays), len(trays)
    tested = np.r_[0.0, np.cumsum(gaps)]
    mean = rng.standard_normal((times, k)) / np.sqrt(n) + rise * tested / tested[-1]
    pure = rng.chisquare(df_pure, times) if df_pure else np.zeros(times)
    by_gap = rss_by_gap(mean, n)
    flat = (n * (mean - (mean @ n / n.sum())[:, None]) ** 2).sum(axis=1)
    least, variance = by_gap.min(axis=1), _variance(pure, df_pure, mean, tested, n)
    return np.asarray((np.column_stack([by_gap[:, 0], by_gap[:, -1], flat]) - least[:, None]) / variance[:, None])


def _where(found: Plausible, variance: float, df: float) -> tuple[float, float]:
    """The places, in doses as given, whose best shape is nearly as good as the best of all."""
    inside = found.family.kind == KINDS.index("inside")
    place, rss = found.family.place[inside], found.rss[inside]
    least = float(rss.min())
    if not np.isfinite(variance):
        df = float(max(found.df - 4, 1))
        variance = least / df
    keep = place[rss <= least + variance * float(f_distribution.ppf(LEVEL, 1, df))]
    return found.low + found.span * float(keep.min()), found.low + found.span * float(keep.max())
