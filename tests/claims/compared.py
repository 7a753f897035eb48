"""Treatments compared: on one day, over time, crossings, days lost at first, days to a saleable mass, all runs.

Nuisance that is really there: trays differ, spreads differ between treatments, growth slows with age, pots are lost,
the light ones first.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial

import numpy as np
import pandas as pd

from tests.claims.cells import Cell, Found
from tidetray.analysis.base.arrays import Array
from tidetray.analysis.compare.crossover import compare_runs
from tidetray.analysis.compare.days_to_mass import days_to_mass
from tidetray.analysis.compare.one_day import compare_treatments
from tidetray.analysis.compare.over_time import compare_growth
from tidetray.analysis.compare.tables import claimed
from tidetray.analysis.compare.trajectories import crossings, early_lag, tray_courses

LEVEL = 0.05
NAMED = {"mass": "net_g", "day": "day", "treatment": "treatment", "tray": "tray"}
WEEKS = np.arange(0.0, 29, 7)
TWICE_A_WEEK = np.arange(0.0, 43, 3.5)


def layout(trays: Sequence[int], pots: int) -> pd.DataFrame:
    """A row per pot: `treatment` (a, b, ...), `tray`, `pot`; `k`, `t`: their codes."""
    k = np.repeat(np.arange(len(trays)), trays)
    t = np.repeat(np.arange(len(k)), pots)
    return pd.DataFrame(
        {
            "treatment": np.array(list("abcdefgh"))[k[t]],
            "tray": [f"tray-{n}" for n in t],
            "pot": [f"p{n}" for n in range(len(t))],
            "k": k[t],
            "t": t,
        }
    )


# --- one day ---


def on_one_day(
    rng: np.random.Generator,
    *,
    trays: Sequence[int] = (3, 3, 3),
    pots: int = 8,
    tray_sd: float = 0.2,
    pot_sd: float = 0.3,
    spread: Sequence[float] = (1.0, 1.0, 1.0),
    effect: Sequence[float] = (0.0, 0.0, 0.0),
    lost: float = 0.0,
    start: bool = False,
) -> pd.DataFrame:
    """Masses [g] about 5 g; `spread` multiplies both standard deviations of a treatment."""
    frame = layout(trays, pots)
    k, t, wide = frame["k"].to_numpy(), frame["t"].to_numpy(), np.array(spread)
    tray = tray_sd * rng.standard_normal(sum(trays))
    y = 5 + np.array(effect)[k] + wide[k] * (tray[t] + pot_sd * rng.standard_normal(len(t)))
    frame["start_g"] = np.exp(rng.normal(0, 0.2, len(t)))
    frame["net_g"] = y + (2.0 * (frame["start_g"] - 1) if start else 0.0)
    frame.loc[rng.random(len(t)) < lost, "net_g"] = np.nan
    return frame


def _day(frame: pd.DataFrame, covariates: Sequence[str] = ()) -> pd.DataFrame:
    found = compare_treatments(frame, response="net_g", treatment="treatment", tray="tray", covariates=covariates)
    return claimed(found.pairs).assign(overall=float(found.anova["p"].iloc[0]))


def any_pair(rng: np.random.Generator, *, covariates: Sequence[str] = (), **how: object) -> Found:
    pairs = _day(on_one_day(rng, start=bool(covariates), **how), covariates)  # type: ignore[arg-type]
    return [bool((pairs["p"] < LEVEL).any())]


def overall(rng: np.random.Generator, **how: object) -> Found:
    """No sentence rests on the overall F, which is in a table and is what R computes: judged for equal spreads."""
    return [bool(_day(on_one_day(rng, **how))["overall"].iloc[0] < LEVEL)]  # type: ignore[arg-type]


def all_limits(rng: np.random.Generator, **how: object) -> Found:
    """Whether all pairs' limits hold at once."""
    effect = np.array([0.0, 0.5, -0.3])[: len(how.get("trays", (3, 3, 3)))]  # type: ignore[arg-type]
    pairs = _day(on_one_day(rng, effect=effect, **how))  # type: ignore[arg-type]
    code = {name: i for i, name in enumerate("abcdefgh")}
    true = np.array([effect[code[a]] - effect[code[b]] for a, b in zip(pairs["a"], pairs["b"], strict=True)])
    known = pairs["low"].notna().to_numpy()
    return [bool(((pairs["low"] <= true) & (true <= pairs["high"]))[known].all())] if known.any() else []


def tray_share_holds(rng: np.random.Generator, *, tray_sd: float = 0.2, **how: object) -> Found:
    """Whether the limits hold the part of the variance that lies between trays."""
    frame = on_one_day(rng, tray_sd=tray_sd, **how)  # type: ignore[arg-type]
    found = compare_treatments(frame, response="net_g", treatment="treatment", tray="tray").variance.iloc[0]
    true = tray_sd**2 / (tray_sd**2 + 0.3**2)
    return [bool(found["share_low"] <= true <= found["share_high"])]


# --- over time ---


def over_days(
    rng: np.random.Generator,
    *,
    trays: Sequence[int] = (3, 3, 3),
    pots: int = 6,
    days: Array = WEEKS,
    rate: Sequence[float] = (0.06, 0.06, 0.06),
    spread: Sequence[float] = (1.0, 1.0, 1.0),
    tray_sd: float = 0.002,
    pot_sd: float = 0.004,
    noise: float = 0.03,
    limit: float = np.inf,
    lost: float = 0.0,
    light_first: bool = False,
    early: Callable[[Array], Array] | None = None,
) -> pd.DataFrame:
    """Weigh-ins of plants of about 0.5 g. `limit`: ln of how many times a plant may grow, for growth that slows;
    `early`: taken from ln mass at each age, for days lost at first."""
    frame = layout(trays, pots)
    k, t, n = frame["k"].to_numpy(), frame["t"].to_numpy(), len(frame)
    wide = np.array(spread)[k]
    tray, level = tray_sd * rng.standard_normal(sum(trays)), 0.05 * rng.standard_normal(sum(trays))
    r = np.array(rate)[k] + wide * (tray[t] + pot_sd * rng.standard_normal(n))
    grown = r[:, None] * (days - (early(days) if early else 0.0))
    if np.isfinite(limit):
        grown = -np.log(np.exp(-grown) + np.exp(-limit)) + np.log1p(np.exp(-limit))
    y = np.log(0.5) + level[t, None] + 0.15 * rng.standard_normal((n, 1)) + grown
    y = y + noise * rng.standard_normal(y.shape)
    if lost:
        weak = (y[:, 1] - y[:, 1].mean()) / y[:, 1].std() if light_first else np.zeros(n)
        leaves = rng.random(n) < lost * 2 / (1 + np.exp(2 * weak))
        last = np.where(leaves, rng.integers(2, len(days), n), len(days))
        y[np.arange(len(days)) >= last[:, None]] = np.nan
    long = frame.loc[frame.index.repeat(len(days))].assign(day=np.tile(days, n), net_g=np.exp(y).ravel())
    return long.reset_index(drop=True)


def _growth(frame: pd.DataFrame) -> object:
    return compare_growth(frame, **NAMED, pot="pot")


def any_rate(rng: np.random.Generator, **how: object) -> Found:
    pairs = _growth(over_days(rng, **how)).pairs  # type: ignore[arg-type, attr-defined]
    return [bool((pairs["p"] < LEVEL).any())]


def any_day(rng: np.random.Generator, **how: object) -> Found:
    days = _growth(over_days(rng, **how)).days  # type: ignore[arg-type, attr-defined]
    return [bool((days["p"].astype(float) < LEVEL).any())]


def rate_limits(rng: np.random.Generator, **how: object) -> Found:
    rate = np.array([0.06, 0.065, 0.055])[: len(how.get("trays", (3, 3, 3)))]  # type: ignore[arg-type]
    pairs = _growth(over_days(rng, rate=rate, **how)).pairs  # type: ignore[arg-type, attr-defined]
    code = {name: i for i, name in enumerate("abcdefgh")}
    true = np.array([rate[code[a]] - rate[code[b]] for a, b in zip(pairs["a"], pairs["b"], strict=True)])
    return [bool(((pairs["low"] <= true) & (true <= pairs["high"])).all())]


# --- days lost at first ---


def lag_said(rng: np.random.Generator, **how: object) -> Found:
    frame = over_days(rng, days=TWICE_A_WEEK, **how)  # type: ignore[arg-type]
    table = early_lag(tray_courses(frame, **NAMED)).table
    return [bool(((table["p"].astype(float) < LEVEL) & (table["lost_d"] > 0)).any())]


def lag_holds(rng: np.random.Generator, *, lost_d: float = 4.0, **how: object) -> Found:
    early = lambda age: lost_d * -np.expm1(-age / 4.0)  # noqa: E731
    frame = over_days(rng, days=TWICE_A_WEEK, early=early, **how)  # type: ignore[arg-type]
    table = early_lag(tray_courses(frame, **NAMED)).table
    told = table[table["p"].astype(float) < LEVEL]
    return [low <= lost_d <= high for low, high in zip(told["low"], told["high"], strict=True)]


# --- crossings ---


def _crossed(frame: pd.DataFrame) -> pd.DataFrame:
    found = crossings(tray_courses(frame, **NAMED), _growth(frame))  # type: ignore[arg-type]
    return found.table[found.table["settled"].astype(bool)]


def crossing_said(rng: np.random.Generator, **how: object) -> Found:
    return [len(_crossed(over_days(rng, **how))) > 0]  # type: ignore[arg-type]


def crossing_holds(rng: np.random.Generator, *, trays: int = 6) -> Found:
    """b starts behind and grows faster: the courses cross on day 14."""
    frame = over_days(rng, trays=(trays, trays), rate=(0.06, 0.085), spread=(1, 1), days=np.arange(0.0, 29, 3.5))
    frame.loc[frame["treatment"] == "b", "net_g"] *= np.exp(-14 * 0.025)
    told = _crossed(frame)
    return [low <= 14 <= high for low, high in zip(told["low"], told["high"], strict=True)]


# --- days to a saleable mass ---


def saleable_said(rng: np.random.Generator, *, mass_g: float = 2.5, **how: object) -> Found:
    found = days_to_mass(over_days(rng, pots=2, **how), **NAMED, pot="pot", mass_g=mass_g).comparison  # type: ignore[arg-type]
    return [found is not None and bool((found.pairs["p"].astype(float) < LEVEL).any())]


def saleable_holds(rng: np.random.Generator, *, mass_g: float = 2.2, **how: object) -> Found:
    """Exponential growth: ln(mass / 0.5) / rate days, the rates of trays being spread around the treatments'."""
    rate = (0.06, 0.066, 0.072)
    found = days_to_mass(over_days(rng, pots=2, rate=rate, **how), **NAMED, pot="pot", mass_g=mass_g).comparison  # type: ignore[arg-type]
    if found is None:
        return []
    code = {name: i for i, name in enumerate("abc")}
    told = found.means[found.means["low"].notna()]
    # the mean over trays of 1 / rate lies above 1 / mean rate by its squared coefficient of variation
    true = [
        np.log(mass_g / 0.5) / rate[code[name]] * (1 + (0.002 / rate[code[name]]) ** 2) for name in told["treatment"]
    ]
    return [low <= d <= high for low, high, d in zip(told["low"], told["high"], true, strict=True)]


# --- all runs of a crossover ---


def in_runs(rng: np.random.Generator, *, trays: int = 8, effect: float = 0.0, slows: float = -0.02) -> pd.DataFrame:
    """Two runs of three weeks: half of the trays go from one treatment to the other; growth slows from run to run."""
    k, run, pot, n = (v.ravel() for v in np.meshgrid(range(trays), (0, 1), range(4), range(3), indexing="ij"))
    wet = (k + run) % 2
    cell = 0.08 + 0.004 * rng.standard_normal(trays)[k] + slows * run + 0.002 * rng.standard_normal((trays, 2))[k, run]
    rate = cell + effect * wet + 0.003 * rng.standard_normal(len(k))
    return pd.DataFrame(
        {
            "pot": [f"{a}-{b}" for a, b in zip(k, pot, strict=True)],
            "tray": [f"tray-{a}" for a in k],
            "treatment": np.where(wet == 1, "wet", "dry"),
            "run": run,
            "run_share": 1.0,
            "in_run": n,
            "days": 7.0,
            "rgr_per_day": rate,
        }
    )


def runs_said(rng: np.random.Generator, trays: int = 8) -> Found:
    found = compare_runs(in_runs(rng, trays=trays))
    return [found is not None and found.whole is not None and bool((found.whole.pairs["p"] < LEVEL).any())]


def carry_over_said(rng: np.random.Generator, trays: int = 8) -> Found:
    found = compare_runs(in_runs(rng, trays=trays))
    return [found is not None and bool(found.carry_over.p < LEVEL)]


def runs_hold(rng: np.random.Generator, trays: int = 8) -> Found:
    found = compare_runs(in_runs(rng, trays=trays, effect=0.004))
    if found is None or found.whole is None:
        return []
    pair = found.whole.pairs.iloc[0]
    return [bool(pair["low"] <= -0.004 <= pair["high"])]


TWO = {"spread": (1.0, 1.0), "effect": (0.0, 0.0)}
FOUR_ONE = {"trays": (2, 3, 5), "spread": (4.0, 2.0, 1.0)}
SLOWS = {"limit": 1.8}
WEAK_LOST = {"lost": 0.3, "light_first": True}
EVEN = {"spread": (1.0, 1.0), "rate": (0.06, 0.06)}

CELLS = (
    Cell("compare, overall, 3 x 3 trays", "said", overall),
    Cell("compare, pairs, 3 x 3 trays", "said", any_pair),
    Cell("compare, pairs, 2 x 2 trays", "said", partial(any_pair, trays=(2, 2), **TWO)),
    Cell("compare, pairs, 2 x 4 trays, no tray variance", "said", partial(any_pair, trays=(4, 4), tray_sd=0.0, **TWO)),
    Cell("compare, pairs, trays 2, 3, 5", "said", partial(any_pair, trays=(2, 3, 5))),
    Cell("compare, pairs, spreads 1:2:4", "said", partial(any_pair, spread=(1.0, 2.0, 4.0))),
    Cell("compare, pairs, the fewest trays the noisiest", "said", partial(any_pair, **FOUR_ONE)),
    Cell("compare, pairs, 30 % of pots missing", "said", partial(any_pair, lost=0.3)),
    Cell("compare, pairs, starting mass held equal", "said", partial(any_pair, covariates=("start_g",))),
    Cell("compare, limits of all pairs, 3 x 3 trays", "holds", all_limits),
    Cell("compare, limits of all pairs, 2 x 2 trays", "holds", partial(all_limits, trays=(2, 2), spread=(1.0, 1.0))),
    Cell("compare, limits of all pairs, spreads 1:2:4", "holds", partial(all_limits, spread=(1.0, 2.0, 4.0))),
    Cell("compare, limits of all pairs, the fewest trays the noisiest", "holds", partial(all_limits, **FOUR_ONE)),
    Cell("compare, share of the trays, 3 x 3 trays", "holds", tray_share_holds),
    Cell("compare, share of the trays, 30 % of pots missing", "holds", partial(tray_share_holds, lost=0.3)),
    Cell("growth, pairs, 3 x 3 trays", "said", any_rate),
    Cell("growth, pairs, 2 x 2 trays", "said", partial(any_rate, trays=(2, 2), **EVEN)),
    Cell("growth, pairs, slowing with age", "said", partial(any_rate, **SLOWS)),
    Cell("growth, pairs, spreads 1:2:4", "said", partial(any_rate, spread=(1.0, 2.0, 4.0))),
    Cell("growth, pairs, light pots lost", "said", partial(any_rate, **WEAK_LOST)),
    Cell("growth, any day", "said", any_day),
    Cell("growth, any day, light pots lost", "said", partial(any_day, **WEAK_LOST)),
    Cell("growth, limits of all pairs, 3 x 3 trays", "holds", rate_limits),
    Cell("growth, limits of all pairs, 3 x 2 trays", "holds", partial(rate_limits, trays=(2, 2, 2))),
    Cell("growth, limits of all pairs, spreads 1:2:4", "holds", partial(rate_limits, spread=(1.0, 2.0, 4.0))),
    Cell("days lost at first, exponential growth", "said", lag_said),
    Cell("days lost at first, slowing with age", "said", partial(lag_said, limit=2.5)),
    Cell("days lost at first, slowing soon", "said", partial(lag_said, limit=1.2)),
    Cell("days lost at first, spreads 1:2:4", "said", partial(lag_said, spread=(1.0, 2.0, 4.0))),
    Cell("days lost at first, four lost", "holds", lag_holds),
    Cell("days lost at first, two lost", "holds", partial(lag_holds, lost_d=2.0)),
    Cell("crossing, equal courses", "said", partial(crossing_said, trays=(4, 4), **EVEN)),
    Cell("crossing, equal courses that slow", "said", partial(crossing_said, trays=(4, 4), **EVEN, **SLOWS)),
    Cell("crossing, six trays a side", "holds", crossing_holds),
    Cell("crossing, four trays a side", "holds", partial(crossing_holds, trays=4)),
    Cell("days to a saleable mass", "said", saleable_said),
    Cell("days to a saleable mass, some never", "said", partial(saleable_said, mass_g=2.9)),
    Cell("days to a saleable mass, slowing", "said", partial(saleable_said, mass_g=2.0, **SLOWS)),
    Cell("days to a saleable mass, spreads 1:2:4", "said", partial(saleable_said, spread=(1.0, 2.0, 4.0))),
    Cell("days to a saleable mass, of each treatment", "holds", saleable_holds),
    Cell("all runs of a crossover", "said", runs_said),
    Cell("all runs of a crossover, four trays", "said", partial(runs_said, trays=4)),
    Cell("all runs of a crossover, after-effect", "said", carry_over_said),
    Cell("all runs of a crossover, limits", "holds", runs_hold),
)
