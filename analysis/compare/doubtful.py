"""Masses that do not fit a pot's own past: a slip of the pen more often than a plant.

In: a row per pot and day of weighing. Out: the masses in doubt, the farthest first, each with what was expected. A pot
is held against its own mass before and the growth of its tray's median pot, so that a wrong mass does not make its
neighbours look wrong.
"""

from __future__ import annotations

import math

import numpy as np
import pandas as pd

LEAST_TIMES = 1.5
"""A mass less wrong than by this factor is not named (our choice: slips of a digit are larger)."""

LEAST_SDS = 8.0
"""In robust standard deviations of all pots, so that a trial that scatters widely names none (our choice)."""

COLUMNS = ["pot", "tray", "day", "net_g", "expected_g", "times"]


def doubtful_masses(masses: pd.DataFrame) -> pd.DataFrame:
    """Masses in doubt.

    Parameters
    ----------
    masses : DataFrame
        `pot, tray, day, net_g` [g], a row per pot and day.

    Returns
    -------
    DataFrame
        COLUMNS, one row a pot at most, the farthest first: `expected_g` is the pot's mass before, grown as the median
        pot of its tray did; `times` is `net_g` over it.
    """
    own = masses[["pot", "tray", "day", "net_g"]].sort_values(["pot", "day"], kind="stable")
    before = own.groupby("pot")["net_g"].shift()
    own = own.assign(before=before, change=np.log(own["net_g"] / before)).dropna(subset=["change"])
    if own.empty:
        return pd.DataFrame(columns=COLUMNS)
    usual = own.groupby(["tray", "day"])["change"].transform("median")
    several = own.groupby(["tray", "day"])["change"].transform("size") >= 3
    own = own.assign(usual=usual.where(several, own.groupby("day")["change"].transform("median")))
    off = own["change"] - own["usual"]
    scale = 1.4826 * float(np.median(np.abs(off - np.median(off))))
    far = own[off.abs() > max(LEAST_SDS * scale, math.log(LEAST_TIMES))]
    # a wrong mass shows twice, on its way there and on its way back: the first of the two is the wrong one
    far = far.drop_duplicates("pot", keep="first")
    expected = far["before"] * np.exp(far["usual"])
    found = far.assign(expected_g=expected, times=far["net_g"] / expected)
    order = np.log(found["times"]).abs().sort_values(ascending=False, kind="stable").index
    shown: pd.DataFrame = found.loc[order, COLUMNS].reset_index(drop=True)
    return shown
