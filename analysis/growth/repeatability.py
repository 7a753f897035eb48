"""How well weighing repeats: readings of pots that were weighed more than once in a session.

In: gross masses, a group for each pot and session. Out: the standard deviation of single readings with its limits,
after ISO 5725-2:1994, 7.4 (the section from memory), and which pot's readings lie too far apart.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray

from tidetray.analysis.base.columns import need
from tidetray.analysis.base.times import utc_ms
from tidetray.analysis.growth.rounds import mark_sessions
from tidetray.analysis.stats.distributions import chi2_ppf, f_ppf

LIMIT_FACTOR = 2.8
"""Repeatability limit = 2.8 x standard deviation: 1.96 x the root of 2 is 2.77, which ISO 5725-6:1994, 4.1, rounds (the
section from memory, the rest is arithmetic)."""

FEWEST_DUPLICATES = 5
"""Degrees of freedom below which a repeatability is called a guess (common practice, no source)."""


@dataclass(frozen=True)
class Precision:
    """Repeatability of weighing (ISO 5725-2).

    `repeatability_g` (s_r) has `df` degrees of freedom from `n_groups` pots weighed more than once, and
    lies between `low_g` and `high_g` (95 %).
    """

    repeatability_g: float
    low_g: float
    high_g: float
    df: int
    n_groups: int
    cautions: tuple[str, ...]

    @property
    def repeatability_limit_g(self) -> float:
        """Two readings of one pot differ by more than this once in twenty [g]."""
        return LIMIT_FACTOR * self.repeatability_g


def repeatability(groups: Iterable[ArrayLike], pots: Iterable[str] | None = None) -> Precision:
    """s_r [g] from readings of the same pot, a group for each (ISO 5725-2, 7.4.5.1, groups of any size).

    For duplicates s_r = root of (sum of squared differences / 2n). `pots`: the name of each group, for what is said of
    it. ValueError where no group has two readings, or where names and groups are not as many.
    """
    values = [np.asarray(group, dtype=np.float64) for group in groups]
    named = zip([""] * len(values) if pots is None else pots, values, strict=True)
    several = [(pot, group) for pot, group in named if group.size > 1]
    repeated = [group for _, group in several]
    df = sum(group.size - 1 for group in repeated)
    if not df:
        raise ValueError("repeatability needs pots that were weighed twice: no pot was")
    within = sum(float(((group - group.mean()) ** 2).sum()) for group in repeated) / df
    low, high = (math.sqrt(df * within / chi2_ppf(p, df)) for p in (0.975, 0.025))
    cautions = list(_scattered(several))
    if df < FEWEST_DUPLICATES:
        cautions.insert(0, f"Only {df} second weighings: the repeatability is a guess. Weigh some more pots twice.")
    return Precision(math.sqrt(within), low, high, df, len(repeated), tuple(cautions))


def repeated_readings(
    weighins: pd.DataFrame, breaks: pd.DataFrame | None = None
) -> list[tuple[str, NDArray[np.float64]]]:
    """Gross masses [g] of pots weighed more than once in a session: for each the pot's name and a group.

    Parameters
    ----------
    weighins : DataFrame
        `pot, time, gross_g`, and where it is there `blotted`: a group holds readings blotted alike.
    breaks : DataFrame, optional
        As from `tidetray.analysis.growth.rounds.pot_breaks`: a pot that was split, re-potted or moved between two
        weighings was not weighed twice.

    Returns
    -------
    list of (name, array)

    Raises
    ------
    ValueError
        For missing columns or times without a zone.
    """
    need(weighins, ("pot", "time", "gross_g"), "weigh-ins")
    marks = mark_sessions(weighins, breaks)
    codes, pots = pd.factorize(weighins["pot"], sort=True)
    frame = pd.DataFrame(
        {
            # numbers in place of names and times: to sort and to compare these takes longer than all the rest
            "pot": codes,
            "ms": utc_ms(weighins["time"], "weigh-ins"),
            "gross_g": weighins["gross_g"].to_numpy(dtype=np.float64),
            "blotted": weighins["blotted"].to_numpy(dtype=bool) if "blotted" in weighins.columns else True,
            "session": utc_ms(marks["session"], "sessions"),
            "breaks": marks["breaks_before"].to_numpy(),
        }
    ).sort_values(["pot", "ms"], kind="stable")
    keys = ["pot", "session", "breaks", "blotted"]
    several = frame[frame.duplicated(keys, keep=False)]  # a group for each of 40,000 single ones takes a second
    names = [str(pots[code]) for code in several.drop_duplicates(keys)["pot"].tolist()]
    groups = [group.to_numpy() for _, group in several.groupby(keys, sort=False)["gross_g"]]  # in the same order
    return list(zip(names, groups, strict=True))


def cochran_critical(n_groups: int, replicates: int, *, risk: float) -> float:
    """Largest share of the summed variances that the largest of equal ones reaches with probability `risk`.

    Cochran's test, from the F distribution as in R's package outliers 0.15 (`qcochran`, read); within 0.001 of two
    published tables (`tests/published/test_weighing.py`).
    """
    if n_groups < 2 or replicates < 2:
        raise ValueError("Cochran's test needs two groups of two readings at least")
    df = replicates - 1
    f = float(f_ppf(1 - risk / n_groups, df, (n_groups - 1) * df))
    return 1 / (1 + (n_groups - 1) / f)


def _scattered(several: Sequence[tuple[str, NDArray[np.float64]]]) -> Iterable[str]:
    """Cochran's test on the pots with the commonest number of readings."""
    sizes = [group.size for _, group in several]
    size = max(set(sizes), key=sizes.count)
    alike = [(pot, group) for pot, group in several if group.size == size]
    variances = np.array([group.var(ddof=1) for _, group in alike])
    if variances.size > 2 and variances.sum() > 0:
        share = float(variances.max() / variances.sum())
        if share > cochran_critical(variances.size, size, risk=0.01):
            pot, worst = alike[int(variances.argmax())]
            shown = " and ".join(f"{value:g}" for value in worst)
            yield (
                f"{pot or 'One pot'}: {shown} g, weighed one after the other, lie further apart than the masses of any "
                "other pot weighed so: look for a slip of the scale or the pen."
            )
