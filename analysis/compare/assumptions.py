"""Checks of what a comparison takes for granted. They advise; nothing is decided by them.

In: values per pot, their layout, residuals. Out: a table of checks (check, f, df_num, df_den, p) and
cautions in plain words. Changes no result.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd
import scipy
from numpy.typing import NDArray

from tidetray.analysis.base.arrays import Array
from tidetray.analysis.base.words import counted
from tidetray.analysis.compare.design_checks import TrialDesign
from tidetray.analysis.stats.kenward_roger import FTest
from tidetray.analysis.stats.pairwise import levene, split

LEVEL = 0.05
"""Checks below this p give a caution."""

MATERIAL = 2.0
"""Standard deviations of treatments that differ by less do not change what a comparison claims. With many pots a test
finds much smaller differences of spread, which hardly matter (our choice; claims simulated in tests/claims)."""

_OUTLIER_MAD = 4.5
"""Robust standard deviations from the median at which a pot is worth a second look (about 1 in 150,000)."""

_SHAPIRO_MAX = 5000  # its p-value is not tabulated beyond (Royston 1995, Appl Stat 44:547-551)


def tray_means(values: Array, where: TrialDesign) -> pd.DataFrame:
    """tray, treatment, mean, n_pots: a row per tray (per tray and treatment where trays are divided)."""
    frame = pd.DataFrame({"tray": where.tray, "treatment": where.treatment, "value": values})
    out = frame.groupby(["treatment", "tray"], sort=True)["value"].agg(["mean", "size"]).reset_index()
    return pd.DataFrame(
        {
            "tray": np.array(where.trays, dtype=object)[out["tray"]],
            "treatment": np.array(where.levels, dtype=object)[out["treatment"]],
            "mean": out["mean"],
            "n_pots": out["size"],
        }
    )


def _row(check: str, test: FTest) -> dict[str, object]:
    return {"check": check, **test._asdict()}


def _spread(values: Array, groups: NDArray[np.integer], levels: int) -> FTest | None:
    samples = split(values, groups, range(levels))
    return levene(samples) if min(map(len, samples)) >= 2 and max(map(len, samples)) >= 3 else None


class SpreadCheck(NamedTuple):
    """`differ`: the spreads of treatments differ by MATERIAL or more; `alike_as_logs`: on a log scale they do not."""

    rows: list[dict[str, object]]
    cautions: list[str]
    differ: bool
    alike_as_logs: bool


def check_spreads(values: Array, where: TrialDesign, residuals: Array) -> SpreadCheck:
    """Levene's test (from the median) of tray means and of pots within trays, and whether logs would help."""
    k = len(where.levels)
    means = tray_means(values, where)
    one_each = len(means) == len(values)
    code = pd.Categorical(means["treatment"], categories=list(where.levels)).codes
    found = {"spread between trays": _spread(means["mean"].to_numpy(), code, k)}
    if not one_each:
        found["spread between pots"] = _spread(residuals, where.treatment, k)
    rows = [_row(name, test) for name, test in found.items() if test is not None]
    uneven = [name for name, test in found.items() if test is not None and test.p < LEVEL]
    if not uneven:
        return SpreadCheck(rows, [], differ=False, alike_as_logs=False)
    which = f"The {' and the '.join(uneven)} differs between treatments"
    of = {"spread between trays": (means["mean"].to_numpy(), code), "spread between pots": (residuals, where.treatment)}
    if max(_times(*of[name], k) for name in uneven) < MATERIAL:
        few = f"{which}, by a factor of less than {MATERIAL:g}: means are compared with one spread for all."
        return SpreadCheck(rows, [few], differ=False, alike_as_logs=False)
    cautions = [f"{which}: a pair is said to differ only where it does without taking spreads to be equal as well."]
    alike_as_logs = False
    if values.min() > 0:
        logs = np.log(values)
        scattered, by = (
            (np.log(means["mean"].to_numpy()), code) if one_each else (_within(logs, where), where.treatment)
        )
        again = _spread(scattered, by, k)
        alike_as_logs = again is not None and (again.p >= LEVEL or _times(scattered, by, k) < MATERIAL)
    if alike_as_logs:
        cautions.append(
            "On a log scale the spreads are similar: comparing logarithms (or growth rates) suits better, and "
            "a pair is said to differ only where it does so on that scale, too."
        )
    return SpreadCheck(rows, cautions, differ=True, alike_as_logs=alike_as_logs)


def _times(values: Array, groups: NDArray[np.integer], levels: int) -> float:
    """The largest standard deviation of a group over the smallest; endless where one does not scatter."""
    sds = [float(np.std(own, ddof=1)) for own in split(values, groups, range(levels)) if len(own) > 1]
    return max(sds) / min(sds) if sds and min(sds) > 0 else np.inf


def _within(values: Array, where: TrialDesign) -> Array:
    """Values less the mean of their tray (and treatment)."""
    cell = where.tray * len(where.levels) + where.treatment
    _, cell = np.unique(cell, return_inverse=True)
    return np.asarray(values - (np.bincount(cell, values) / np.bincount(cell))[cell])


def within_trays(values: Array, where: TrialDesign, fitted: Array) -> Array:
    """Residuals: from the tray's mean, or from the fitted treatment means where every tray holds one pot."""
    inside = _within(values, where)
    one_each = len(where.trays) == len(values)
    return values - fitted if one_each else inside


def check_residuals(residuals: Array, labels: Array) -> tuple[list[dict[str, object]], list[str]]:
    """Shapiro-Wilk, and pots that stand far out. `labels` name the rows."""
    rows: list[dict[str, object]] = []
    cautions = []
    if 3 <= len(residuals) <= _SHAPIRO_MAX and np.ptp(residuals) > 0:
        w, p = scipy.stats.shapiro(residuals)
        rows.append(_row("normal residuals", FTest(float(w), np.nan, np.nan, float(p))))
        if p < LEVEL:
            cautions.append(
                "The pots do not scatter like a normal distribution; this matters little for means of many "
                "pots, but check the plot for outlying pots."
            )
    centre = np.median(residuals)
    mad = 1.4826 * np.median(np.abs(residuals - centre))
    if mad > 0:
        off = np.abs(residuals - centre)
        far = np.flatnonzero(off > _OUTLIER_MAD * mad)
        far = far[np.argsort(-off[far], kind="stable")]
        if len(far):
            shown = ", ".join(str(x) for x in labels[far[:5]])
            more = f" and {len(far) - 5} more" if len(far) > 5 else ""
            cautions.append(
                f"{counted(len(far), 'value').capitalize()} far from the others"
                f"{', the farthest first' if len(far) > 1 else ''}: {shown}{more}. "
                "Check for a typing error; if the weighing is right, keep it."
            )
    return rows, cautions
