"""How many trays and pots tell a difference worth having, and what they cannot tell."""

from __future__ import annotations

from dataclasses import dataclass, replace

import pandas as pd

from tidetray.analysis.plan.power_advice import PowerAdvice, SpreadEstimate, advise, spread_from
from tidetray.analysis.questions.answer import Answer
from tidetray.analysis.record.trial_data import TrialData

PERCENT = "% per day"
"""Growth is said in this unit; figures are per day."""


@dataclass(frozen=True, eq=False)
class PlanAnswer(Answer):
    """`advice`: tables and sentences. `tray_sd`, `pot_sd`, `detectable`: in the unit of the difference that was asked
    for (per day where it is growth)."""

    advice: PowerAdvice
    tray_sd: float
    pot_sd: float
    detectable: float

    @property
    def table(self) -> pd.DataFrame:
        """Trays needed by pots per tray."""
        return self.advice.needed

    @property
    def sentences(self) -> tuple[str, ...]:
        return self.advice.sentences

    @property
    def summary(self) -> str:
        return self.sentences[0]


def plan(
    past: SpreadEstimate | None = None,
    *,
    treatments: int,
    trays: int,
    pots: int,
    difference: float,
    tray_sd: float | None = None,
    pot_sd: float | None = None,
    target: float = 0.8,
    alpha: float = 0.05,
    growth: bool = True,
) -> PlanAnswer:
    """Judge a plan.

    Parameters
    ----------
    past : SpreadEstimate, optional
        What a past trial says of the spread (`past_spread`); for what of `tray_sd` and `pot_sd` is not given.
    treatments, trays, pots : int
        How many treatments, trays for each, pots in each tray.
    difference : float
        The difference worth having; of growth [1/day].
    tray_sd, pot_sd : float, optional
        Standard deviations between trays and between pots of a tray, in the same unit.
    target, alpha : float
        How surely it is to be found, and the risk of a false claim.
    growth : bool
        The figures are growth rates: sentences say them in % per day.

    Returns
    -------
    PlanAnswer

    Raises
    ------
    ValueError
        For figures out of range, and where neither a spread nor a past trial is given.
    """
    if past is not None:
        tray_sd = past.tray_sd if tray_sd is None else tray_sd
        pot_sd = past.pot_sd if pot_sd is None else pot_sd
    if tray_sd is None or pot_sd is None:
        raise ValueError("the spread between trays and between pots is missing: give both, or a past trial")
    factor = 100.0 if growth else 1.0
    found = advise(
        treatments=treatments,
        trays=trays,
        pots=pots,
        difference=factor * difference,
        tray_sd=factor * tray_sd,
        pot_sd=factor * pot_sd,
        target=target,
        alpha=alpha,
        unit=PERCENT if growth else "",
    )
    return PlanAnswer(past.cautions if past else (), found, tray_sd, pot_sd, found.detectable / factor)


def past_spread(data: TrialData) -> SpreadEstimate:
    """What the growth of a trial, from first to last weigh-in of each pot, says of the spread between trays and pots.

    Parameters
    ----------
    data : TrialData
        The trial.

    Returns
    -------
    SpreadEstimate
        Standard deviations [1/day].

    Raises
    ------
    ValueError
        Where the trial has no growth yet, or one tray per treatment.
    """
    whole = data.growth_of_whole
    if whole.empty:
        raise ValueError("the past trial has no growth yet: give the spread that you expect")
    found = spread_from(
        whole.assign(tray=data.trays_during(whole)), response="rgr_per_day", treatment="treatment", tray="tray"
    )
    return replace(found, n_pots=int(whole["pot"].nunique()))  # of a crossover a pot has a row per treatment
