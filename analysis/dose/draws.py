"""Plausible curves: which shapes agree with the trays, and draws of what growth may be at any dose.

In: `Units` and a `Family` of shapes. Out: `Plausible`: the weight of every shape, expected growth, draws (a row a
curve, a column a dose); and what follows from draws: a band, the chance that a dose is the best, what following one
may cost.

A curve is level + height g(dose) + a tray's scatter. Given the scatter's standard deviation, the height has a half
normal prior as wide as the range of the trays, the levels a flat one, so that each shape's weight is a closed form;
the standard deviation runs over a grid. That is all of it: no chain, no start, the same answer every time. It knows no
prior of growers; outside the tested doses it is an extrapolation, and as wide as that.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import scipy

from tidetray.analysis.base.arrays import Array
from tidetray.analysis.dose.profile import Units, whitened
from tidetray.analysis.dose.shapes import Family, family, places

NEAR_BEST = 0.02
"""A dose whose growth lacks at most this part of the best counts as good as the best."""

_SIGMAS = 13


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

    def chance_best(self, sign: int = 1) -> Array:
        """Chance of each dose to be the best of these doses; doses that tie in a draw share it."""
        values = sign * self.values
        span = np.ptp(values, axis=1, keepdims=True)
        tied = values >= values.max(axis=1, keepdims=True) - 1e-9 * np.maximum(span, 1e-300)
        return np.asarray((tied / tied.sum(axis=1, keepdims=True)).mean(axis=0))

    def loss(self, at: int, sign: int = 1) -> Array:
        """What following dose `at` loses in each draw, as a part of the best of these doses."""
        values = sign * self.values
        best = values.max(axis=1)
        return np.asarray((best - values[:, at]) / np.maximum(np.abs(best), 1e-300))


@dataclass(frozen=True)
class Plausible:
    """The shapes weighed against `units`.

    `units`: doses as given; `sign`: -1 where the least response is best; `low`, `span`: what brings doses to 0 .. 1.
    `rss` (shapes,): least residual sum of squares with a height of zero or more.
    """

    units: Units
    sign: int
    family: Family
    low: float
    span: float
    rss: Array
    along: Array
    size: Array
    total: float
    scale: float
    ratio: float

    @property
    def df(self) -> int:
        """Units less levels."""
        return int(len(self.units.y) - self.units.levels.shape[1])

    @cached_property
    def _sigma(self) -> Array:
        high = np.sqrt(self.total / self.df) * 1.3
        low = max(0.7 * np.sqrt(float(self.rss.min()) / self.df), 1e-3 * high)
        return np.geomspace(low, high, _SIGMAS)

    @cached_property
    def _heights(self) -> tuple[Array, Array]:
        """Mean and variance of the height before it is held to zero or more: (shapes, sigmas)."""
        precise = self.size[:, None] / self._sigma**2 + 1 / self.scale**2
        return self.along[:, None] / self._sigma**2 / precise, 1 / precise

    @cached_property
    def weights(self) -> Array:
        """(shapes, sigmas), sums to 1."""
        mean, var = self._heights
        log = np.log(self.family.prior)[:, None] - self.df * np.log(self._sigma) - self.total / (2 * self._sigma**2)
        log = log + mean**2 / (2 * var) + 0.5 * np.log(var / self.scale**2)
        log = log + scipy.special.log_ndtr(mean / np.sqrt(var))
        weight = np.exp(log - log.max())
        return np.asarray(weight / weight.sum())

    @cached_property
    def _levels(self) -> tuple[float, Array, float]:
        """Level without a curve, what a shape takes from it per height, and its variance over that of a unit."""
        levels, y, z = self._whitened
        spread = np.linalg.inv(levels.T @ levels)
        pull = spread[0] @ levels.T
        return float(pull @ y), np.asarray(pull @ z), float(spread[0, 0])

    @property
    def _whitened(self) -> tuple[Array, Array, Array]:
        z = self.family.at((self.units.x - self.low) / self.span)
        each = (self.units.levels, self.sign * self.units.y, z)
        levels, y, z = (whitened(v, self.units.tray, self.ratio) for v in each)
        return levels, y, z

    def inside(self, doses: Array) -> Array:
        """Shapes at `doses` as given."""
        return self.family.at((np.asarray(doses, dtype=float) - self.low) / self.span)

    def expected(self, doses: Array) -> Array:
        """Expected response at `doses`, without the chance of draws."""
        level, taken, _ = self._levels
        return np.asarray(self.sign * (level - taken @ self._height + self.inside(doses) @ self._height))

    @cached_property
    def _height(self) -> Array:
        """Expected height of each shape times its weight: means of normals held to zero or more."""
        mean, var = self._heights
        t = mean / np.sqrt(var)
        held = mean + np.sqrt(var) * np.exp(-0.5 * t**2 - 0.5 * np.log(2 * np.pi) - scipy.special.log_ndtr(t))
        return np.asarray((self.weights * held).sum(axis=1))

    def draws(self, doses: Array, *, draws: int = 2000, seed: int = 1) -> Draws:
        rng = np.random.default_rng(seed)
        cumulated = np.cumsum(self.weights.ravel())
        at = np.minimum(np.searchsorted(cumulated, rng.random(draws) * cumulated[-1]), len(cumulated) - 1)
        shape, which = np.divmod(at, len(self._sigma))
        mean, var = (v[shape, which] for v in self._heights)
        sigma = self._sigma[which]
        root = np.sqrt(var)
        below = np.log(rng.uniform(1e-12, 1, draws)) + scipy.special.log_ndtr(mean / root)
        height = mean - root * scipy.special.ndtri_exp(below)
        level, taken, spread = self._levels
        base = level - taken[shape] * height + sigma * np.sqrt(spread) * rng.standard_normal(draws)
        used, back = np.unique(shape, return_inverse=True)
        values = base[:, None] + height[:, None] * self.inside(doses)[:, used].T[back]
        return Draws(self.sign * values, sigma)


def plausible(units: Units, *, sign: int = 1, ratio: float = 0.0, tested: Array | None = None) -> Plausible:
    """Weigh all shapes against `units`.

    Parameters
    ----------
    units : doses and responses; one entry a tray, or a pot where `units.tray` says which tray it stood on.
    sign : -1 where the least response is best.
    ratio : variance between trays over that within, where `units.tray` is given.
    tested : the distinct doses, where units' own differ by less than trays can hold. Default: the units' own.

    Raises
    ------
    ValueError
        Where the trays are too few, or all responses are equal.
    """
    low, span = units.low, units.high - units.low
    tested = np.unique(units.x) if tested is None else tested
    shapes = family(tuple(np.round(places((tested - low) / span), 9)))
    q = np.linalg.qr(whitened(units.levels, units.tray, ratio))[0]
    y = whitened(sign * units.y, units.tray, ratio)
    y = y - q @ (q.T @ y)
    z = whitened(shapes.at((units.x - low) / span), units.tray, ratio)
    z = z - q @ (q.T @ z)
    total, size, along = float(y @ y), (z**2).sum(axis=0), z.T @ y
    if len(units.y) - q.shape[1] < 2 or total <= 1e-24 * max(float((units.y**2).sum()), 1e-300):
        raise ValueError("the trays are too few, or all grew the same: curves cannot be compared")
    # What the levels already explain adds nothing: dividing by its rounding would.
    seen = size > 1e-12 * len(units.y)
    rss = total - np.where(seen, np.maximum(along, 0.0) ** 2 / np.where(seen, size, 1.0), 0.0)
    return Plausible(units, sign, shapes, low, span, np.maximum(rss, 0.0), along, size, total, float(np.ptp(y)), ratio)
