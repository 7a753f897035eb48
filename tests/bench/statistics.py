"""How fast the statistics are, side by side with statsmodels in one run. Run it as a script.

Prints one line of figures last: `fit_ratio` (statsmodels' time over ours for the same nested fit, medians of
alternating runs; both optima are printed above it), `bootstrap_s` (2,000 refits to trays drawn again),
`large_s` (compare_growth of 10,000 pots on 20 days) and `growth_exponent` (of the time of a fit in the number
of pots: 1 is proportional).
"""

import sys
from pathlib import Path

# In place of this folder, where this file would hide the standard library's `statistics`.
sys.path.pop(0)
sys.path.insert(0, str(Path(__file__).parents[2]))

import time
import warnings
from collections.abc import Callable

import numpy as np
import pandas as pd
import statsmodels.formula.api as smf

from tidetray.analysis.compare.over_time import compare_growth
from tidetray.analysis.stats.grouped_design import RandomTerm
from tidetray.analysis.stats.reml import fit_mixed, refit_resampled


def trial(trays: int, pots: int, days: int, *, seed: int = 1) -> pd.DataFrame:
    """Weigh-ins of three treatments, ln mass with levels and rates of trays and pots."""
    rng = np.random.default_rng(seed)
    tray = np.repeat(np.arange(trays), pots * days)
    pot = np.repeat(np.arange(trays * pots), days)
    day = np.tile(np.arange(days) * 7.0, trays * pots)
    y = (
        0.7
        + rng.normal(0, 0.2, trays)[tray]
        + rng.normal(0, 0.2, trays * pots)[pot]
        + rng.normal(0, 0.1, len(day))
        + day * (0.02 + rng.normal(0, 0.001, trays)[tray] + rng.normal(0, 0.002, trays * pots)[pot])
    )
    names = np.array(["emersed", "mixed", "submersed"])
    return pd.DataFrame(
        {"treatment": names[tray % 3], "tray": tray, "pot": pot, "day": day, "y": y, "mass_g": np.exp(y)}
    )


def design(d: pd.DataFrame) -> np.ndarray:
    group = pd.get_dummies(d["treatment"]).to_numpy(dtype=float)
    return np.column_stack([group, group * d["day"].to_numpy()[:, None]])


def seconds(task: Callable[[], object]) -> float:
    start = time.perf_counter()
    task()
    return time.perf_counter() - start


def fit_ratio() -> float:
    d = trial(9, 8, 10)
    X, y, tray, pot = design(d), d["y"].to_numpy(), d["tray"].to_numpy(), d["pot"].to_numpy()

    def ours() -> object:
        return fit_mixed(y, X, [RandomTerm("tray", tray), RandomTerm("pot", pot)])

    def theirs() -> object:
        model = smf.mixedlm("y ~ treatment * day", d, groups="tray", re_formula="1", vc_formula={"pot": "0 + C(pot)"})
        return model.fit()

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # statsmodels warns of a variance near zero
        ours()
        theirs()
        # A fit of theirs between blocks of ours: whatever else the machine does falls on both.
        pairs = [(seconds(theirs), float(np.median([seconds(ours) for _ in range(9)]))) for _ in range(7)]
        print(f"log restricted likelihood: statsmodels {theirs().llf:.7f}, ours {ours().criterion / -2:.7f}")
    slow, fast = (float(np.median(x)) for x in zip(*pairs, strict=True))
    print(f"nested fit, 9 trays x 8 pots x 10 days: statsmodels {1e3 * slow:.1f} ms, ours {1e3 * fast:.2f} ms")
    return slow / fast


def bootstrap() -> float:
    d = trial(9, 8, 1)
    rng = np.random.default_rng(3)
    X = pd.get_dummies(d["treatment"]).to_numpy(dtype=float)
    counts = np.zeros((2000, 9))
    for i in range(3):
        counts[:, i::3] = rng.multinomial(3, np.full(3, 1 / 3), size=2000)
    terms = [RandomTerm("tray", d["tray"])]
    took = seconds(lambda: refit_resampled(d["y"], X, terms, d["tray"], counts))
    repeated = trial(9, 8, 10)
    nested = [RandomTerm("tray", repeated["tray"]), RandomTerm("pot", repeated["pot"])]
    longer = seconds(lambda: refit_resampled(repeated["y"], design(repeated), nested, repeated["tray"], counts))
    print(f"2,000 refits: one day {took:.2f} s, ten days (pots in trays) {longer:.2f} s")
    return max(took, longer)


def large() -> float:
    d = trial(1250, 8, 20)
    whole = seconds(lambda: compare_growth(d, mass="mass_g", day="day", treatment="treatment", tray="tray", pot="pot"))
    gaps = d[np.random.default_rng(4).uniform(size=len(d)) > 0.1]
    missing = seconds(
        lambda: compare_growth(gaps, mass="mass_g", day="day", treatment="treatment", tray="tray", pot="pot")
    )
    print(f"compare_growth, 10,000 pots x 20 days: complete {whole:.2f} s, a tenth missing {missing:.2f} s")
    return whole


def growth_exponent() -> float:
    trays = np.array([75, 300, 1200])
    took = []
    for n in trays:
        d = trial(int(n), 8, 10)
        d = d[np.random.default_rng(5).uniform(size=len(d)) > 0.1]
        X, line = design(d), np.column_stack([np.ones(len(d)), d["day"]])
        terms = [RandomTerm("tray", d["tray"], line), RandomTerm("pot", d["pot"], line)]
        took.append(min(seconds(lambda X=X, d=d, terms=terms: fit_mixed(d["y"], X, terms)) for _ in range(3)))
        print(f"random intercepts and slopes, {n * 8} pots with gaps: {took[-1]:.3f} s")
    return float(np.polyfit(np.log(trays), np.log(took), 1)[0])


if __name__ == "__main__":
    ratio, boot, big, exponent = fit_ratio(), bootstrap(), large(), growth_exponent()
    print(f"statistics fit_ratio={ratio:.1f} bootstrap_s={boot:.2f} large_s={big:.2f} growth_exponent={exponent:.2f}")
