"""Spread: whether pots grow apart over time, and how much of that is place, tray, scale and the rest.

In: a weigh-in per pot and day, with treatment, tray, row and column, and how well the scale repeats. Out: the variance
of ln mass split day by day, and whether it grew, in words. Works with ln mass, so that pots that all double do not
count as growing apart. Compares no treatments: their means are taken out first.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from tidetray.analysis.base.arrays import Array
from tidetray.analysis.base.columns import labels, numbers, require
from tidetray.analysis.base.words import p_words
from tidetray.analysis.relations.positions import dummies, place_anova
from tidetray.analysis.stats.distributions import mean_p
from tidetray.analysis.stats.grouped_design import RandomTerm
from tidetray.analysis.stats.reml import fit_mixed
from tidetray.analysis.stats.variance_share import share_limits

SPREAD_COLUMNS = (
    "day",
    "n_pots",
    "n_trays",
    "sd_pct",
    "total",
    "tray",
    "place",
    "scale",
    "rest",
    "tray_share_low",
    "tray_share_high",
)


LEAST_TRAYS, LEAST_POTS = 3, 4
"""Trays, and pots on each, weighed on both days, below which nothing is said of a change (our choice)."""
_NEARLY = 1 - 1e-9


@dataclass(frozen=True)
class Spread:
    """`split`: per day, variances of ln mass: `total` = `tray` + `place` (rows and columns) + `scale` + `rest`, and the
    total as `sd_pct`, the typical distance of a pot from its treatment's mean [%]; `tray_share_low`, `tray_share_high`:
    95 % limits of the tray's part of the total. `ratio` of the variance of pots within a tray, last day over first
    (geometric mean of the trays), with `p`: Student's t over trays, of Fisher's z (artanh) of each one's correlation
    of sum and difference (Pitman 1939, Biometrika 31:9-12; Morgan 1939, 31:13-19, read in the help of R's package
    PairedData 1.1.1: the same pots, so the two variances are not independent, and that correlation tests them). Pots of
    all trays in one correlation would say it in 14 % of trials without a change, where trays scatter unevenly. NaN
    below LEAST_TRAYS trays with LEAST_POTS pots on both days.
    """

    split: pd.DataFrame
    ratio: float
    p: float
    sentences: tuple[str, ...]
    cautions: tuple[str, ...]


def spread(
    weighins: pd.DataFrame,
    *,
    mass: str = "net_g",
    day: str = "day",
    pot: str = "pot",
    treatment: str = "treatment",
    tray: str = "tray",
    row: str = "row",
    column: str = "column",
    scale_sd: float | None = None,
) -> Spread:
    """Split the spread of ln mass over time into tray, place, scale and the rest.

    Parameters
    ----------
    weighins : DataFrame
        A row per pot and day of weighing. Days on which fewer than two trays or six pots were weighed are left out.
    mass, day, pot, treatment, tray, row, column : str, optional
        Its columns; masses [g] above zero.
    scale_sd : float, optional
        Standard deviation of ln mass of one weighing (`repeat_sd`); None: the scale's part stays in the rest.

    Returns
    -------
    Spread

    Raises
    ------
    ValueError
        For missing columns, masses of zero or less, or no day left.
    """
    require(weighins, [mass, day, pot, treatment, tray, row, column])
    mass_g = numbers(weighins, mass)
    if (mass_g <= 0).any():
        raise ValueError(f"column '{mass}' holds masses of zero or less; ln mass needs masses above 0")
    frame = weighins.assign(_y=np.log(mass_g))
    rows, cautions = [], []
    for at, own in frame.groupby(day, sort=True):
        known = own[own["_y"].notna()]
        if known[tray].nunique() < 2 or len(known) < 6:
            cautions.append(f"Day {at}: too few pots or trays to split their spread.")
            continue
        rows.append((at, *_split(known, treatment=treatment, tray=tray, row=row, column=column, scale_sd=scale_sd)))
    if not rows:
        raise ValueError("spread: on no day were six pots on two trays weighed")
    split = pd.DataFrame(rows, columns=list(SPREAD_COLUMNS))
    if scale_sd is None:
        cautions.append("What weighing itself adds to this spread is not known, and counts with the rest.")
    ratio, p = _grew(frame, split["day"].iloc[0], split["day"].iloc[-1], day=day, pot=pot, tray=tray)
    return Spread(split, ratio, p, _sentences(split, ratio, p), tuple(cautions))


def _split(
    own: pd.DataFrame, *, treatment: str, tray: str, row: str, column: str, scale_sd: float | None
) -> tuple[float, ...]:
    y = own["_y"].to_numpy(dtype=np.float64)
    trays = labels(own, tray)[0]
    X = dummies(labels(own, treatment)[0])
    n_trays = len(np.unique(trays))
    between, within = 0.0, float("nan")
    if n_trays > X.shape[1] and len(y) > n_trays + 1:
        fit = fit_mixed(y, X, [RandomTerm("tray", trays)])
        between, within = float(fit.variance("tray")[0, 0]), fit.residual
    else:
        blocks = dummies(trays)
        rest = y - blocks @ (blocks.T @ y / blocks.sum(axis=0))
        between, within = float("nan"), float(rest @ rest) / max(len(y) - n_trays, 1)
    place = min(max(0.0, _place_part(own, y, trays, row, column)), within)
    scale = 0.0 if scale_sd is None else min(scale_sd**2, within - place)
    total = within + (0.0 if np.isnan(between) else between)
    sd_pct = 100 * float(np.expm1(np.sqrt(total)))
    codes = (
        np.unique(v.astype(str), return_inverse=True)[1].astype(np.intp) for v in (trays, labels(own, treatment)[0])
    )
    share = (float("nan"), float("nan")) if np.isnan(between) else share_limits(y, *codes)
    return len(y), n_trays, sd_pct, total, between, place, scale, within - place - scale, *share


def _place_part(own: pd.DataFrame, y: Array, trays: np.ndarray, row: str, column: str) -> float:
    """Variance that rows and columns explain within trays, less what they would by chance; 0 where it cannot
    be told."""
    blocks = dummies(trays)
    place = np.column_stack([dummies(own[name].astype(str).to_numpy(dtype=object)) for name in (row, column)])
    try:
        table = place_anova(y, blocks, {"place": place}).set_index("term")
    except ValueError:
        return 0.0
    ss, df, ms = (table[name].to_dict() for name in ("ss", "df", "ms"))
    if df["residual"] < 4 or not df["place"]:
        return 0.0
    return float((ss["place"] - df["place"] * ms["residual"]) / (df["place"] + df["residual"]))


def _grew(frame: pd.DataFrame, first: object, last: object, *, day: str, pot: str, tray: str) -> tuple[float, float]:
    """Variance of pots around their tray's mean, last day over first, and the p of trays; see `Spread`."""
    if first == last:
        return float("nan"), float("nan")
    ends = [frame[frame[day] == at].groupby([tray, pot])["_y"].mean() for at in (first, last)]
    both = pd.concat(ends, axis=1, keys=["a", "b"], join="inner").dropna()
    centred = both - both.groupby(level=0).transform("mean")
    ratios, agree = [], []
    for _, own in centred.groupby(level=0):
        a, b = own["a"].to_numpy(), own["b"].to_numpy()
        up, across = b - a, b + a
        scale = float(np.sqrt((up @ up) * (across @ across)))
        if len(own) < LEAST_POTS or not (a @ a > 0 and b @ b > 0 and scale > 0):
            continue
        ratios.append(float(np.log((b @ b) / (a @ a))))
        agree.append(float(np.arctanh(np.clip(up @ across / scale, -_NEARLY, _NEARLY))))
    if len(agree) < LEAST_TRAYS:
        return float("nan"), float("nan")
    return float(np.exp(np.mean(ratios))), mean_p(agree)


def repeat_sd(weighins: pd.DataFrame, *, mass: str = "net_g", pot: str = "pot", day: str = "day") -> float | None:
    """How well a weighing repeats, from pots weighed more than once in a session.

    Parameters
    ----------
    weighins : DataFrame
        A row per weighing.
    mass, pot, day : str, optional
        Its columns: mass [g], name, and what replicates share.

    Returns
    -------
    float or None
        Standard deviation of ln mass of one weighing; None if no pot was weighed twice.
    """
    own = weighins.assign(_y=np.log(weighins[mass].where(weighins[mass] > 0))).dropna(subset=["_y"])
    group = own.groupby([pot, day])["_y"]
    n, var = group.size(), group.var(ddof=1)
    df = int((n - 1).sum())
    return None if df < 1 else float(np.sqrt((var.fillna(0) * (n - 1)).sum() / df))


def _sentences(split: pd.DataFrame, ratio: float, p: float) -> tuple[str, ...]:
    first, last = split.iloc[0], split.iloc[-1]
    if not float(last["total"]) > 0:
        return ("How pots of a tray differ cannot be said: that takes two or more pots on a tray, not all equal.",)
    out = [f"Pots differ by {first['sd_pct']:.0f} % on the first day and by {last['sd_pct']:.0f} % on the last."]
    if np.isnan(ratio):
        out.append(
            f"Too few trays had {LEAST_POTS} pots or more that were weighed on both days to say whether the spread "
            "within trays changed."
        )
    elif p < 0.05:
        word = "grew" if ratio > 1 else "shrank"
        out.append(
            f"The spread within trays {word}: its variance is {ratio:.2g} times that of the first day ({p_words(p)})."
        )
    else:
        out.append(f"The spread within trays is not shown to have changed (variance {ratio:.2g} times, {p_words(p)}).")
    parts = {"tray": "the tray", "place": "the place", "scale": "the scale", "rest": "all else"}
    known = {name: float(last[name]) for name in parts if not np.isnan(last[name])}
    shares = [f"{parts[name]} {100 * value / float(last['total']):.0f} %" for name, value in known.items()]
    low, high = (100 * float(last[f"tray_share_{end}"]) for end in ("low", "high"))
    if "tray" in known and not np.isnan(low):
        shares[0] += f" (95 %: {low:.0f} to {high:.0f} %)"
    out.append(f"On the last day it comes from: {', '.join(shares)}.")
    return tuple(out)
