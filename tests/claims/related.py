"""Growth beside conditions and places, how pots grew apart, and a scale that drifts."""

from __future__ import annotations

from functools import partial

import numpy as np
import pandas as pd

from tests.claims.cells import Cell, Found
from tests.made_responses import LEVEL
from tidetray.analysis.growth.weighing import judge_weighing
from tidetray.analysis.relations.positions import Positions, positions
from tidetray.analysis.relations.relate import relate
from tidetray.analysis.relations.spread import spread

NO_WEIGH_INS = pd.DataFrame({"pot": [], "time": pd.DatetimeIndex([], tz="UTC"), "gross_g": []})


def pots(rng: np.random.Generator, *, trays: int = 9, each: int = 4, tray_sd: float = 0.002) -> pd.DataFrame:
    t = np.repeat(np.arange(trays), each)
    rate = LEVEL + tray_sd * rng.standard_normal(trays)[t] + 0.003 * rng.standard_normal(len(t))
    return pd.DataFrame(
        {"tray": [f"tray-{n}" for n in t], "pot": [f"p{n}" for n in range(len(t))], "rgr_per_day": rate, "t": t}
    )


# --- relations ---


def five_causes(rng: np.random.Generator) -> Found:
    frame = pots(rng, trays=12)
    t = frame["t"].to_numpy()
    names = [f"cause {n}" for n in range(5)]
    for i, name in enumerate(names):
        frame[name] = rng.normal(0, 1, 12)[t] if i < 3 else rng.normal(0, 1, len(t))
    return [bool(relate(frame, causes=names).effects["settled"].any())]


def treatments_differ(rng: np.random.Generator, *, sd: float = 0.006) -> Found:
    """Treatments differ for another reason than the cause, which goes with them."""
    frame = pots(rng)
    given = frame["t"].to_numpy() % 4
    frame["rgr_per_day"] += sd * rng.standard_normal(4)[given]
    frame["cause"] = 4.0 * given + rng.normal(0, 0.1, 9)[frame["t"]]
    frame["treatment"] = [f"t{n}" for n in given]
    return [bool(relate(frame, causes=["cause"]).effects["settled"].any())]


def age(rng: np.random.Generator) -> Found:
    """Growth slows from period to period, and so does what goes with the season, tray by tray a little different."""
    frame = pd.concat([pots(rng).assign(period=p) for p in range(3)], ignore_index=True)
    tray = np.tile(0.002 * rng.standard_normal(9)[pots(rng)["t"]], 3)
    frame["rgr_per_day"] += tray - 0.008 * frame["period"]
    frame["cause"] = 3.0 * frame["period"] + np.concatenate([rng.normal(0, 1, 9)[pots(rng)["t"]] for _ in range(3)])
    return [bool(relate(frame, causes=["cause"], period="period").effects["settled"].any())]


def slope_holds(rng: np.random.Generator, *, trays: int = 9, within: bool = False) -> Found:
    frame = pots(rng, trays=trays)
    t, n = frame["t"].to_numpy(), len(frame)
    frame["cause"] = np.linspace(0, 12, trays)[t] + (rng.normal(0, 2, n) if within else 0.0)
    frame["rgr_per_day"] += 0.0008 * frame["cause"]
    effect = relate(frame, causes=["cause"]).effects.iloc[0]
    return [bool(effect["low"] <= 0.0008 <= effect["high"])] if np.isfinite(effect["low"]) else []


def unknown_nights(rng: np.random.Generator) -> Found:
    """Of 0 to 70 % of hours nothing is known, and they were dry: limits widened by all dry and all wet hold it."""
    frame = pots(rng)
    t = frame["t"].to_numpy()
    dry = np.linspace(4, 20, 9)[t]
    frame["rgr_per_day"] += 0.0008 * dry
    missing = (rng.uniform(0, 0.7, 9) * np.minimum(dry[::4], 12))[t]
    known = 24 - missing
    frame["cause"] = 24 * (dry - missing) / known
    frame["cause_if_dry"], frame["cause_if_wet"] = dry, dry - missing
    effect = relate(frame, causes=["cause"]).effects.iloc[0]
    margin = float(effect["high"] - effect["estimate"])
    return [bool(effect["unknown_low"] - margin <= 0.0008 <= effect["unknown_high"] + margin)]


# --- places ---


def on_places(
    rng: np.random.Generator, *, trays: int = 6, own: float = 0.0, lamp: float = 0.0, lost: float = 0.0
) -> pd.DataFrame:
    """Two rows of four on each tray. `own`: standard deviation of each tray's own gradient along the columns, `lamp`:
    one that all share [1/day a column]."""
    frame = pots(rng, trays=trays, each=8)
    frame = frame.assign(
        treatment=np.repeat(["a", "b"] * (trays // 2), 8),
        row=np.tile([1, 2] * 4, trays),
        column=np.tile(np.repeat([1, 2, 3, 4], 2), trays),
    )
    slope = lamp + own * rng.standard_normal(trays)[frame["t"]]
    frame["rgr_per_day"] += slope * (frame["column"] - 2.5)
    return frame[rng.random(len(frame)) >= lost].reset_index(drop=True)


def _asked(frame: pd.DataFrame) -> Positions:
    return positions(frame, response="rgr_per_day", permutations=199)


def places_in_general(rng: np.random.Generator, **how: float) -> Found:
    """'Clear, each by itself': said of places wherever the tray stands."""
    return [any(sentence.startswith("Clear, each") for sentence in _asked(on_places(rng, **how)).sentences)]  # type: ignore[arg-type]


def places_anything(rng: np.random.Generator, **how: float) -> Found:
    """Anything at all, also what is said of these trays only."""
    told = ("Clear, each", "In these trays", "Neighbours are more", "Neighbours are less")
    return [any(sentence.startswith(told) for sentence in _asked(on_places(rng, **how)).sentences)]  # type: ignore[arg-type]


def gradient_holds(rng: np.random.Generator, **how: float) -> Found:
    features = _asked(on_places(rng, lamp=0.001, **how)).features.set_index("feature")  # type: ignore[arg-type]
    row = features.loc["column_trend"]
    return [bool(row["low"] <= 0.001 <= row["high"])] if np.isfinite(row["low"]) else []


# --- how pots grew apart ---


def apart(
    rng: np.random.Generator, *, times: float = 1.0, uneven: bool = False, gradient: float = 0.0, skewed: bool = False
) -> pd.DataFrame:
    """Pots on two days; the variance within trays on the second is `times` the first's. `uneven`: trays scatter by
    half and twice as much; `gradient`: of each tray, the same on both days; `skewed`: a few pots lag far behind."""
    frame = on_places(rng, own=gradient).drop(columns="rgr_per_day")
    scale = np.where(frame["t"] % 2, 2.0, 0.5) if uneven else 1.0
    tray = 0.1 * rng.standard_normal(6)[frame["t"]]

    def scatter() -> np.ndarray:
        n = len(frame)
        return np.asarray(-(rng.exponential(1.0, n) - 1.0) if skewed else rng.standard_normal(n))

    lasting = 0.1 * scatter()
    days = []
    for day, wide in ((0, 1.0), (28, np.sqrt(times))):
        ln_g = tray + 0.05 * day + wide * scale * (lasting + 0.1 * scatter())
        days.append(frame.assign(day=day, net_g=np.exp(ln_g)))
    return pd.concat(days, ignore_index=True)


def spread_said(rng: np.random.Generator, **how: object) -> Found:
    return [bool(spread(apart(rng, **how)).p < 0.05)]  # type: ignore[arg-type]


# --- drift ---


def drift_said(rng: np.random.Generator, *, checks: int = 6, step_g: float = 0.01, sd_g: float = 0.02) -> Found:
    shown = np.round((100 + sd_g * rng.standard_normal(checks)) / step_g) * step_g
    time = pd.date_range("2026-03-01", periods=checks, freq="7D", tz="UTC")
    table = pd.DataFrame({"time": time, "nominal_g": 100.0, "shown_g": shown})
    found = judge_weighing(NO_WEIGH_INS, pd.DataFrame(), resolution_g=step_g, checks=table, own_tares=True)
    return [any("scale ha" in sentence and "moved" in sentence for sentence in found.sentences)]


CELLS = (
    Cell("relate, five causes", "said", five_causes),
    Cell("relate, treatments differ for another reason", "said", treatments_differ),
    Cell("relate, age and season", "said", age),
    Cell("relate, a cause of trays, 9 trays", "holds", slope_holds),
    Cell("relate, a cause of trays, 4 trays", "holds", partial(slope_holds, trays=4)),
    Cell("relate, a cause of trays and pots", "holds", partial(slope_holds, within=True)),
    Cell("relate, dry hours unknown, with the range", "holds", unknown_nights),
    Cell("positions, anything, nothing there", "said", places_anything),
    Cell("positions, anything, 20 % of pots missing", "said", partial(places_anything, lost=0.2)),
    Cell("positions, in general, nothing there", "said", places_in_general),
    Cell("positions, in general, trays' own gradients", "said", partial(places_in_general, own=0.002)),
    Cell("positions, in general, own gradients of 12 trays", "said", partial(places_in_general, own=0.002, trays=12)),
    Cell("positions, a lamp's gradient", "holds", gradient_holds),
    Cell("positions, a lamp's gradient beside trays' own", "holds", partial(gradient_holds, own=0.001)),
    Cell("spread, as before", "said", spread_said),
    Cell("spread, trays scatter unevenly", "said", partial(spread_said, uneven=True)),
    Cell("spread, trays' own gradients", "said", partial(spread_said, gradient=0.05)),
    Cell("spread, a few pots far behind", "said", partial(spread_said, skewed=True)),
    Cell("drift, 4 checks", "said", partial(drift_said, checks=4)),
    Cell("drift, 6 checks", "said", drift_said),
    Cell("drift, 20 checks", "said", partial(drift_said, checks=20)),
    Cell("drift, 12 checks on a coarse scale", "said", partial(drift_said, checks=12, step_g=0.1)),
)
