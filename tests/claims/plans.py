"""Power as a plan promises it, and predictions of the next trial."""

from __future__ import annotations

from functools import partial

import numpy as np
import pandas as pd

from tests.claims.cells import Cell, Found
from tests.claims.compared import LEVEL as ALPHA
from tests.claims.compared import on_one_day
from tests.claims.doses import weigh
from tests.made_responses import CURVES, LEVEL, Curve
from tidetray.analysis.compare.one_day import compare_treatments
from tidetray.analysis.dose.draws import Draws
from tidetray.analysis.plan.design_search import propose
from tidetray.analysis.plan.next_plan import predictions_of
from tidetray.analysis.plan.power import detectable_difference
from tidetray.analysis.plan.power_advice import spread_from

CANDIDATES = pd.DataFrame({"dose": np.linspace(0, 24, 13), "floods_day": 6, "hold_minutes": np.linspace(200, 5, 13)})


def planned(rng: np.random.Generator, *, trays: int, treatments: int = 2, tray_sd: float = 0.2) -> Found:
    """The difference that is found four times of five, between two of the treatments."""
    sds = {"tray_sd": tray_sd, "pot_sd": 0.3}
    size = detectable_difference(trays=trays, treatments=treatments, pots=8, target=0.8, **sds)
    effect = np.r_[size / 2, np.zeros(treatments - 2), -size / 2]
    frame = on_one_day(rng, trays=[trays] * treatments, effect=effect, spread=np.ones(treatments), **sds)
    found = compare_treatments(frame, response="net_g", treatment="treatment", tray="tray")
    return [float(found.anova["p"].iloc[0]) < ALPHA]


def past_spread_holds(rng: np.random.Generator, *, trays: int = 3, tray_sd: float = 0.2) -> Found:
    """The limits that a past trial puts to the standard deviation of a tray's mean."""
    found = spread_from(
        on_one_day(rng, trays=(trays, trays, trays), tray_sd=tray_sd),
        response="net_g",
        treatment="treatment",
        tray="tray",
    )
    of_mean, true = (np.sqrt(a**2 + b**2 / 8) for a, b in ((found.tray_sd, found.pot_sd), (tray_sd, 0.3)))
    return [found.low * of_mean <= true <= found.high * of_mean]


def predicted(rng: np.random.Generator, *, curve: Curve, trial_sd: float) -> Found:
    """Three trials of eight trays, then the next as proposed, each running better or worse as a whole."""
    doses = np.linspace(0, 24, 8)
    shift = trial_sd * LEVEL * rng.standard_normal(4)
    x = np.tile(doses, 3)
    y = LEVEL * (curve.growth(x) + 0.06 * rng.standard_normal(24)) + np.repeat(shift[:3], 8)
    found = weigh(x, y, 3)
    draws = found.draws(CANDIDATES["dose"].to_numpy(), draws=400)
    proposal = propose(CANDIDATES, draws, trays=8, weeks=4)
    at = [int(np.flatnonzero(CANDIDATES["dose"] == d)[0]) for d in proposal.schedules["dose"]]
    told = predictions_of(
        proposal,
        Draws(draws.values[:, at], draws.sigma),
        trial="next",
        based_on=["1", "2", "3"],
        factor="dry_h_day",
        response="rgr_per_day",
    )
    trays = proposal.schedules["trays"].to_numpy()
    scatter = 0.06 * rng.standard_normal(len(at)) / np.sqrt(trays)
    happened = LEVEL * (curve.growth(np.array([p.dose for p in told])) + scatter) + shift[3]
    return [p.low <= h <= p.high for p, h in zip(told, happened, strict=True)]


_BY_NAME = {curve.name: curve for curve in CURVES}

CELLS = (
    Cell("plan, 2 x 3 trays", "found", partial(planned, trays=3), 0.8),
    Cell("plan, 2 x 5 trays", "found", partial(planned, trays=5), 0.8),
    Cell("plan, 3 x 4 trays", "found", partial(planned, trays=4, treatments=3), 0.8),
    Cell("plan, 2 x 4 trays that hardly differ", "found", partial(planned, trays=4, tray_sd=0.05), 0.8),
    Cell("plan, spread of a past trial", "holds", past_spread_holds),
    Cell("plan, spread of a past trial, trays that hardly differ", "holds", partial(past_spread_holds, tray_sd=0.05)),
    *(
        Cell(
            f"predictions, {name}, trials differ by {100 * sd:.0f} %",
            "holds",
            partial(predicted, curve=_BY_NAME[name], trial_sd=sd),
        )
        for name in ("bell", "tent late", "cliff", "plateau")
        for sd in (0.0, 0.1)
    ),
)
