"""How often the sentences of tuning, relations and places are wrong: measured on made-up trials whose truth is known.

`python tests/bench/claims.py [TRIALS]`: trials a cell (400 unless told; 40 gives a first look). Prints every cell and
ends with one line:
  worst_false_claim     the most often that a sentence is said without cause, over all null cells
  worst_coverage        the least that a 95 % interval or limit holds the truth, over all cells with ten claims or more
  best_dose_coverage    how often the claimed tested doses hold the true best, over all curves, designs and noise levels
  best_dose_width_h     median width of those claims [h], of 24 that were tested
  regret_percent        growth lost by the schedule held best after three trials of six trays, mean over the curves
  proposal_gain         the same of an even grid analysed by the same curves, less that: what the proposals alone save
Beside them: the same of staying at the best tested schedule, and what all trays of the trials lost on the way.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parents[2]))

from tests.made_responses import CURVES, LEVEL, Curve
from tidetray.analysis.base.arrays import Array
from tidetray.analysis.dose.best_dose import find_orders
from tidetray.analysis.dose.draws import Plausible, plausible
from tidetray.analysis.dose.learning import best_design
from tidetray.analysis.dose.profile import Units
from tidetray.analysis.dose.two_doses import fit_surface
from tidetray.analysis.relations.positions import positions
from tidetray.analysis.relations.relate import relate

DESIGNS = {
    "demo": np.array([0.0, 0, 14, 14, 21, 21, 21, 24, 24]),
    "even nine": np.linspace(0, 24, 9),
    "three x 3": np.repeat([0.0, 12, 24], 3),
    "five x 2": np.repeat(np.linspace(0, 24, 5), 2),
    "eight x 5": np.repeat(np.linspace(0, 24, 8), 5),
}
NOISES = (0.05, 0.1)
"""Standard deviation of a tray, as a part of growth at the best dose."""

GRID = np.linspace(0, 24, 25)
TRAYS, TRIALS_IN_A_ROW, ENOUGH_CLAIMS = 6, 3, 10


def best_doses(trials: int) -> dict[str, float]:
    """Claims of a best dose, cell by cell."""
    false, covered, widths = list[float](), [], list[float]()
    for curve in CURVES:
        for design, doses in DESIGNS.items():
            for noise in NOISES:
                rng = np.random.default_rng([7, len(doses)])
                hits = list[float]()
                for _ in range(trials):
                    y = LEVEL * (curve.growth(doses) + rng.normal(0, noise, len(doses)))
                    found = plausible(Units(doses, y, np.ones((len(doses), 1))))
                    orders = find_orders(found, 0.25)
                    if orders.inside:
                        hits.append(curve.best_in(orders.low, orders.high))
                        widths.append(orders.high - orders.low)
                said = len(hits) / trials
                if curve.has_best:
                    if len(hits) >= ENOUGH_CLAIMS:
                        covered.append((np.mean(hits), len(hits)))
                else:
                    false.append(said)
                right = f", right {np.mean(hits):.3f}" if curve.has_best and hits else ""
                print(f"  {curve.name:14} {design:10} noise {noise:.2f}: claimed {said:.3f}{right}", flush=True)
    share, count = (np.array(v) for v in zip(*covered, strict=True))
    return {
        "false": max(false),
        "worst": float(share.min()),
        "coverage": float((share * count).sum() / count.sum()),
        "width": float(np.median(widths)),
    }


def _fit(rows: list[tuple[Array, Array]]) -> Plausible:
    x, y = (np.concatenate(v) for v in zip(*rows, strict=True))
    trial = np.repeat(np.arange(len(rows)), [len(each[0]) for each in rows])
    k = len(rows)
    levels = np.column_stack([np.ones(len(x)), *((trial == i) - 1 / k for i in range(1, k))])
    return plausible(Units(x, y, levels))


def regret(curve: Curve, how: str, seed: int) -> tuple[float, float]:
    """Growth lost by the schedule held best after three trials, and by all trays of the second and third [%]."""
    rng, rows, where = np.random.default_rng([seed, 3]), list[tuple[Array, Array]](), np.linspace(0, 24, TRAYS)
    top = float(curve.growth(np.linspace(0, 24, 481)).max())
    lost = lambda doses: 100 * (1 - float(curve.growth(np.atleast_1d(doses)).mean()) / top)  # noqa: E731
    on_the_way, held = list[float](), 0.0
    for number in range(TRIALS_IN_A_ROW):
        if number:
            on_the_way.append(lost(where))
        y = LEVEL * (curve.growth(where) + rng.normal(0, 0.05) + rng.normal(0, 0.0667, TRAYS))
        rows.append((where, y))
        found = _fit(rows)
        tested = np.unique(np.concatenate([each[0] for each in rows]))
        doses = tested if how == "stay" else GRID
        held = float(doses[np.argmax(found.expected(doses))])
        if how == "stay":
            where = np.full(TRAYS, held)
        elif how == "proposed":
            drawn = found.draws(GRID, draws=400, seed=number)
            sigma = float(np.median(drawn.sigma))
            design = best_design(drawn.values, GRID[:, None] / 24, sigma, trays=TRAYS, seed=number)
            where = np.repeat(GRID[design.chosen], design.trays.astype(int))
    return lost(held), float(np.mean(on_the_way))


def null_relations(trials: int) -> dict[str, float]:
    """How often relations, places and two factors say something where there is nothing, with what is really there."""
    said = dict.fromkeys(
        ("relate, five causes", "relate, treatments differ", "places, own gradients", "two factors"), 0
    )
    for seed in range(trials):
        rng = np.random.default_rng([seed, 11])
        said["relate, five causes"] += _five_causes(rng)
        said["relate, treatments differ"] += _treatments_differ(rng)
        said["places, own gradients"] += _own_gradients(rng)
        said["two factors"] += _two_factors(rng)
    return {name: count / trials for name, count in said.items()}


def _pots(rng: np.random.Generator, trays: int = 9, pots: int = 4) -> pd.DataFrame:
    t = np.repeat(np.arange(trays), pots)
    rate = LEVEL + rng.normal(0, 0.002, trays)[t] + rng.normal(0, 0.003, len(t))
    return pd.DataFrame(
        {"tray": [f"tray-{n}" for n in t], "pot": [f"p{n}" for n in range(len(t))], "rgr_per_day": rate}
    )


def _five_causes(rng: np.random.Generator) -> bool:
    frame = _pots(rng, trays=12)
    t = np.repeat(np.arange(12), 4)
    names = [f"cause {n}" for n in range(5)]
    for i, name in enumerate(names):
        frame[name] = rng.normal(0, 1, 12)[t] if i < 3 else rng.normal(0, 1, len(t))
    return bool(relate(frame, causes=names).effects["settled"].any())


def _treatments_differ(rng: np.random.Generator) -> bool:
    frame, given = _pots(rng), np.repeat(np.arange(9) % 4, 4)
    frame["rgr_per_day"] += rng.normal(0, 0.006, 4)[given]
    frame = frame.assign(treatment=[f"t{n}" for n in given], cause=4.0 * given + np.repeat(rng.normal(0, 0.1, 9), 4))
    return bool(relate(frame, causes=["cause"]).effects["settled"].any())


def _own_gradients(rng: np.random.Generator) -> bool:
    frame = _pots(rng, trays=6, pots=8)
    frame = frame.assign(
        treatment=np.repeat(["a", "b"] * 3, 8),
        row=np.tile([1, 2] * 4, 6),
        column=np.tile(np.repeat([1, 2, 3, 4], 2), 6),
    )
    frame["rgr_per_day"] += np.repeat(rng.normal(0, 0.002, 6), 8) * (frame["column"] - 2.5)
    found = positions(frame, response="rgr_per_day", permutations=49)
    return any(sentence.startswith("Clear, each") for sentence in found.sentences)


def _two_factors(rng: np.random.Generator) -> bool:
    n, m = (np.tile(a.ravel(), 2) for a in np.meshgrid([2.0, 5, 8], [10.0, 35, 60]))
    frame = pd.DataFrame({"n": n, "m": m, "y": LEVEL + rng.normal(0, 0.0036, 18), "tray": np.arange(18)})
    found = fit_surface(frame, response="y", doses=("n", "m"), tray="tray")
    return found.finding == "top" or "changes with" in found.verdict


def main() -> None:
    trials = int(sys.argv[1]) if len(sys.argv) > 1 else 400
    best = best_doses(trials)
    nulls = null_relations(trials)
    for name, share in nulls.items():
        print(f"  without cause, {name}: {share:.3f}")
    table = {
        how: np.array([[regret(c, how, s) for s in range(max(trials // 10, 3))] for c in CURVES if c.has_best])
        for how in ("proposed", "grid", "stay")
    }
    for how, values in table.items():
        held, way = values.mean(axis=(0, 1))
        print(f"  {how}: held best after three trials loses {held:.2f} %, trays on the way {way:.2f} %", flush=True)
    held = {how: float(values[..., 0].mean()) for how, values in table.items()}
    print(
        f"claims worst_false_claim={max(best['false'], *nulls.values()):.3f} worst_coverage={best['worst']:.3f} "
        f"best_dose_coverage={best['coverage']:.3f} best_dose_width_h={best['width']:.1f} "
        f"regret_percent={held['proposed']:.2f} proposal_gain={held['grid'] - held['proposed']:.2f} trials={trials}"
    )


if __name__ == "__main__":
    main()
