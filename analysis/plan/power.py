"""Planning a trial: how many trays and pots tell a difference worth having, and what they cannot tell.

In: the spread between trays and between pots, the difference worth having, what there is of trays and
pots. Out: power of the test at the tray level, trays needed, smallest difference that can be told, and
what testing pots as if they were independent would have claimed.

The treatment is given to a tray, so the tray is the unit (Hurlbert 1984): a tray mean of m pots has the
variance tray_sd² + pot_sd²/m, and the test has the degrees of freedom of the trays. More pots make
pot_sd²/m small and leave tray_sd² as it is. Power is exact for normal spreads: noncentral t and F, both
tails of a two-sided test counted, as in R's `power.t.test(strict = TRUE)` and statsmodels, to which tests/published
holds it. It draws no layout
(`analysis/plan/randomise.py` does) and knows nothing of order, neighbours or trends in time.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import count

import numpy as np
import pandas as pd
import scipy
from numpy.typing import ArrayLike

from tidetray.analysis.stats.distributions import chi2_ppf, f_isf, t_isf, t_ppf

MOST_TRAYS = 1e7
"""More trays per treatment than this is 'never'."""

_GRID = 80


def sd_of_tray_mean(*, tray_sd: float, pot_sd: float = 0.0, pots: float | Sequence[float] = 1) -> float:
    """Standard deviation of a tray's mean: root of (tray_sd² + pot_sd²/pots).

    `pots` may be one number per tray where they differ: then the mean of pot_sd²/pots counts.
    ValueError for negative sds or less than one pot.
    """
    for name, value in (("tray_sd", tray_sd), ("pot_sd", pot_sd)):
        if not (math.isfinite(value) and value >= 0):
            raise ValueError(f"{name} must be a number not below zero, not {value!r}")
    m = np.atleast_1d(np.asarray(pots, dtype=np.float64))
    if not m.size or not (m >= 1).all():
        raise ValueError("a tray has one pot at least")
    return float(math.sqrt(tray_sd**2 + pot_sd**2 * float(np.mean(1 / m))))


def design_effect(*, pots: float, icc: float) -> float:
    """How many times the variance of a mean grows since pots share trays: 1 + (pots - 1) icc (Kish 1965; from
    memory)."""
    if pots < 1 or not 0 <= icc <= 1:
        raise ValueError("the design effect needs one pot at least and an icc from 0 to 1")
    return 1 + (pots - 1) * icc


def icc(*, tray_sd: float, pot_sd: float) -> float:
    """The part of a pot's variance that its tray makes: tray_sd² / (tray_sd² + pot_sd²)."""
    total = tray_sd**2 + pot_sd**2
    if not total > 0:
        raise ValueError("there is no spread at all: tray_sd and pot_sd are zero")
    return tray_sd**2 / total


def power(
    *,
    trays: float,
    difference: float | None = None,
    means: ArrayLike | None = None,
    between_variance: float | None = None,
    treatments: int | None = None,
    tray_sd: float,
    pot_sd: float = 0.0,
    pots: float | Sequence[float] = 1,
    alpha: float = 0.05,
    sides: int = 2,
    paired: bool = False,
) -> float:
    """Probability that the test at the tray level finds what is there.

    Say the effect in one of three ways:

    - `difference` between two treatments: two-sample t test, 2 trays - 2 df; with `paired` (two
      treatments in each of `trays` blocks, or each tray in both of two runs) the one-sample t test of
      the differences, trays - 1 df, and `tray_sd` is the sd of these differences, no pots counted.
      One-sided with `sides=1` (the difference in the direction that is tested).
    - `means` of all treatments: F test of any difference among them.
    - `between_variance` of the means (divisor treatments - 1) with `treatments`: the same F test,
      noncentrality (treatments - 1) trays between_variance / variance of a tray mean.

    With `difference` and more than two `treatments` the F test is of two treatments so far apart and the rest half way:
    the means with the smallest sum of squares (own arithmetic), so the least that the test may find.

    Parameters
    ----------
    trays : float
        Per treatment; fractions are for solving.
    difference, means, between_variance
        The effect, in one of these, in the unit of the response (squared for the variance).
    treatments : int, optional
        How many.
    tray_sd, pot_sd
        Standard deviations between trays and between pots of a tray, in the same unit.
    pots : float or Sequence[float], optional
        On each tray, or a number for each tray.
    alpha : float, optional
        Risk of a false claim.
    sides : int, optional
        1 or 2.
    paired : bool, optional
        As above.

    Returns
    -------
    float
        From 0 to 1.

    Raises
    ------
    ValueError
        For less than two trays, effects in several ways or none, and figures out of range.
    """
    sd = sd_of_tray_mean(tray_sd=tray_sd, pot_sd=pot_sd, pots=pots)
    _check(alpha, sides)
    if paired and pot_sd:
        raise ValueError("a paired plan takes the sd of the differences as tray_sd, and no pot_sd")
    if not trays > 1:
        raise ValueError(
            "one tray per treatment has no power at all: tray and treatment cannot be separated. Give two trays or more"
        )
    if sd == 0:
        raise ValueError("without any spread every difference is found: give the spread that is expected")
    given = [
        name
        for name, value in (("difference", difference), ("means", means), ("between_variance", between_variance))
        if value is not None
    ]
    if len(given) != 1:
        raise ValueError("say the effect in one way: difference, means or between_variance")
    if difference is not None and (treatments is None or treatments == 2):
        return _t_power(trays, difference / sd, alpha, sides, paired=paired)
    if paired or sides != 2:
        raise ValueError("a paired or one-sided test is of two treatments")
    k, variance = _effect(difference, means, between_variance, treatments)
    return _f_power(trays, k, variance / sd**2, alpha)


@dataclass(frozen=True)
class TraysNeeded:
    """`exact` trays per treatment as a fraction, `trays` whole ones; `power` of these; `total` over all treatments."""

    exact: float
    trays: int
    total: int
    power: float


def trays_needed(
    *,
    target: float = 0.8,
    difference: float | None = None,
    means: ArrayLike | None = None,
    between_variance: float | None = None,
    treatments: int | None = None,
    tray_sd: float,
    pot_sd: float = 0.0,
    pots: float | Sequence[float] = 1,
    alpha: float = 0.05,
    sides: int = 2,
    paired: bool = False,
) -> TraysNeeded:
    """Trays per treatment for a power.

    Parameters
    ----------
    target : float, optional
        The power wanted, above alpha and below 1.
    difference, means, between_variance, treatments, tray_sd, pot_sd, pots, alpha, sides, paired
        As for `power`.

    Returns
    -------
    TraysNeeded

    Raises
    ------
    ValueError
        Where no number of trays reaches it (a difference of zero), and for a target out of range.
    """
    _check(alpha, sides)
    if not alpha < target < 1:
        raise ValueError(f"the power wanted must lie between alpha ({alpha:g}) and 1, not {target!r}")

    def found(number: float) -> float:
        return power(
            trays=number,
            difference=difference,
            means=means,
            between_variance=between_variance,
            treatments=treatments,
            tray_sd=tray_sd,
            pot_sd=pot_sd,
            pots=pots,
            alpha=alpha,
            sides=sides,
            paired=paired,
        )

    exact = _least(found, target, low=1 + 1e-6, first=2.0, most=MOST_TRAYS, tolerance=1e-12)
    if math.isinf(exact):
        raise ValueError("no number of trays would show that: the difference is zero or next to nothing")
    whole = max(2, math.ceil(exact - 1e-9))
    k = treatments or (2 if means is None else int(np.size(means)))
    return TraysNeeded(exact, whole, whole * (1 if paired else k), found(whole))


def detectable_difference(
    *,
    trays: float,
    target: float = 0.8,
    treatments: int = 2,
    tray_sd: float,
    pot_sd: float = 0.0,
    pots: float | Sequence[float] = 1,
    alpha: float = 0.05,
    sides: int = 2,
    paired: bool = False,
) -> float:
    """The smallest difference between two treatments that is found with power `target`. ValueError as in `power`."""
    sd = sd_of_tray_mean(tray_sd=tray_sd, pot_sd=pot_sd, pots=pots)
    if not alpha < target < 1:
        raise ValueError(f"the power wanted must lie between alpha ({alpha:g}) and 1, not {target!r}")

    def found(difference: float) -> float:
        return power(
            trays=trays,
            difference=difference,
            treatments=treatments,
            tray_sd=tray_sd,
            pot_sd=pot_sd,
            pots=pots,
            alpha=alpha,
            sides=sides,
            paired=paired,
        )

    return _least(found, target, low=0.0, first=sd, most=math.inf, tolerance=1e-13 * sd)


def _least(
    found: Callable[[float], float], target: float, *, low: float, first: float, most: float, tolerance: float
) -> float:
    """The least x from `low` on with found(x) >= target, for a power that rises with x; endless beyond `most`."""
    high = first
    while found(high) < target:
        low, high = high, high * 2
        if high > most:
            return math.inf
    if found(low) >= target:
        return low
    return float(scipy.optimize.brentq(lambda x: found(x) - target, low, high, xtol=tolerance, rtol=1e-13))


def pot_level_claims(
    *, trays: int, pots: int, difference: float = 0.0, tray_sd: float, pot_sd: float, alpha: float = 0.05
) -> float:
    """How often a t test that takes pots for independent claims a difference between two treatments.

    With `difference` 0 every claim is false, and the figure ought to be alpha. It is what must not be
    done; shown so that people see why. Exact up to a grid of the two mean squares.
    """
    if trays < 2 or pots < 2:
        raise ValueError("a test of pots needs two trays per treatment and two pots per tray")
    _check(alpha, 2)
    v = sd_of_tray_mean(tray_sd=tray_sd, pot_sd=pot_sd, pots=pots) ** 2
    if v == 0:
        raise ValueError("there is no spread at all: tray_sd and pot_sd are zero")
    df_tray, df_pot = 2 * trays - 2, 2 * trays * (pots - 1)
    middle = (np.arange(_GRID) + 0.5) / _GRID
    among = pots * v * chi2_ppf(middle, df_tray)
    within = pot_sd**2 * chi2_ppf(middle, df_pot)
    pooled = (among[:, None] + within[None, :]) / (df_tray + df_pot)
    critical = t_ppf(1 - alpha / 2, df_tray + df_pot) ** 2
    bound = critical * pooled * 2 / (trays * pots) / (2 * v / trays)
    noncentrality = difference**2 / (2 * v / trays)
    claimed = scipy.stats.ncx2.sf(bound, 1, noncentrality) if noncentrality else scipy.stats.chi2.sf(bound, 1)
    return float(np.mean(claimed))


def permutation_floor(trays: int) -> float:
    """The smallest two-sided p that shuffling two treatments over trays can give: 2 / (2 trays choose trays)."""
    return 2 / math.comb(2 * trays, trays)


def fewest_to_shuffle(alpha: float) -> int:
    """The fewest trays a side with which shuffling two treatments can get to `alpha` or below."""
    _check(alpha, 2)
    return next(trays for trays in count(2) if permutation_floor(trays) <= alpha)


def trays_or_pots(
    *, difference: float, tray_sd: float, pot_sd: float, trays: Sequence[int], pots: Sequence[int], alpha: float = 0.05
) -> pd.DataFrame:
    """Power of two treatments for every number of trays and pots: `trays, pots, pots_in_all, power`, `trays` per
    treatment."""
    rows = [
        (t, m, 2 * t * m, power(trays=t, pots=m, difference=difference, tray_sd=tray_sd, pot_sd=pot_sd, alpha=alpha))
        for t in trays
        for m in pots
    ]
    return pd.DataFrame(rows, columns=["trays", "pots", "pots_in_all", "power"])


def _check(alpha: float, sides: int) -> None:
    if not 0 < alpha < 1:
        raise ValueError(f"alpha must lie between 0 and 1, not {alpha!r}")
    if sides not in {1, 2}:
        raise ValueError(f"sides is 1 or 2, not {sides!r}")


def _effect(
    difference: float | None, means: ArrayLike | None, between_variance: float | None, treatments: int | None
) -> tuple[int, float]:
    """Number of treatments, and variance of their means with divisor treatments - 1."""
    if means is not None:
        values = np.asarray(means, dtype=np.float64)
        if values.ndim != 1 or values.size < 2 or (treatments is not None and treatments != values.size):
            raise ValueError("means needs one value per treatment, two at least")
        return int(values.size), float(np.var(values, ddof=1))
    if treatments is None or treatments < 2:
        raise ValueError("treatments must be two at least")
    if difference is not None:
        return treatments, difference**2 / 2 / (treatments - 1)
    if between_variance is None or between_variance < 0:
        raise ValueError("between_variance must not be below zero")
    return treatments, between_variance


def _t_power(trays: float, effect: float, alpha: float, sides: int, *, paired: bool) -> float:
    df = trays - 1 if paired else 2 * trays - 2
    noncentrality = effect * math.sqrt(trays if paired else trays / 2)
    critical = float(t_isf(alpha / sides, df))
    found = float(scipy.stats.nct.sf(critical, df, noncentrality))
    if sides == 2:
        # by symmetry: the far tail as an upper tail, where it does not lose its digits
        found += float(scipy.stats.nct.sf(critical, df, -noncentrality))
    return _probability(found)


def _f_power(trays: float, treatments: int, ratio: float, alpha: float) -> float:
    df = treatments - 1, treatments * (trays - 1)
    critical = float(f_isf(alpha, *df))
    if ratio == 0:
        return alpha
    return _probability(float(scipy.stats.ncf.sf(critical, *df, (treatments - 1) * trays * ratio)))


def _probability(value: float) -> float:
    # far out, scipy's tails come back as NaN where they are 1 to all digits
    return 1.0 if math.isnan(value) else min(max(value, 0.0), 1.0)
