"""The next trial: which schedules on how many trays earn and teach most.

In: draws of plausible responses (`tidetray.analysis.dose.draws`) at the possible schedules, the trays at hand. Out: a
`DesignProposal`: two to four schedules, one of them the present best, with the trays of each, how much better the best
dose is expected to be known afterwards, and what that is worth in growth. The search is that of
`tidetray.analysis.dose.learning`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from tidetray.analysis.dose.draws import Draws
from tidetray.analysis.dose.learning import Design, best_design


@dataclass(frozen=True)
class DesignProposal:
    """`schedules`: the rows of the candidates that were chosen, with `trays`, `is_present_best`, `expected` response
    and `near_best` chance. `spread_now`, `spread_after`: standard deviation of the best dose, now and as expected after
    the trial (in shares of the candidates' range where there are two factors). `loss_now`, `loss_after`: growth that is
    expected to be lost by following what is held best, as a part of the best. `sentence` says it in words;
    `tray_weeks`: what it takes.
    """

    schedules: pd.DataFrame
    spread_now: float
    spread_after: float
    loss_now: float
    loss_after: float
    tray_weeks: float
    sentence: str


def propose(
    candidates: pd.DataFrame,
    draws: Draws,
    *,
    trays: int,
    weeks: float,
    factors: Sequence[str] = ("dose",),
    sign: int = 1,
    dose_words: str = "",
    forbidden: Sequence[str] = (),
    seed: int = 1,
) -> DesignProposal:
    """The next trial on `trays` trays for `weeks` weeks.

    `candidates`: the possible schedules, in the order of the columns of `draws`; `factors`: the columns that say where
    a schedule lies. `sign` -1: the least response is best. ValueError where the limits (`forbidden`) leave fewer than
    two schedules, or for fewer than two trays: the sentence says which limit.
    """
    if len(candidates) < 2:
        why = f" {forbidden[0]}." if forbidden else ""
        raise ValueError(
            f"the limits leave {len(candidates)} possible schedule(s), and a trial needs two.{why} Ease a limit"
        )
    if trays < 2:
        raise ValueError(f"a trial needs two trays or more, not {trays}")
    where = candidates[list(factors)].to_numpy(dtype=float)
    width = np.where(np.ptp(where, axis=0) > 0, np.ptp(where, axis=0), 1.0)
    found = best_design(sign * draws.values, where / width, float(np.median(draws.sigma)), trays=trays, seed=seed)
    scale = float(width[0]) if len(factors) == 1 else 1.0
    table = (
        candidates.iloc[found.chosen]
        .assign(
            trays=found.trays.astype(int),
            is_present_best=np.arange(len(found.chosen)) == 0,
            expected=draws.expected()[found.chosen],
            near_best=draws.near_best(sign)[found.chosen],
        )
        .sort_values(list(factors), ignore_index=True)
    )
    return DesignProposal(
        table,
        found.spread_now * scale,
        found.spread_after * scale,
        found.loss_now,
        found.loss_after,
        trays * weeks,
        _sentence(found, scale, trays * weeks, dose_words),
    )


def _share(part: float) -> str:
    """'1.2 %'; never 0.0 %, for nothing is lost for certain."""
    return f"{100 * part:.1f} %" if part >= 0.0005 else "less than 0.1 %"


def _sentence(found: Design, scale: float, tray_weeks: float, dose_words: str) -> str:
    if found.spread_now <= 0:
        return "All plausible curves agree where the best is; another trial would teach nothing about it."
    unit = f" {dose_words}" if dose_words else ""
    return (
        f"The best is known to within about ± {2 * scale * found.spread_now:.2g}{unit} now; after this trial "
        f"({tray_weeks:.0f} tray-weeks) it is expected to be known to ± "
        f"{2 * scale * found.spread_after:.2g}. Flooding by what looks best is expected to cost "
        f"{_share(found.loss_now)} of the best growth now, and {_share(found.loss_after)} then."
    )
