"""How many more trays would separate two treatments, if their difference is as large as it looks now.

In: a difference of two means over trays, its standard error, trays now. Out: more trays of each treatment. The test is
that of the comparison: Tukey's range over all treatments, trays as units.
"""

from __future__ import annotations

import math
from bisect import bisect_left

import scipy

from tidetray.analysis.stats.pairwise import range_quantile

POWER = 0.8
"""Chance to find it, common practice in planning (no source)."""

MOST = 12
"""More trays than this are not promised: a difference this small is not worth them (our choice)."""


def more_trays(estimate: float, se: float, *, trays: float, treatments: int) -> int | None:
    """Trays to add to every treatment.

    Parameters
    ----------
    estimate, se : float
        The difference of two treatments and its standard error, in one unit.
    trays : float
        Trays of each treatment now, a mean where they differ: two or more.
    treatments : int
        Treatments compared, two or more.

    Returns
    -------
    int or None
        The fewest that find a true difference of `estimate` with a chance of `POWER`; None for more than `MOST`, and
        where it cannot be worked out.

    Notes
    -----
    The standard error shrinks with the square root of the trays, and the degrees of freedom are those of trays within
    treatments. `estimate` was seen in few trays and may be too large: whoever quotes the number says that it holds if
    the difference is as large as it looks. tests/analysis/compare/test_more_trays.py simulates how often it is found.
    """
    if not (math.isfinite(estimate) and math.isfinite(se) and se > 0 and estimate != 0 and trays >= 2):
        return None
    of_a_tray = se * math.sqrt(trays / 2)

    def is_found(more: int) -> bool:
        each = trays + more
        df = treatments * (each - 1)
        shift = abs(estimate) / (of_a_tray * math.sqrt(2 / each))
        return bool(scipy.stats.nct.sf(range_quantile(treatments, df) / math.sqrt(2), df, shift) >= POWER)

    if not is_found(MOST):
        return None
    return bisect_left(range(1, MOST), True, key=is_found) + 1
