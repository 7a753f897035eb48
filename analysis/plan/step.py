"""One whole step of tuning: fit, verdict, what is possible, next trial, timetable.

In: doses and growth of trays (`tidetray.analysis.record.trial_data.TuningData` holds them), what is known of their
water, the limits. Out: a `Tuned`. Where a part cannot be had, its sentence says which limit or lack is in the way; the
rest still stands.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from tidetray.analysis.dose.draws import Draws
from tidetray.analysis.dose.fit import ResponseFit, fit_response, reach
from tidetray.analysis.dose.schedules import (
    FACTORS,
    FloodSchedule,
    Possible,
    ScheduleLimits,
    TrayWater,
    possible_pairs,
    possible_schedules,
    why_not,
)
from tidetray.analysis.dose.two_doses import SurfaceFit, fit_surface
from tidetray.analysis.plan.design_search import DesignProposal, propose
from tidetray.analysis.plan.next_plan import deal
from tidetray.analysis.plan.timetable import Timetable, make_timetable
from tidetray.ingest.notebook.facts import TrialPlan

USUAL = FloodSchedule(6, 30.0)
"""What is not varied, where no trial had floods (common practice, no source)."""

_COLUMN = {"hold_minutes": "wet_minutes"}
_DRAWS = 1000
_HOLDS = 8


@dataclass(frozen=True)
class Tuned:
    """`chances`: `dose, response, low, high, near_best` with the schedule of each possible dose. `dealt`: tray ->
    schedule of the proposal. `why_no_proposal`, `why_no_timetable`: a sentence where there is none, else ''.
    """

    factor: str
    response: str
    fit: ResponseFit
    possible: Possible
    chances: pd.DataFrame
    proposal: DesignProposal | None
    predicted: Draws | None
    dealt: Mapping[str, FloodSchedule]
    timetable: Timetable | None
    why_no_proposal: str
    why_no_timetable: str


def usual_schedule(plan: TrialPlan, fit: ResponseFit, pots: pd.DataFrame, column: str) -> FloodSchedule:
    """The tested flood schedule with the dose nearest to the recommended one; USUAL where no treatment had floods."""
    mixed = [t for t in plan.treatments if t.culture == "mixed" and t.flood_times]
    if not mixed:
        return USUAL
    doses = pots.groupby("treatment")[column].mean()
    goal = fit.recommended if np.isfinite(fit.recommended) else doses.mean()
    nearest = min(mixed, key=lambda t: abs(float(doses.get(t.name, np.inf)) - goal))
    return FloodSchedule(len(nearest.flood_times), nearest.wet_minutes)


def tune(
    pots: pd.DataFrame,
    plan: TrialPlan,
    water: Mapping[str, TrayWater],
    *,
    factor: str,
    limits: ScheduleLimits,
    weeks: float,
    trays: Sequence[str] | None = None,
    response: str = "rgr_per_day",
    best: str = "highest",
    seed: int = 1,
) -> Tuned:
    """Tune one factor of the floods, and propose the next trial.

    Parameters
    ----------
    pots : DataFrame
        A row per pot with `trial, treatment, tray`, doses and `response`, as from `measured_doses`.
    plan : TrialPlan
        Of the latest trial.
    water : Mapping[str, TrayWater]
        Tray -> how it fills and drains.
    factor : str
        One of FACTORS.
    limits : ScheduleLimits
        Of schedules.
    weeks : float
        Length of the next trial.
    trays : Sequence[str], optional
        Of the next trial; all of `plan` where not given.
    response : str, optional
        Column of `pots`.
    best : str, optional
        `highest` or `lowest`.
    seed : int, optional
        Of everything drawn at random.

    Returns
    -------
    Tuned

    Raises
    ------
    ValueError
        For another factor.
    """
    if factor not in FACTORS:
        raise ValueError(f"no factor '{factor}'; there are {', '.join(FACTORS)}")
    column = _COLUMN.get(factor, factor)
    fit = fit_response(pots, response=response, dose=column, tray="tray", trial="trial", own_tray="own_tray", best=best)
    names = list(trays) if trays is not None else [tray.name for tray in plan.trays]
    nothing = Possible(pd.DataFrame(), ())
    flows = [water[name] for name in names if name in water]
    if not flows:
        why = "Nothing is known of how the trays fill and drain; let them flood a few times, recorded."
        return Tuned(factor, response, fit, nothing, pd.DataFrame(), None, None, {}, None, why, why)
    typical = _typical(flows)
    if fit.orders is None:
        why = "No next trial is proposed before growth can be set against a dose at all."
        return Tuned(factor, response, fit, nothing, pd.DataFrame(), None, None, {}, None, why, why)
    usual = usual_schedule(plan, fit, pots, column)
    low, high = reach(fit.orders.tested, fit.finding, fit.edge)
    possible = possible_schedules(factor, usual, typical, limits, low=low, high=high, trays=len(names))
    if len(possible.table) < 2:
        reasons = (*why_not(usual, typical, limits, len(names)), *possible.forbidden)
        told = f" {reasons[0]}." if reasons else ""
        why = (
            f"The limits leave {len(possible.table)} possible schedule(s) between {low:.3g} and "
            f"{high:.3g}.{told} Ease a limit."
        )
        return Tuned(factor, response, fit, possible, pd.DataFrame(), None, None, {}, None, why, why)
    doses = possible.table["dose"].to_numpy(dtype=float)
    seen = fit.chances(doses).drop(columns="dose")
    chances = pd.concat([possible.table.reset_index(drop=True), seen], axis=1)
    try:
        proposal = propose(
            possible.table,
            fit.draws(doses, draws=_DRAWS),
            trays=len(names),
            weeks=weeks,
            sign=fit.words.sign,
            dose_words=fit.words.dose,
            forbidden=possible.forbidden,
            seed=seed,
        )
    except ValueError as error:
        return Tuned(factor, response, fit, possible, chances, None, None, {}, None, f"{error}.", f"{error}.")
    predicted = fit.draws(proposal.schedules["dose"].to_numpy(dtype=float))
    dealt = deal(proposal, names, seed=seed)
    try:
        timetable, why = make_timetable(dealt, {n: water.get(n, typical) for n in names}, limits), ""
    except ValueError as error:
        timetable, why = None, f"{error}."
    return Tuned(factor, response, fit, possible, chances, proposal, predicted, dealt, timetable, "", why)


def _typical(flows: Sequence[TrayWater]) -> TrayWater:
    """Filling and draining of the middle tray, and the largest known volume: a limit must hold for every tray."""
    volumes = [w.volume_m3 for w in flows if np.isfinite(w.volume_m3)]
    return TrayWater(
        float(np.median([w.fill_s for w in flows])),
        float(np.median([w.drain_s for w in flows])),
        max(volumes, default=np.nan),
    )


@dataclass(frozen=True)
class TunedPair:
    """Floods a day and wet minutes at once. `proposal` or `why_no_proposal`."""

    fit: SurfaceFit
    possible: Possible
    proposal: DesignProposal | None
    why_no_proposal: str


def tune_pair(
    pots: pd.DataFrame,
    plan: TrialPlan,
    water: Mapping[str, TrayWater],
    *,
    limits: ScheduleLimits,
    weeks: float,
    response: str = "rgr_per_day",
    sign: int = 1,
    seed: int = 1,
) -> TunedPair:
    """Tune floods a day and wet minutes together, on the trays that had floods.

    Parameters
    ----------
    pots, plan, water, limits, weeks, response, seed
        As for `tune`.
    sign : int, optional
        1: the most is wanted; -1: the least.

    Returns
    -------
    TunedPair

    Raises
    ------
    ValueError
        For missing columns.
    """
    fit = fit_surface(
        pots.assign(floods_day=pots["floods_day"].where(pots["floods_day"] > 0)),
        response=response,
        doses=("floods_day", "wet_minutes"),
        tray="tray",
        trial="trial",
        own_tray="own_tray",
        sign=sign,
    )
    names = [tray.name for tray in plan.trays if tray.name in water]
    if not fit.fits or not names:
        return TunedPair(fit, Possible(pd.DataFrame(), ()), None, fit.verdict)
    typical = _typical([water[name] for name in names])
    first, second = fit.units["first"], fit.units["second"]
    floods = range(max(round(first.min()), 1), round(first.max()) + 1)
    each = (typical.fill_s + typical.drain_s) / 60
    holds = [m - each for m in np.linspace(second.min(), second.max(), _HOLDS) if m - each > 0]
    possible = possible_pairs(typical, limits, floods, [round(h, 1) for h in holds], trays=len(plan.trays))
    table = possible.table.assign(wet_minutes=possible.table["hold_minutes"] + each)
    try:
        draws = fit.draws(
            table["floods_day"].to_numpy(dtype=float), table["wet_minutes"].to_numpy(dtype=float), draws=_DRAWS
        )
        proposal = propose(
            table,
            draws,
            trays=len(plan.trays),
            weeks=weeks,
            factors=("floods_day", "wet_minutes"),
            sign=sign,
            dose_words="of the range tested",
            forbidden=possible.forbidden,
            seed=seed,
        )
    except ValueError as error:
        return TunedPair(fit, possible, None, f"{error}.")
    return TunedPair(fit, possible, proposal, "")
