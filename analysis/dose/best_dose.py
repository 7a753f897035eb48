"""Whether growth is best inside the tested doses, and between which of them: a claim that holds for any unimodal curve.

In: `Units` and the shapes weighed against them (`tidetray.analysis.dose.draws`). Out: an `Orders`: what is excluded of
rising all the way, falling all the way and no effect; and the tested doses between which the best lies.

1. For every gap between neighbouring doses, the residual sum of squares of the best curve that rises up to it and
   falls after it (`tidetray.analysis.stats.unimodal`). The orders "falling all the way" (gap 0), "rising all the way"
   (gap k) and "flat" are excluded where they lose more than chance does: more than in 95 % of trials of a flat truth
   simulated for these doses and trays. Flat is the hardest truth of a monotone one.
2. Where: places whose best shape (`tidetray.analysis.dose.shapes`) is within F(0.95; 1, df) variances of the least.
3. That interval is rounded outwards to tested doses: where nothing was tested, nothing says where the best lies. An
   end at a tested dose goes on to the next one, and the gaps on both sides of the best dose of step 1 always belong to
   it: that growth is best at 12 of 9, 12, 15 says no more than between 9 and 15. This is also what keeps the claim
   right with many trays, when any finite family of shapes becomes too narrow.

Trials, runs of a crossover and trays that went through several doses each have a level of their own. What is left of
the doses beside these levels is no longer one mean for each dose with a weight of its own, so that the best curve is
found as increments that are zero or more before the gap and zero or less after it (least squares with signs, Lawson and
Hanson 1974, `scipy.optimize.nnls`), and chance is simulated for the same design.

Variance: between trays of one dose where that has 4 degrees of freedom, else pooled with pseudo-residuals of
neighbouring doses (Gasser, Sroka and Jennen-Steinmetz 1986, Biometrika 73:625-633, read as R's package twostageTE 1.3
writes them out, `estimateSigmaSq`; the unequal numbers of trays are ours). They count curvature as scatter, which errs
on the side of claiming less. Assumed: one best, and trays that scatter equally.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
import scipy

from tidetray.analysis.base.arrays import Array, Codes
from tidetray.analysis.dose.draws import Plausible
from tidetray.analysis.dose.shapes import KINDS
from tidetray.analysis.stats.distributions import f_ppf
from tidetray.analysis.stats.unimodal import rss_by_gap

LEVEL = 0.95
ENOUGH_DF = 4

POWER = 0.8
"""How often a difference must show to count as one that would have been found."""

_SIMULATED = 4000
_SIMULATED_BESIDE = 2000
"""Where there are levels: each gap of each simulated trial is fitted alone."""

_NEVER = 1e4
_TINY = 1e-9


@dataclass(frozen=True)
class Orders:
    """What the trays exclude.

    `rises`, `falls`, `differs`: True where "falling all the way", "rising all the way" and "flat" are excluded, in
    this order: so growth does rise somewhere, does fall somewhere, does depend on the dose. `low`, `high`: the tested
    doses between which the best lies, whether a claim is made or not. `tested`: distinct doses; `trays`: how many each
    had; `means`: their mean response. `difference_var` (k, k): the variance of the difference of each two of them, in
    variances of a tray; infinite where they were never compared beside the levels. `sigma`, `df`: standard deviation of
    a tray, and what it rests on. `findable`: the difference between the ends of a straight line that would have shown
    as an effect four times of five.
    """

    rises: bool
    falls: bool
    differs: bool
    low: float
    high: float
    tested: Array
    trays: Array
    means: Array
    difference_var: Array
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
    pure, df_pure = _pure(y, levels, group)
    if levels.shape[1]:
        beside = _beside(levels, group)
        u = beside.onto.T @ y
        mean, by_gap, flat = beside.means(u), beside.lost_by_gap(u), float(u @ u)
        steps = tuple(map(tuple, np.round(beside.steps, 12)))
        limits = _quantiles_beside(steps, tuple(trays), tuple(_relative_gaps(tested)), int(df_pure))
        difference_var, narrower = beside.difference_var, beside.weaker(tested, trays)
    else:
        mean = np.bincount(group, y) / trays
        by_gap = rss_by_gap(mean[None, :], trays)[0]
        flat = _residual(y, np.ones((len(y), 1))) - pure
        limits = _quantiles(tuple(trays), tuple(_relative_gaps(tested)), int(df_pure))
        difference_var, narrower = 1 / trays[:, None] + 1 / trays, 1.0
    variance = _variance(pure, df_pure, mean[None, :], tested, trays)[0]
    least, v = float(by_gap.min()), max(variance, 1e-300)
    falling, rising, level = (by_gap[0] - least) / v, (by_gap[-1] - least) / v, (flat - least) / v
    low, high = _where(found, variance, df_pure if df_pure >= ENOUGH_DF else 0.0)
    modes = np.flatnonzero(by_gap <= least + 1e-9 * max(float(by_gap.max()), 1e-300))
    near = 1e-6 * found.span
    findable = narrower
    if np.isfinite(narrower):
        findable *= float(np.sqrt(variance)) * _findable(tuple(trays), tuple(_relative_gaps(tested)), int(df_pure))
    return Orders(
        rises=bool(falling > limits[0]),
        falls=bool(rising > limits[1]),
        differs=bool(level > limits[2]),
        low=float(tested[max(min(int((tested < low - near).sum()), modes[0]) - 1, 0)]),
        high=float(tested[min(max(int((tested <= high + near).sum()), modes[-1]), len(tested) - 1)]),
        tested=tested,
        trays=trays,
        means=np.asarray(sign * mean),
        difference_var=difference_var,
        sigma=float(np.sqrt(variance)),
        df=float(df_pure if df_pure >= ENOUGH_DF else max(df_pure + len(tested) - 2, 1)),
        findable=findable,
    )


def _levels(found: Plausible) -> Array:
    """Columns of what is compared within only: trials or runs, and trays where a dose varied inside them. No column of
    ones."""
    trials, tray = found.units.levels[:, 1:], found.units.tray
    if tray is None:
        return trials
    return np.column_stack([trials, tray[:, None] == np.arange(1, tray.max() + 1)]).astype(float)


@dataclass(frozen=True)
class _Beside:
    """Doses beside levels. `onto` (n, r): coordinates of what doses can explain that levels cannot; `steps` (r, k - 1):
    in these, a step up from each dose to the next."""

    onto: Array
    steps: Array

    def lost_by_gap(self, u: Array) -> Array:
        """What the best curve with each gap leaves of coordinates `u`: (k + 1,)."""
        return np.array(
            [scipy.optimize.nnls(up, onto @ u)[1] ** 2 if up.size else _ss(onto @ u) for up, onto in self._signed]
        )

    @cached_property
    def _signed(self) -> list[tuple[Array, Array]]:
        """For each gap the steps turned so that none may be below zero, beside the step that may be either."""
        out = []
        for gap in range(self.steps.shape[1] + 2):
            free = self.steps[:, gap - 1 : gap] if 1 <= gap <= self.steps.shape[1] else self.steps[:, :0]
            q = np.linalg.svd(free)[0][:, np.linalg.matrix_rank(free, tol=_TINY) :] if free.size else np.eye(len(free))
            held = np.delete(np.arange(self.steps.shape[1]), [gap - 1] if free.shape[1] else [])
            out.append((q.T @ (self.steps[:, held] * np.where(held < gap - 1, 1.0, -1.0)), q.T))
        return out

    @cached_property
    def _back(self) -> Array:
        """From coordinates to the doses' means, the first one zero: (k, r)."""
        steps = np.linalg.pinv(self.steps, rcond=_TINY)
        return np.asarray(np.vstack([np.zeros(steps.shape[1]), np.cumsum(steps, axis=0)]))

    def means(self, u: Array) -> Array:
        return self._back @ u

    @cached_property
    def difference_var(self) -> Array:
        """As in `Orders`: of a difference that levels hide nothing is known."""
        k = self.steps.shape[1] + 1
        above = np.tri(k, k - 1, -1)  # how many steps lead up to each dose
        part = above[:, None, :] - above[None, :, :]
        hidden = part - part @ np.linalg.pinv(self.steps, rcond=_TINY) @ self.steps
        back = self._back[:, None, :] - self._back[None, :, :]
        known = (back**2).sum(axis=2)
        return np.where((hidden**2).sum(axis=2) > _TINY, np.inf, known)

    def weaker(self, tested: Array, trays: Array) -> float:
        """By how much the rise of a straight line over the doses is known less well than without levels."""
        seen = _ss(self.steps @ np.diff(tested))
        alone = float(trays @ (tested - trays @ tested / trays.sum()) ** 2)
        return float(np.sqrt(alone / seen)) if seen > _TINY * alone else float("inf")


def _ss(values: Array) -> float:
    return float(values @ values)


def _beside(levels: Array, group: Codes) -> _Beside:
    ones = np.column_stack([np.ones(len(group)), levels])
    u, size, _ = np.linalg.svd(ones, full_matrices=False)
    known = u[:, size > _TINY * size[0]]
    steps = (group[:, None] > np.arange(group.max())).astype(float)
    left = steps - known @ (known.T @ steps)
    onto, size, _ = np.linalg.svd(left, full_matrices=False)
    onto = onto[:, size > _TINY * np.sqrt(len(group))]
    return _Beside(np.asarray(onto), np.asarray(onto.T @ left))


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


@lru_cache(maxsize=512)
def _quantiles(trays: tuple[float, ...], gaps: tuple[float, ...], df_pure: int) -> tuple[float, float, float]:
    """95 % quantiles of what falling, rising and flat lose where the truth is flat, simulated for a design."""
    lost = _lost_by_orders(trays, gaps, df_pure, 0.0, _SIMULATED)
    falling, rising, level = np.quantile(lost, LEVEL, axis=0)
    return float(falling), float(rising), float(level)


@lru_cache(maxsize=512)
def _quantiles_beside(
    steps: tuple[tuple[float, ...], ...], trays: tuple[float, ...], gaps: tuple[float, ...], df_pure: int
) -> tuple[float, float, float]:
    """The same where there are levels; `steps` as in `_Beside`. Infinite where levels leave nothing that tells how much
    trays differ."""
    r = len(steps)
    beside = _Beside(np.eye(r), np.array(steps).reshape(r, len(gaps)))
    rng = np.random.default_rng(20)
    u = rng.standard_normal((_SIMULATED_BESIDE, r))
    pure = rng.chisquare(df_pure, len(u)) if df_pure else np.zeros(len(u))
    by_gap = np.array([beside.lost_by_gap(each) for each in u])
    mean, tested = np.array([beside.means(each) for each in u]), np.r_[0.0, np.cumsum(gaps)]
    variance = _variance(pure, df_pure, mean, tested, np.array(trays))
    if not variance.min() > _TINY:
        return np.inf, np.inf, np.inf
    lost = np.column_stack([by_gap[:, 0], by_gap[:, -1], (u**2).sum(axis=1)]) - by_gap.min(axis=1)[:, None]
    falling, rising, level = np.quantile(lost / variance[:, None], LEVEL, axis=0)
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
    return float(scipy.optimize.brentq(missing, 0.0, high, xtol=0.01))


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


def _where(found: Plausible, variance: float, df_pure: float) -> tuple[float, float]:
    """The places, in doses as given, whose best shape is nearly as good as the best of all.

    Without enough trays of one dose (`df_pure` 0) neither estimate of the scatter is to be had alone: what the best
    of many shapes leaves is too little, and neighbouring doses count curvature as scatter. Their mean, and no less than
    the former.
    """
    inside = found.family.kind == KINDS.index("inside")
    place, rss = found.family.place[inside], found.rss[inside]
    least, df = float(rss.min()), df_pure
    if not df_pure:
        df = float(max(found.df - 4, 1))
        variance = max(least / df, (least / df + variance) / 2)
    keep = place[rss <= least + variance * float(f_ppf(LEVEL, 1, df))]
    return found.low + found.span * float(keep.min()), found.low + found.span * float(keep.max())
