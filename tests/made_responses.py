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
