"""The next trial made ready for the notebook, and afterwards predicted set beside happened.

In: a proposal, the plan it builds on, a name, a day and a seed. Out: trays given to schedules by chance, a `TrialPlan`,
and a `Prediction` per treatment; later a table of what came of them. Writes nothing.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime

import numpy as np
import pandas as pd

from tidetray.analysis.dose.draws import Draws
from tidetray.analysis.dose.schedules import FloodSchedule, ScheduleLimits, starts_s
from tidetray.analysis.plan.design_search import DesignProposal
from tidetray.analysis.plan.timetable import clock_text
from tidetray.ingest.notebook.facts import Treatment, TrialPlan
from tidetray.ingest.notebook.predictions import Prediction

TRIAL_SHARE = 0.1
"""Standard deviation of whole trials against each other, as a part of their growth, where it is not known: season,
water and batches of plants differ (our choice, no source)."""
TRIAL_DF = 8
"""Degrees of freedom that such a guess is worth: with a normal distribution limits of 95 % held 91 to 94 of 100 trials
that did differ by that much (tests/claims/plans.py)."""


def treatment_name(schedule: FloodSchedule) -> str:
    return f"{schedule.floods_day} x {schedule.hold_minutes:.0f} min"


def deal(proposal: DesignProposal, trays: Sequence[str], *, seed: int) -> dict[str, FloodSchedule]:
    """Which tray gets which schedule, drawn with `seed`. ValueError if the proposal needs another number of trays."""
    table = proposal.schedules
    schedules = [
        FloodSchedule(int(n), float(m)) for n, m in zip(table["floods_day"], table["hold_minutes"], strict=True)
    ]
    dealt = [s for s, many in zip(schedules, table["trays"], strict=True) for _ in range(int(many))]
    if len(dealt) != len(trays):
        raise ValueError(f"the proposal is for {len(dealt)} trays, and {len(trays)} were given")
    order = np.random.default_rng(seed).permutation(len(dealt))
    return {tray: dealt[i] for tray, i in zip(trays, order, strict=True)}


def next_plan(
    of_tray: Mapping[str, FloodSchedule],
    base: TrialPlan,
    *,
    limits: ScheduleLimits,
    name: str,
    started: datetime,
    question: str,
) -> TrialPlan:
    """The trial in which each tray has its schedule, with the pots and lamps of another one.

    Parameters
    ----------
    of_tray : Mapping[str, FloodSchedule]
        Tray -> its schedule.
    base : TrialPlan
        The plan that pots and lamps are taken from.
    limits : ScheduleLimits
        Of schedules.
    name, question : str
        Of the new trial.
    started : datetime
        When it begins, with a zone.

    Returns
    -------
    TrialPlan
    """
    treatments = tuple(
        Treatment(
            treatment_name(s),
            "mixed",
            tuple(sorted(clock_text(60 * round(t / 60)) for t in starts_s(s, limits))),
            s.hold_minutes,
        )
        for s in dict.fromkeys(of_tray.values())
    )
    plans = {plan.name: plan for plan in base.trays}
    return TrialPlan(
        replace(base.trial, name=name, started=started, question=question),
        treatments,
        tuple(replace(plans[tray], treatment=treatment_name(of_tray[tray])) for tray in of_tray),
        tuple(pot for pot in base.pots if pot.tray in of_tray),
    )


def predictions_of(
    proposal: DesignProposal,
    draws: Draws,
    *,
    trial: str,
    based_on: Sequence[str],
    factor: str,
    response: str,
    seed: int = 1,
) -> tuple[Prediction, ...]:
    """A prediction per proposed schedule.

    The limits (95 %) hold the doubt about the curve, the scatter of as many trays, and that a whole trial may run
    better or worse: by TRIAL_SHARE of the highest expected response, as of TRIAL_DF degrees of freedom.

    Parameters
    ----------
    proposal : DesignProposal
        The next trial.
    draws : Draws
        Plausible responses, columns in the order of the proposal's rows.
    trial : str
        The new trial's name.
    based_on : sequence of str
        Names of the trials it rests on.
    factor, response : str
        What is varied, and what is predicted.
    seed : int, optional
        Of the random draws.

    Returns
    -------
    tuple of Prediction
    """
    rng = np.random.default_rng(seed)
    trial_sd = TRIAL_SHARE * float(np.abs(draws.expected()).max())
    # those it rests on ran better or worse as well: their mean is known to within their own number only
    whole = trial_sd * np.sqrt(1 + 1 / max(len(based_on), 1)) * rng.standard_t(TRIAL_DF, len(draws.sigma))
    out = []
    for i, row in enumerate(proposal.schedules.to_dict("records")):
        seen = draws.values[:, i] + whole + draws.sigma / np.sqrt(row["trays"]) * rng.standard_normal(len(draws.sigma))
        low, high = np.quantile(seen, [0.025, 0.975])
        name = treatment_name(FloodSchedule(int(row["floods_day"]), float(row["hold_minutes"])))
        out.append(
            Prediction(
                trial,
                name,
                ", ".join(based_on),
                factor,
                response,
                float(row["dose"]),
                float(draws.values[:, i].mean()),
                float(low),
                float(high),
                bool(row["is_present_best"]),
            )
        )
    return tuple(out)


def predicted_and_happened(predictions: Sequence[Prediction], pots: pd.DataFrame) -> pd.DataFrame:
    """What was predicted beside what happened.

    Parameters
    ----------
    predictions : sequence of Prediction
        The predictions.
    pots : DataFrame
        Rows of all trials as from `measured_doses`, with `trial`.

    Returns
    -------
    DataFrame
        `trial, treatment, dose, expected, low, high, happened, measured_dose, trays, inside, is_best` for each
        prediction. Happened is the mean over trays of the means of their pots, NaN (and `inside` None) as long as there
        is no growth.
    """
    columns = [
        "trial",
        "treatment",
        "dose",
        "expected",
        "low",
        "high",
        "happened",
        "measured_dose",
        "trays",
        "inside",
        "is_best",
    ]
    rows = []
    for p in predictions:
        of_trial = (pots["trial"] == p.trial) | pots["trial"].str.startswith(f"{p.trial}, run ")
        own = pots[of_trial & (pots["treatment"] == p.treatment)]
        trays = (
            own.groupby("tray")[[p.response, p.factor]].mean()
            if len(own)
            else pd.DataFrame(columns=[p.response, p.factor])
        )
        happened = float(trays[p.response].mean()) if len(trays) else np.nan
        inside = None if np.isnan(happened) else bool(p.low <= happened <= p.high)
        measured = float(trays[p.factor].mean()) if len(trays) else np.nan
        rows.append(
            (p.trial, p.treatment, p.dose, p.expected, p.low, p.high, happened, measured, len(trays), inside, p.is_best)
        )
    return pd.DataFrame(rows, columns=columns)
