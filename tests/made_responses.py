"""Made-up nurseries whose true response to dry hours is known: for the verdict, the next trial and the bench."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from tidetray.analysis.base.arrays import Array

KINDS = {"peaked": "top", "flat": "flat", "plateau": "levels off", "edge": "go further"}
"""Kind of nursery -> the finding that is right."""

LEVEL = 0.045
"""Growth at the best dose [1/day]."""


@dataclass(frozen=True)
class MadeNursery:
    """`growth`: true growth [1/day] at dry hours a day; trays differ by `tray_cv` of LEVEL."""

    kind: str
    growth: Callable[[Array], Array]
    tray_cv: float


def made_nursery(kind: str, seed: int, *, tray_cv: float = 0.08) -> MadeNursery:
    """Peaked: a parabola with its top at 6 to 18 h. Plateau: rising to 8 to 14 h, with or without a kink, or level and
    then falling. Edge: a line, or a parabola with its top 4 to 12 h beyond what can be tested. Effects of 30 to 70
    %."""
    rng = np.random.default_rng([seed, 0])
    fall, bent = rng.uniform(0.3, 0.7), rng.random() < 0.5
    if kind == "flat":
        return MadeNursery(kind, lambda x: np.full(len(x), LEVEL), tray_cv)
    if kind == "peaked":
        top = rng.uniform(6, 18)
        return MadeNursery(kind, lambda x: LEVEL * (1 - fall * ((x - top) / 12) ** 2), tray_cv)
    turned = rng.random() < 0.5
    if kind == "plateau":
        join = rng.uniform(8, 14)

        def levelling(x: Array) -> Array:
            u = np.minimum(24 - x if turned else x, join) / join
            return np.asarray(LEVEL * (1 - fall * (1 - (2 * u - u**2 if bent else u))))

        return MadeNursery(kind, levelling, tray_cv)
    top = rng.uniform(28, 36)

    def rising(x: Array) -> Array:
        z = 24 - x if turned else x
        return np.asarray(LEVEL * (1 - fall * (((z - top) / top) ** 2 if bent else 1 - z / 24)))

    return MadeNursery(kind, rising, tray_cv)


def grow(nursery: MadeNursery, doses: Array, rng: np.random.Generator, *, trial: str = "1") -> pd.DataFrame:
    """A trial: a row per tray, with a level of its own for the trial."""
    level = rng.normal(0, 0.05 * LEVEL)
    scatter = rng.normal(0, nursery.tray_cv * LEVEL, len(doses))
    return pd.DataFrame(
        {
            "trial": trial,
            "tray": [f"tray-{n + 1}" for n in range(len(doses))],
            "dry_h_day": doses,
            "rgr_per_day": nursery.growth(doses) + level + scatter,
        }
    )


@dataclass(frozen=True)
class Curve:
    """A true response that is no parabola: `growth` at dry hours 0 to 24, 1 at its best; best from `low` to `high`.

    NaN where there is no best inside.
    """

    name: str
    growth: Callable[[Array], Array]
    low: float = np.nan
    high: float = np.nan

    @property
    def has_best(self) -> bool:
        return bool(np.isfinite(self.low))

    def best_in(self, low: float, high: float) -> bool:
        """Whether doses `low` to `high` hold a best one."""
        return bool(low <= self.high and high >= self.low)


def _tent(top: float, left: float, right: float) -> Callable[[Array], Array]:
    return lambda x: np.where(x < top, 1 - left * (top - x) / top, 1 - right * (x - top) / (24 - top))


def _bell(top: float, left: float, right: float, base: float) -> Callable[[Array], Array]:
    return lambda x: base + (1 - base) * np.exp(-0.5 * ((x - top) / np.where(x < top, left, right)) ** 2)


def _beta(top: float, steep: float, base: float) -> Callable[[Array], Array]:
    other = steep * (24 - top) / top
    return lambda x: base + (1 - base) * (x / top) ** steep * ((24 - x) / (24 - top)) ** other


CURVES = (
    Curve("parabola", lambda x: 1 - 0.5 * ((x - 14.4) / 14.4) ** 2, 14.4, 14.4),
    Curve("asymmetric", _bell(18, 14, 6, 0.2), 18, 18),
    Curve("bell", _bell(12, 6, 6, 0.4), 12, 12),
    Curve("split bell", _bell(17, 8, 3, 0.4), 17, 17),
    Curve("tent early", _tent(8, 0.5, 0.5), 8, 8),
    Curve("tent late", _tent(18, 0.6, 0.6), 18, 18),
    Curve("beta early", _beta(6, 1.0, 0.3), 6, 6),
    Curve("beta late", _beta(19, 3.8, 0.2), 19, 19),
    Curve("gamma-like", lambda x: 0.4 + 0.6 * (x / 7) ** 2 * np.exp(2 * (1 - x / 7)), 7, 7),
    Curve("cliff", lambda x: np.where(x <= 20, 0.5 + 0.5 * x / 20, 0.35), 20, 20),
    Curve("flat top", lambda x: 1 - 0.5 * np.maximum(np.maximum(8 - x, x - 16), 0) / 8, 8, 16),
    Curve("flat", lambda x: np.full(len(x), 0.8)),
    Curve("line", lambda x: 0.5 + x / 48),
    Curve("plateau", lambda x: 0.5 + 0.5 * np.minimum(x / 10, 1)),
    Curve("saturating", lambda x: 1 - 0.5 * np.exp(-x / 5)),
    Curve("falls late", lambda x: 1 - 0.5 * np.maximum(x - 14, 0) / 10),
)
"""One best inside, and none: shapes like those of the review that found the parabola's limits wrong."""
