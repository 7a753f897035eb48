"""Several trials in a row: what the schedule held best after them loses, and what their trays lose on the way.

The proposals are set beside an even grid whose results go through the same curves, and beside staying at the best
tested schedule. Whole trials run better or worse than each other.
"""

from __future__ import annotations

import numpy as np

from tests.claims.doses import weigh
from tests.made_responses import LEVEL, Curve
from tidetray.analysis.base.arrays import Array
from tidetray.analysis.dose.draws import Plausible
from tidetray.analysis.dose.learning import best_design

GRID = np.linspace(0, 24, 25)
TRAYS, TRIALS = 6, 3
HOWS = ("proposed", "grid", "stay")


def lost_percent(curve: Curve, how: str, seed: int) -> tuple[float, float]:
    """Growth lost by the schedule held best after TRIALS trials, and by the trays of all trials but the first [%]."""
    rng, x, y, where = np.random.default_rng([seed, 3]), list[Array](), list[Array](), np.linspace(0, 24, TRAYS)
    top = float(curve.growth(np.linspace(0, 24, 481)).max())
    on_the_way, held = list[float](), 0.0
    for number in range(TRIALS):
        if number:
            on_the_way.append(_lost(curve, where, top))
        x.append(where)
        y.append(LEVEL * (curve.growth(where) + rng.normal(0, 0.05) + rng.normal(0, 0.0667, TRAYS)))
        found = weigh(np.concatenate(x), np.concatenate(y), number + 1)
        doses = np.unique(np.concatenate(x)) if how == "stay" else GRID
        held = float(doses[np.argmax(found.expected(doses))])
        where = _next(found, how, held, number)
    return _lost(curve, np.array([held]), top), float(np.mean(on_the_way))


def _next(found: Plausible, how: str, held: float, number: int) -> Array:
    if how == "grid":
        return np.linspace(0, 24, TRAYS)
    if how == "stay":
        return np.full(TRAYS, held)
    drawn = found.draws(GRID, draws=1000, seed=number)
    design = best_design(drawn.values, GRID[:, None] / 24, float(np.median(drawn.sigma)), trays=TRAYS, seed=number)
    return np.repeat(GRID[design.chosen], design.trays.astype(int))


def _lost(curve: Curve, doses: Array, top: float) -> float:
    return 100 * (1 - float(curve.growth(doses).mean()) / top)
