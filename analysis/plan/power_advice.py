"""What a planned trial can tell and what it cannot, in words; and the spread learned from a past trial.

In: the plan's figures, or a past trial's table of pots. Out: a `SpreadEstimate`, and a `PowerAdvice` with its tables
and sentences. The arithmetic is in `analysis/plan/power.py`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TypedDict

import pandas as pd

from tidetray.analysis.base.words import counted
from tidetray.analysis.compare.one_day import compare_treatments
from tidetray.analysis.plan.power import (
    design_effect,
    detectable_difference,
    fewest_to_shuffle,
    icc,
    permutation_floor,
    pot_level_claims,
    power,
    sd_of_tray_mean,
    trays_needed,
    trays_or_pots,
)
from tidetray.analysis.stats.distributions import chi2_ppf

FEWEST_DF = 6
"""Fewer degrees of freedom for the spread between trays make a plan a guess (common practice, no source)."""


class _Sds(TypedDict):
    tray_sd: float
    pot_sd: float


@dataclass(frozen=True)
class SpreadEstimate:
    """Standard deviations between trays and between pots of one tray, in the unit of the response.

    From `df_trays` degrees of freedom; the sd of a tray's mean lies between `low` and `high` times what was
    found (95 %).
    """

    tray_sd: float
    pot_sd: float
    df_trays: int
    low: float
    high: float
    n_trays: int
    n_pots: int
    cautions: tuple[str, ...]


def spread_from(pots: pd.DataFrame, *, response: str, treatment: str, tray: str) -> SpreadEstimate:
    """The spread within treatments of a past trial.

    Parameters
    ----------
    pots : DataFrame
        A row per pot.
    response, treatment, tray : str
        Its columns.

    Returns
    -------
    SpreadEstimate
        Standard deviations in the unit of the response.

    Raises
    ------
    ValueError
        Where no treatment had two trays: then nothing says how trays differ.
    """
    found = compare_treatments(pots, response=response, treatment=treatment, tray=tray)
    trays = found.tray_means.groupby("treatment")["tray"].nunique()
    df = int((trays - 1).sum())
    if found.variance.empty or df < 1:
        raise ValueError(
            "the past trial had one tray per treatment: it says nothing of how trays differ. Give the spread "
            "that you expect"
        )
    estimates = dict(zip(found.variance["source"], found.variance["estimate"], strict=True))
    pot_variance = float(estimates.get("between pots in a tray", 0.0) or 0.0)
    tray_variance = float(estimates["between trays" if "between trays" in estimates else "between trays, one pot each"])
    low, high = (math.sqrt(df / float(chi2_ppf(p, df))) for p in (0.975, 0.025))
    cautions = []
    if df < FEWEST_DF and tray_variance > 0:  # of none found, a multiple says nothing
        cautions.append(
            f"The spread between trays was learned from few trays: it may really be {low:.1f} to {high:.1f} times "
            "that. Plan for the larger end."
        )
    if tray_variance == 0:
        cautions.append(
            "Trays differed no more than their pots do. That may be luck: plan with some spread between "
            "trays, not with 0."
        )
    return SpreadEstimate(
        math.sqrt(tray_variance),
        math.sqrt(pot_variance),
        df,
        low,
        high,
        int(found.tray_means["tray"].nunique()),
        len(pots),
        tuple(cautions),
    )


@dataclass(frozen=True)
class PowerAdvice:
    """What the plan can tell. Figures are NaN where one tray per treatment leaves nothing to tell.

    `needed`: per number of pots, trays per treatment for the power wanted. `trays_against_pots`: power for the
    same pots in all, spread over more or fewer trays.
    """

    power: float
    detectable: float
    needed: pd.DataFrame
    trays_against_pots: pd.DataFrame
    sentences: tuple[str, ...]


def advise(
    *,
    treatments: int,
    trays: int,
    pots: int,
    difference: float,
    tray_sd: float,
    pot_sd: float,
    target: float = 0.8,
    alpha: float = 0.05,
    unit: str = "",
) -> PowerAdvice:
    """Judge a plan.

    Parameters
    ----------
    treatments, trays, pots : int
        How many treatments, trays for each, pots on each tray.
    difference : float
        Worth having, above zero.
    tray_sd, pot_sd : float
        Standard deviations between trays and between pots of a tray, in the same unit.
    target, alpha : float, optional
        The power wanted, and the risk of a false claim.
    unit : str, optional
        Of the difference, for the sentences.

    Returns
    -------
    PowerAdvice

    Raises
    ------
    ValueError
        For figures out of range.
    """
    if treatments < 2 or trays < 1 or pots < 1:
        raise ValueError("a trial needs two treatments, and a tray with a pot for each")
    if not difference > 0:
        raise ValueError("the difference worth having must be above zero")
    spread = _Sds(tray_sd=tray_sd, pot_sd=pot_sd)
    needed = _needed(treatments, pots, difference, spread, target, alpha)
    against = _same_pots(trays, pots, difference, spread, alpha)
    unit = f" {unit}" if unit else ""
    said = []
    if trays == 1:
        said.append(
            "One tray per treatment describes these trays and shows nothing about the treatments: whatever "
            "differs between two trays (light, draught, pump) cannot be separated from the treatment, "
            "however many pots they hold (Hurlbert 1984). Take a second tray for each treatment, or swap "
            "the treatments between the trays in a second run."
        )
        found = detect = math.nan
    else:
        found = power(trays=trays, pots=pots, difference=difference, treatments=treatments, alpha=alpha, **spread)
        detect = detectable_difference(
            trays=trays, pots=pots, target=target, treatments=treatments, alpha=alpha, **spread
        )
        said.append(
            f"With {trays} trays per treatment and {pots} pots in each, a true difference of "
            f"{difference:g}{unit} is found {_in_ten(found)}. One of {detect:.2g}{unit} is found "
            f"{_in_ten(target)}."
        )
    own = needed[needed["pots"] == pots].iloc[0]
    said.append(
        f"To find {difference:g}{unit} {_in_ten(target)}, take {int(own['trays'])} trays per treatment with "
        f"{pots} pots each ({int(own['trays_in_all'])} trays in all)."
    )
    said.append(_more_trays_or_pots(max(trays, 2), pots, difference, spread, alpha))
    if pots > 1 and trays > 1:
        wrong = pot_level_claims(trays=trays, pots=pots, alpha=alpha, **spread)
        said.append(
            f"Pots on one tray are not independent ({icc(**spread):.0%} of the variance lies "
            f"between trays: {pots} show as much as {pots / design_effect(pots=pots, icc=icc(**spread)):.1f} "
            "on separate trays): a test that counts pots would claim a difference that is not there "
            f"{wrong * 100:.0f} times in 100 instead of {alpha * 100:.0f}."
        )
    if trays > 1 and permutation_floor(trays) > alpha:
        said.append(
            f"With {trays} trays a side a test by shuffling can never get below p = {permutation_floor(trays):.2g}; "
            f"it takes {counted(fewest_to_shuffle(alpha), 'tray')} a side."
        )
    return PowerAdvice(found, detect, needed, against, tuple(said))


def _needed(  # noqa: PLR0917
    treatments: int, pots: int, difference: float, spread: _Sds, target: float, alpha: float
) -> pd.DataFrame:
    rows = []
    for m in sorted({1, 2, 4, 8, 16, pots}):
        found = trays_needed(target=target, difference=difference, treatments=treatments, pots=m, alpha=alpha, **spread)
        rows.append((m, found.trays, found.total, found.total * m, found.power))
    return pd.DataFrame(rows, columns=["pots", "trays", "trays_in_all", "pots_in_all", "power"])


def _same_pots(trays: int, pots: int, difference: float, spread: _Sds, alpha: float) -> pd.DataFrame:
    """All ways to spread the same pots of a treatment over two trays or more."""
    total = trays * pots
    ways = [(t, total // t) for t in range(2, total + 1) if total % t == 0] or [(2, max(1, total // 2))]
    tables = [trays_or_pots(difference=difference, trays=[t], pots=[m], alpha=alpha, **spread) for t, m in ways]
    return pd.concat(tables, ignore_index=True)


def _more_trays_or_pots(trays: int, pots: int, difference: float, spread: _Sds, alpha: float) -> str:
    def of(t: int, m: int) -> float:
        return power(trays=t, pots=m, difference=difference, alpha=alpha, **spread)

    now, tray, double = of(trays, pots), of(trays + 1, pots), of(trays, 2 * pots)
    if now >= ALREADY:
        return f"Between two treatments, {trays} trays each with {pots} pots find it nearly always already."
    best = of(trays, 10**9)
    sd, floor = sd_of_tray_mean(pots=pots, **spread), spread["tray_sd"]
    start = (
        f"Between two treatments, one more tray each would raise the chance to find it from {_percent(now)} to "
        f"{_percent(tray)}, twice the pots to {_percent(double)}"
    )
    if floor > 0.8 * sd:
        return (
            f"{start}. More pots hardly help here: with any number of them it would be {_percent(best)}, since trays "
            "differ."
        )
    if tray >= double:
        return f"{start}: more trays help more than more pots."
    return f"{start}: here more pots help too, up to {_percent(best)} with any number of them."


ALREADY = 0.995


def _percent(power: float) -> str:
    """Never 100 %: nothing is found for certain."""
    return f"{100 * power:.0f} %" if power < ALREADY else "more than 99 %"


def _in_ten(share: float) -> str:
    times = share * 10
    if times >= 9.5:
        return "nearly always"
    return f"{times:.0f} times in 10" if times >= 0.95 else "hardly ever"
