"""Whether a scale has moved, by the check weights that were weighed on it.

In: what the scale showed of a check weight, in order of time. Out: an exponentially weighted average of its errors with
limits, by how much the scale reads wrong, and what to do about it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

EWMA_WEIGHT = 0.2
EWMA_WIDTH = 3.0
"""Weight of the newest check weighing, and how many standard deviations of the average are a signal."""

FEWEST_CHECKS = 4
OWN_WIDTH = 3.4
"""Standard deviations of the average that are a signal where that deviation comes from the same few checks. With the
usual 3, a scale that had not moved was said to have moved in 5 to 9 % of series of 4 to 40 checks (16 % with 3 checks);
with this, in 3 to 5 % (simulated in tests/claims)."""


@dataclass(frozen=True)
class ScaleDrift:
    """Check weighings followed by an exponentially weighted average of (shown - nominal) [g].

    `table`: `shown_g, error_g, average_g, outside`; `first_outside` is the row of the first signal, None
    without one. `drift_g`: by how much the scale reads wrong: while there is a signal the
    mean error of the readings since it began, for the average lags behind; otherwise the average's last value.
    `drift_u_g`: its standard uncertainty.
    """

    table: pd.DataFrame
    low_g: float
    high_g: float
    first_outside: int | None
    drift_g: float
    drift_u_g: float


def scale_drift(
    shown_g: ArrayLike,
    nominal_g: float,
    *,
    sd_g: float,
    weight: float = EWMA_WEIGHT,
    width: float = EWMA_WIDTH,
) -> ScaleDrift:
    """Whether the scale has moved, from readings of one check weight in order of time.

    `sd_g`: standard deviation of single readings of it while all was well. A slow drift shows in the
    average long before a single reading lies outside (Roberts 1959; NIST/SEMATECH e-Handbook 6.3.2.4).
    ValueError for an sd that is not above zero, or no reading.
    """
    shown = np.asarray(shown_g, dtype=np.float64)
    if not shown.size:
        raise ValueError("there is no check weighing yet")
    if not (math.isfinite(sd_g) and sd_g > 0):
        raise ValueError("the standard deviation of the check weighings must be above zero")
    half = width * sd_g * math.sqrt(weight / (2 - weight))
    average = np.empty_like(shown)
    last = 0.0
    for i, error in enumerate(shown - nominal_g):
        last = weight * error + (1 - weight) * last
        average[i] = last
    outside = np.abs(average) > half
    drift_g, drift_u_g = abs(last), sd_g * math.sqrt(weight / (2 - weight))
    if outside[-1]:
        inside = np.flatnonzero(~outside)
        since = (shown - nominal_g)[(inside[-1] + 1 if len(inside) else 0) :]
        drift_g, drift_u_g = abs(float(since.mean())), sd_g / math.sqrt(len(since))
    return ScaleDrift(
        pd.DataFrame({"shown_g": shown, "error_g": shown - nominal_g, "average_g": average, "outside": outside}),
        nominal_g - half,
        nominal_g + half,
        int(np.flatnonzero(outside)[0]) if outside.any() else None,
        drift_g,
        drift_u_g,
    )


def judge_drift(checks: pd.DataFrame, resolution_g: float) -> tuple[float, str]:
    """By how much a scale reads wrong [g], NaN where that is not known, and the sentence about it.

    Parameters
    ----------
    checks : DataFrame
        `time, nominal_g, shown_g` of this scale. The check weight that was weighed last counts.
    resolution_g : float
        The scale's step [g].

    Returns
    -------
    float, str
    """
    if checks.empty:
        return math.nan, (
            "No check weight was weighed: a scale that has drifted would not be noticed. Weigh one before each session."
        )
    checks = checks.sort_values("time")
    nominal_g = float(checks["nominal_g"].iloc[-1])
    series = checks[checks["nominal_g"] == nominal_g]["shown_g"].to_numpy(dtype=np.float64)
    # a scale may show the very same each time: its step alone still leaves this doubt
    step_sd = resolution_g / math.sqrt(12)
    if len(series) < FEWEST_CHECKS:
        return math.nan, f"{len(series)} check weighings so far: drift can be seen from {FEWEST_CHECKS} on."
    # from one check to the next: a drift hardly shows in that. Half the mean square of successive differences estimates
    # the variance: von Neumann's ratio of the two is 2 (help of R's DescTools, VonNeumannTest, read)
    sd = max(float(np.sqrt(np.mean(np.diff(series) ** 2) / 2)), step_sd)
    found = scale_drift(series, nominal_g, sd_g=sd, width=OWN_WIDTH)
    if found.first_outside is None:
        return found.drift_g, f"The check weight of {nominal_g:g} g shows no drift over {len(series)} weighings."
    if not found.table["outside"].iloc[-1]:
        return found.drift_g, (
            f"The scale had moved on the check weight of {nominal_g:g} g at check {found.first_outside + 1} of "
            f"{len(series)}, and reads right again: masses weighed in between may be wrong."
        )
    return found.drift_g, (
        f"The scale has moved by {found.drift_g:.2g} g (± {2 * found.drift_u_g:.1g} g) on the check "
        f"weight of {nominal_g:g} g, seen since check {found.first_outside + 1} of "
        f"{len(series)}: level it, clean it, have it adjusted, and weigh the check weight again."
    )
