"""Wet against dry: the same comparison on wet mass, on dry mass and on water fraction, and whether the ranking holds.

In: a row per pot with both its blotted wet mass and its dry mass. Out: three `Comparison`s and a table of pairs side
by side. Wet mass is a screening figure: plants of one treatment may just hold more water. Dries nothing and decides
no constant mass: that is the notebook's.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from tidetray.analysis.base.columns import numbers, require, rows_named
from tidetray.analysis.compare.assumptions import LEVEL
from tidetray.analysis.compare.one_day import Comparison, compare_treatments

SIDES = ("wet", "dry", "water")


@dataclass(frozen=True)
class WetAndDry:
    """`water` compares the water fraction on wet basis, 1 - dry / wet.

    pairs: a, b, then for wet, dry and water: estimate_*, low_*, high_*, p_*, percent_* (water: without percent);
        turns: wet and dry masses put the pair in opposite order.
    holds: True if no pair that either mass tells apart (p < 0.05) turns; None if neither tells any pair apart.
    """

    wet: Comparison
    dry: Comparison
    water: Comparison
    pairs: pd.DataFrame
    holds: bool | None
    cautions: tuple[str, ...]
    summary: str


def compare_wet_and_dry(
    pots: pd.DataFrame, *, wet: str, dry: str, treatment: str, tray: str, covariates: Sequence[str] = ()
) -> WetAndDry:
    """Compare treatments on wet mass, dry mass [g each] and water fraction; see `WetAndDry`.

    Pots without one of the masses are left out of all three. Raises ValueError as `compare_treatments` does, for
    masses not above zero, and for a dry mass that is not below its wet mass.
    """
    require(pots, [wet, dry])
    both = pots[~(np.isnan(numbers(pots, wet)) | np.isnan(numbers(pots, dry)))]
    if not len(both):
        raise ValueError(f"no pot has both '{wet}' and '{dry}': weigh and dry the same pots")
    w, d = numbers(both, wet), numbers(both, dry)
    if (d <= 0).any():
        raise ValueError(
            f"column '{dry}' is zero or less in {rows_named(both, d <= 0)}; correct or leave out those rows"
        )
    if (d >= w).any():
        raise ValueError(
            f"'{dry}' is not below '{wet}' in {rows_named(both, d >= w)}: were the columns mixed up, or is a "
            "tare missing?"
        )
    both = both.assign(water_fraction=1 - d / w)
    found = {
        side: compare_treatments(both, response=column, treatment=treatment, tray=tray, covariates=covariates)
        for side, column in (("wet", wet), ("dry", dry), ("water", "water_fraction"))
    }
    pairs = found["wet"].pairs[["a", "b"]].copy()
    for side in SIDES:
        for column in ("estimate", "low", "high", "p", *(["percent"] if side != "water" else [])):
            pairs[f"{column}_{side}"] = found[side].pairs[column].to_numpy()
    pairs["turns"] = pairs["estimate_wet"] * pairs["estimate_dry"] < 0
    told = (pairs[["p_wet", "p_dry"]] < LEVEL).any(axis=1)
    holds = None if not told.any() else not bool((told & pairs["turns"]).any())
    left_out = len(pots) - len(both)
    cautions = [f"{left_out} of {len(pots)} pots have no dry or no wet mass and are left out."] if left_out else []
    for side, name in zip(SIDES, ("Wet mass", "Dry mass", "Water fraction"), strict=True):
        cautions += [f"{name}: {c}" for c in found[side].cautions if side == "wet" or c not in found["wet"].cautions]
    return WetAndDry(
        found["wet"],
        found["dry"],
        found["water"],
        pairs,
        holds,
        tuple(cautions),
        _summary(pairs, holds, found["water"]),
    )


def _summary(pairs: pd.DataFrame, holds: bool | None, water: Comparison) -> str:
    turned = pairs[pairs["turns"]]
    if holds is None:
        text = "Neither wet nor dry mass separates the treatments by more than chance."
    elif holds:
        text = "Wet mass and dry mass put the treatments that they separate in the same order."
    else:
        which = ", ".join(f"{a} and {b}" for a, b in zip(turned["a"], turned["b"], strict=True))
        text = f"The order of {which} turns between wet and dry mass: trust the dry mass."
    apart = water.pairs[water.pairs["p"] < LEVEL]
    if len(apart):
        names = ", ".join(f"{a} and {b}" for a, b in zip(apart["a"], apart["b"], strict=True))
        text += (
            f" Water fraction differs by more than chance between {names}: their wet masses do not contain the "
            "same share of plant."
        )
    low, high = water.means["estimate"].min(), water.means["estimate"].max()
    return f"{text} Water was {100 * low:.1f} to {100 * high:.1f} % of the wet mass."
