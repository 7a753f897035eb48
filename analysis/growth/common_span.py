"""Growth of pots brought to one span of time: a pot that was lost early must not make its tray look faster.

In: growth per pot and interval with the rounds that bound it. Out: by how much each pot's own rate is to be corrected.

Growth slows with age, so a pot weighed in the first weeks only has a higher rate than its neighbours over the whole
time. Rates are taken as pot + time (least squares, weighted by days): what the time from one round to the next did to
all pots is estimated from those that were weighed then, and a pot's own rate is corrected by the mean of that over the
whole span less the mean over the pot's own. A pot that was there throughout keeps its rate exactly. It takes time to
have done the same to all pots, and pots to be missing for reasons that have nothing to do with their growth; where they
are missing because they grew badly, no correction helps, and only bounds can be given.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from tidetray.analysis.base.arrays import Array
from tidetray.analysis.base.columns import need


def span_corrections(growth: pd.DataFrame) -> pd.Series[float]:
    """What is to be added to each pot's own rate.

    Parameters
    ----------
    growth : DataFrame
        `pot, days, rgr_per_day` [1/day], and `from_day, to_day`: the days of the rounds at both ends (rows without are
        passed over). `span_from, span_to`, where they are there: the days of the span that the pot is brought to (for
        a run of a crossover); otherwise that of the trial.

    Returns
    -------
    Series
        By pot [1/day]; 0 for a pot that has growth over every step from round to round.

    Raises
    ------
    ValueError
        For missing columns.
    """
    need(growth, ("pot", "days", "rgr_per_day", "from_day", "to_day"), "growth")
    known = growth.dropna(subset=["from_day", "to_day"])
    known = known[known["to_day"] > known["from_day"]]
    pots, pot = np.unique(known["pot"].to_numpy(dtype=object), return_inverse=True)
    edges = np.unique(known[["from_day", "to_day"]].to_numpy(dtype=float))
    if len(edges) < 3:
        return pd.Series(0.0, index=pd.Index(pots, name="pot"))
    from_, to = (known[name].to_numpy(dtype=float)[:, None] for name in ("from_day", "to_day"))
    inside = (edges[None, :-1] >= from_) & (edges[None, 1:] <= to)
    length = np.diff(edges)
    share = inside * length / (inside * length).sum(axis=1, keepdims=True)
    weight = known["days"].to_numpy(dtype=float)
    step = _step_effects(known["rgr_per_day"].to_numpy(dtype=float), pot, share, weight)
    has = np.zeros((len(pots), len(length)), dtype=bool)
    np.logical_or.at(has, pot, inside)
    span = np.broadcast_to(has.any(axis=0), has.shape)
    if "span_from" in known.columns:
        of_pot = known.groupby("pot")[["span_from", "span_to"]].first().reindex(pots).to_numpy(dtype=float)
        span = span & (edges[:-1] >= of_pot[:, :1]) & (edges[1:] <= of_pot[:, 1:]) | has
    whole, own = ((which * length) @ step / (which * length).sum(axis=1) for which in (span, has))
    correction = np.where((has | ~span).all(axis=1), 0.0, whole - own)
    return pd.Series(correction, index=pd.Index(pots, name="pot"))


def _step_effects(rate: Array, pot: np.ndarray, share: Array, weight: Array) -> Array:
    """Effect of each step from round to round on the rate, the pots' own levels taken out."""
    total = np.bincount(pot, weight)
    mean_rate = np.bincount(pot, weight * rate) / total
    mean_share = np.column_stack([np.bincount(pot, weight * each) / total for each in share.T])
    root = np.sqrt(weight)
    left = (share - mean_share[pot]) * root[:, None]
    return np.asarray(np.linalg.lstsq(left, (rate - mean_rate[pot]) * root, rcond=None)[0])
