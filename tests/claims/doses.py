"""The best dose, what following one may cost, going further, two doses at once.

Nuisance that is really there: curves that are no parabola, trays that scatter in proportion to their growth, trials
that run better or worse as wholes, growth that slows from one run of a crossover to the next.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import partial

import numpy as np
import pandas as pd

from tests.claims.cells import Cell, Found
from tests.made_responses import CURVES, LEVEL, Curve
from tidetray.analysis.base.arrays import Array
from tidetray.analysis.dose.best_dose import Orders, find_orders
from tidetray.analysis.dose.draws import Plausible, plausible
from tidetray.analysis.dose.fit import ResponseFit, fit_response
from tidetray.analysis.dose.profile import Units
from tidetray.analysis.dose.two_doses import SurfaceFit, fit_surface

DESIGNS: Mapping[str, Array] = {
    "demo": np.array([0.0, 0, 14, 14, 21, 21, 21, 24, 24]),
    "even nine": np.linspace(0, 24, 9),
    "three x 3": np.repeat([0.0, 12, 24], 3),
    "five x 2": np.repeat(np.linspace(0, 24, 5), 2),
    "eight x 5": np.repeat(np.linspace(0, 24, 8), 5),
}
NOISES = (0.05, 0.1)
"""Standard deviation of a tray, as a part of growth at the best dose."""
STEP_H = 0.25


@dataclass(frozen=True)
class Claim:
    """A best claimed between two tested doses; true if it holds one of the true best."""

    right: bool
    width_h: float

    def __bool__(self) -> bool:
        return self.right


def responses(rng: np.random.Generator, curve: Curve, doses: Array, noise: float, *, in_proportion: bool) -> Array:
    growth = curve.growth(doses)
    return np.asarray(LEVEL * (growth + noise * (growth if in_proportion else 1.0) * rng.standard_normal(len(doses))))


def weigh(doses: Array, growth: Array, trials: int = 1) -> Plausible:
    """Curves weighed on one trial, or on `trials` of the same length with a level each."""
    at = np.repeat(np.arange(trials), len(doses) // trials)
    levels = np.column_stack([np.ones(len(doses)), *((at == i) - 1 / trials for i in range(1, trials))])
    return plausible(Units(doses, growth, levels))


def _orders(
    rng: np.random.Generator, curve: Curve, doses: Array, noise: float, *, in_proportion: bool, trials: int
) -> Orders:
    x = np.tile(doses, trials)
    y = responses(rng, curve, x, noise, in_proportion=in_proportion)
    if trials > 1:
        y = y + np.repeat(0.1 * LEVEL * rng.standard_normal(trials), len(doses))
    return find_orders(weigh(x, y, trials), STEP_H)


def best_said(
    rng: np.random.Generator,
    *,
    curve: Curve,
    doses: Array,
    noise: float,
    in_proportion: bool = False,
    trials: int = 1,
) -> Found:
    return [_orders(rng, curve, doses, noise, in_proportion=in_proportion, trials=trials).inside]


def best_holds(
    rng: np.random.Generator,
    *,
    curve: Curve,
    doses: Array,
    noise: float,
    in_proportion: bool = False,
    trials: int = 1,
) -> Found:
    found = _orders(rng, curve, doses, noise, in_proportion=in_proportion, trials=trials)
    return [Claim(curve.best_in(found.low, found.high), found.high - found.low)] if found.inside else []


def fitted(rng: np.random.Generator, curve: Curve, doses: Array, noise: float) -> ResponseFit:
    frame = pd.DataFrame(
        {
            "tray": [f"t{n}" for n in range(len(doses))],
            "dry_h_day": doses,
            "rgr_per_day": responses(rng, curve, doses, noise, in_proportion=False),
        }
    )
    return fit_response(frame, response="rgr_per_day", dose="dry_h_day", tray="tray", bootstraps=0)


def cost_holds(rng: np.random.Generator, *, curve: Curve, doses: Array, noise: float) -> Found:
    """Whether following the best tested dose costs no more than 'at most' against the best of the tested doses, which
    is said with 95 %."""
    found = fitted(rng, curve, doses, noise)
    if not np.isfinite(found.cost_most):
        return []
    lost = 1 - float(curve.growth(np.array([found.best_tested]))[0] / curve.growth(doses).max())
    return [lost <= found.cost_most + 1e-9]


def went_wrong(rng: np.random.Generator, *, curve: Curve, doses: Array, noise: float) -> Found:
    """'Go further' though the best lies inside, or on the other side."""
    found = fitted(rng, curve, doses, noise)
    if found.finding != "go further":
        return [False]
    return [not (curve.high >= doses[-2] if found.edge == "high" else curve.low <= doses[1])]


def shown(rng: np.random.Generator, *, doses: Array, noise: float) -> Found:
    """A straight line as steep as what 'would probably have shown (four times of five)', where the scatter is known."""
    told = _orders(rng, Curve("flat", np.ones_like), doses, noise, in_proportion=False, trials=1)
    share = told.findable / told.sigma * noise
    line = Curve("line", lambda x: 1 + share * (x / 24 - 0.5))
    return [_orders(rng, line, doses, noise, in_proportion=False, trials=1).differs]


def in_runs(rng: np.random.Generator, *, up: bool, effect: float = 0.0, pair: bool = False) -> pd.DataFrame:
    """Eight trays in two runs: each dose goes to another in turn, or (`up`) all trays to the next higher one.

    Growth halves from the first run to the second, whatever the dose. `effect`: of the highest dose against the
    lowest, as a part of growth. `pair`: floods change along with minutes that were drawn for each tray.
    """
    tray, run = (each.ravel() for each in np.meshgrid(range(8), (0, 1), indexing="ij"))
    tested = np.array([11.0, 13, 15, 17, 19])[: 5 if up else 4]
    dose = tested[(tray // 2 + run) % len(tested)]
    minutes = rng.permutation(np.resize([20.0, 40.0, 60.0], 16)) if pair else np.full(16, 30.0)
    own = 0.05 * rng.standard_normal(8)[tray] + 0.025 * rng.standard_normal(16)
    growth = LEVEL * (1 - 0.5 * run + own + effect * (dose - tested[0]) / np.ptp(tested))
    return pd.DataFrame(
        {"tray": tray, "trial": run, "own_tray": tray, "dry_h_day": dose, "minutes": minutes, "rgr_per_day": growth}
    )


def runs_said(rng: np.random.Generator, *, up: bool = False, effect: float = 0.0) -> Found:
    """Whether any effect of the dose is claimed."""
    frame = in_runs(rng, up=up, effect=effect)
    run, tray = frame["trial"].to_numpy(), frame["tray"].to_numpy()
    levels = np.column_stack([np.ones(len(frame)), run - 0.5])
    units = Units(frame["dry_h_day"].to_numpy(), frame["rgr_per_day"].to_numpy(), levels, tray)
    return [find_orders(plausible(units, ratio=4.0), STEP_H).differs]


def two_in_runs_said(rng: np.random.Generator, *, up: bool = False) -> Found:
    named = {"response": "rgr_per_day", "tray": "tray", "trial": "trial", "own_tray": "own_tray"}
    found = fit_surface(in_runs(rng, up=up, pair=True), doses=("dry_h_day", "minutes"), **named)
    return [found.finding == "top" or "changes with" in found.verdict]


def surface(rng: np.random.Generator, bent: float = 0.0, trays: int = 2) -> SurfaceFit:
    n, m = (np.tile(a.ravel(), trays) for a in np.meshgrid([2.0, 5, 8], [10.0, 35, 60]))
    y = LEVEL * (1 - bent * (((n - 5.5) / 3) ** 2 + ((m - 30) / 25) ** 2)) + rng.normal(0, 0.0036, len(n))
    frame = pd.DataFrame({"n": n, "m": m, "y": y, "tray": np.arange(len(n))})
    return fit_surface(frame, response="y", doses=("n", "m"), tray="tray")


def two_said(rng: np.random.Generator, trays: int = 2) -> Found:
    found = surface(rng, trays=trays)
    return [found.finding == "top" or "changes with" in found.verdict]


def two_hold(rng: np.random.Generator) -> Found:
    """The limits of both doses, where growth does follow a parabola."""
    found = surface(rng, bent=0.3, trays=4)
    q = 2.03  # of t with some 30 df
    return [
        abs(at - true) <= q * se
        for at, se, true in zip(found.optimum, found.se, (5.5, 30.0), strict=True)
        if np.isfinite(at)
    ]


def _named(curve: Curve, design: str, noise: float, more: str = "") -> str:
    return f"best dose, {curve.name}, {design}, noise {noise:.2f}{more}"


def _cells() -> list[Cell]:
    out = []
    for curve in CURVES:
        kind, trial = ("holds", best_holds) if curve.has_best else ("said", best_said)
        for noise in NOISES:
            for design, doses in DESIGNS.items():
                own = {"curve": curve, "doses": doses, "noise": noise}
                out.append(Cell(_named(curve, design, noise), kind, partial(trial, **own)))
        for design in ("even nine", "five x 2"):
            own = {"curve": curve, "doses": DESIGNS[design], "noise": 0.1, "in_proportion": True}
            out.append(Cell(_named(curve, design, 0.1, " of its growth"), kind, partial(trial, **own)))
        own = {"curve": curve, "doses": np.linspace(0, 24, 6), "noise": 0.05, "trials": 2}
        out.append(Cell(_named(curve, "two trials of six", 0.05), kind, partial(trial, **own)))
        if curve.has_best:
            for design in ("even nine", "five x 2", "eight x 5"):
                own = {"curve": curve, "doses": DESIGNS[design], "noise": 0.05}
                out.append(Cell(f"cost at most, {curve.name}, {design}", "holds", partial(cost_holds, **own)))
            own = {"curve": curve, "doses": DESIGNS["even nine"], "noise": 0.05}
            out.append(Cell(f"go further, {curve.name}, even nine", "said", partial(went_wrong, **own)))
    return out


CELLS = (
    *_cells(),
    *(
        Cell(f"flat, what would have shown, {name}", "found", partial(shown, doses=DESIGNS[name], noise=0.05), 0.8)
        for name in ("even nine", "five x 2", "eight x 5")
    ),
    Cell("two doses, 3 x 3 x 2 trays", "said", two_said),
    Cell("two doses, 3 x 3 x 1 trays", "said", partial(two_said, trays=1)),
    Cell("two doses, the best of a parabola", "holds", two_hold),
    Cell("dose in a crossover, each to another", "said", runs_said),
    Cell("dose in a crossover, all to the next", "said", partial(runs_said, up=True)),
    Cell("dose in a crossover, a clear effect", "found", partial(runs_said, effect=0.2), 0.8),
    Cell("two doses in a crossover, each to another", "said", two_in_runs_said),
    Cell("two doses in a crossover, all to the next", "said", partial(two_in_runs_said, up=True)),
)
