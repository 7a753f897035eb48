"""A comparison of pots whose trays nobody noted: what it can say, and how strong a tray effect would overturn it.

In: masses of pots, and pairs of treatments with their intervals. Out: the same masses with each pot as though it stood
alone, and for each pair the intraclass correlation (icc: the share of the spread between pots that is between trays)
from which on the interval reaches zero. Fits nothing.

Worst case: all pots of a treatment stood on one tray. Then the variance of its mean is not s²/m but, by the design
effect 1 + (m - 1) icc (Kish 1965, as given by Garrett 2001, Stata Technical Bulletin 60, sts18), that times
1 + (m - 1) icc, over the whole variance; and pots of one tray show only its part (1 - icc), so that the whole variance
is s²/(1 - icc). Together: a difference of means with m and n pots has the variance
s² (1/m + 1/n + 2 icc / (1 - icc)).
"""

from __future__ import annotations

import re

import numpy as np
import pandas as pd

from tidetray.analysis.base.arrays import Array
from tidetray.analysis.base.columns import require

NOT_NOTED = (
    "The trays of pots were not noted, so each pot is compared as though it stood alone. What a tray did cannot be "
    "separated from what the treatment did."
)


TRAYS_UNKNOWN = "Trays were not noted: it may be the trays."
"""Stands beside every claim about pots whose trays nobody noted."""


def standing_alone(masses: pd.DataFrame, noted: frozenset[str]) -> pd.DataFrame:
    """`masses` with each pot that stood on no noted tray on one of its own, named after it.

    Parameters
    ----------
    masses : DataFrame
        With columns `pot, tray`.
    noted : frozenset of str
        The trays that were noted.

    Returns
    -------
    DataFrame
        The same rows and columns.
    """
    if masses.empty:
        return masses
    require(masses, ["pot", "tray"])
    return masses.assign(tray=masses["tray"].where(masses["tray"].isin(noted), masses["pot"]))


def inflation(icc: float | Array, pots_a: int, pots_b: int) -> float | Array:
    """How many times larger the variance of a difference is than pots that stand alone show it.

    Parameters
    ----------
    icc : float or array
        Intraclass correlation, 0 to below 1.
    pots_a, pots_b : int
        Pots of the two treatments, each all on one tray.
    """
    return 1 + (2 * icc / (1 - icc)) / (1 / pots_a + 1 / pots_b)


def icc_to_overturn(pairs: pd.DataFrame, pots: dict[str, int]) -> pd.DataFrame:
    """From which icc on the interval of a pair would reach zero.

    Parameters
    ----------
    pairs : DataFrame
        `a, b, estimate, low, high`: differences with their 95 % intervals, worked out with each pot standing alone.
    pots : dict
        Treatment -> its number of pots.

    Returns
    -------
    DataFrame
        `a, b, icc`; NaN where the interval holds zero already, or there is none.
    """
    require(pairs, ["a", "b", "estimate", "low", "high"])
    half = (pairs["high"] - pairs["low"]).to_numpy(dtype=float) / 2
    with np.errstate(divide="ignore", invalid="ignore"):
        spare = (pairs["estimate"].abs().to_numpy(dtype=float) / half) ** 2 - 1
    shares = np.array([1 / pots[a] + 1 / pots[b] for a, b in zip(pairs["a"], pairs["b"], strict=True)], dtype=float)
    odds = np.where(spare > 0, spare * shares / 2, np.nan)
    return pairs[["a", "b"]].assign(icc=odds / (1 + odds)).reset_index(drop=True)


def overturned_words(table: pd.DataFrame) -> tuple[str, ...]:
    """A sentence for each pair that differs, the most easily overturned first. `table`: from `icc_to_overturn`."""
    rows = table.dropna(subset=["icc"]).sort_values("icc", kind="stable")
    return tuple(
        f"{row['a']} and {row['b']}: if all pots of a treatment stood on one tray, a tray effect that makes "
        f"{_percent(row['icc'])} of the spread between pots (icc {row['icc']:.2g}) would be enough to make this "
        "difference one of chance (p above 0.05)."
        for row in rows.to_dict("records")
    )


def in_pots(text: str) -> str:
    """A sentence about trays that hold one pot each, said of pots.

    Parameters
    ----------
    text : str
        The sentence.

    Returns
    -------
    str
        With 'pot' where it said 'tray'.
    """
    return re.sub(r"\b([Tt])ray(s?)\b", lambda match: f"{'P' if match[1] == 'T' else 'p'}ot{match[2]}", text)


def _percent(share: float) -> str:
    if not 0.01 <= share <= 0.99:
        return "less than 1 %" if share < 0.01 else "more than 99 %"
    return f"{100 * share:.0f} %"
