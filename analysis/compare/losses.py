"""Pots that were lost: how many by treatment, and what a comparison could be at the worst and at the best.

In: masses per pot and round (`TrialData.masses`), and the day compared. Out: bounds of every difference, and which
claims cannot stand. Where treatments lost pots unevenly the lost ones may be the weak ones, and no statistic of the
survivors can tell. The lost pots are therefore given the smallest and the largest value that any pot showed: of `a` the
smallest and of `b` the largest for the lower bound of a - b, and the other way round (bounds after Manski 1990, Am Econ
Rev 80(2):319-323, read in the help of R's packages GJRM, `mb`, and experiment, `ATEbounds`: missing outcomes lie
between a least and a greatest possible value, and without better knowledge those are the least and greatest that were
seen). A claim stands only where the bounds do not span zero.

A pot that moved is not lost: it is weighed elsewhere. One that was split or taken out to be dried left on purpose.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd

from tidetray.analysis.compare.design_checks import FEW_MISSING

ON_PURPOSE = ("split", "sampled")
"""Why a pot has no more masses, where that has nothing to do with its growth."""

BOUND_COLUMNS = ["of", "a", "b", "low", "high", "lost_a", "of_a", "lost_b", "of_b", "stands"]


@dataclass(frozen=True)
class Losses:
    """`bounds`: of ("mass" or "growth"), a, b, low, high (of a - b [g, 1/day]), lost_a, of_a, lost_b, of_b, stands (the
    bounds do not span zero). Empty where treatments lost pots evenly. `cautions` say it in words."""

    bounds: pd.DataFrame
    cautions: tuple[str, ...]

    def withheld(self, of: str) -> set[frozenset[str]]:
        """The pairs of which nothing can be claimed."""
        own = self.bounds[(self.bounds["of"] == of) & ~self.bounds["stands"].astype(bool)]
        return {frozenset((str(a), str(b))) for a, b in zip(own["a"], own["b"], strict=True)}


def loss_bounds(masses: pd.DataFrame, day: int) -> Losses:
    """Bounds of the differences on `day` and of the growth up to it, where losses differ between treatments.

    Parameters
    ----------
    masses : DataFrame
        `pot, tray, treatment, day, net_g` [g] and, where it is there, `gone` (why a pot has no more masses).
    day : int
        The day compared; later rows are passed over.

    Returns
    -------
    Losses
    """
    own = masses[masses["day"] <= day].dropna(subset=["net_g"]).sort_values(["pot", "day"], kind="stable")
    last = own.drop_duplicates("pot", keep="last").set_index("pot")
    if "gone" in last.columns:
        last = last[~(last["gone"].isin(ON_PURPOSE) & (last["day"] < day))]
    lost = last["day"] < day
    share = lost.groupby(last["treatment"]).mean()
    if not lost.any() or len(share) < 2 or np.ptp(share.to_numpy()) <= FEW_MISSING:
        return Losses(pd.DataFrame(columns=BOUND_COLUMNS), ())
    first = own.drop_duplicates("pot").set_index("pot").reindex(last.index)
    days = (last["day"] - first["day"]).to_numpy(dtype=float)
    gained = np.log(last["net_g"].to_numpy(dtype=float) / first["net_g"].to_numpy(dtype=float))
    rates = pd.Series(gained / np.where(days > 0, days, np.nan), index=last.index)
    values = {"mass": last["net_g"].where(~lost), "growth": rates.where(~lost)}
    rows, said = [], []
    for of, value in values.items():
        found = _bounds(of, value, last, lost)
        rows += found
        said += [_sentence(row) for row in found]
    return Losses(pd.DataFrame(rows, columns=BOUND_COLUMNS), tuple(said))


def _bounds(of: str, value: pd.Series[float], last: pd.DataFrame, lost: pd.Series[bool]) -> list[tuple[object, ...]]:
    """A row for each pair of treatments of which one lost more of its pots."""
    if value.notna().sum() < 2:
        return []
    ends: dict[str, dict[str, float]] = {}
    for name, extreme in (("low", value.min()), ("high", value.max())):
        trays = value.fillna(extreme).groupby([last["treatment"], last["tray"]]).mean()
        ends[name] = {str(key): float(mean) for key, mean in trays.groupby(level=0).mean().items()}
    n = {str(name): (int(own.sum()), len(own)) for name, own in lost.groupby(last["treatment"])}
    rows: list[tuple[object, ...]] = []
    for a, b in combinations(sorted(n), 2):
        if abs(n[a][0] / n[a][1] - n[b][0] / n[b][1]) <= FEW_MISSING:
            continue
        low, high = ends["low"][a] - ends["high"][b], ends["high"][a] - ends["low"][b]
        rows.append((of, a, b, low, high, *n[a], *n[b], low > 0 or high < 0))
    return rows


def _sentence(row: tuple[object, ...]) -> str:
    of, a, b, low, high, lost_a, of_a, lost_b, of_b, stands = row
    factor, unit = (1.0, "g") if of == "mass" else (100.0, "percentage points a day")
    what = "mass" if of == "mass" else "growth"
    ends = [f"{factor * float(str(end)):.2g}".replace("-", "−") for end in (low, high)]
    count = f"{a} lost {lost_a} of {of_a} pots and {b} {lost_b} of {of_b}"
    between = (
        f"Depending on how the lost ones would have grown, {a} less {b} lies between {ends[0]} and {ends[1]} {unit}"
    )
    end = "so which is ahead stands" if stands else f"so no difference in {what} is claimed"
    return f"{count}: if they were lost because of the treatment, survivors mislead. {between}, {end}."
